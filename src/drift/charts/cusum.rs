//! Tabular cumulative sums of standardised deviations.

use serde::{Deserialize, Serialize};

use super::process::{AfterSignal, Process, Side, Signal, scatter};
use crate::base::error::{not_negative, positive};
use crate::base::{Error, Result};

/// Options of the chart.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CusumConfig {
    /// Allowance `k`, in standard deviations of one test: half the shift to be found.
    pub k: f64,
    /// Decision limit `h`, in standard deviations of one test.
    pub h: f64,
    /// Value of both sums before the first test, as a share of `h`, from 0 to below 1; ½ is usual
    /// where a repair may not have helped (fast initial response).
    pub head_start: f64,
    /// What follows a signal; a restart gives the head start again.
    pub after: AfterSignal,
}

impl Default for CusumConfig {
    /// Allowance ½ (shifts of one standard deviation), limit 4.77, no head start: some 370 tests in
    /// control to a false signal.
    fn default() -> Self {
        Self { k: 0.5, h: 4.77, head_start: 0.0, after: AfterSignal::Continue }
    }
}

impl CusumConfig {
    /// Refuses options that make no chart.
    pub(super) fn check(&self) -> Result<()> {
        not_negative("k", self.k)?;
        positive("h", self.h)?;
        if (0.0..1.0).contains(&self.head_start) {
            return Ok(());
        }
        let must = "from 0 to below 1";
        Err(Error::BadValue { what: "head_start", value: self.head_start, must })
    }
}

/// The chart of a history.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cusum {
    /// Sum of what lies above the target, at every test; in standard deviations, never below 0.
    pub upper: Vec<f64>,
    /// Sum of what lies below the target, at every test; likewise.
    pub lower: Vec<f64>,
    /// Number of tests, up to and with each, since the upper sum last was 0.
    pub upper_run: Vec<usize>,
    /// The same of the lower sum.
    pub lower_run: Vec<usize>,
    /// Tests at which a sum exceeds `h`.
    pub signals: Vec<Signal>,
}

/// Charts two-sided cumulative sums of tests in the order of their dates.
///
/// With `yᵢ = (xᵢ − target)/√(sd² + uᵢ²)`:
/// `Cᵢ⁺ = max(0, Cᵢ₋₁⁺ + yᵢ − k)`, `Cᵢ⁻ = max(0, Cᵢ₋₁⁻ − yᵢ − k)`, a signal where a sum exceeds `h`.
/// Every deviation is standardised by its own test, so that the run length in control does not
/// depend on the uncertainties ([`super::cusum_arl()`]). At a signal, `upper_run` or `lower_run`
/// dates the shift: it is taken to have come with the first test of the run.
///
/// Source: J. M. Lucas and R. B. Crosier, *Technometrics* 24 (1982) 199-205.
///
/// # Errors
///
/// [`Error::TooFewSamples`] without tests; `LengthMismatch`; `NotFinite`; `BadValue` for a bad
/// option, an uncertainty below zero, or a test whose `sd` and `u` are both zero.
///
/// ```
/// use deadband::drift::charts::{CusumConfig, Process, Side, cusum};
/// let process = Process { target: 60.0, sd: 0.3 };
/// let open_pa = [60.1, 59.8, 60.2, 59.9, 59.4, 59.3, 59.5, 59.2, 59.4];
/// let chart = cusum(&open_pa, &[0.1; 9], &process, &CusumConfig::default())?;
/// let first = chart.signals[0];
/// assert_eq!((first.index, first.side), (7, Side::Below));
/// assert_eq!(first.index + 1 - chart.lower_run[first.index], 4); // came with the fifth test
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn cusum(values: &[f64], u: &[f64], process: &Process, config: &CusumConfig) -> Result<Cusum> {
    config.check()?;
    let sds = scatter(values, u, process)?;
    let fresh = (config.head_start * config.h, 0);
    let (mut up, mut down) = (fresh, fresh);
    let mut chart = Cusum {
        upper: Vec::new(),
        lower: Vec::new(),
        upper_run: Vec::new(),
        lower_run: Vec::new(),
        signals: Vec::new(),
    };
    for (index, (value, sd)) in values.iter().zip(&sds).enumerate() {
        let y = (value - process.target) / sd;
        up = add(up, y - config.k);
        down = add(down, -y - config.k);
        chart.upper.push(up.0);
        chart.lower.push(down.0);
        chart.upper_run.push(up.1);
        chart.lower_run.push(down.1);
        let sides = [(up.0, Side::Above), (down.0, Side::Below)];
        let passed = sides.into_iter().filter(|(sum, _)| *sum > config.h);
        let known = chart.signals.len();
        chart.signals.extend(passed.map(|(_, side)| Signal { index, side }));
        if chart.signals.len() > known && config.after == AfterSignal::Restart {
            (up, down) = (fresh, fresh);
        }
    }
    Ok(chart)
}

fn add((sum, run): (f64, usize), by: f64) -> (f64, usize) {
    let sum = sum + by;
    if sum > 0.0 { (sum, run + 1) } else { (0.0, 0) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const PROCESS: Process = Process { target: 10.0, sd: 1.0 };

    #[test]
    fn a_head_start_signals_sooner_and_a_restart_gives_it_again() {
        let values = [12.0; 6];
        let plain = CusumConfig { h: 4.0, ..CusumConfig::default() };
        let fast = CusumConfig { head_start: 0.5, after: AfterSignal::Restart, ..plain };
        let indices = |config| {
            let chart = cusum(&values, &[0.0; 6], &PROCESS, config).unwrap();
            chart.signals.iter().map(|s| s.index).collect::<Vec<_>>()
        };
        assert_eq!(indices(&plain), [2, 3, 4, 5]);
        assert_eq!(indices(&fast), [1, 3, 5]);
    }

    #[test]
    fn bad_options_are_refused() {
        let good = CusumConfig::default();
        for bad in [
            CusumConfig { k: -0.1, ..good },
            CusumConfig { h: 0.0, ..good },
            CusumConfig { h: f64::INFINITY, ..good },
            CusumConfig { head_start: 1.0, ..good },
            CusumConfig { head_start: f64::NAN, ..good },
        ] {
            let found = cusum(&[1.0], &[0.0], &PROCESS, &bad);
            assert!(matches!(found, Err(Error::BadValue { .. })), "{bad:?}");
        }
    }

    proptest! {
        /// Against the sums' definition as the largest partial sum up to each test.
        #[test]
        fn sums_are_the_largest_partial_sums(
            rows in prop::collection::vec((5.0f64..15.0, 0.0f64..3.0), 1..25), k in 0.0f64..2.0,
        ) {
            let (values, u): (Vec<f64>, Vec<f64>) = rows.iter().copied().unzip();
            let config = CusumConfig { k, ..CusumConfig::default() };
            let chart = cusum(&values, &u, &PROCESS, &config).unwrap();
            let y: Vec<f64> = rows.iter().map(|(v, u)| (v - 10.0) / 1.0_f64.hypot(*u)).collect();
            for i in 0..y.len() {
                let largest = |sign: f64| {
                    let partial = (0..=i).map(|j| y[j..=i].iter().map(|y| sign * y - k).sum::<f64>());
                    partial.fold(0.0, f64::max)
                };
                prop_assert!((chart.upper[i] - largest(1.0)).abs() < 1e-11);
                prop_assert!((chart.lower[i] - largest(-1.0)).abs() < 1e-11);
            }
        }
    }
}
