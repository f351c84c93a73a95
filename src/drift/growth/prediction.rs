//! Components for the lines of the switches, and what is not known of them.

use nalgebra::{DMatrix, DVector, Matrix4, Vector4};

use super::data::GrowthData;
use super::fit::GrowthConfig;
use super::likelihood::Components;
use super::search::Search;
use crate::base::Result;

/// Components, fixed effects at them, and how uncertain the components are.
///
/// In a small fleet the likelihood often has its top where all slopes are equal, on the edge of what the
/// variance of slopes can be; lines drawn there claim to know far too much. The components for lines are
/// therefore at the top of the likelihood times `|G|^½`, which is never on the edge and in a large fleet
/// the same (Y. Chung et al., *J. Educ. Behav. Stat.* 40 (2015) 136–157).
#[derive(Debug, Clone)]
pub(super) struct Prediction {
    pub(super) components: Components,
    /// Fixed effects and, behind them, the errors that tests share.
    pub(super) beta: DVector<f64>,
    /// Covariance of `beta`.
    pub(super) covariance: DMatrix<f64>,
    /// Covariance of the components; zero for those that are not estimated.
    pub(super) spread: Matrix4<f64>,
}

impl Prediction {
    pub(super) fn of(data: &GrowthData, config: GrowthConfig, start: Vector4<f64>) -> Result<Self> {
        let search = Search::new(data, config, 0.5);
        let (components, here) = search.run(start)?;
        let inside = search.edges(&components);
        let spread = search.observed(&components, inside).unwrap_or_else(Matrix4::zeros);
        Ok(Self { components, beta: here.beta, covariance: here.covariance, spread })
    }

    /// The components with one of them moved up or down by a tenth of its uncertainty, and by how
    /// much; `None` for one that is known.
    pub(super) fn moved(&self, which: usize) -> Option<([Components; 2], f64)> {
        let sd = self.spread[(which, which)].max(0.0).sqrt();
        if sd <= 0.0 {
            return None;
        }
        let here = self.components.as_vector();
        let mut step = Vector4::zeros();
        step[which] = 0.1 * sd;
        let both = [here + step, here - step].map(Components::from_vector);
        Some((both, 0.2 * sd))
    }
}
