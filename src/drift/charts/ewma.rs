//! Exponentially weighted moving average of a history, with limits that know each test.

use serde::{Deserialize, Serialize};

use super::process::{AfterSignal, Point, Process, Signal, scatter};
use crate::base::error::positive;
use crate::base::{Error, Result};

/// Where the limits stand at the first tests.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Limits {
    /// Close to the target at first, widening as the average takes in more tests.
    #[default]
    Exact,
    /// As if the chart had run for long before.
    Steady,
}

/// Options of the chart.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EwmaConfig {
    /// Weight of the newest test, above 0 and at most 1.
    pub lambda: f64,
    /// Limits are this many standard deviations of the average from the target.
    pub multiplier: f64,
    /// The limits at the first tests.
    pub limits: Limits,
    /// What follows a signal.
    pub after: AfterSignal,
}

impl Default for EwmaConfig {
    /// Weight 0.2, limits at 2.86: some 370 tests in control to a false signal, as for single tests
    /// with limits at 3.
    fn default() -> Self {
        let (limits, after) = (Limits::Exact, AfterSignal::Continue);
        Self { lambda: 0.2, multiplier: 2.86, limits, after }
    }
}

impl EwmaConfig {
    /// Refuses a weight or a multiplier that makes no chart.
    pub(super) fn check(&self) -> Result<()> {
        if !(self.lambda > 0.0 && self.lambda <= 1.0) {
            let must = "above 0 and at most 1";
            return Err(Error::BadValue { what: "lambda", value: self.lambda, must });
        }
        positive("multiplier", self.multiplier).map(drop)
    }

    /// Variance of the average before the first test, whose own standard deviation is `sd`.
    pub(super) fn start(&self, sd: f64) -> f64 {
        match self.limits {
            Limits::Exact => 0.0,
            Limits::Steady => self.lambda / (2.0 - self.lambda) * sd * sd,
        }
    }

    /// Variance of the average after a test of standard deviation `sd`.
    pub(super) fn next(&self, variance: f64, sd: f64) -> f64 {
        let kept = 1.0 - self.lambda;
        kept * kept * variance + (self.lambda * sd).powi(2)
    }
}

/// The chart of a history.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ewma {
    /// Average and limits at every test, in the unit of the tests.
    pub points: Vec<Point>,
    /// Standard deviation of every average in control, same unit.
    pub sd: Vec<f64>,
    /// Tests whose average is outside.
    pub signals: Vec<Signal>,
}

/// Charts the exponentially weighted moving average of tests in the order of their dates.
///
/// `zᵢ = (1 − λ) zᵢ₋₁ + λ xᵢ` from the target on, with
/// `var zᵢ = (1 − λ)² var zᵢ₋₁ + λ² (sd² + uᵢ²)` and limits `target ± L √var zᵢ`. A rough test
/// (large `uᵢ`) widens the limits for as long as the average remembers it. `u` is each test's own
/// standard uncertainty, independent from test to test; zeros where `sd` holds all scatter. With
/// equal `u` the variance is the usual `λ/(2 − λ) (1 − (1 − λ)²ⁱ) (sd² + u²)`.
///
/// How often such a chart signals without cause: [`super::ewma_run_length()`],
/// [`super::ewma_false_alarm()`].
///
/// Source: J. M. Lucas and M. S. Saccucci, *Technometrics* 32 (1990) 1-12.
///
/// # Errors
///
/// [`Error::TooFewSamples`] without tests; `LengthMismatch`; `NotFinite`; `BadValue` for a bad
/// option, an uncertainty below zero, or a test whose `sd` and `u` are both zero.
///
/// ```
/// use deadband::drift::charts::{EwmaConfig, Process, Side, ewma};
/// let process = Process { target: 60.0, sd: 0.3 };
/// let open_pa = [60.1, 59.8, 60.2, 59.9, 60.6, 60.7, 60.5, 60.8];
/// let sharp = ewma(&open_pa, &[0.1; 8], &process, &EwmaConfig::default())?;
/// assert_eq!((sharp.signals[0].index, sharp.signals[0].side), (7, Side::Above));
/// let rough = ewma(&open_pa, &[0.5; 8], &process, &EwmaConfig::default())?;
/// assert!(rough.signals.is_empty());
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn ewma(values: &[f64], u: &[f64], process: &Process, config: &EwmaConfig) -> Result<Ewma> {
    config.check()?;
    let sds = scatter(values, u, process)?;
    let mut chart = Ewma { points: Vec::new(), sd: Vec::new(), signals: Vec::new() };
    let (mut mean, mut variance, mut fresh) = (process.target, 0.0, true);
    for (index, (&value, &sd)) in values.iter().zip(&sds).enumerate() {
        if fresh {
            (mean, variance) = (process.target, config.start(sd));
        }
        mean += config.lambda * (value - mean);
        variance = config.next(variance, sd);
        let half = config.multiplier * variance.sqrt();
        let (low, high) = (process.target - half, process.target + half);
        let point = Point { value: mean, low, high };
        let side = point.side();
        chart.signals.extend(side.map(|side| Signal { index, side }));
        fresh = side.is_some() && config.after == AfterSignal::Restart;
        chart.points.push(point);
        chart.sd.push(variance.sqrt());
    }
    Ok(chart)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drift::charts::Side;
    use proptest::prelude::*;

    const PROCESS: Process = Process { target: 50.0, sd: 2.0 };

    #[test]
    fn a_restart_forgets() {
        let values = [50.0, 60.0, 50.0, 50.0];
        let go_on = EwmaConfig { lambda: 0.5, ..EwmaConfig::default() };
        let anew = EwmaConfig { after: AfterSignal::Restart, ..go_on };
        let (first, second) =
            (ewma(&values, &[0.0; 4], &PROCESS, &go_on), ewma(&values, &[0.0; 4], &PROCESS, &anew));
        let (first, second) = (first.unwrap(), second.unwrap());
        assert_eq!((first.points[2].value, second.points[2].value), (52.5, 50.0));
        assert_eq!(second.points[2].high, second.points[0].high);
        assert_eq!(second.signals, [Signal { index: 1, side: Side::Above }]);
    }

    #[test]
    fn bad_options_are_refused() {
        for lambda in [0.0, -0.1, 1.1, f64::NAN] {
            let config = EwmaConfig { lambda, ..EwmaConfig::default() };
            let found = ewma(&[1.0], &[0.0], &PROCESS, &config);
            assert!(matches!(found, Err(Error::BadValue { what: "lambda", .. })));
        }
        let config = EwmaConfig { multiplier: 0.0, ..EwmaConfig::default() };
        assert!(ewma(&[1.0], &[0.0], &PROCESS, &config).is_err());
    }

    proptest! {
        /// The variance by its sum over all tests, and the usual closed form where u is equal.
        #[test]
        fn the_variance_is_that_of_the_weighted_sum(
            u in prop::collection::vec(0.0f64..5.0, 1..20), lambda in 0.01f64..1.0,
        ) {
            let config = EwmaConfig { lambda, ..EwmaConfig::default() };
            let values = vec![50.0; u.len()];
            let found = ewma(&values, &u, &PROCESS, &config).unwrap();
            let n = u.len();
            let weight = |i: usize| lambda * (1.0 - lambda).powi((n - 1 - i) as i32);
            let sum: f64 = (0..n).map(|i| weight(i).powi(2) * (4.0 + u[i] * u[i])).sum();
            prop_assert!((found.sd[n - 1] / sum.sqrt() - 1.0).abs() < 1e-12);
            let equal = ewma(&values, &vec![1.5; n], &PROCESS, &config).unwrap();
            let grown = 1.0 - (1.0 - lambda).powi(2 * n as i32);
            let closed = (lambda / (2.0 - lambda) * grown * 6.25).sqrt();
            prop_assert!((equal.sd[n - 1] / closed - 1.0).abs() < 1e-12);
            let steady = EwmaConfig { limits: Limits::Steady, ..config };
            let steady = ewma(&values, &vec![1.5; n], &PROCESS, &steady).unwrap();
            let last = (lambda / (2.0 - lambda) * 6.25).sqrt();
            prop_assert!(steady.sd.iter().all(|sd| (sd / last - 1.0).abs() < 1e-12));
        }

        /// Turned over, the chart signals on the other side.
        #[test]
        fn sides_mirror(values in prop::collection::vec(40.0f64..60.0, 1..30)) {
            let mirrored: Vec<f64> = values.iter().map(|v| 100.0 - v).collect();
            let u = vec![0.3; values.len()];
            let one = ewma(&values, &u, &PROCESS, &EwmaConfig::default()).unwrap();
            let other = ewma(&mirrored, &u, &PROCESS, &EwmaConfig::default()).unwrap();
            prop_assert_eq!(one.signals.len(), other.signals.len());
            for (a, b) in one.signals.iter().zip(&other.signals) {
                prop_assert!(a.index == b.index && a.side != b.side);
            }
        }
    }
}
