//! Variance beyond the stated uncertainties, and the degrees of freedom that go with it.

use serde::{Deserialize, Serialize};

use super::covariance::Covariance;
use super::straight::Straight;
use crate::base::error::not_negative;
use crate::base::estimate::{normal, t_cdf, t_quantile};
use crate::base::minimise::brent;
use crate::base::root::root;
use crate::base::{Error, Result};
use statrs::distribution::ContinuousCDF;

/// How the variance beyond the stated uncertainties is found.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Excess {
    /// There is none: the stated uncertainties are all there is.
    None,
    /// It is known, for example pooled over a fleet.
    Known(f64),
    /// The moment estimate of R. C. Paule and J. Mandel, J. Res. NBS 87 (1982) 377-385: the excess
    /// at which the weighted sum of squared residuals equals its degrees of freedom, zero where it
    /// is smaller already.
    #[default]
    PauleMandel,
    /// Restricted maximum likelihood (H. D. Patterson and R. Thompson, Biometrika 58 (1971)
    /// 545-554).
    Reml,
}

/// Degrees of freedom of an uncertainty whose excess variance was estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Dof {
    /// Those of the residuals, and a variance never below the stated one: the modified method of
    /// J. Hartung and G. Knapp, Stat. Med. 20 (2001) 3875-3889. Too wide where the scatter is no
    /// larger than stated and the history short (99 % instead of 95 % for 8 tests).
    KnappHartung,
    /// The wider, at 95 %, of two intervals: stated uncertainties taken as known (normal), and
    /// scatter alone (unmodified Knapp-Hartung). Equal to `KnappHartung` wherever the scatter
    /// exceeds what is stated; between residual and infinite degrees of freedom elsewhere. Our own
    /// rule; its coverage is checked by simulation in the tests.
    #[default]
    Wider,
}

impl Dof {
    /// Degrees of freedom for residual degrees of freedom `nu` and `q = Q / nu`.
    pub(crate) fn of(self, nu: f64, q: f64) -> f64 {
        if self == Self::KnappHartung || q >= 1.0 - 1e-9 {
            return nu;
        }
        let target = t_quantile(0.975, nu) * q.max(0.0).sqrt();
        if target <= normal().inverse_cdf(0.975) {
            return f64::INFINITY;
        }
        let gap = |inverse: f64| t_cdf(target, 1.0 / inverse) - 0.975;
        root(gap, 0.0, 1.0 / nu).map_or(nu, |inverse| 1.0 / inverse)
    }
}

/// The excess variance of a straight line's observations.
///
/// # Errors
///
/// [`Error::BadValue`] for a known excess below zero, or where neither stated uncertainties nor
/// scatter leave any variance; [`Error::TooFewSamples`] when the abscissae do not differ.
pub(crate) fn estimate(
    method: Excess,
    x: &[f64],
    y: &[f64],
    covariance: &Covariance,
) -> Result<f64> {
    let known = match method {
        Excess::None => Some(0.0),
        Excess::Known(variance) => Some(not_negative("the excess variance", variance)?),
        Excess::PauleMandel | Excess::Reml => None,
    };
    if let Some(variance) = known {
        return if variance == 0.0 && covariance.is_unknown() {
            Err(NOTHING)
        } else {
            Ok(variance)
        };
    }
    let nu = x.len() as f64 - 2.0;
    let plain = Covariance::new(&vec![0.0; x.len()], &[])?;
    let (flat, _) = Straight::at(x, y, &plain, 1.0).ok_or(Error::TooFewSamples {
        what: "distinct places on the line",
        found: 1,
        needed: 2,
    })?;
    let scatter = flat.q / nu;
    if covariance.is_unknown() && negligible(scatter, y) {
        return Err(NOTHING);
    }
    let found = if method == Excess::Reml {
        restricted(x, y, covariance, scatter)
    } else {
        moments(x, y, covariance, scatter)
    };
    found.ok_or(NOTHING)
}

const NOTHING: Error = Error::BadValue {
    what: "the scatter about the line, with every stated uncertainty zero,",
    value: 0.0,
    must: "above zero; state the uncertainties",
};

/// Residuals that rounding alone leaves are no scatter.
fn negligible(scatter: f64, y: &[f64]) -> bool {
    let largest = y.iter().fold(0.0_f64, |a, y| a.max(y.abs()));
    scatter.sqrt() <= 16.0 * f64::EPSILON * largest
}

/// Newton's method on `1/Q(v) = 1/nu`. `1/Q` is concave and increasing in the excess `v`, so the
/// steps from the left never overshoot, and where no uncertainty is stated it is a straight line.
fn moments(x: &[f64], y: &[f64], covariance: &Covariance, scatter: f64) -> Option<f64> {
    let nu = x.len() as f64 - 2.0;
    let mut excess = if covariance.is_unknown() { 1e-6 * scatter } else { 0.0 };
    for _ in 0..200 {
        let (fit, _) = Straight::at(x, y, covariance, excess)?;
        if fit.q <= nu {
            break;
        }
        let step = fit.q * (fit.q - nu) / (nu * fit.q_slope);
        if excess + step <= excess * (1.0 + 2.0 * f64::EPSILON) {
            break;
        }
        excess += step;
    }
    Some(excess)
}

/// The best of the roots of the score between the nodes of a grid over the possible decades. The
/// restricted likelihood can have several maxima, and the highest need not lie beside the best node.
fn restricted(x: &[f64], y: &[f64], covariance: &Covariance, scatter: f64) -> Option<f64> {
    let own = covariance.own().iter().sum::<f64>() / x.len() as f64;
    let top = 10.0 * (scatter + own);
    let mut grid: Vec<f64> = (0..24).map(|k| top * 10.0_f64.powf(-0.5 * f64::from(k))).collect();
    if !covariance.is_unknown() {
        grid.push(0.0);
    }
    grid.reverse();
    let likelihood = |v: f64| {
        Straight::at(x, y, covariance, v)
            .map_or(f64::NEG_INFINITY, |(fit, p)| fit.restricted_likelihood(&p))
    };
    let score =
        |v: f64| Straight::at(x, y, covariance, v).map_or(f64::NAN, |(fit, p)| fit.score(&p));
    let best = |tried: Vec<f64>| {
        let valued = tried.into_iter().map(|v| (likelihood(v), v));
        valued.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, v)| v)
    };
    let scores: Vec<f64> = grid.iter().map(|&v| score(v)).collect();
    let edge = (grid[0] == 0.0 && scores[0] <= 0.0).then_some(0.0);
    let inside = (1..grid.len())
        .filter(|&k| scores[k - 1] > 0.0 && scores[k] <= 0.0)
        .filter_map(|k| root(score, grid[k - 1], grid[k]));
    best(edge.into_iter().chain(inside).collect()).or_else(|| {
        let near = best(grid.clone())?;
        let k = grid.iter().position(|&v| v == near)?;
        let (low, high) = (grid[k.saturating_sub(1)], grid[(k + 1).min(grid.len() - 1)]);
        let minimum = brent(|v| -likelihood(v), low, high, 1e-9 * high, 200);
        minimum.f.is_finite().then_some(minimum.x)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn degrees_of_freedom_grow_as_the_scatter_falls_short() {
        let at = |q| Dof::Wider.of(6.0, q);
        assert_eq!(at(1.0), 6.0);
        assert_eq!(at(0.3), f64::INFINITY);
        assert!(at(0.9) > 6.0 && at(0.8) > at(0.9) && at(0.8).is_finite());
        let target = t_quantile(0.975, 6.0) * 0.8_f64.sqrt();
        assert!((t_quantile(0.975, at(0.8)) - target).abs() < 1e-9);
        assert_eq!(Dof::KnappHartung.of(6.0, 0.3), 6.0);
    }

    #[test]
    fn without_stated_uncertainties_both_are_the_residual_variance() {
        let x = [0.0, 1.0, 2.0, 4.0];
        let y = [1.0, 3.0, 2.0, 6.0];
        let covariance = Covariance::new(&[0.0; 4], &[]).expect("all zero is allowed");
        let expected = (14.0 - 10.0 * 10.0 / 8.75) / 2.0; // Syy = 14, Sxy = 10, Sxx = 8.75
        for method in [Excess::PauleMandel, Excess::Reml] {
            let found = estimate(method, &x, &y, &covariance).expect("scatter is there");
            assert!((found / expected - 1.0).abs() < 1e-12, "{method:?}: {found}");
        }
    }

    #[test]
    fn no_variance_at_all_is_an_error() {
        let covariance = Covariance::new(&[0.0; 4], &[]).expect("all zero is allowed");
        for method in [Excess::None, Excess::PauleMandel, Excess::Reml] {
            let x = [0.0, 1.0, 2.0, 3.0];
            assert!(estimate(method, &x, &[0.1, 0.2, 0.3, 0.4], &covariance).is_err());
        }
        let stated = Covariance::new(&[1.0; 4], &[]).expect("valid");
        assert!(estimate(Excess::Known(-1.0), &[0.0; 4], &[0.0; 4], &stated).is_err());
    }

    #[test]
    fn the_highest_maximum_is_found_between_the_nodes_too() {
        let x = [0.32, 1.04, 2.29, 3.2];
        let y = [17.249_446_110_247_53, 9.543_011_190_313_027, -4.690_589_926_717_009, -4.917_563];
        let u =
            [1.111_734_673_217_667_6, 1.241_359_148_048_783, 1.846_350_367_808_260_5, 2.190_728];
        let covariance = Covariance::new(&u.map(|u| u * u), &[]).expect("valid");
        let found = estimate(Excess::Reml, &x, &y, &covariance).expect("valid");
        let at = |v: f64| {
            let (fit, p) = Straight::at(&x, &y, &covariance, v).expect("valid");
            fit.restricted_likelihood(&p)
        };
        let most = (0..4000).map(|k| at(0.005 * f64::from(k))).fold(f64::NEG_INFINITY, f64::max);
        assert!(at(found) >= most - 1e-12, "{found}");
    }

    proptest! {
        #[test]
        fn the_estimates_solve_their_equations(
            rows in prop::collection::vec((0.0f64..5.0, -20.0f64..20.0, 0.1f64..3.0, 0usize..2), 4..12),
        ) {
            let x: Vec<f64> = rows.iter().enumerate().map(|(i, r)| i as f64 + 0.1 * r.0).collect();
            let y: Vec<f64> = rows.iter().map(|r| r.1).collect();
            let u: Vec<f64> = rows.iter().map(|r| r.2).collect();
            let gauge: Vec<usize> = rows.iter().map(|r| r.3).collect();
            let shared = [super::super::Shared { group: &gauge, u: &u }];
            let covariance = Covariance::new(&u, &shared).expect("valid");
            let nu = x.len() as f64 - 2.0;
            let moment = estimate(Excess::PauleMandel, &x, &y, &covariance).expect("valid");
            let (fit, _) = Straight::at(&x, &y, &covariance, moment).expect("valid");
            let solved = if moment == 0.0 { fit.q <= nu } else { (fit.q / nu - 1.0).abs() < 1e-10 };
            prop_assert!(solved);
            let reml = estimate(Excess::Reml, &x, &y, &covariance).expect("valid");
            let likelihood = |v: f64| {
                let (fit, p) = Straight::at(&x, &y, &covariance, v).expect("valid");
                fit.restricted_likelihood(&p)
            };
            let best = likelihood(reml);
            for k in 0..60 {
                let other = 1e-3 * 1.25_f64.powi(k);
                prop_assert!(likelihood(other) <= best + 1e-9);
            }
        }
    }
}
