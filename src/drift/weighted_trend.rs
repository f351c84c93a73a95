//! Straight-line trend of tests with known uncertainties and an excess between them.

use super::history::check;
use crate::base::Result;
use crate::base::channel::same_length;
use crate::base::line::{Line, LineConfig, Shared, line};

/// A fitted trend: abscissa time, ordinate the tests' values.
pub type Trend = Line;

/// Options of the trend: how the between-test variance and the degrees of freedom are found.
pub type TrendConfig = LineConfig;

/// Fits a straight line to a history by generalised least squares.
///
/// `v = level + slope (t - centre) + e`, the variance of `e` being the test's own `u²` plus an
/// excess between tests (Paule and Mandel's moments, restricted likelihood, or given), and tests
/// that share a cause of error correlated by it ([`Shared`]). `centre` is the date at which level
/// and slope are uncorrelated. See [`line()`] for the formulas and [`crate::base::line::Dof`] for
/// the degrees of freedom.
///
/// `u` is each test's own standard uncertainty (reading, bracket, repeatability), without what
/// `shared` carries. Where `u` holds a gauge's calibration and `shared` is empty, a history made
/// with one gauge looks worse than it is, and one made with two may look drifting.
///
/// # Errors
///
/// [`crate::base::Error::LengthMismatch`]; `NotFinite`; `TooFewSamples` under 4 tests or with all
/// dates equal; `BadValue` for a bad uncertainty, or where `u` is zero and the values lie exactly
/// on a line. Equal values with stated uncertainties are no error: the slope is zero, and its
/// uncertainty theirs.
///
/// ```
/// use deadband::drift::{Shared, TrendConfig, weighted_trend};
/// let year = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
/// let open_pa = [60.1, 59.6, 59.2, 58.3, 58.1, 57.5];
/// let u_pa = [0.2; 6];
/// let alone = weighted_trend(&year, &open_pa, &u_pa, &[], &TrendConfig::default())?;
/// assert!((alone.slope.value + 0.52).abs() < 0.01);
/// // The gauge was replaced after three years; each carries a calibration error of 0.5 Pa.
/// let gauge = [0, 0, 0, 1, 1, 1];
/// let calibration = Shared { group: &gauge, u: &[0.5; 6] };
/// let honest = weighted_trend(&year, &open_pa, &u_pa, &[calibration], &TrendConfig::default())?;
/// assert!(honest.slope.u > 1.5 * alone.slope.u);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn weighted_trend(
    times: &[f64],
    values: &[f64],
    u: &[f64],
    shared: &[Shared<'_>],
    config: &TrendConfig,
) -> Result<Trend> {
    check(times, values)?;
    same_length(("u", u), ("values", values))?;
    line(times, values, u, shared, config)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Error;
    use crate::base::line::Excess;
    use proptest::prelude::*;

    #[test]
    fn short_equal_and_broken_histories_are_errors() {
        let config = TrendConfig::default();
        for n in 0..4_usize {
            let times: Vec<f64> = (0..n).map(|i| i as f64).collect();
            let found = weighted_trend(&times, &times, &vec![1.0; n], &[], &config);
            assert!(matches!(found, Err(Error::TooFewSamples { .. })));
        }
        let times = [0.0, 1.0, 2.0, 3.0];
        let equal_dates = weighted_trend(&[2.0; 4], &times, &[1.0; 4], &[], &config);
        assert!(matches!(equal_dates, Err(Error::TooFewSamples { found: 1, .. })));
        let lost = weighted_trend(&times, &[1.0, f64::NAN, 1.0, 1.0], &[1.0; 4], &[], &config);
        assert!(matches!(lost, Err(Error::NotFinite { index: 1, .. })));
        let no_u = weighted_trend(&times, &times, &[f64::NAN; 4], &[], &config);
        assert!(matches!(no_u, Err(Error::BadValue { what: "u", .. })));
        let short_u = weighted_trend(&times, &times, &[1.0; 3], &[], &config);
        assert!(matches!(short_u, Err(Error::LengthMismatch { left: "u", .. })));
        let nothing = weighted_trend(&times, &[5.0; 4], &[0.0; 4], &[], &config);
        assert!(matches!(nothing, Err(Error::BadValue { .. })));
    }

    #[test]
    fn equal_values_with_stated_uncertainties_have_no_trend() {
        let times = [0.0, 1.0, 2.0, 3.0];
        let fit = weighted_trend(&times, &[5.0; 4], &[0.2; 4], &[], &TrendConfig::default())
            .expect("valid");
        assert_eq!((fit.slope.value, fit.excess_variance), (0.0, 0.0));
        assert!((fit.slope.u - 0.2 / 5.0_f64.sqrt()).abs() < 1e-12); // u / √Sxx
    }

    proptest! {
        /// Equal uncertainties and no excess: ordinary least squares, with u known.
        #[test]
        fn equal_uncertainties_give_ordinary_least_squares(
            values in prop::collection::vec(-10.0f64..10.0, 4..15),
            u in 0.1f64..5.0,
            start in -2000.0f64..2000.0,
        ) {
            let n = values.len() as f64;
            let times: Vec<f64> = (0..values.len()).map(|i| start + i as f64 * 0.7).collect();
            let mean = |v: &[f64]| v.iter().sum::<f64>() / n;
            let (t, v) = (mean(&times), mean(&values));
            let spread: f64 = times.iter().map(|x| (x - t).powi(2)).sum();
            let slope = times.iter().zip(&values).map(|(x, y)| (x - t) * (y - v)).sum::<f64>() / spread;
            let config = TrendConfig { excess: Excess::None, ..TrendConfig::default() };
            let fit = weighted_trend(&times, &values, &vec![u; values.len()], &[], &config).expect("valid");
            prop_assert!((fit.slope.value - slope).abs() < 1e-9);
            prop_assert!((fit.level.value - v).abs() < 1e-9 && (fit.centre - t).abs() < 1e-9);
            prop_assert!((fit.slope.u - u / spread.sqrt()).abs() < 1e-9 * u);
            prop_assert!((fit.level.u - u / n.sqrt()).abs() < 1e-9 * u);
            prop_assert!(fit.slope.dof.is_infinite());
        }

        #[test]
        fn reversed_time_turns_the_slope(
            rows in prop::collection::vec((-10.0f64..10.0, 0.1f64..3.0), 4..15),
        ) {
            let times: Vec<f64> = (0..rows.len()).map(|i| i as f64).collect();
            let values: Vec<f64> = rows.iter().map(|r| r.0).collect();
            let u: Vec<f64> = rows.iter().map(|r| r.1).collect();
            let backwards: Vec<f64> = times.iter().map(|t| -t).collect();
            let config = TrendConfig::default();
            let fit = weighted_trend(&times, &values, &u, &[], &config).expect("valid");
            let turned = weighted_trend(&backwards, &values, &u, &[], &config).expect("valid");
            prop_assert!((turned.slope.value + fit.slope.value).abs() < 1e-9 * fit.slope.u);
            prop_assert!((turned.slope.u / fit.slope.u - 1.0).abs() < 1e-9);
        }
    }
}
