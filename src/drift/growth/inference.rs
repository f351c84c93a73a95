//! Degrees of freedom of a fleet's fixed effects.

use nalgebra::{Matrix4, Vector4};

use super::data::GrowthData;
use super::likelihood::Likelihood;

/// Satterthwaite's degrees of freedom of one fixed effect; those of the tests where no component is
/// uncertain.
pub(super) fn dof_of(
    at: &Likelihood,
    column: usize,
    components: Option<&Matrix4<f64>>,
    data: &GrowthData,
) -> f64 {
    let most = (data.tests() - data.columns) as f64;
    let own = at.covariance.column(column);
    let variance = own[column];
    // ∂C/∂θ = C X' V⁻¹ V̇ V⁻¹ X C.
    let gradient = Vector4::from_fn(|k, _| own.dot(&(&at.by[k] * own)));
    let Some(components) = components else { return most };
    let spread = (gradient.transpose() * components * gradient)[0];
    let dof = 2.0 * variance * variance / spread;
    if dof.is_finite() { dof.max(1.0) } else { f64::INFINITY }
}
