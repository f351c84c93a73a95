//! Each test of a history against the trend of all others.

use serde::{Deserialize, Serialize};

use super::history::{check, confidence};
use super::weighted_trend::TrendConfig;
use crate::base::channel::same_length;
use crate::base::line::{Shared, deletion};
use crate::base::{Error, Result};

/// How outliers are found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OutlierConfig {
    /// How the trend of the others is fitted.
    pub trend: TrendConfig,
    /// Confidence with which a history free of outliers gets no flag at all.
    pub confidence: f64,
}

impl Default for OutlierConfig {
    fn default() -> Self {
        Self { trend: TrendConfig::default(), confidence: 0.95 }
    }
}

/// One test against the trend of the others.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Outlier {
    /// Test minus forecast from the others, in standard uncertainties of that difference; 0 where
    /// the others cannot forecast it (they all share one date).
    pub deviation: f64,
    /// Degrees of freedom of that uncertainty.
    pub dof: f64,
    /// Two-sided p-value, averaged over the excess, multiplied by the number of tests (Bonferroni), at most 1.
    pub p_value: f64,
    /// `p_value` is at most one minus the confidence.
    pub flagged: bool,
}

/// Holds every test of a history against the trend of all others.
///
/// With `P` the residual projection of the whole history at an excess, `(P v)ᵢ / √Pᵢᵢ` is test `i`
/// minus its forecast from the others over the uncertainty of their difference, common errors of a
/// gauge included. The excess is what the others say of it: the p-value is the normal one averaged
/// over the excess by their restricted likelihood (D. A. Harville, *Biometrika* 61 (1974) 383) and the
/// prior `dτ/√(τ (s + τ))`, `s` the harmonic mean of their `u²`. `deviation = E[(P v)ᵢ] / √E[Pᵢᵢ]`, and
/// `dof = 2 E[Pᵢᵢ]² / Var[Pᵢᵢ]`, over the same. Bonferroni's factor is on the p-value.
///
/// An estimate in place of the average is zero in many a history of few tests, and then blames its
/// surest tests: of histories of 8 tests with `u` of 0.1 and 1 in turn and an excess of 0.5, 29 % had
/// a flag.
///
/// Without stated uncertainties this is the externally Studentised residual (R. D. Cook and
/// S. Weisberg, *Residuals and Influence in Regression*, 1982, section 2.2).
///
/// # Errors
///
/// Those of [`super::weighted_trend()`], and [`Error::TooFewSamples`] under 5 tests.
///
/// ```
/// use deadband::drift::{OutlierConfig, outliers};
/// let year = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
/// let open_pa = [60.1, 59.6, 59.2, 52.0, 58.1, 57.5, 57.1];
/// let found = outliers(&year, &open_pa, &[0.2; 7], &[], &OutlierConfig::default())?;
/// let flags: Vec<bool> = found.iter().map(|o| o.flagged).collect();
/// assert_eq!(flags, [false, false, false, true, false, false, false]);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn outliers(
    times: &[f64],
    values: &[f64],
    u: &[f64],
    shared: &[Shared<'_>],
    config: &OutlierConfig,
) -> Result<Vec<Outlier>> {
    check(times, values)?;
    same_length(("u", u), ("values", values))?;
    let n = values.len();
    if n < 5 {
        return Err(Error::TooFewSamples { what: "tests in the history", found: n, needed: 5 });
    }
    let alpha = 1.0 - confidence(config.confidence)?;
    let compared = deletion(times, values, u, shared, &config.trend)?;
    let finished = compared.into_iter().map(|test| {
        let p_value = (n as f64 * test.p_value).min(1.0);
        Outlier { deviation: test.deviation, dof: test.dof, p_value, flagged: p_value <= alpha }
    });
    Ok(finished.collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::line::{Excess, line};
    use proptest::prelude::*;

    #[test]
    fn a_date_of_its_own_cannot_be_judged() {
        let times = [0.0, 0.0, 0.0, 0.0, 5.0];
        let values = [60.0, 60.1, 59.9, 60.2, 80.0];
        let found = outliers(&times, &values, &[0.1; 5], &[], &OutlierConfig::default())
            .expect("the history as a whole has two dates");
        assert_eq!((found[4].deviation, found[4].p_value, found[4].flagged), (0.0, 1.0, false));
    }

    /// Two tests with a gauge that reads 1 Pa high are no outliers once the gauge's error is
    /// stated.
    #[test]
    fn a_common_error_excuses_a_group() {
        let times = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0];
        let values = [60.0, 60.1, 61.2, 59.9, 60.0, 61.1, 60.1, 59.9];
        let gauge = [0, 0, 1, 0, 0, 1, 0, 0];
        let known = OutlierConfig {
            trend: TrendConfig { excess: Excess::None, ..TrendConfig::default() },
            ..OutlierConfig::default()
        };
        let blamed = outliers(&times, &values, &[0.1; 8], &[], &known).expect("valid");
        assert!(blamed[2].flagged && blamed[5].flagged);
        let calibration = Shared { group: &gauge, u: &[1.0; 8] };
        let excused = outliers(&times, &values, &[0.1; 8], &[calibration], &known).expect("valid");
        assert!(excused.iter().all(|o| !o.flagged));
    }

    #[test]
    fn four_tests_are_too_few() {
        let times = [0.0, 1.0, 2.0, 3.0];
        let found = outliers(&times, &times, &[1.0; 4], &[], &OutlierConfig::default());
        assert!(matches!(found, Err(Error::TooFewSamples { found: 4, needed: 5, .. })));
    }

    proptest! {
        #[test]
        fn unknown_uncertainties_give_the_externally_studentised_residual(
            values in prop::collection::vec(-5.0f64..5.0, 5..14),
        ) {
            let times: Vec<f64> = (0..values.len()).map(|i| (i + i % 2) as f64).collect();
            let zero = vec![0.0; values.len()];
            let fit = line(&times, &values, &zero, &[], &TrendConfig::default()).expect("scatter");
            let nu = values.len() as f64 - 2.0;
            let found = outliers(&times, &values, &zero, &[], &OutlierConfig::default()).expect("scatter");
            for (outlier, r) in found.iter().zip(&fit.standardised) {
                prop_assume!(r.abs() < 0.999 * nu.sqrt());
                let expected = r * ((nu - 1.0) / (nu - r * r)).sqrt();
                prop_assert!((outlier.deviation - expected).abs() < 1e-6 * (1.0 + expected.abs()));
                prop_assert!((outlier.dof - (nu - 1.0)).abs() < 1e-6);
            }
        }
    }
}
