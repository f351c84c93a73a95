//! Straight line through observations of stated covariance plus an excess variance.

use serde::{Deserialize, Serialize};

use super::covariance::{Covariance, Shared};
use super::excess::{self, Dof, Excess};
use super::straight::Straight;
use crate::base::{Error, Estimate, Result};

/// How the excess variance and the degrees of freedom are found.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct LineConfig {
    /// Method for the variance beyond the stated uncertainties.
    pub excess: Excess,
    /// Rule for the degrees of freedom; without effect where the excess is given, for then every
    /// variance is known and they are infinite.
    pub dof: Dof,
}

/// A fitted straight line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Number of observations.
    pub n: usize,
    /// Abscissa at which level and slope are uncorrelated.
    pub centre: f64,
    /// Height of the line at `centre`.
    pub level: Estimate,
    /// Slope, unit of `y` over unit of `x`.
    pub slope: Estimate,
    /// Height of the line at `x = 0`.
    pub intercept: Estimate,
    /// Covariance between `intercept` and `slope`.
    pub covariance: f64,
    /// Variance beyond the stated uncertainties, unit of `y` squared.
    pub excess_variance: f64,
    /// Cochran's Q: weighted sum of squared residuals without excess; chi-squared with `dof`
    /// degrees of freedom if the stated uncertainties are all there is. `None` where they are zero.
    pub q: Option<f64>,
    /// Residual degrees of freedom, `n - 2`.
    pub dof: f64,
    /// Observation minus line.
    pub residuals: Vec<f64>,
    /// Each observation against the line through all others, in standard deviations, at the same
    /// excess; 0 where the line has no choice but to pass through it.
    pub standardised: Vec<f64>,
    /// Pull of each observation on the line at its own place, 0 to 1 without common errors; they
    /// add up to 2.
    pub leverage: Vec<f64>,
    level_own: f64,
    slope_own: f64,
    pub(super) own_dof: f64,
    pub(super) scale: f64,
}

impl Line {
    /// The line at `x`, with the uncertainty of the line (not of a new observation).
    pub fn at(&self, x: f64) -> Estimate {
        let reach = x - self.centre;
        let square = reach * reach;
        let variance = self.level.u * self.level.u + square * self.slope.u * self.slope.u;
        let own = self.level_own + square * self.slope_own;
        estimate(self.level.value + self.slope.value * reach, variance, own, self.own_dof)
    }

    /// Refuses numbers so far apart that their squares leave the range of double precision.
    fn in_range(self) -> Result<Self> {
        let estimates = [self.level, self.slope, self.intercept];
        let mut numbers = estimates.iter().flat_map(|e| [e.value, e.u]).chain([
            self.centre,
            self.covariance,
            self.excess_variance,
        ]);
        let mut lists = self.standardised.iter().chain(&self.leverage).chain(&self.residuals);
        let spread = estimates.iter().all(|e| e.u > 0.0 && e.dof > 0.0);
        if spread && numbers.all(f64::is_finite) && lists.all(|v| v.is_finite()) {
            return Ok(self);
        }
        let (what, value) = ("the uncertainty of the line", self.slope.u);
        Err(Error::BadValue { what, value, must: "finite and above zero; mind the units" })
    }

    /// A new observation of standard uncertainty `u` at `x`, excess variance included.
    ///
    /// Its error is taken as independent of those of the observations behind the line.
    pub fn new_observation(&self, x: f64, u: f64) -> Estimate {
        let line = self.at(x);
        let variance = line.u * line.u + self.excess_variance + u * u;
        let reach = x - self.centre;
        let own = self.level_own + reach * reach * self.slope_own + self.excess_variance;
        estimate(line.value, variance, own, self.own_dof)
    }
}

/// Welch-Satterthwaite with one contribution of finite degrees of freedom.
fn estimate(value: f64, variance: f64, own: f64, own_dof: f64) -> Estimate {
    let share = own / variance; // exactly 1 without common errors
    Estimate { value, u: variance.sqrt(), dof: own_dof / (share * share) }
}

/// Fits a straight line by generalised least squares with an excess variance.
///
/// `y[i] = intercept + slope x[i] + e[i]`, where the covariance of `e` is
/// `diag(u² + excess) + common errors`. Where the excess was estimated, the part of each variance
/// that the observations' own errors make is multiplied by `max(1, Q/(n-2))` and has the degrees of
/// freedom of [`Dof`]; stated common errors count as known, and the two are combined after
/// Welch and Satterthwaite (JCGM 100, G.4.1).
///
/// `u` is all zero (unknown: the classical regression, with an estimated excess) or all positive.
///
/// # Errors
///
/// [`Error::LengthMismatch`], [`Error::NotFinite`], [`Error::TooFewSamples`] under 3 observations
/// or with all `x` equal, [`Error::BadValue`] for a bad uncertainty or where nothing leaves any
/// variance.
///
/// ```
/// use deadband::base::line::{LineConfig, line};
/// let x = [0.0, 1.0, 2.0, 3.0];
/// let fit = line(&x, &[1.0, 3.0, 2.0, 4.0], &[0.0; 4], &[], &LineConfig::default())?;
/// assert!((fit.slope.value - 0.8).abs() < 1e-12);
/// assert!((fit.slope.u - (1.8_f64 / 2.0 / 5.0).sqrt()).abs() < 1e-12); // s² / Sxx
/// assert_eq!(fit.slope.dof, 2.0);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn line(
    x: &[f64],
    y: &[f64],
    u: &[f64],
    shared: &[Shared<'_>],
    config: &LineConfig,
) -> Result<Line> {
    check(x, y, u)?;
    let covariance = Covariance::new(u, shared)?;
    fit(x, y, &covariance, config)
}

pub(super) fn check(x: &[f64], y: &[f64], u: &[f64]) -> Result<()> {
    for (right, other) in [("y", y), ("u", u)] {
        if other.len() != x.len() {
            let (left_len, right_len) = (x.len(), other.len());
            return Err(Error::LengthMismatch { left: "x", left_len, right, right_len });
        }
    }
    if x.len() < 3 {
        return Err(Error::TooFewSamples { what: "observations", found: x.len(), needed: 3 });
    }
    for (channel, values) in [("x", x), ("y", y)] {
        if let Some(index) = values.iter().position(|v| !v.is_finite()) {
            return Err(Error::NotFinite { channel, index, value: values[index] });
        }
    }
    if x.iter().all(|&v| v == x[0]) {
        return Err(Error::TooFewSamples { what: "distinct abscissae", found: 1, needed: 2 });
    }
    Ok(())
}

pub(super) fn fit(
    x: &[f64],
    y: &[f64],
    covariance: &Covariance,
    config: &LineConfig,
) -> Result<Line> {
    let excess = excess::estimate(config.excess, x, y, covariance)?;
    let flat =
        || Error::TooFewSamples { what: "distinct abscissae with weight", found: 1, needed: 2 };
    let (straight, precision) = Straight::at(x, y, covariance, excess).ok_or_else(flat)?;
    let nu = x.len() as f64 - 2.0;
    let scatter = straight.q / nu;
    let (scale, own_dof) = match config.excess {
        Excess::None | Excess::Known(_) => (1.0, f64::INFINITY),
        Excess::PauleMandel | Excess::Reml => (scatter.max(1.0), config.dof.of(nu, scatter)),
    };
    let variances = |total: f64, own: f64| (total + (scale - 1.0) * own, scale * own);
    let (level_var, level_own) = variances(straight.level_var, straight.level_own);
    let (slope_var, slope_own) = variances(straight.slope_var, straight.slope_own);
    let projection = straight.projection(&precision);
    let standardised = straight.weighted.iter().zip(&projection).zip(precision.weights());
    let mut line = Line {
        n: x.len(),
        centre: straight.centre,
        level: estimate(straight.level, level_var, level_own, own_dof),
        slope: estimate(straight.slope, slope_var, slope_own, own_dof),
        intercept: Estimate { value: 0.0, u: 0.0, dof: 0.0 },
        covariance: -straight.centre * slope_var,
        excess_variance: excess,
        q: Straight::at(x, y, covariance, 0.0).map(|(fit, _)| fit.q),
        dof: nu,
        standardised: standardised
            .map(|((w, &p), weight)| if p > 1e-10 * weight { w / p.sqrt() } else { 0.0 })
            .collect(),
        leverage: straight.leverage(),
        residuals: straight.residuals,
        level_own,
        slope_own,
        own_dof,
        scale,
    };
    line.intercept = line.at(0.0);
    line.in_range()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn bad_input_is_named() {
        let config = LineConfig::default();
        let x = [0.0, 1.0, 2.0];
        assert!(matches!(
            line(&x, &[1.0; 2], &[1.0; 3], &[], &config),
            Err(Error::LengthMismatch { right: "y", .. })
        ));
        assert!(matches!(
            line(&x[..2], &[1.0; 2], &[1.0; 2], &[], &config),
            Err(Error::TooFewSamples { found: 2, .. })
        ));
        assert!(matches!(
            line(&x, &[1.0, f64::NAN, 2.0], &[1.0; 3], &[], &config),
            Err(Error::NotFinite { channel: "y", index: 1, .. })
        ));
        assert!(matches!(
            line(&[1.0; 3], &[1.0, 2.0, 3.0], &[1.0; 3], &[], &config),
            Err(Error::TooFewSamples { .. })
        ));
        assert!(matches!(
            line(&x, &[1.0, 2.0, 3.0], &[1.0, -1.0, 1.0], &[], &config),
            Err(Error::BadValue { what: "u", .. })
        ));
    }

    /// Two gauges, one before and one after: the difference between them is no evidence of drift.
    #[test]
    fn a_common_error_is_carried_into_the_slope() {
        let x = [0.0, 1.0, 2.0, 3.0];
        let y = [60.0, 60.1, 61.0, 61.1];
        let gauge = [0, 0, 1, 1];
        let common = [2.0; 4];
        let config = LineConfig { excess: Excess::None, ..LineConfig::default() };
        let alone = line(&x, &y, &[0.1; 4], &[], &config).expect("valid");
        let shared = Shared { group: &gauge, u: &common };
        let fit = line(&x, &y, &[0.1; 4], &[shared], &config).expect("valid");
        assert!(fit.slope.u > 1.3 * alone.slope.u);
        // Only the differences within a gauge remain, 0.1 a step, u = 0.1 (two differences).
        assert!((fit.slope.value - 0.1).abs() < 0.01, "{}", fit.slope.value);
        assert!((fit.slope.u - 0.1).abs() < 0.001, "{}", fit.slope.u);
    }

    fn rows() -> impl Strategy<Value = Vec<(f64, f64, f64)>> {
        prop::collection::vec((0.05f64..2.0, -5.0f64..5.0, 0.1f64..2.0), 4..12)
    }

    fn columns(rows: &[(f64, f64, f64)]) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
        let mut at = 0.0;
        let x = rows.iter().map(|r| {
            at += r.0;
            at
        });
        (x.collect(), rows.iter().map(|r| r.1).collect(), rows.iter().map(|r| r.2).collect())
    }

    proptest! {
        #[test]
        fn shift_and_scale_change_nothing_but_units(
            rows in rows(), shift in -1e4f64..1e4, scale in 1e-6f64..1e6, reml in any::<bool>(),
        ) {
            let (x, y, u) = columns(&rows);
            let excess = if reml { Excess::Reml } else { Excess::PauleMandel };
            let config = LineConfig { excess, ..LineConfig::default() };
            let fit = line(&x, &y, &u, &[], &config).expect("valid");
            let moved_x: Vec<f64> = x.iter().map(|x| x + shift).collect();
            let moved_y: Vec<f64> = y.iter().map(|y| y * scale).collect();
            let moved_u: Vec<f64> = u.iter().map(|u| u * scale).collect();
            let moved = line(&moved_x, &moved_y, &moved_u, &[], &config).expect("valid");
            let near = |a: f64, b: f64, size: f64| (a - b).abs() <= 1e-6 * size;
            prop_assert!(near(moved.slope.value, scale * fit.slope.value, scale * fit.slope.u));
            prop_assert!(near(moved.slope.u, scale * fit.slope.u, scale * fit.slope.u));
            prop_assert!(near(moved.level.u, scale * fit.level.u, scale * fit.level.u));
            prop_assert!(near(moved.centre, fit.centre + shift, 1.0));
            let variance = fit.excess_variance + 1.0;
            prop_assert!(near(moved.excess_variance / scale / scale, fit.excess_variance, variance));
        }

        #[test]
        fn leverage_adds_up_to_two_and_the_line_reads_back(rows in rows()) {
            let (x, y, u) = columns(&rows);
            let fit = line(&x, &y, &u, &[], &LineConfig::default()).expect("valid");
            prop_assert!((fit.leverage.iter().sum::<f64>() - 2.0).abs() < 1e-9);
            for ((&x, &y), &r) in x.iter().zip(&y).zip(&fit.residuals) {
                prop_assert!((fit.at(x).value + r - y).abs() < 1e-9);
            }
            let direct = fit.intercept.u * fit.intercept.u + 2.0 * 3.0 * fit.covariance
                + 9.0 * fit.slope.u * fit.slope.u;
            prop_assert!((fit.at(3.0).u.powi(2) / direct - 1.0).abs() < 1e-6);
            prop_assert!(fit.new_observation(3.0, 1.0).u > fit.at(3.0).u);
        }

        #[test]
        fn standardised_residuals_compare_each_with_the_others(rows in rows(), pick in 0usize..12) {
            let (x, y, u) = columns(&rows);
            prop_assume!(x.len() > 4);
            let i = pick % x.len();
            let config = LineConfig { excess: Excess::Known(0.5), ..LineConfig::default() };
            let fit = line(&x, &y, &u, &[], &config).expect("valid");
            let drop = |v: &[f64]| { let mut v = v.to_vec(); v.remove(i); v };
            let rest = line(&drop(&x), &drop(&y), &drop(&u), &[], &config).expect("valid");
            let predicted = rest.new_observation(x[i], u[i]);
            let expected = (y[i] - predicted.value) / predicted.u;
            prop_assert!((fit.standardised[i] - expected).abs() < 1e-6 * (1.0 + expected.abs()));
        }
    }
}
