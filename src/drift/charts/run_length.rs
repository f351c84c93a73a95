//! How many tests a chart takes to its signal.

use crate::base::{Error, Result};

/// Distribution of the number of tests up to and with the first signal.
///
/// Followed test by test until where the chart stands no longer changes; from there on each test
/// signals with the same probability.
///
/// ```
/// use deadband::drift::charts::{EwmaConfig, Limits, Start, ewma_run_length};
/// let config = EwmaConfig { lambda: 1.0, multiplier: 3.0, limits: Limits::Steady, ..EwmaConfig::default() };
/// let run = ewma_run_length(&config, 0.0, Start::Target)?;
/// assert!((run.mean() - 370.398).abs() < 1e-3); // 1/(2 Φ(-3))
/// assert_eq!(run.quantile(0.5)?, 257.0);
/// # Ok::<(), deadband::base::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct RunLength {
    survival: Vec<f64>,
    hazard: f64,
    mean: f64,
}

impl RunLength {
    pub(super) fn new(survival: Vec<f64>, hazard: f64, mean: f64) -> Self {
        Self { survival, hazard, mean }
    }

    /// Mean run length (average run length, ARL), in tests.
    pub fn mean(&self) -> f64 {
        self.mean
    }

    /// Standard deviation of the run length, in tests.
    pub fn sd(&self) -> f64 {
        // The sum of (2n + 1) P(N > n) is the mean square; that of the tail is closed.
        let last = self.survival.len() - 1;
        let head = self.survival[..last].iter().enumerate();
        let head: f64 = head.map(|(n, left)| (2.0 * n as f64 + 1.0) * left).sum();
        let odd = 2.0 * last as f64 + 1.0;
        let h = self.hazard;
        let tail = self.survival[last] * (odd / h + 2.0 * (1.0 - h) / (h * h));
        (head + tail - self.mean * self.mean).max(0.0).sqrt()
    }

    /// Probability of no signal in the first `n` tests.
    pub fn survival(&self, n: usize) -> f64 {
        let last = self.survival.len() - 1;
        match self.survival.get(n) {
            Some(&left) => left,
            None => self.survival[last] * ((n - last) as f64 * (-self.hazard).ln_1p()).exp(),
        }
    }

    /// The least number of tests within which the chart signals with probability `p`; a whole number.
    ///
    /// # Errors
    ///
    /// [`Error::BadValue`] unless `p` is between 0 and 1.
    pub fn quantile(&self, p: f64) -> Result<f64> {
        if !(p > 0.0 && p < 1.0) {
            return Err(Error::BadValue { what: "p", value: p, must: "between 0 and 1" });
        }
        let allowed = 1.0 - p;
        let last = self.survival.len() - 1;
        if self.survival[last] <= allowed {
            return Ok(self.survival.partition_point(|&left| left > allowed) as f64);
        }
        let more = (allowed / self.survival[last]).ln() / (-self.hazard).ln_1p();
        Ok(last as f64 + more.ceil())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each test signals with probability 0.1, followed for three tests.
    #[test]
    fn a_geometric_run_length() {
        let run = RunLength::new(vec![1.0, 0.9, 0.81, 0.729], 0.1, 10.0);
        assert!((run.sd() - 90.0_f64.sqrt()).abs() < 1e-9);
        assert!((run.survival(20) - 0.9_f64.powi(20)).abs() < 1e-12);
        let quantiles = [0.05, 0.15, 0.5, 0.95].map(|p| run.quantile(p).unwrap());
        assert_eq!(quantiles, [1.0, 2.0, 7.0, 29.0]);
        for p in [0.0, 1.0, f64::NAN] {
            assert!(run.quantile(p).is_err());
        }
    }
}
