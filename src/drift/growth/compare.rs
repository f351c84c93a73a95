//! One model of a fleet's growth against another.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::data::Effect;
use super::fit::Growth;
use crate::base::{Error, Result};

/// Likelihood ratio test of a model within another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Comparison {
    /// Twice the difference of the log likelihoods.
    pub statistic: f64,
    /// Parameters that the larger model has more.
    pub more: usize,
    /// Probability of a larger statistic where the smaller model is true.
    pub p_value: f64,
}

/// Tests whether the larger model says more than the smaller one within it.
///
/// `2 (ℓ − ℓ₀)` against chi-squared with as many degrees of freedom as there are parameters more. Where a
/// slope between switches is added, its variance lies on the edge of what it can be under the smaller
/// model: half chi-squared of one less, half of all (Self and Liang, *J. Am. Stat. Assoc.* 82 (1987)
/// 605–610; Stram and Lee, *Biometrics* 50 (1994) 1171–1177).
///
/// # Errors
///
/// [`Error::BadValue`] for fits of different tests, by different likelihoods, of restricted likelihoods
/// with different fixed effects, or where the first model is not the larger one.
///
/// ```
/// use deadband::drift::growth::{GrowthConfig, GrowthData, compare, grow};
/// let (mut time, mut open_pa, mut switch) = (vec![], vec![], vec![]);
/// for i in 0..30_u64 {
///     let own = (i as f64 * 0.618).fract() - 0.5;
///     for year in 0..6_u64 {
///         time.push(year as f64 - 2.5);
///         let noise = 0.3 * ((i * 6 + year) as f64 * 12.9).sin();
///         open_pa.push(60.0 + own - (0.5 + own) * year as f64 + noise);
///         switch.push(i);
///     }
/// }
/// let data = GrowthData::new(&time, &open_pa, &vec![0.1; 180], &switch, &[])?;
/// let larger = grow(&data, &GrowthConfig::default())?;
/// let smaller = grow(&data, &GrowthConfig { random_slope: false, ..GrowthConfig::default() })?;
/// assert!(compare(&larger, &smaller)?.p_value < 1e-6); // switches differ in slope
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn compare(larger: &Growth, smaller: &Growth) -> Result<Comparison> {
    let refused = |what: &'static str, value: f64, must: &'static str| {
        Err(Error::BadValue { what, value, must })
    };
    if larger.tests != smaller.tests || larger.signature != smaller.signature {
        return refused("tests of the smaller model", smaller.tests as f64, "those of the larger");
    }
    let said = |effect: &Effect| larger.effects.iter().any(|other| other.implies(effect));
    if !smaller.effects.iter().all(said) {
        let must = "effects that the larger model has, or that its own ones imply";
        return refused("effects of the smaller model", smaller.effects.len() as f64, must);
    }
    if larger.config.restricted != smaller.config.restricted {
        return refused("the likelihoods", f64::NAN, "both restricted or both full");
    }
    let fixed = (larger.fixed.len(), smaller.fixed.len());
    if larger.config.restricted && fixed.0 != fixed.1 {
        let must = "the same for both models, or both fitted by full likelihood";
        return refused("fixed effects", fixed.1 as f64, must);
    }
    let parameters = |growth: &Growth| growth.fixed.len() + growth.n_components;
    let (all, few) = (parameters(larger), parameters(smaller));
    let more = all.saturating_sub(few);
    if more == 0 || fixed.0 < fixed.1 {
        return refused("parameters of the smaller model", few as f64, "fewer than the larger has");
    }
    let statistic = (2.0 * (larger.log_likelihood - smaller.log_likelihood)).max(0.0);
    let on_edge = [
        larger.config.random_slope && !smaller.config.random_slope,
        larger.config.excess && !smaller.config.excess,
    ];
    let p_value = if on_edge.contains(&true) {
        0.5 * (beyond(statistic, more - 1) + beyond(statistic, more))
    } else {
        beyond(statistic, more)
    };
    Ok(Comparison { statistic, more, p_value })
}

/// Probability that chi-squared of so many degrees of freedom is as large.
fn beyond(statistic: f64, dof: usize) -> f64 {
    if dof == 0 {
        return if statistic > 0.0 { 0.0 } else { 1.0 };
    }
    ChiSquared::new(dof as f64).map_or(f64::NAN, |law| law.sf(statistic))
}
