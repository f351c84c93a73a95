//! The components of a fleet's growth by likelihood.

use std::sync::Arc;

use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

use super::components::Components;
use super::data::{Effect, GrowthData, SWITCHES_NEEDED};
use super::inference::dof_of;
use super::prediction::Prediction;
use super::search::{Search, start};
use crate::base::{Error, Estimate, Result};

/// How a fleet's growth is fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct GrowthConfig {
    /// Restricted likelihood, which allows for the fixed effects that were estimated too; without it
    /// the full one, by which models of different fixed effects can be compared.
    pub restricted: bool,
    /// Whether switches differ in slope, beyond what the fixed effects say.
    pub random_slope: bool,
    /// Whether tests scatter more than their own uncertainties say.
    pub excess: bool,
}

impl Default for GrowthConfig {
    fn default() -> Self {
        Self { restricted: true, random_slope: true, excess: true }
    }
}

/// What was found.
#[derive(Debug, Clone)]
pub struct Growth {
    /// Fixed effects: level of the mean line at the origin of time (Pa), its slope (Pa/year), then the
    /// columns of each effect in the order given, levels before slopes; degrees of freedom by
    /// Satterthwaite.
    pub fixed: Vec<Estimate>,
    /// Covariance of the fixed effects.
    pub covariance: DMatrix<f64>,
    /// Errors that tests share, in the order given and each in units of its standard deviation: the best
    /// linear unbiased prediction, with what is left unknown of it as its uncertainty.
    pub shared: Vec<Estimate>,
    /// Variances between switches and tests.
    pub components: Components,
    /// Standard uncertainties of the components, from the curvature of the likelihood; `None` for one
    /// on the edge of what it can be, or that was not estimated.
    pub components_u: [Option<f64>; 4],
    /// Log likelihood at its top, restricted or full.
    pub log_likelihood: f64,
    /// Components estimated.
    pub n_components: usize,
    /// How it was fitted.
    pub config: GrowthConfig,
    pub(super) prediction: Prediction,
    pub(super) columns: usize,
    pub(super) tests: usize,
    pub(super) effects: Arc<[Effect]>,
    pub(super) signature: u64,
}

/// Fits the growth of a fleet.
///
/// The components `G = L L'` and `σ² = s²` are found by scoring on the entries of `L` and on `s`, so that
/// they stay variances, with the exact gradient of the likelihood and its expected curvature; no step
/// is taken that loses. Cost grows as the number of tests.
///
/// Standard uncertainties of the fixed effects are those of generalised least squares at the components
/// found; their degrees of freedom are Satterthwaite's, `2 f² / (∇f' A ∇f)` with `f` the variance of
/// the effect and `A` the covariance of the components from the observed curvature
/// (K. L. Fai and P. L. Cornelius, *J. Stat. Comput. Simul.* 54 (1996) 363–378).
///
/// # Errors
///
/// [`Error::TooFewSamples`] for slopes that differ where fewer than three switches were tested on two
/// dates; [`Error::BadValue`] where the fixed effects cannot be told apart, or the values lie so exactly on their
/// lines that no variance is left.
///
/// ```
/// use deadband::drift::growth::{GrowthConfig, GrowthData, grow};
/// let (mut time, mut open_pa, mut switch) = (vec![], vec![], vec![]);
/// for i in 0..40_u64 {
///     let own = (i as f64 * 0.618).fract() - 0.5; // where this switch stands among the others
///     for year in 0..6_u64 {
///         let noise = 0.3 * ((i * 6 + year) as f64 * 12.9).sin();
///         time.push(year as f64 - 2.5);
///         open_pa.push(60.0 + 4.0 * own - (0.5 + 0.2 * own) * year as f64 + noise);
///         switch.push(i);
///     }
/// }
/// let u = vec![0.1; open_pa.len()];
/// let data = GrowthData::new(&time, &open_pa, &u, &switch, &[])?;
/// let found = grow(&data, &GrowthConfig::default())?;
/// assert!((found.fixed[1].value + 0.5).abs() < 0.05);
/// assert!(found.components.level > 0.5 && found.components.slope < 0.1);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn grow(data: &GrowthData, config: &GrowthConfig) -> Result<Growth> {
    let (needed, found) = (SWITCHES_NEEDED, data.with_two_dates());
    if config.random_slope && found < needed {
        return Err(Error::TooFewSamples { what: "switches tested on two dates", found, needed });
    }
    let search = Search::new(data, *config, 0.0);
    let start = start(data, *config)?;
    let (components, here) = search.run(start)?;
    let edges = search.edges(&components);
    let covariance_of_components = search.observed(&components, edges);
    let mut fixed: Vec<Estimate> = (0..data.all_columns())
        .map(|column| {
            let value = here.beta[column] + if column == 0 { data.offset } else { 0.0 };
            let u = here.covariance[(column, column)].max(0.0).sqrt();
            let dof = dof_of(&here, column, covariance_of_components.as_ref(), data);
            Estimate { value, u, dof }
        })
        .collect();
    let shared = fixed.split_off(data.columns);
    let components_u = std::array::from_fn(|k| {
        let variance = covariance_of_components.as_ref()?[(k, k)];
        (edges[k] && variance > 0.0).then(|| variance.sqrt())
    });
    Ok(Growth {
        fixed,
        shared,
        components,
        components_u,
        log_likelihood: here.log,
        n_components: search.n_free(),
        config: *config,
        covariance: here.covariance.resize(data.columns, data.columns, 0.0),
        prediction: Prediction::of(data, *config, start)?,
        columns: data.columns,
        tests: data.tests(),
        effects: data.effects.clone(),
        signature: data.signature,
    })
}
