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

    /// With a variance added that is known (Welch–Satterthwaite): of degrees of freedom
    /// `dof (u'/u)⁴`.
    pub(crate) fn with_known(self, variance: f64) -> Self {
        if variance == 0.0 {
            return self;
        }
        let u = (self.u * self.u + variance).sqrt();
        Self { u, dof: self.dof * (u / self.u).powi(4), ..self }
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

/// From here on the quantile comes from its expansion about the normal one, whose error is below
/// 1e-15; the library's own search fails beyond some millions.
const EXPANSION_DOF: f64 = 1e4;

/// From here on the distribution function comes from the normal one.
const NORMAL_DOF: f64 = 1e6;

/// Quantile of Student's t; the normal one for infinite degrees of freedom.
///
/// Zero or negative degrees of freedom give an infinite quantile: nothing is known of the scale.
/// NaN, or a probability outside (0, 1), gives NaN.
///
/// Source of the expansion: M. Abramowitz and I. Stegun, *Handbook of Mathematical Functions*
/// (1964), 26.7.5.
///
/// ```
/// let t = deadband::base::estimate::t_quantile(0.975, 4.0);
/// assert!((t - 2.776).abs() < 5e-4); // JCGM 100, table G.2
/// ```
pub fn t_quantile(p: f64, dof: f64) -> f64 {
    if !(p > 0.0 && p < 1.0) || dof.is_nan() {
        return f64::NAN;
    }
    if dof <= 0.0 {
        return if p > 0.5 { f64::INFINITY } else { f64::NEG_INFINITY };
    }
    if dof >= EXPANSION_DOF {
        let z = normal().inverse_cdf(p);
        let z2 = z * z;
        let second = z * (1.0 + z2) / 4.0;
        let third = z * (3.0 + z2 * (16.0 + 5.0 * z2)) / 96.0;
        let fourth = z * (-15.0 + z2 * (17.0 + z2 * (19.0 + 3.0 * z2))) / 384.0;
        return z + (second + (third + fourth / dof) / dof) / dof;
    }
    StudentsT::new(0.0, 1.0, dof).map_or(f64::NAN, |dist| polished(p, dist.inverse_cdf(p), &dist))
}

/// Distribution function of Student's t; the normal one for infinite degrees of freedom.
///
/// Beyond a million degrees of freedom it is the normal one at
/// `t (1 − 1/4ν) / √(1 + t²/2ν)` (Abramowitz and Stegun, 26.7.8). NaN gives NaN.
pub fn t_cdf(t: f64, dof: f64) -> f64 {
    if t.is_nan() || dof.is_nan() {
        return f64::NAN;
    }
    if dof <= 0.0 {
        return 0.5;
    }
    if t.is_infinite() {
        return if t > 0.0 { 1.0 } else { 0.0 };
    }
    if dof >= NORMAL_DOF {
        let shrunk = t * (1.0 - 0.25 / dof) / (1.0 + t / dof * t / 2.0).sqrt();
        return normal().cdf(shrunk);
    }
    // Very few degrees of freedom leave the library's last digits on the wrong side of the middle.
    let (least, most) = if t > 0.0 { (0.5, 1.0) } else { (0.0, 0.5) };
    StudentsT::new(0.0, 1.0, dof).map_or(f64::NAN, |dist| dist.cdf(t).clamp(least, most))
}

/// The standard normal distribution.
pub fn normal() -> Normal {
    Normal::standard()
}

/// Newton steps on the distribution function: the library's quantile alone is off by 1e-8.
fn polished(p: f64, start: f64, dist: &StudentsT) -> f64 {
    (0..2).fold(start, |t, _| {
        let step = (dist.cdf(t) - p) / dist.pdf(t);
        if step.is_finite() { t - step } else { t }
    })
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
    let contributions: Vec<(f64, f64)> = contributions.into_iter().collect();
    let largest = contributions.iter().map(|(u, _)| u.abs()).fold(0.0, f64::max);
    let (mut variance, mut denominator) = (0.0, 0.0);
    for (u, dof) in contributions {
        // The fourth power of a large one would overflow.
        let square = (u / largest) * (u / largest);
        if square > 0.0 {
            variance += square;
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
    fn degrees_of_freedom_do_not_depend_on_the_unit() {
        let plain = welch_satterthwaite([(3.0, 4.0), (1.0, f64::INFINITY), (0.0, 2.0)]);
        assert!((plain - 100.0 / (81.0 / 4.0)).abs() < 1e-12);
        for unit in [1e-120, 1e120] {
            let scaled =
                welch_satterthwaite([(3.0 * unit, 4.0), (unit, f64::INFINITY), (0.0, 2.0)]);
            assert!((scaled / plain - 1.0).abs() < 1e-12);
        }
        assert_eq!(welch_satterthwaite([(0.0, 4.0)]), f64::INFINITY);
    }

    #[test]
    fn a_probability_stays_on_its_side_of_the_middle() {
        for dof in [1e-20, 1.461_013_000_556_66e-19, 1e-15, 0.5, 3.0] {
            assert!(t_cdf(-0.215_8, dof) <= 0.5 && t_cdf(0.215_8, dof) >= 0.5, "{dof}");
        }
    }

    #[test]
    fn zero_uncertainty_is_legal() {
        let exact = Estimate { value: 2.0, u: 0.0, dof: f64::INFINITY };
        assert_eq!(exact.interval(0.95), (2.0, 2.0));
        assert_eq!(exact.probability_below(1.0), 0.0);
        assert_eq!(exact.probability_below(2.0), 0.5);
        assert_eq!(exact.probability_below(3.0), 1.0);
    }

    #[test]
    fn many_degrees_of_freedom_are_nearly_normal_and_nothing_hangs() {
        for exponent in 8..50 {
            let dof = 10_f64.powf(f64::from(exponent) / 2.0);
            for p in [1e-12, 0.025, 0.5, 0.9, 0.975] {
                let (z, t) = (normal().inverse_cdf(p), t_quantile(p, dof));
                assert!((t - z).abs() <= 1e-12 + z.abs().powi(3).max(1.0) / dof, "{p} {dof}");
                assert!((t_cdf(t, dof) / p - 1.0).abs() < 1e-5, "{p} {dof}");
            }
        }
        let (below, above) = (t_quantile(0.975, EXPANSION_DOF - 1e-6), t_quantile(0.975, 1e4));
        assert!((below - above).abs() < 1e-9);
    }

    #[test]
    fn nothing_known_and_nan_are_told_apart() {
        assert_eq!(t_quantile(0.975, 0.0), f64::INFINITY);
        assert!(t_quantile(f64::NAN, 3.0).is_nan() && t_quantile(0.9, f64::NAN).is_nan());
        assert!(t_quantile(1.0, 3.0).is_nan());
        assert!(t_cdf(f64::NAN, 3.0).is_nan());
        assert_eq!((t_cdf(f64::INFINITY, 3.0), t_cdf(f64::NEG_INFINITY, 1e9)), (1.0, 0.0));
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
