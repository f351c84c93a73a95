//! Components for the lines of the switches, and what is not known of them.

use nalgebra::{Cholesky, DMatrix, DVector, Matrix4, Vector4};

use super::components::Components;
use super::data::GrowthData;
use super::fit::GrowthConfig;
use super::search::Search;
use super::totals::Totals;
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
    pub(super) fn moved(&self, data: &GrowthData, which: usize) -> Option<Moved> {
        let sd = self.spread[(which, which)].max(0.0).sqrt();
        if sd <= 0.0 {
            return None;
        }
        let here = self.components.as_vector();
        let mut step = Vector4::zeros();
        step[which] = 0.1 * sd;
        let [up, down] = [here + step, here - step].map(|theta| {
            let components = Components::from_vector(theta);
            let beta = self.foretold(data, &components)?;
            Some((components, beta))
        });
        Some(Moved { up: up?, down: down?, apart: 0.2 * sd })
    }

    /// The fixed effects as they were found, and what tests share foretold anew by other components,
    /// as the levels and slopes of the switches are.
    fn foretold(&self, data: &GrowthData, with: &Components) -> Option<DVector<f64>> {
        let mut beta = self.beta.clone();
        if data.shared > 0 {
            let Totals { xx, xy, .. } = Totals::of(data, with)?;
            let (fixed, errors) = (..data.columns, data.columns..);
            let known = xx.view_range(errors.clone(), fixed) * beta.rows_range(fixed);
            let open = xx.view_range(errors.clone(), errors.clone()).into_owned();
            let found = Cholesky::new(open)?.solve(&(xy.rows_range(errors.clone()) - known));
            beta.rows_range_mut(errors).copy_from(&found);
        }
        Some(beta)
    }
}

/// Components to both sides of those found, and how far apart they are.
pub(super) struct Moved {
    pub(super) up: (Components, DVector<f64>),
    pub(super) down: (Components, DVector<f64>),
    pub(super) apart: f64,
}
