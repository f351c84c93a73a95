//! The Theil-Sen slope.

use serde::{Deserialize, Serialize};
use statrs::distribution::ContinuousCDF;

use super::history::{check, confidence, tie_groups, variance_of_s};
use super::kendall_null::{EXACT_LIMIT, KendallNull};
use super::mann_kendall::{Method, Null};
use crate::base::estimate::normal;
use crate::base::order::median;
use crate::base::{Error, Result};

/// How the intercept is chosen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Intercept {
    /// The median of `v - slope t`: half of the tests lie above the line (Sen 1968).
    #[default]
    Residuals,
    /// `median v - slope × median t` (W. J. Conover, *Practical Nonparametric Statistics*).
    Medians,
}

/// Options of the Theil-Sen slope.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TheilSenConfig {
    /// Confidence of the interval.
    pub confidence: f64,
    /// Distribution of Kendall's S behind the interval.
    pub null: Null,
    /// Choice of the intercept.
    pub intercept: Intercept,
}

impl Default for TheilSenConfig {
    fn default() -> Self {
        Self { confidence: 0.95, null: Null::Auto, intercept: Intercept::Residuals }
    }
}

/// A slope that a third of wild values cannot move far.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TheilSen {
    /// Median of the slopes between all pairs of tests.
    pub slope: f64,
    /// Lower confidence limit; `None` where so few tests cannot bound the slope.
    pub low: Option<f64>,
    /// Upper confidence limit; `None` where so few tests cannot bound the slope.
    pub high: Option<f64>,
    /// Confidence that the interval really has: at least the one asked for where the distribution
    /// is exact, for it goes in steps.
    pub confidence: f64,
    /// Height of the line at time zero.
    pub intercept: f64,
    /// Pairs of different dates.
    pub n_pairs: usize,
    /// Distribution behind the interval.
    pub method: Method,
}

/// Estimates a slope by the median of the slopes between all pairs of tests of different dates.
///
/// Slopes of `N` pairs sorted, `slope = median`, and the interval inverts the Mann-Kendall test.
/// Exact: from the `(N - C)/2`-th slope to the `(N + C)/2 + 1`-th, with `C` the smallest bound that
/// Kendall's S keeps within with the confidence asked for (Sen 1968); equal dates are allowed for,
/// equal values are taken as rounding. Normal: `C = z √var S`, ties in values and dates allowed
/// for, with linear interpolation between slopes (Gilbert 1987, chapter 16). Which of them:
/// [`Null`], the exact one up to [`EXACT_LIMIT`] tests.
///
/// Slope in the unit of the values over that of the times. `times` may be in any order.
///
/// Sources: H. Theil, Proc. Kon. Ned. Akad. Wet. A 53 (1950) 386-392; P. K. Sen, J. Am. Stat.
/// Assoc. 63 (1968) 1379-1389; R. O. Gilbert (1987). Cost and memory grow with the square of the
/// number of tests.
///
/// # Errors
///
/// [`Error::LengthMismatch`]; [`Error::NotFinite`]; [`Error::TooFewSamples`] under 4 tests or with
/// all dates equal; [`Error::BadValue`] for a confidence outside 0 to 1, or numbers so large that a
/// slope overflows. Equal values are no error: the slope is zero, and the limits are.
///
/// ```
/// use deadband::drift::{TheilSenConfig, theil_sen};
/// let year = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
/// let open_pa = [60.0, 59.6, 58.9, 58.5, 70.0, 57.4, 57.1]; // one wild value
/// let fit = theil_sen(&year, &open_pa, &TheilSenConfig::default())?;
/// assert!((fit.slope + 0.5).abs() < 0.03);
/// assert!(fit.low.is_some_and(|low| low < fit.slope));
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn theil_sen(times: &[f64], values: &[f64], config: &TheilSenConfig) -> Result<TheilSen> {
    check(times, values)?;
    let wanted = confidence(config.confidence)?;
    let mut slopes = Vec::with_capacity(times.len() * (times.len() - 1) / 2);
    for j in 1..times.len() {
        for i in 0..j {
            if times[j] != times[i] {
                slopes.push((values[j] - values[i]) / (times[j] - times[i]));
            }
        }
    }
    if let Some(&value) = slopes.iter().find(|v| !v.is_finite()) {
        let (what, must) = ("a slope between two tests", "finite; mind the units");
        return Err(Error::BadValue { what, value, must });
    }
    slopes.sort_unstable_by(f64::total_cmp);
    let slope = median(&mut slopes.clone()).unwrap_or(f64::NAN);
    let intercept = match config.intercept {
        Intercept::Residuals => {
            median(&mut times.iter().zip(values).map(|(t, v)| v - slope * t).collect::<Vec<_>>())
        }
        Intercept::Medians => median(&mut values.to_vec())
            .zip(median(&mut times.to_vec()))
            .map(|(v, t)| v - slope * t),
    };
    let time_ties = tie_groups(times);
    let pairs = slopes.len() as f64;
    let (bound, achieved, method) = if config.null == Null::Auto && times.len() <= EXACT_LIMIT {
        let (bound, achieved) = KendallNull::new(&time_ties).bound(wanted);
        (bound as f64, achieved, Method::Exact)
    } else {
        let variance = variance_of_s(times.len(), &tie_groups(values), &time_ties);
        let z = normal().inverse_cdf(0.5 + 0.5 * wanted);
        (z * variance.max(0.0).sqrt(), wanted, Method::Normal)
    };
    Ok(TheilSen {
        slope,
        low: ordered(&slopes, 0.5 * (pairs - bound)),
        high: ordered(&slopes, 0.5 * (pairs + bound) + 1.0),
        confidence: achieved,
        intercept: intercept.unwrap_or(f64::NAN),
        n_pairs: slopes.len(),
        method,
    })
}

/// The slope of a rank counted from 1, interpolated; `None` beyond the ends.
fn ordered(sorted: &[f64], rank: f64) -> Option<f64> {
    let below = rank.floor();
    if below < 1.0 || rank > sorted.len() as f64 {
        return None;
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the rank lies between 1 and the number of slopes"
    )]
    let index = below as usize - 1;
    let low = sorted[index];
    let high = sorted.get(index + 1).copied().unwrap_or(low);
    Some(low + (rank - below) * (high - low))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drift::mann_kendall;
    use proptest::prelude::*;

    #[test]
    fn four_tests_cannot_bound_a_slope_at_95_percent() {
        let fit =
            theil_sen(&[0.0, 1.0, 2.0, 3.0], &[1.0, 2.0, 2.5, 4.0], &TheilSenConfig::default())
                .expect("valid");
        assert_eq!((fit.low, fit.high), (None, None));
        let config = TheilSenConfig { confidence: 0.9, ..TheilSenConfig::default() };
        let fit = theil_sen(&[0.0, 1.0, 2.0, 3.0], &[1.0, 2.0, 2.5, 4.0], &config).expect("valid");
        assert_eq!((fit.low, fit.high), (Some(0.5), Some(1.5))); // 22 of 24 orders
        assert!((fit.confidence - 22.0 / 24.0).abs() < 1e-12);
    }

    #[test]
    fn equal_dates_are_skipped_and_equal_values_give_zero() {
        let times = [0.0, 0.0, 1.0, 1.0, 2.0, 2.0];
        let fit = theil_sen(&times, &[5.0, 9.0, 5.0, 9.0, 5.0, 9.0], &TheilSenConfig::default())
            .expect("valid");
        assert_eq!((fit.slope, fit.n_pairs), (0.0, 12));
        for null in [Null::Auto, Null::Normal] {
            let config = TheilSenConfig { null, ..TheilSenConfig::default() };
            let flat = theil_sen(&times, &[5.0; 6], &config).expect("valid");
            assert_eq!((flat.slope, flat.intercept), (0.0, 5.0));
            assert!(flat.low.is_none_or(|v| v == 0.0) && flat.high.is_none_or(|v| v == 0.0));
        }
        assert!(theil_sen(&[1.0; 6], &[5.0; 6], &TheilSenConfig::default()).is_err());
        let bad = TheilSenConfig { confidence: 0.0, ..TheilSenConfig::default() };
        assert!(theil_sen(&times, &[5.0; 6], &bad).is_err());
    }

    proptest! {
        /// The interval is the set of slopes that the Mann-Kendall test does not reject.
        #[test]
        fn the_interval_inverts_the_test(
            values in prop::collection::vec(-10.0f64..10.0, 5..20), level in 0.5f64..0.99,
        ) {
            let times: Vec<f64> = (0..values.len()).map(|i| i as f64 + 0.1 * (i % 3) as f64).collect();
            let config = TheilSenConfig { confidence: level, ..TheilSenConfig::default() };
            let fit = theil_sen(&times, &values, &config).expect("valid");
            let rejected = |slope: f64| {
                let rest: Vec<f64> = times.iter().zip(&values).map(|(t, v)| v - slope * t).collect();
                let test = mann_kendall(&rest, Some(&times), Null::Auto).expect("valid");
                test.p_value <= 1.0 - fit.confidence + 1e-12
            };
            let step = 1e-6;
            if let (Some(low), Some(high)) = (fit.low, fit.high) {
                prop_assert!(rejected(low - step) && !rejected(low + step));
                prop_assert!(rejected(high + step) && !rejected(high - step));
            }
        }

        #[test]
        fn a_line_is_found_and_units_carry_over(
            values in prop::collection::vec(-10.0f64..10.0, 4..20),
            tilt in -5.0f64..5.0,
            scale in 0.1f64..10.0,
        ) {
            let times: Vec<f64> = (0..values.len()).map(|i| (i * i) as f64).collect();
            let fit = theil_sen(&times, &values, &TheilSenConfig::default()).expect("valid");
            let moved: Vec<f64> = times.iter().zip(&values).map(|(t, v)| scale * v + tilt * t).collect();
            let tilted = theil_sen(&times, &moved, &TheilSenConfig::default()).expect("valid");
            prop_assert!((tilted.slope - scale * fit.slope - tilt).abs() < 1e-9);
            prop_assert!((tilted.intercept - scale * fit.intercept).abs() < 1e-8);
            let backwards: Vec<f64> = times.iter().map(|t| -t).collect();
            let turned = theil_sen(&backwards, &values, &TheilSenConfig::default()).expect("valid");
            prop_assert_eq!((turned.slope, turned.low), (-fit.slope, fit.high.map(|v| -v)));
        }
    }
}
