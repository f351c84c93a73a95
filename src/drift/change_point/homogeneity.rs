//! Standard normal homogeneity test.

use serde::{Deserialize, Serialize};

use super::null::{NullConfig, fill};
use super::ordered::{NO_SCATTER, Ordered};
use crate::base::Result;

/// Result of the standard normal homogeneity test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Homogeneity {
    /// Largest `T[k]`.
    pub statistic: f64,
    /// Probability of so large a one without a change.
    pub p_value: f64,
    /// Tests before the place where it is reached.
    pub tests_before: usize,
}

/// Tests a history for a change of level, all tests alike, by the means before and after it.
///
/// `T[k] = k z₁² + (n - k) z₂²`, with `z₁` and `z₂` the means of the first k and the last n - k
/// standardised values; the standard deviation has divisor n - 1. The p-value is simulated with
/// normal histories and exact. It sees changes near the ends better than [`super::buishand()`], and
/// outliers there too. The tests' uncertainties play no part: where they differ use
/// [`super::one_change()`].
///
/// Source: H. Alexandersson, J. Climatol. 6 (1986) 661-675.
///
/// # Errors
///
/// Those of [`super::buishand()`].
///
/// ```
/// use deadband::drift::change_point::{NullConfig, homogeneity};
/// let year = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0];
/// let open_pa = [60.1, 59.9, 60.0, 60.2, 57.6, 57.3, 57.5, 57.4];
/// let found = homogeneity(&year, &open_pa, &NullConfig::default())?;
/// assert!(found.tests_before == 4 && found.p_value < 0.01);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn homogeneity(times: &[f64], values: &[f64], config: &NullConfig) -> Result<Homogeneity> {
    let history = Ordered::new(times, values, &vec![0.0; values.len()])?;
    let (statistic, tests_before) = largest(&history.y).ok_or(NO_SCATTER)?;
    let mut y = vec![0.0; history.len()];
    let ones = vec![1.0; history.len()];
    let p_value = config.p_value(statistic, |rng| {
        fill(&mut y, &ones, rng);
        largest(&y).map_or(0.0, |s| s.0)
    })?;
    Ok(Homogeneity { statistic, p_value, tests_before })
}

fn largest(y: &[f64]) -> Option<(f64, usize)> {
    let n = y.len() as f64;
    let mean = y.iter().sum::<f64>() / n;
    let variance = y.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let (mut sum, mut most, mut place) = (0.0_f64, 0.0, 0);
    for (i, v) in y[..y.len() - 1].iter().enumerate() {
        sum += v - mean;
        let k = (i + 1) as f64;
        // Both sums of deviations are the same but for their sign.
        let statistic = sum * sum / variance * (1.0 / k + 1.0 / (n - k));
        if statistic > most {
            (most, place) = (statistic, i + 1);
        }
    }
    (variance > 0.0 && most.is_finite()).then_some((most, place))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_and_short_histories_are_errors() {
        let config = NullConfig::default();
        let t = [0.0, 1.0, 2.0, 3.0];
        assert!(homogeneity(&t, &[5.0; 4], &config).is_err());
        assert!(homogeneity(&t[..3], &t[..3], &config).is_err());
        assert!(homogeneity(&t, &t, &NullConfig { draws: 0, seed: 1 }).is_err());
    }

    /// 1, 2, 3, 6: mean 3, variance 14/3. After two: means 1.5 and 4.5.
    #[test]
    fn by_hand() {
        let (statistic, place) = largest(&[1.0, 2.0, 3.0, 6.0]).expect("it scatters");
        let two = (2.0 * 1.5_f64.powi(2) * 2.0) / (14.0 / 3.0);
        let three = (3.0 * 1.0 + 9.0) / (14.0 / 3.0);
        assert!((statistic - two.max(three)).abs() < 1e-12 && place == 3);
    }
}
