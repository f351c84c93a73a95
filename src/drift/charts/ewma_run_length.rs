//! Run length of the EWMA chart, and the limits for a wanted one.

use serde::{Deserialize, Serialize};
use statrs::distribution::{Continuous, ContinuousCDF};

use super::chain::{Chain, dot};
use super::ewma::{EwmaConfig, Limits};
use super::process::{Process, sds};
use super::quadrature::legendre;
use super::run_length::RunLength;
use crate::base::channel::enough;
use crate::base::estimate::normal;
use crate::base::root::root;
use crate::base::{Error, Result};

/// Where the chart stands when the shift comes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Start {
    /// On the target, at its first test (zero state).
    #[default]
    Target,
    /// Where it stands after a long time in control without a signal (conditional steady state).
    Steady,
}

/// Most nodes of a quadrature: a second's work.
const MOST_NODES: usize = 1000;

/// The limits are taken as settled once their squares are this close to the last, relatively.
const SETTLED: f64 = 1e-13;

/// Run length of an EWMA chart whose tests are shifted by `shift` standard deviations of one test.
///
/// With `c = L √(λ/(2 − λ))`, mean run length from `z` on:
/// `ℓ(z) = 1 + ∫₋c^c ℓ(y) φ((y − (1 − λ) z)/λ − shift)/λ dy`, by Gauss and Legendre's quadrature; the
/// distribution by the same kernel forwards in time, with the narrower first limits of
/// [`Limits::Exact`] where the chart starts on the target. The tests are normal and independent,
/// their uncertainties equal. Agrees with the published tables to their last digit.
///
/// Sources: S. V. Crowder, *Technometrics* 29 (1987) 401-407; J. M. Lucas and M. S. Saccucci,
/// *Technometrics* 32 (1990) 1-12; for changing limits S. Knoth, *Sequential Analysis* 22 (2003)
/// 241-255; for the steady state R. B. Crosier, *Technometrics* 28 (1986) 187-194.
///
/// # Errors
///
/// [`Error::BadValue`] for a bad option, a shift that is no number, a weight too small or a
/// multiplier too large to compute with.
///
/// ```
/// use deadband::drift::charts::{EwmaConfig, Start, ewma_run_length};
/// let config = EwmaConfig::default();
/// let quiet = ewma_run_length(&config, 0.0, Start::Target)?;
/// let shifted = ewma_run_length(&config, 1.0, Start::Target)?;
/// assert!((quiet.mean() - 363.0).abs() < 3.0 && (shifted.mean() - 8.0).abs() < 1.0);
/// assert!(shifted.quantile(0.9)? < 20.0);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn ewma_run_length(config: &EwmaConfig, shift: f64, start: Start) -> Result<RunLength> {
    let (chain, survival, at) = set_out(config, shift, start)?;
    let run = chain.run_length(survival, at);
    within_reach(run.mean(), config).map(|_| run)
}

/// Mean run length (average run length, ARL) alone; see [`ewma_run_length`].
///
/// # Errors
///
/// As [`ewma_run_length`].
///
/// ```
/// use deadband::drift::charts::{EwmaConfig, Limits, Start, ewma_arl};
/// let config = EwmaConfig { lambda: 0.25, multiplier: 3.0, limits: Limits::Steady, ..EwmaConfig::default() };
/// assert!((ewma_arl(&config, 1.0, Start::Target)? - 11.154267).abs() < 1e-6); // Crowder's method
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn ewma_arl(config: &EwmaConfig, shift: f64, start: Start) -> Result<f64> {
    let (chain, survival, at) = set_out(config, shift, start)?;
    let before: f64 = survival[..survival.len() - 1].iter().sum();
    within_reach(before + dot(&at, &chain.mean()), config)
}

/// The multiplier with which a chart in control runs for `wanted` tests on average.
///
/// `multiplier` of the configuration is not used. See [`ewma_run_length`].
///
/// # Errors
///
/// [`Error::BadValue`] unless `wanted` is 1.001 to 1e12, and as [`ewma_run_length`].
///
/// ```
/// use deadband::drift::charts::{EwmaConfig, Limits, ewma_multiplier};
/// let config = EwmaConfig { lambda: 0.1, limits: Limits::Steady, ..EwmaConfig::default() };
/// assert!((ewma_multiplier(&config, 250.0)? - 2.55).abs() < 0.005); // Crowder (1989)
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn ewma_multiplier(config: &EwmaConfig, wanted: f64) -> Result<f64> {
    let refused =
        Error::BadValue { what: "wanted run length", value: wanted, must: "1.001 to 1e12" };
    if !(1.001..=1e12).contains(&wanted) {
        return Err(refused);
    }
    let with = |multiplier| EwmaConfig { multiplier, ..*config };
    // Averages of neighbouring tests are alike, so that single tests need the wider limits.
    let widest = 1.001 * normal().inverse_cdf(1.0 - 0.5 / wanted) + 1e-6;
    ewma_arl(&with(widest), 0.0, Start::Target)?;
    let off = |multiplier: f64| {
        ewma_arl(&with(multiplier), 0.0, Start::Target).map_or(f64::NAN, |arl| (arl / wanted).ln())
    };
    root(off, 1e-5, widest).ok_or(refused)
}

/// Probability that tests in control with these uncertainties give at least one signal.
///
/// What [`super::ewma()`] does on that history, followed test by test with its own limits. It says
/// how much a signal is worth where the tests differ in uncertainty.
///
/// # Errors
///
/// [`Error::TooFewSamples`] without tests; [`Error::BadValue`] for a bad option or uncertainty, and
/// where uncertainties are too uneven to compute with.
///
/// ```
/// use deadband::drift::charts::{EwmaConfig, Process, ewma_false_alarm};
/// let process = Process { target: 60.0, sd: 0.3 };
/// let p = ewma_false_alarm(&[0.1, 0.1, 0.5, 0.1, 0.1, 0.2], &process, &EwmaConfig::default())?;
/// assert!(p > 0.005 && p < 6.0 * 2.0 * 0.00212); // Bonferroni, 2 Φ(-2.86)
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn ewma_false_alarm(u: &[f64], process: &Process, config: &EwmaConfig) -> Result<f64> {
    config.check()?;
    enough("tests on the chart", u.len(), 1)?;
    let sds = sds(u, process)?;
    let mut variance = config.start(sds[0]);
    let mut front = Front::new(config);
    for (i, &sd) in sds.iter().enumerate() {
        variance = config.next(variance, sd);
        let next = sds.get(i + 1).copied().unwrap_or(sd).min(sd);
        front.step(sd, config.multiplier * variance.sqrt(), next, 0.0)?;
    }
    Ok((1.0 - front.left()).clamp(0.0, 1.0))
}

/// Density of an average that has not signalled, on the nodes between its limits.
struct Front {
    lambda: f64,
    nodes: Vec<f64>,
    /// Density times weight of the node.
    mass: Vec<f64>,
}

impl Front {
    fn new(config: &EwmaConfig) -> Self {
        Self { lambda: config.lambda, nodes: vec![0.0], mass: vec![1.0] }
    }

    fn left(&self) -> f64 {
        self.mass.iter().sum()
    }

    /// One more test of deviation `sd` and limits `±limit`, on nodes fine enough for `least`.
    fn step(&mut self, sd: f64, limit: f64, least: f64, shift: f64) -> Result<()> {
        let (nodes, weights) = between_limits(limit, self.lambda * least, self.lambda)?;
        let width = self.lambda * sd;
        let density = |y: f64| {
            let from = self.nodes.iter().zip(&self.mass);
            from.map(|(z, mass)| mass * normal().pdf((y - (1.0 - self.lambda) * z) / width - shift))
                .sum::<f64>()
        };
        let mass = nodes.iter().zip(&weights).map(|(&y, w)| w * density(y) / width).collect();
        (self.nodes, self.mass) = (nodes, mass);
        Ok(())
    }
}

/// Nodes and weights between `±limit`, fine enough for a normal density of deviation `width`.
fn between_limits(limit: f64, width: f64, lambda: f64) -> Result<(Vec<f64>, Vec<f64>)> {
    let n = 5.0 * limit / width + 20.0;
    if !(n <= MOST_NODES as f64) {
        let must = "larger, or the multiplier smaller or the tests' uncertainties more even, for run lengths to be computed";
        return Err(Error::BadValue { what: "lambda", value: lambda, must });
    }
    let (mut nodes, mut weights) = legendre(n as usize);
    nodes.iter_mut().for_each(|x| *x *= limit);
    weights.iter_mut().for_each(|w| *w *= limit);
    Ok((nodes, weights))
}

/// The chain between the last limits.
fn chain(nodes: &[f64], weights: &[f64], lambda: f64, limit: f64, shift: f64) -> Chain {
    let at = |z: f64, y: f64| (y - (1.0 - lambda) * z) / lambda - shift;
    let row = |&z: &f64| {
        let cells = nodes.iter().zip(weights);
        cells.map(move |(&y, w)| w / lambda * normal().pdf(at(z, y)))
    };
    let moves = nodes.iter().flat_map(row).collect();
    let out = |&z: &f64| normal().cdf(at(z, -limit)) + normal().sf(at(z, limit));
    let signal: Vec<f64> = nodes.iter().map(out).collect();
    Chain::new(moves, &signal)
}

/// The chain between the last limits, the survival until these are reached, and where the chart
/// then stands.
fn set_out(config: &EwmaConfig, shift: f64, start: Start) -> Result<(Chain, Vec<f64>, Vec<f64>)> {
    config.check()?;
    if !shift.is_finite() {
        return Err(Error::BadValue { what: "shift", value: shift, must: "a finite number" });
    }
    let last = EwmaConfig { limits: Limits::Steady, ..*config }.start(1.0);
    let limit = config.multiplier * last.sqrt();
    let (nodes, weights) = between_limits(limit, config.lambda, config.lambda)?;
    let shifted = chain(&nodes, &weights, config.lambda, limit, shift);
    if start == Start::Steady {
        let (shape, _) = chain(&nodes, &weights, config.lambda, limit, 0.0).steady();
        return Ok((shifted, vec![1.0], shape));
    }
    let mut front = Front::new(config);
    let mut survival = vec![1.0];
    let mut variance = config.start(1.0);
    loop {
        variance = config.next(variance, 1.0);
        let settled = variance >= last * (1.0 - SETTLED);
        let half = if settled { limit } else { config.multiplier * variance.sqrt() };
        front.step(1.0, half, 1.0, shift)?;
        survival.push(front.left());
        if settled {
            return Ok((shifted, survival, front.mass));
        }
    }
}

fn within_reach(arl: f64, config: &EwmaConfig) -> Result<f64> {
    let must = "smaller for run lengths to be computed";
    let refused = Error::BadValue { what: "multiplier", value: config.multiplier, must };
    if arl.is_finite() && arl < 1e150 { Ok(arl.max(1.0)) } else { Err(refused) }
}
