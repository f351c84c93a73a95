//! Steps of the level at dates that are known beforehand.

use nalgebra::{Cholesky, DMatrix, DVector};
use serde::{Deserialize, Serialize};
use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor};

use super::least_squares::{Fit, fit};
use super::ordered::Ordered;
use crate::base::channel::finite;
use crate::base::estimate::t_cdf;
use crate::base::line::LineConfig;
use crate::base::{Error, Estimate, Result};

/// How steps at known dates are tested.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct KnownStepsConfig {
    /// Beside a straight-line drift; else between constant levels.
    pub beside_drift: bool,
    /// Excess variance and degrees of freedom.
    pub line: LineConfig,
}

impl Default for KnownStepsConfig {
    fn default() -> Self {
        Self { beside_drift: true, line: LineConfig::default() }
    }
}

/// The step at one date.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct KnownStep {
    /// The date as given.
    pub date: f64,
    /// Date of the last test before it.
    pub after: f64,
    /// Date of the first test on or after it.
    pub before: f64,
    /// Level behind the date minus level before it, drift and other steps allowed for.
    pub size: Estimate,
    /// Two-sided p-value of this step alone, from Student's t.
    pub p_value: f64,
}

/// Steps at known dates.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KnownSteps {
    /// Each step, in the order of dates.
    pub steps: Vec<KnownStep>,
    /// p-value of all steps together.
    pub p_value: f64,
    /// Drift with the steps allowed for, unit of the values over that of the times; `None` where no
    /// drift was asked for.
    pub slope: Option<Estimate>,
    /// Drift with the steps left out: what the history would be called without knowing the dates.
    pub slope_without: Option<Estimate>,
    /// Excess variance, unit of the values squared.
    pub excess_variance: f64,
    /// Residual degrees of freedom.
    pub dof: usize,
}

/// Tests whether the level steps at dates known beforehand: a gauge or a part was replaced.
///
/// `v = level + slope t + Σ size[j] [t ≥ date[j]] + e`, the variance of `e` being the test's own
/// `u²` plus an excess between tests, by weighted least squares. Each step has Student's t with the
/// degrees of freedom of [`crate::base::line::Dof`]; all together have `F = b' V⁻¹ b / q`. A date
/// that was chosen after a look at the values has no such p-value: see [`super::one_change()`].
///
/// Source: N. R. Draper and H. Smith, *Applied Regression Analysis* (3rd ed. 1998), chapter 14.
///
/// # Errors
///
/// [`Error::MissingValue`] without a date; [`Error::NotFinite`]; [`Error::LengthMismatch`];
/// [`Error::BadValue`] for a date with no test before it, none on or after it, or none between it
/// and another one; [`Error::TooFewSamples`] under 4 tests or no more than there are levels, steps
/// and slope, or where the dates cannot tell step from slope; [`Error::BadValue`] for a bad
/// uncertainty, or where `u` is zero and nothing scatters.
///
/// ```
/// use deadband::drift::change_point::{KnownStepsConfig, known_steps};
/// let year = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0];
/// let open_pa = [60.1, 59.9, 60.0, 60.2, 58.9, 59.1, 58.8, 59.0];
/// // The gauge was replaced between the tests of years 3 and 4.
/// let found = known_steps(&year, &open_pa, &[0.2; 8], &[3.6], &KnownStepsConfig::default())?;
/// assert!(found.steps[0].p_value < 0.01 && (found.steps[0].size.value + 1.1).abs() < 0.2);
/// let (with, without) = (found.slope.unwrap(), found.slope_without.unwrap());
/// assert!(with.value.abs() < with.u && without.value < -3.0 * without.u);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn known_steps(
    times: &[f64],
    values: &[f64],
    u: &[f64],
    dates: &[f64],
    config: &KnownStepsConfig,
) -> Result<KnownSteps> {
    if dates.is_empty() {
        return Err(Error::MissingValue { what: "a date at which the level may have stepped" });
    }
    finite("the dates of the steps", dates)?;
    let history = Ordered::new(times, values, u)?;
    let mut dates = dates.to_vec();
    dates.sort_by(f64::total_cmp);
    let places = places(&history, &dates)?;
    let line = history.scaled(&config.line);
    let n = history.len();
    let mut columns = vec![vec![1.0; n]];
    let mut slope_without = None;
    let per_time = |e: Estimate| {
        let span = history.times[n - 1] - history.times[0];
        let size = history.size(e);
        Estimate { value: size.value / span, u: size.u / span, dof: size.dof }
    };
    if config.beside_drift {
        columns.push(history.reach.clone());
        let alone = fit(&columns, &history.y, &history.u, &line)?;
        slope_without = Some(per_time(alone.coefficient(1)));
    }
    let first = columns.len();
    columns.extend(places.iter().map(|&k| history.step(k)));
    let found = fit(&columns, &history.y, &history.u, &line)?;
    let step = |(j, (&date, &k)): (usize, (&f64, &usize))| {
        let size = found.coefficient(first + j);
        let p_value = 2.0 * t_cdf(-(size.value / size.u).abs(), size.dof);
        let (after, before) = (history.times[k - 1], history.times[k]);
        KnownStep { date, after, before, size: history.size(size), p_value }
    };
    let steps: Vec<KnownStep> = dates.iter().zip(&places).enumerate().map(step).collect();
    Ok(KnownSteps {
        p_value: together(&found, first),
        slope: config.beside_drift.then(|| per_time(found.coefficient(1))),
        slope_without,
        excess_variance: found.excess * history.scale * history.scale,
        dof: n - columns.len(),
        steps,
    })
}

fn places(history: &Ordered, dates: &[f64]) -> Result<Vec<usize>> {
    let mut last = 0;
    let mut places = Vec::with_capacity(dates.len());
    for &date in dates {
        let place = history.times.partition_point(|&t| t < date);
        if place == last || place == history.len() {
            let must = "between two tests, and with a test between it and every other date";
            return Err(Error::BadValue { what: "the date of a step", value: date, must });
        }
        places.push(place);
        last = place;
    }
    Ok(places)
}

/// p-value of all coefficients from `first` on.
fn together(fit: &Fit, first: usize) -> f64 {
    let q = fit.coefficients.len() - first;
    let b = DVector::from_column_slice(&fit.coefficients[first..]);
    let variance: DMatrix<f64> = fit.covariance.view((first, first), (q, q)).into_owned();
    let Some(root) = Cholesky::new(variance) else { return f64::NAN };
    let wald = b.dot(&root.solve(&b));
    let q = q as f64;
    if fit.dof.is_finite() {
        FisherSnedecor::new(q, fit.dof).map_or(f64::NAN, |f| f.sf(wald / q))
    } else {
        ChiSquared::new(q).map_or(f64::NAN, |c| c.sf(wald))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::line::Excess;
    use proptest::prelude::*;

    #[test]
    fn dates_that_separate_no_tests_are_errors() {
        let t = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
        let y = [60.0, 60.1, 59.8, 58.0, 58.2, 57.9];
        let config = KnownStepsConfig::default();
        let of = |dates: &[f64]| known_steps(&t, &y, &[0.1; 6], dates, &config);
        assert!(matches!(of(&[]), Err(Error::MissingValue { .. })));
        assert!(matches!(of(&[f64::NAN]), Err(Error::NotFinite { .. })));
        for bad in [&[0.0][..], &[6.0], &[2.2, 2.8]] {
            assert!(matches!(of(bad), Err(Error::BadValue { .. })), "{bad:?}");
        }
        assert!(matches!(of(&[0.5, 1.5, 2.5, 3.5]), Err(Error::TooFewSamples { .. })));
        let found = of(&[3.0]).expect("a test on the date lies behind it");
        assert_eq!((found.steps[0].after, found.steps[0].before), (2.0, 3.0));
        let two = known_steps(&[0.0, 0.0, 1.0, 1.0], &y[..4], &[0.1; 4], &[0.5], &config);
        assert!(matches!(two, Err(Error::TooFewSamples { .. })));
        for n in 0..4 {
            assert!(known_steps(&t[..n], &y[..n], &vec![0.1; n], &[0.5], &config).is_err());
        }
    }

    proptest! {
        /// One step, no drift, nothing stated: the two-sample t-test with the pooled variance.
        #[test]
        fn one_step_is_the_t_test(values in prop::collection::vec(-3.0f64..3.0, 6..12), k in 2usize..4) {
            let t: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
            let config = KnownStepsConfig { beside_drift: false, ..KnownStepsConfig::default() };
            let zero = vec![0.0; values.len()];
            let found = known_steps(&t, &values, &zero, &[k as f64 - 0.5], &config).expect("valid");
            let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
            let (a, b) = values.split_at(k);
            let around = |v: &[f64]| v.iter().map(|x| (x - mean(v)).powi(2)).sum::<f64>();
            let pooled = (around(a) + around(b)) / (values.len() as f64 - 2.0);
            let u = (pooled * (1.0 / a.len() as f64 + 1.0 / b.len() as f64)).sqrt();
            let size = found.steps[0].size;
            prop_assert!((size.value - (mean(b) - mean(a))).abs() < 1e-9);
            prop_assert!((size.u / u - 1.0).abs() < 1e-9);
            prop_assert_eq!(size.dof, values.len() as f64 - 2.0);
            prop_assert!((found.p_value - found.steps[0].p_value).abs() < 1e-8);
        }

        /// With the variance known the square of one step is chi-squared.
        #[test]
        fn known_variances_are_normal(values in prop::collection::vec(-3.0f64..3.0, 6..12)) {
            let t: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
            let line = LineConfig { excess: Excess::Known(1.0), ..LineConfig::default() };
            let config = KnownStepsConfig { beside_drift: true, line };
            let found = known_steps(&t, &values, &vec![0.5; t.len()], &[2.5], &config).expect("valid");
            prop_assert!(found.steps[0].size.dof.is_infinite());
            prop_assert!((found.p_value - found.steps[0].p_value).abs() < 1e-8);
            prop_assert!((found.excess_variance - 1.0).abs() < 1e-12);
        }
    }
}
