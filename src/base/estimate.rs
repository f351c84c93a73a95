//! A value with its standard uncertainty and degrees of freedom.

use serde::{Deserialize, Serialize};
use statrs::distribution::{Continuous, ContinuousCDF, Normal, StudentsT};

/// A value, its standard uncertainty and the effective degrees of freedom behind it (JCGM 100).
///
/// ```
/// use deadband::base::Estimate;
/// let open = Estimate { value: 60.2, u: 0.5, dof: 10.0 };
/// let (low, high) = open.interval(0.95);
/// assert!((high - open.value - 2.228 * 0.5).abs() < 1e-3); // t_0.975(10) = 2.228
/// assert!((open.value - low - 2.228 * 0.5).abs() < 1e-3);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Best value.
    pub value: f64,
    /// Standard uncertainty, in the unit of the value.
    pub u: f64,
    /// Effective degrees of freedom; infinite where `u` is known.
    pub dof: f64,
}

impl Estimate {
    /// Expanded uncertainty `U = t_p(dof) u` for coverage probability `p` (JCGM 100, G.3.2).
    ///
    /// JCGM 100 truncates the degrees of freedom to an integer; here they stay as they are.
    pub fn expanded(&self, p: f64) -> f64 {
        t_quantile(0.5 + p / 2.0, self.dof) * self.u
    }

    /// The symmetric coverage interval for coverage probability `p`.
    pub fn interval(&self, p: f64) -> (f64, f64) {
        let expanded = self.expanded(p);
        (self.value - expanded, self.value + expanded)
    }

    /// Probability that the measurand lies below `limit`, from Student's t about the value.
    ///
    /// With `u = 0` it is 0, ½ or 1.
    pub fn probability_below(&self, limit: f64) -> f64 {
        let distance = limit - self.value;
        if self.u == 0.0 {
            return if distance > 0.0 {
                1.0
            } else if distance < 0.0 {
                0.0
            } else {
                0.5
            };
        }
        t_cdf(distance / self.u, self.dof)
    }
}

/// Beyond this many degrees of freedom Student's t is the normal distribution to 1e-9.
const NORMAL_DOF: f64 = 1e9;

/// Quantile of Student's t; the normal one for infinite degrees of freedom.
///
/// Zero or negative degrees of freedom give an infinite quantile: nothing is known of the scale.
///
/// ```
/// let t = deadband::base::estimate::t_quantile(0.975, 4.0);
/// assert!((t - 2.776).abs() < 5e-4); // JCGM 100, table G.2
/// ```
pub fn t_quantile(p: f64, dof: f64) -> f64 {
    if dof <= 0.0 {
        return f64::INFINITY;
    }
    if dof >= NORMAL_DOF {
        return normal().inverse_cdf(p);
    }
    StudentsT::new(0.0, 1.0, dof).map_or(f64::NAN, |dist| polished(p, dist.inverse_cdf(p), &dist))
}

/// Newton steps on the distribution function: the library's quantile alone is off by 1e-8.
fn polished(p: f64, start: f64, dist: &StudentsT) -> f64 {
    (0..2).fold(start, |t, _| {
        let step = (dist.cdf(t) - p) / dist.pdf(t);
        if step.is_finite() { t - step } else { t }
    })
}

/// Distribution function of Student's t; the normal one for infinite degrees of freedom.
pub fn t_cdf(t: f64, dof: f64) -> f64 {
    if dof <= 0.0 {
        return 0.5;
    }
    if dof >= NORMAL_DOF {
        return normal().cdf(t);
    }
    StudentsT::new(0.0, 1.0, dof).map_or(f64::NAN, |dist| dist.cdf(t))
}

/// The standard normal distribution.
pub fn normal() -> Normal {
    Normal::standard()
}

/// Effective degrees of freedom of a sum of independent contributions (Welch–Satterthwaite).
///
/// `dof = (Σ uᵢ²)² / Σ uᵢ⁴/νᵢ` (JCGM 100, equation G.2b). Contributions of infinite degrees of
/// freedom add nothing to the denominator; zero contributions are allowed.
///
/// ```
/// use deadband::base::estimate::welch_satterthwaite;
/// let dof = welch_satterthwaite([(1.0, 4.0), (1.0, f64::INFINITY)]);
/// assert!((dof - 16.0).abs() < 1e-12);
/// ```
pub fn welch_satterthwaite(contributions: impl IntoIterator<Item = (f64, f64)>) -> f64 {
    let (mut variance, mut denominator) = (0.0, 0.0);
    for (u, dof) in contributions {
        let square = u * u;
        variance += square;
        if square > 0.0 {
            denominator += square * square / dof;
        }
    }
    if denominator == 0.0 { f64::INFINITY } else { variance * variance / denominator }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn zero_uncertainty_is_legal() {
        let exact = Estimate { value: 2.0, u: 0.0, dof: f64::INFINITY };
        assert_eq!(exact.interval(0.95), (2.0, 2.0));
        assert_eq!(exact.probability_below(1.0), 0.0);
        assert_eq!(exact.probability_below(2.0), 0.5);
        assert_eq!(exact.probability_below(3.0), 1.0);
    }

    proptest! {
        #[test]
        fn quantile_inverts_the_distribution_function(p in 1e-6f64..0.999_999, dof in 0.5f64..1e4) {
            prop_assert!((t_cdf(t_quantile(p, dof), dof) - p).abs() < 1e-8);
        }

        #[test]
        fn effective_dof_lies_between_the_smallest_and_the_sum(
            u in prop::collection::vec(0.01f64..10.0, 1..6), nu in 1.0f64..50.0,
        ) {
            let dof = welch_satterthwaite(u.iter().map(|&u| (u, nu)));
            prop_assert!(dof >= nu * (1.0 - 1e-12) && dof <= nu * u.len() as f64 * (1.0 + 1e-12));
        }
    }
}
