//! Single tests and their moving ranges.

use serde::{Deserialize, Serialize};

use super::constants::{d2, d3};
use super::process::{Point, Process, Signal, scatter, signals};
use crate::base::channel::{enough, finite, same_length};
use crate::base::error::{not_negative, positive};
use crate::base::root::root;
use crate::base::{Error, Estimate, Result};

/// Options of the chart and of its baseline.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct IndividualsConfig {
    /// Consecutive tests in a moving range, 2 or more.
    pub span: usize,
    /// Limits are this many standard deviations from the centre.
    pub multiplier: f64,
}

impl Default for IndividualsConfig {
    /// Ranges of two tests, limits at three standard deviations.
    fn default() -> Self {
        Self { span: 2, multiplier: 3.0 }
    }
}

/// Centre and scatter of a process, from tests taken while it was in control.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Baseline {
    /// Weighted mean with its standard uncertainty, in the unit of the tests.
    pub centre: Estimate,
    /// Standard deviation from test to test beyond the tests' own uncertainties, same unit; 0 where
    /// these explain the ranges.
    pub sd: f64,
    /// Mean moving range, same unit.
    pub mean_range: f64,
    /// Number of tests.
    pub n: usize,
}

impl Baseline {
    /// The process that the charts compare with.
    pub fn process(&self) -> Process {
        Process { target: self.centre.value, sd: self.sd }
    }
}

/// The chart of a history.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Individuals {
    /// Every test with its limits, in the unit of the tests.
    pub points: Vec<Point>,
    /// Range of every `span` consecutive tests with its limits, same unit; the first ends at test
    /// `span - 1`.
    pub ranges: Vec<Point>,
    /// Tests outside their limits.
    pub signals: Vec<Signal>,
    /// Ranges outside theirs, by the index of the last test in each.
    pub range_signals: Vec<Signal>,
}

/// Centre and scatter of a baseline, from its moving ranges.
///
/// A range of tests with variances `sd² + uᵢ²` has the mean `d₂ √(sd² + ū²)`, `ū²` the mean of `uᵢ²`
/// in it (exact for two tests, close for more); `sd` makes the mean of these the mean range found.
/// Without uncertainties it is the mean range over `d₂`. A shift within the baseline enters no more
/// than the ranges across it. The centre is weighted by `1/(sd² + uᵢ²)`; its degrees of freedom are
/// infinite, as the charts take the baseline as known: with few tests in it, false signals come
/// more often than stated.
///
/// Source: NIST/SEMATECH *e-Handbook of Statistical Methods*, 6.3.2.2; the share of known
/// uncertainties is this library's own.
///
/// # Errors
///
/// [`Error::TooFewSamples`] with fewer than `span + 1` tests; `LengthMismatch`; `NotFinite`;
/// `BadValue` for a bad option or uncertainty, and where all tests are equal and no uncertainty is
/// stated: such a baseline does not scatter.
///
/// ```
/// use deadband::drift::charts::{IndividualsConfig, baseline};
/// let open_pa = [60.1, 59.7, 60.3, 59.9, 60.2, 59.8, 60.0];
/// let alone = baseline(&open_pa, &[0.0; 7], &IndividualsConfig::default())?;
/// assert!((alone.sd - alone.mean_range / 1.128).abs() < 1e-3);
/// let known = baseline(&open_pa, &[0.2; 7], &IndividualsConfig::default())?;
/// assert!((known.sd.hypot(0.2) - alone.sd).abs() < 1e-9);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn baseline(values: &[f64], u: &[f64], config: &IndividualsConfig) -> Result<Baseline> {
    let (mean_of_range, _) = check(config)?;
    same_length(("u", u), ("values", values))?;
    finite("values", values)?;
    u.iter().try_for_each(|&u| not_negative("u", u).map(drop))?;
    enough("tests in the baseline", values.len(), config.span.saturating_add(1))?;
    let n = values.len();
    let windows = (n - config.span + 1) as f64;
    let mean_range = values.windows(config.span).map(range).sum::<f64>() / windows;
    let own: Vec<f64> = u.windows(config.span).map(mean_square).collect();
    let expected = |sd: f64| {
        let ranges = own.iter().map(|square| sd.hypot(square.sqrt()));
        mean_of_range * ranges.sum::<f64>() / windows
    };
    let widest = mean_range / mean_of_range;
    if !widest.is_finite() {
        let must = "of tests that lie within the numbers a computer has";
        return Err(Error::BadValue { what: "mean range", value: mean_range, must });
    }
    let sd = if expected(0.0) >= mean_range {
        0.0
    } else {
        root(|sd| expected(sd) - mean_range, 0.0, widest).unwrap_or(widest)
    };
    if sd == 0.0 && u.contains(&0.0) {
        let must = "above 0 where no uncertainty is stated; take a baseline that scatters";
        return Err(Error::BadValue { what: "scatter of the baseline", value: sd, must });
    }
    // In units of the smallest deviation, whose square could vanish.
    let scale = u.iter().map(|u| sd.hypot(*u)).fold(f64::INFINITY, f64::min);
    let weight = |u: f64| (scale / sd.hypot(u)).powi(2);
    let total: f64 = u.iter().map(|&u| weight(u)).sum();
    let offset = values.iter().zip(u).map(|(v, &u)| weight(u) / total * (v - values[0]));
    let value = values[0] + offset.sum::<f64>();
    let centre = Estimate { value, u: scale / total.sqrt(), dof: f64::INFINITY };
    Ok(Baseline { centre, sd, mean_range, n })
}

/// Charts single tests and their moving ranges against a process in control.
///
/// Limits of test `i`: `target ± L √(sd² + uᵢ²)`. Limits of the range of `span` tests:
/// `(d₂ ± L d₃) √(sd² + ū²)`, not below 0, `ū²` the mean of their `uᵢ²`. A history shorter than
/// `span` has no ranges. In control a test of a normal process with `L = 3` signals once in 370
/// tests on average.
///
/// Source: NIST/SEMATECH *e-Handbook of Statistical Methods*, 6.3.2.2.
///
/// # Errors
///
/// [`Error::TooFewSamples`] without tests; `LengthMismatch`; `NotFinite`; `BadValue` for a bad
/// option, an uncertainty below zero, or a test whose `sd` and `u` are both zero.
///
/// ```
/// use deadband::drift::charts::{IndividualsConfig, Process, Side, individuals};
/// let process = Process { target: 60.0, sd: 0.3 };
/// let open_pa = [60.1, 59.8, 61.4, 61.4];
/// let u_pa = [0.1, 0.1, 0.1, 0.5];
/// let chart = individuals(&open_pa, &u_pa, &process, &IndividualsConfig::default())?;
/// assert_eq!(chart.signals.len(), 1); // the fourth test is too rough to tell
/// assert_eq!((chart.signals[0].index, chart.signals[0].side), (2, Side::Above));
/// assert_eq!(chart.range_signals[0].index, 2);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn individuals(
    values: &[f64],
    u: &[f64],
    process: &Process,
    config: &IndividualsConfig,
) -> Result<Individuals> {
    let (mean_of_range, sd_of_range) = check(config)?;
    let sds = scatter(values, u, process)?;
    let single = |(&value, &sd): (&f64, &f64)| {
        let half = config.multiplier * sd;
        Point { value, low: process.target - half, high: process.target + half }
    };
    let points: Vec<Point> = values.iter().zip(&sds).map(single).collect();
    let half = config.multiplier * sd_of_range;
    let spread = |(tests, sds): (&[f64], &[f64])| {
        let sd = mean_square(sds).sqrt();
        let low = ((mean_of_range - half) * sd).max(0.0);
        Point { value: range(tests), low, high: (mean_of_range + half) * sd }
    };
    let windows = values.windows(config.span).zip(sds.windows(config.span));
    let ranges: Vec<Point> = windows.map(spread).collect();
    let ends = |s: Signal| Signal { index: s.index + config.span - 1, ..s };
    let range_signals = signals(&ranges).into_iter().map(ends).collect();
    Ok(Individuals { signals: signals(&points), range_signals, points, ranges })
}

fn check(config: &IndividualsConfig) -> Result<(f64, f64)> {
    positive("multiplier", config.multiplier)?;
    Ok((d2(config.span)?, d3(config.span)?))
}

fn range(values: &[f64]) -> f64 {
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max) - low
}

fn mean_square(values: &[f64]) -> f64 {
    values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64
}
