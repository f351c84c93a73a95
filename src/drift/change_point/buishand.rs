//! Cumulative deviations from the mean, after Buishand.

use serde::{Deserialize, Serialize};

use super::null::{NullConfig, fill};
use super::ordered::{NO_SCATTER, Ordered};
use crate::base::Result;

/// Result of Buishand's tests.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Buishand {
    /// Rescaled range over the root of n, `(max S - min S) / (s √n)`.
    pub range: f64,
    /// p-value of the range.
    pub p_range: f64,
    /// `U = Σ (S/s)² / (n (n + 1))` over all k below n.
    pub u: f64,
    /// p-value of `U`.
    pub p_u: f64,
    /// Tests before the place where `|S|` is largest.
    pub tests_before: usize,
}

/// Tests a history for a change of level, all tests alike, by the sums of the first k deviations
/// from the mean, `S[k] = Σ (v[i] - mean)`.
///
/// `s` is the standard deviation with divisor n - 1, as programs print the statistics; Buishand
/// divides by n, which makes his `U` larger by n/(n-1) and no p-value different. Both p-values are
/// simulated with normal histories and exact. The tests' uncertainties play no part: where they
/// differ use [`super::one_change()`].
///
/// Source: T. A. Buishand, J. Hydrol. 58 (1982) 11-27 and 73 (1984) 51-69.
///
/// # Errors
///
/// [`crate::base::Error::LengthMismatch`]; `NotFinite`; `TooFewSamples` under 4 tests or with all
/// dates equal; `BadValue` for equal values or a bad number of draws.
///
/// ```
/// use deadband::drift::change_point::{NullConfig, buishand};
/// let year = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0];
/// let open_pa = [60.1, 59.9, 60.0, 60.2, 57.6, 57.3, 57.5, 57.4];
/// let found = buishand(&year, &open_pa, &NullConfig::default())?;
/// assert_eq!(found.tests_before, 4);
/// assert!(found.p_range < 0.01 && found.p_u < 0.01);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn buishand(times: &[f64], values: &[f64], config: &NullConfig) -> Result<Buishand> {
    let history = Ordered::new(times, values, &vec![0.0; values.len()])?;
    let (range, u, tests_before) = statistics(&history.y).ok_or(NO_SCATTER)?;
    let mut y = vec![0.0; history.len()];
    let ones = vec![1.0; history.len()];
    let mut simulate = |observed: f64, pick: fn((f64, f64, usize)) -> f64| {
        config.p_value(observed, |rng| {
            fill(&mut y, &ones, rng);
            statistics(&y).map_or(0.0, pick)
        })
    };
    let p_range = simulate(range, |s| s.0)?;
    let p_u = simulate(u, |s| s.1)?;
    Ok(Buishand { range, p_range, u, p_u, tests_before })
}

fn statistics(y: &[f64]) -> Option<(f64, f64, usize)> {
    let n = y.len() as f64;
    let mean = y.iter().sum::<f64>() / n;
    let variance = y.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let (mut sum, mut low, mut high, mut squares) = (0.0_f64, 0.0_f64, 0.0_f64, 0.0);
    let (mut largest, mut place) = (0.0, 0);
    for (i, v) in y[..y.len() - 1].iter().enumerate() {
        sum += v - mean;
        (low, high) = (low.min(sum), high.max(sum));
        squares += sum * sum;
        if sum.abs() > largest {
            (largest, place) = (sum.abs(), i + 1);
        }
    }
    let sd = variance.sqrt();
    let found = ((high - low) / (sd * n.sqrt()), squares / variance / (n * (n + 1.0)), place);
    (sd > 0.0 && found.0.is_finite()).then_some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Error;

    #[test]
    fn equal_and_short_histories_are_errors() {
        let config = NullConfig::default();
        let t = [0.0, 1.0, 2.0, 3.0];
        assert!(matches!(buishand(&t, &[5.0; 4], &config), Err(Error::BadValue { .. })));
        assert!(matches!(buishand(&t[..3], &t[..3], &config), Err(Error::TooFewSamples { .. })));
        assert!(buishand(&[1.0; 4], &t, &config).is_err());
        assert!(buishand(&t, &[1.0, f64::NAN, 2.0, 3.0], &config).is_err());
    }

    /// Equation by equation on 1, 2, 3, 6: deviations -2, -1, 0, 3; sums -2, -3, -3.
    #[test]
    fn by_hand() {
        let (range, u, place) = statistics(&[1.0, 2.0, 3.0, 6.0]).expect("it scatters");
        let variance = 14.0 / 3.0;
        assert!((range - 3.0 / (variance * 4.0_f64).sqrt()).abs() < 1e-12);
        assert!((u - 22.0 / variance / 20.0).abs() < 1e-12);
        assert_eq!(place, 2);
    }
}
