//! Known covariance of a set of observations: each its own variance, and errors held in common.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use crate::base::{Error, Result};

/// One cause of error that observations of the same group have in common.
///
/// The error of observation `i` is `u[i] × z`, with one standard normal `z` for its group. Tests
/// made with one gauge share its calibration error (`u` alike) and the error of its lag (`u` is the
/// lag's uncertainty times the rate, sign and all, so that slow tests take little of it).
#[derive(Debug, Clone, Copy)]
pub struct Shared<'a> {
    /// Group of each observation; any numbers, equal within a group.
    pub group: &'a [usize],
    /// What one standard deviation of the common error adds to each observation, signed.
    pub u: &'a [f64],
}

/// Covariance `diag(u²) + A Aᵀ` of `n` observations, `A` holding a column a common error.
#[derive(Debug, Clone)]
pub struct Covariance {
    own: Vec<f64>,
    loadings: DMatrix<f64>,
}

impl Covariance {
    /// From own standard uncertainties and common errors.
    ///
    /// # Errors
    ///
    /// [`Error::LengthMismatch`] when a slice is not as long as `u`; [`Error::BadValue`] for a
    /// negative or endless `u`, or when only some are zero (an observation without error beside
    /// others with one takes the whole weight); [`Error::NotFinite`] for a common error that is no
    /// number.
    pub fn new(u: &[f64], shared: &[Shared<'_>]) -> Result<Self> {
        let zeros = u.iter().filter(|&&u| u == 0.0).count();
        for &value in u {
            let mixed = value == 0.0 && zeros < u.len();
            if mixed || !value.is_finite() || value < 0.0 {
                let must = "finite and above zero, or zero for all observations";
                return Err(Error::BadValue { what: "u", value, must });
            }
        }
        let mut columns = Vec::new();
        for cause in shared {
            check_cause(cause, u.len())?;
            let mut groups = cause.group.to_vec();
            groups.sort_unstable();
            groups.dedup();
            for group in groups {
                let members = cause.group.iter().zip(cause.u);
                let column: Vec<f64> =
                    members.map(|(&g, &u)| if g == group { u } else { 0.0 }).collect();
                if column.iter().any(|&u| u != 0.0) {
                    columns.extend(column);
                }
            }
        }
        let k = columns.len().checked_div(u.len()).unwrap_or(0);
        Ok(Self {
            own: u.iter().map(|u| u * u).collect(),
            loadings: DMatrix::from_vec(u.len(), k, columns),
        })
    }

    /// Number of observations.
    pub fn len(&self) -> usize {
        self.own.len()
    }

    /// Whether there is no observation.
    pub fn is_empty(&self) -> bool {
        self.own.is_empty()
    }

    /// Whether every own variance is zero.
    pub fn is_unknown(&self) -> bool {
        self.own.iter().all(|&v| v == 0.0)
    }

    /// Own variances.
    pub fn own(&self) -> &[f64] {
        &self.own
    }

    /// The covariance without observation `index`.
    #[must_use]
    pub fn without(&self, index: usize) -> Self {
        let mut own = self.own.clone();
        own.remove(index);
        Self { own, loadings: self.loadings.clone().remove_row(index) }
    }

    /// Inverse of the covariance with `excess` added to every own variance, by the
    /// Sherman-Morrison-Woodbury identity: the cost grows with `n`, not with its cube.
    ///
    /// `None` where an own variance plus the excess is not above zero.
    pub fn precision(&self, excess: f64) -> Option<Precision<'_>> {
        let weights: Vec<f64> = self.own.iter().map(|v| 1.0 / (v + excess)).collect();
        if weights.iter().any(|w| !w.is_finite() || *w <= 0.0) {
            return None;
        }
        let k = self.loadings.ncols();
        let mut inner = DMatrix::identity(k, k);
        for (row, &w) in self.loadings.row_iter().zip(&weights) {
            inner.ger(w, &row.transpose(), &row.transpose(), 1.0);
        }
        let inner = Cholesky::new(inner)?;
        Some(Precision { weights, loadings: &self.loadings, inner })
    }
}

fn check_cause(cause: &Shared<'_>, n: usize) -> Result<()> {
    for (left, left_len) in
        [("the groups of a common error", cause.group.len()), ("a common error", cause.u.len())]
    {
        if left_len != n {
            return Err(Error::LengthMismatch { left, left_len, right: "u", right_len: n });
        }
    }
    match cause.u.iter().position(|u| !u.is_finite()) {
        Some(index) => {
            let (channel, value) = ("a common error", cause.u[index]);
            Err(Error::NotFinite { channel, index, value })
        }
        None => Ok(()),
    }
}

/// The inverse of a [`Covariance`] plus an excess.
#[derive(Debug, Clone)]
pub struct Precision<'a> {
    weights: Vec<f64>,
    loadings: &'a DMatrix<f64>,
    inner: Cholesky<f64, Dyn>,
}

impl Precision<'_> {
    /// The inverse times a vector.
    pub fn apply(&self, vector: &[f64]) -> Vec<f64> {
        let mut product: Vec<f64> = self.weights.iter().zip(vector).map(|(w, v)| w * v).collect();
        if self.has_common() {
            let inner = self.loadings.tr_mul(&DVector::from_column_slice(&product));
            let common = self.loadings * self.inner.solve(&inner);
            for ((p, w), c) in product.iter_mut().zip(&self.weights).zip(common.iter()) {
                *p -= w * c;
            }
        }
        product
    }

    /// The diagonal of the inverse.
    pub fn diagonal(&self) -> Vec<f64> {
        let reduced = self.inner.l_dirty().solve_lower_triangular(&self.loadings.transpose());
        let share = |i: usize| reduced.as_ref().map_or(0.0, |r| r.column(i).norm_squared());
        self.weights.iter().enumerate().map(|(i, &w)| w - w * w * share(i)).collect()
    }

    /// Logarithm of the determinant of the covariance (not of its inverse).
    pub fn log_det(&self) -> f64 {
        let own: f64 = self.weights.iter().map(|w| -w.ln()).sum();
        let inner = self.inner.l_dirty().diagonal();
        own + 2.0 * inner.iter().map(|d| d.ln()).sum::<f64>()
    }

    /// Whether any two observations share an error.
    pub fn has_common(&self) -> bool {
        self.loadings.ncols() > 0
    }

    /// One over each own variance, excess included.
    pub fn weights(&self) -> &[f64] {
        &self.weights
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_mixture_of_zero_and_positive_uncertainties_is_refused() {
        assert!(Covariance::new(&[0.0, 0.0], &[]).is_ok_and(|c| c.is_unknown()));
        assert!(Covariance::new(&[0.0, 1.0], &[]).is_err());
        assert!(Covariance::new(&[f64::NAN, 1.0], &[]).is_err());
        let short = Shared { group: &[0], u: &[1.0, 1.0] };
        assert!(Covariance::new(&[1.0, 1.0], &[short]).is_err());
        let lost = Shared { group: &[0, 0], u: &[1.0, f64::NAN] };
        assert!(Covariance::new(&[1.0, 1.0], &[lost]).is_err());
    }

    proptest! {
        #[test]
        fn the_identity_agrees_with_the_dense_inverse(
            rows in prop::collection::vec(
                (0.1f64..3.0, -2.0f64..2.0, -2.0f64..2.0, 0usize..3, 0usize..2, -1.0f64..1.0), 1..9,
            ),
            excess in 0.0f64..2.0,
        ) {
            let u: Vec<f64> = rows.iter().map(|r| r.0).collect();
            let lag: Vec<f64> = rows.iter().map(|r| r.1).collect();
            let calibration: Vec<f64> = rows.iter().map(|r| r.2).collect();
            let vector: Vec<f64> = rows.iter().map(|r| r.5).collect();
            let gauge: Vec<usize> = rows.iter().map(|r| r.3).collect();
            let year: Vec<usize> = rows.iter().map(|r| r.4).collect();
            let shared = [Shared { group: &gauge, u: &lag }, Shared { group: &year, u: &calibration }];
            let covariance = Covariance::new(&u, &shared).expect("valid by construction");
            let n = u.len();
            let dense = DMatrix::from_fn(n, n, |i, j| {
                let own = if i == j { u[i] * u[i] + excess } else { 0.0 };
                let common: f64 = shared.iter()
                    .map(|s| if s.group[i] == s.group[j] { s.u[i] * s.u[j] } else { 0.0 }).sum();
                own + common
            });
            let precision = covariance.precision(excess).expect("positive variances");
            let inverse = dense.clone().try_inverse().expect("positive definite");
            let product = &inverse * DVector::from_column_slice(&vector);
            let scale = inverse.amax();
            for (a, b) in precision.apply(&vector).iter().zip(product.iter()) {
                prop_assert!((a - b).abs() < 1e-9 * scale);
            }
            for (i, d) in precision.diagonal().iter().enumerate() {
                prop_assert!((d - inverse[(i, i)]).abs() < 1e-9 * scale);
            }
            prop_assert!((precision.log_det() - dense.determinant().ln()).abs() < 1e-8);
        }
    }
}
