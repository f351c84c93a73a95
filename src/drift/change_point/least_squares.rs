//! Weighted least squares on a few columns with an excess variance.

use nalgebra::{Cholesky, DMatrix, DVector};

use super::ordered::NO_SCATTER;
use crate::base::error::not_negative;
use crate::base::line::{Excess, LineConfig};
use crate::base::minimise::brent;
use crate::base::{Error, Estimate, Result};

/// `y = X b + e`, `var e[i] = u[i]² + excess`: what [`crate::base::line()`] does for a straight line,
/// for steps as well, without common errors.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub(super) coefficients: Vec<f64>,
    pub(super) covariance: DMatrix<f64>,
    pub(super) excess: f64,
    pub(super) dof: f64,
}

struct At {
    coefficients: DVector<f64>,
    inverse: DMatrix<f64>,
    log_det: f64,
    q: f64,
    q_slope: f64,
}

/// Columns that differ by less than this part of their weight are the same.
const SAME: f64 = 1e-10;

fn at(x: &DMatrix<f64>, y: &DVector<f64>, u: &[f64], excess: f64) -> Option<At> {
    let weights: Vec<f64> = u.iter().map(|u| 1.0 / (u * u + excess)).collect();
    let mut heavy = x.clone();
    for (mut row, w) in heavy.row_iter_mut().zip(&weights) {
        row *= *w;
    }
    let normal = heavy.tr_mul(x);
    let root = Cholesky::new(normal.clone())?;
    let pivots = root.l_dirty().diagonal();
    let apart = pivots.iter().zip(normal.diagonal().iter()).all(|(p, d)| p * p > SAME * d);
    if !apart || !weights.iter().all(|w| w.is_finite()) {
        return None;
    }
    let coefficients = root.solve(&heavy.tr_mul(y));
    let residuals = y - x * &coefficients;
    let pairs = || residuals.iter().zip(&weights);
    let own: f64 = weights.iter().map(|w| -w.ln()).sum();
    Some(At {
        q: pairs().map(|(r, w)| w * r * r).sum(),
        q_slope: pairs().map(|(r, w)| w * w * r * r).sum(),
        log_det: own + 2.0 * pivots.iter().map(|p| p.ln()).sum::<f64>(),
        inverse: root.inverse(),
        coefficients,
    })
}

/// Fits the columns to `y`.
///
/// Excess, scale and degrees of freedom by the rules of [`crate::base::line()`].
pub(super) fn fit(columns: &[Vec<f64>], y: &[f64], u: &[f64], config: &LineConfig) -> Result<Fit> {
    let (n, p) = (y.len(), columns.len());
    if n <= p {
        let what = "tests for the levels, steps and slope asked for";
        return Err(Error::TooFewSamples { what, found: n, needed: p + 1 });
    }
    let x = DMatrix::from_fn(n, p, |i, j| columns[j][i]);
    let y = DVector::from_column_slice(y);
    let nu = (n - p) as f64;
    let flat = || Error::TooFewSamples {
        what: "dates that tell the levels, steps and slope apart",
        found: p - 1,
        needed: p,
    };
    let plain = at(&x, &y, &vec![1.0; n], 0.0).ok_or_else(flat)?;
    let unknown = u.iter().all(|&u| u == 0.0);
    let estimated = matches!(config.excess, Excess::PauleMandel | Excess::Reml);
    if unknown && estimated && plain.q <= n as f64 * (64.0 * f64::EPSILON).powi(2) {
        return Err(NO_SCATTER);
    }
    let excess = match config.excess {
        Excess::None => 0.0,
        Excess::Known(variance) => not_negative("the excess variance", variance)?,
        Excess::PauleMandel | Excess::Reml if unknown => plain.q / nu,
        Excess::PauleMandel => moments(&x, &y, u, nu).ok_or_else(flat)?,
        Excess::Reml => restricted(&x, &y, u, plain.q / nu).ok_or_else(flat)?,
    };
    if unknown && excess == 0.0 {
        return Err(NO_SCATTER);
    }
    let found = at(&x, &y, u, excess).ok_or_else(flat)?;
    let scatter = found.q / nu;
    let (scale, dof) = if estimated {
        (scatter.max(1.0), config.dof.of(nu, scatter))
    } else {
        (1.0, f64::INFINITY)
    };
    let coefficients = found.coefficients.iter().copied().collect();
    Ok(Fit { coefficients, covariance: found.inverse * scale, excess, dof })
}

/// Newton's method on `1/Q(v) = 1/nu`, concave and increasing in the excess `v`.
fn moments(x: &DMatrix<f64>, y: &DVector<f64>, u: &[f64], nu: f64) -> Option<f64> {
    let mut excess = 0.0;
    for _ in 0..200 {
        let found = at(x, y, u, excess)?;
        if found.q <= nu {
            break;
        }
        let step = found.q * (found.q - nu) / (nu * found.q_slope);
        if excess + step <= excess * (1.0 + 2.0 * f64::EPSILON) {
            break;
        }
        excess += step;
    }
    Some(excess)
}

/// The best of a grid over the possible decades, then a local search beside it.
fn restricted(x: &DMatrix<f64>, y: &DVector<f64>, u: &[f64], scatter: f64) -> Option<f64> {
    let own = u.iter().map(|u| u * u).sum::<f64>() / u.len() as f64;
    let top = 10.0 * (scatter + own);
    let cost = |v: f64| at(x, y, u, v).map_or(f64::INFINITY, |a| a.log_det + a.q);
    let mut grid = vec![0.0];
    grid.extend((0..24).rev().map(|k| top * 10.0_f64.powf(-0.5 * f64::from(k))));
    let costs: Vec<f64> = grid.iter().map(|&v| cost(v)).collect();
    let best = (0..grid.len()).min_by(|&a, &b| costs[a].total_cmp(&costs[b]))?;
    let (low, high) = (grid[best.saturating_sub(1)], grid[(best + 1).min(grid.len() - 1)]);
    let inner = brent(cost, low, high, 1e-10 * high, 200);
    if inner.f < costs[best] { Some(inner.x) } else { Some(grid[best]) }
}

impl Fit {
    /// A coefficient with its uncertainty.
    pub(super) fn coefficient(&self, index: usize) -> Estimate {
        let u = self.covariance[(index, index)].sqrt();
        Estimate { value: self.coefficients[index], u, dof: self.dof }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::line::line;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_straight_line_is_the_same_as_elsewhere(
            rows in prop::collection::vec((-5.0f64..5.0, 0.1f64..2.0), 4..12), reml in any::<bool>(),
            stated in any::<bool>(),
        ) {
            let x: Vec<f64> = (0..rows.len()).map(|i| i as f64 * 0.3).collect();
            let y: Vec<f64> = rows.iter().map(|r| r.0).collect();
            let u: Vec<f64> = rows.iter().map(|r| if stated { r.1 } else { 0.0 }).collect();
            let excess = if reml { Excess::Reml } else { Excess::PauleMandel };
            let config = LineConfig { excess, ..LineConfig::default() };
            let known = line(&x, &y, &u, &[], &config).expect("valid");
            let found = fit(&[vec![1.0; x.len()], x.clone()], &y, &u, &config).expect("valid");
            let slope = found.coefficient(1);
            prop_assert!((slope.value - known.slope.value).abs() < 1e-5 * known.slope.u);
            prop_assert!((slope.u / known.slope.u - 1.0).abs() < 1e-5);
            prop_assert!((found.excess - known.excess_variance).abs() < 1e-5 * (0.01 + found.excess));
            prop_assert!(slope.dof == known.slope.dof || (slope.dof / known.slope.dof - 1.0).abs() < 1e-3);
        }
    }

    #[test]
    fn columns_that_cannot_be_told_apart_are_an_error() {
        let (one, step) = (vec![1.0; 5], vec![0.0, 0.0, 1.0, 1.0, 1.0]);
        let y = [1.0, 2.0, 1.0, 2.0, 1.5];
        let config = LineConfig::default();
        let twice = [one.clone(), step.clone(), step];
        assert!(matches!(fit(&twice, &y, &[0.1; 5], &config), Err(Error::TooFewSamples { .. })));
        assert_eq!(
            fit(std::slice::from_ref(&one), &[0.0; 5], &[0.0; 5], &config).err(),
            Some(NO_SCATTER)
        );
        let many = vec![one; 5];
        assert!(matches!(fit(&many, &y, &[0.1; 5], &config), Err(Error::TooFewSamples { .. })));
    }
}
