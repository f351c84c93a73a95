//! The Mann-Kendall test for a trend.

use serde::{Deserialize, Serialize};
use statrs::distribution::ContinuousCDF;

use super::history::{FEWEST_TESTS, check, tie_groups, variance_of_s};
use super::kendall_null::{EXACT_LIMIT, KendallNull};
use crate::base::estimate::normal;
use crate::base::{Error, Result};

/// Distribution of S under no trend that a p-value or interval is taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Null {
    /// The exact one up to [`EXACT_LIMIT`] observations with ties in at most one of values and
    /// dates, else the normal one.
    #[default]
    Auto,
    /// The normal approximation always, as published examples and most programs have it.
    Normal,
}

/// Which distribution was used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Method {
    /// The exact permutation distribution.
    Exact,
    /// The normal approximation with continuity correction.
    Normal,
}

impl Method {
    /// The code in a table.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Exact => "exact",
            Self::Normal => "normal",
        }
    }
}

/// Result of the Mann-Kendall test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MannKendall {
    /// Number of observations.
    pub n: usize,
    /// Pairs that rise with time minus pairs that fall.
    pub s: i64,
    /// Variance of S under no trend, ties allowed for.
    pub var_s: f64,
    /// `S / (n (n-1) / 2)`, between -1 and 1 (tau-a).
    pub tau: f64,
    /// `(|S| - 1) / √var` with the sign of S, 0 for S = 0, whatever the method of the p-value.
    pub z: f64,
    /// Two-sided p-value.
    pub p_value: f64,
    /// Distribution behind the p-value.
    pub method: Method,
}

/// Tests whether values rise or fall with time, whatever the shape.
///
/// `S = Σ sign(tⱼ - tᵢ) sign(vⱼ - vᵢ)` over all pairs; pairs of equal dates or equal values count
/// nothing. `var S = [n(n-1)(2n+5) - Σ g(g-1)(2g+5)] / 18` over the groups of ties, with the cross
/// terms of Kendall (1970) where dates tie as well. The p-value is exact or normal, see [`Null`];
/// the exact one allows for ties in one ranking. `times` may be in any order and any unit; without
/// it the values are taken in their order.
///
/// The values are taken as independent: tests made with one gauge share its error, which this test
/// does not know; see [`super::weighted_trend()`].
///
/// Sources: H. B. Mann, Econometrica 13 (1945) 245-259; M. G. Kendall, *Rank Correlation Methods*
/// (4th ed. 1970); R. O. Gilbert, *Statistical Methods for Environmental Pollution Monitoring*
/// (1987), chapter 16. The cost grows with the square of the number of tests.
///
/// # Errors
///
/// [`Error::LengthMismatch`]; [`Error::NotFinite`]; [`Error::TooFewSamples`] under 4 tests, with
/// all dates equal or all values equal.
///
/// ```
/// use deadband::drift::{Method, Null, mann_kendall};
/// let open_pa = [60.2, 59.9, 59.1, 58.8, 58.9, 57.5, 57.1, 56.8];
/// let test = mann_kendall(&open_pa, None, Null::Auto)?;
/// assert_eq!((test.s, test.method), (-26, Method::Exact));
/// assert!((test.p_value - 2.0 * 8.0 / 40_320.0).abs() < 1e-12); // 1 + 7 of the 8! orders
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn mann_kendall(values: &[f64], times: Option<&[f64]>, null: Null) -> Result<MannKendall> {
    let in_order: Vec<f64>;
    let times = if let Some(times) = times {
        times
    } else {
        in_order = (0..values.len()).map(|i| i as f64).collect();
        &in_order
    };
    check(times, values)?;
    let n = values.len();
    let (value_ties, time_ties) = (tie_groups(values), tie_groups(times));
    if value_ties.len() == 1 {
        return Err(Error::TooFewSamples { what: "distinct values", found: 1, needed: 2 });
    }
    let s = kendall_s(times, values);
    let var_s = variance_of_s(n, &value_ties, &time_ties);
    let z = if s == 0 { 0.0 } else { (s - s.signum()) as f64 / var_s.sqrt() };
    let ties = match (value_ties.len() == n, time_ties.len() == n) {
        (_, true) => Some(&value_ties),
        (true, false) => Some(&time_ties),
        (false, false) => None,
    };
    let exact = ties.filter(|_| null == Null::Auto && n <= EXACT_LIMIT);
    let (p_value, method) = if let Some(groups) = exact {
        let size = usize::try_from(s.unsigned_abs()).unwrap_or(usize::MAX);
        (KendallNull::new(groups).two_sided(size), Method::Exact)
    } else {
        (2.0 * normal().cdf(-z.abs()), Method::Normal)
    };
    let tau = s as f64 / (0.5 * n as f64 * (n as f64 - 1.0));
    Ok(MannKendall { n, s, var_s, tau, z, p_value, method })
}

fn kendall_s(times: &[f64], values: &[f64]) -> i64 {
    let sign = |a: f64, b: f64| i64::from(a > b) - i64::from(a < b);
    let mut s = 0;
    for j in 1..values.len() {
        for i in 0..j {
            s += sign(times[j], times[i]) * sign(values[j], values[i]);
        }
    }
    s
}

const _: () = assert!(FEWEST_TESTS >= 3, "the variance of S divides by n (n - 1) (n - 2)");

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// With 4 tests even a strict order is not significant: 2 of 24 orders are as extreme.
    #[test]
    fn four_tests_can_hardly_show_a_trend() {
        let test = mann_kendall(&[4.0, 3.0, 2.0, 1.0], None, Null::Auto).expect("valid");
        assert!((test.p_value - 2.0 / 24.0).abs() < 1e-15);
        assert_eq!((test.s, test.tau), (-6, -1.0));
    }

    #[test]
    fn equal_values_and_short_histories_are_errors() {
        assert!(mann_kendall(&[1.0; 6], None, Null::Auto).is_err());
        for n in 0..4 {
            assert!(mann_kendall(&vec![1.0; n], None, Null::Auto).is_err());
        }
        assert!(mann_kendall(&[1.0, 2.0, f64::NAN, 4.0], None, Null::Auto).is_err());
        assert!(mann_kendall(&[1.0, 2.0, 3.0, 4.0], Some(&[1.0; 4]), Null::Auto).is_err());
    }

    #[test]
    fn ties_in_both_rankings_fall_back_to_the_normal_distribution() {
        let values = [1.0, 1.0, 2.0, 3.0, 4.0];
        let times = [1.0, 2.0, 2.0, 3.0, 4.0];
        let both = mann_kendall(&values, Some(&times), Null::Auto).expect("valid");
        assert_eq!(both.method, Method::Normal);
        let one = mann_kendall(&values, None, Null::Auto).expect("valid");
        assert_eq!(one.method, Method::Exact);
        // 9 untied pairs, one order of 60 distinct ones: two-sided 2/60.
        assert!((one.p_value - 2.0 / 60.0).abs() < 1e-15);
    }

    proptest! {
        #[test]
        fn units_and_order_do_not_matter_and_reversed_time_turns_the_sign(
            pairs in prop::collection::vec((0u8..6, 0u8..9), 4..14),
            scale in 0.1f64..10.0,
            shift in -5.0f64..5.0,
        ) {
            let times: Vec<f64> = pairs.iter().map(|p| f64::from(p.0)).collect();
            let values: Vec<f64> = pairs.iter().map(|p| f64::from(p.1)).collect();
            let Ok(test) = mann_kendall(&values, Some(&times), Null::Auto) else {
                let same = |v: &[f64]| v.iter().all(|x| *x == v[0]);
                prop_assert!(same(&times) || same(&values));
                return Ok(());
            };
            let scaled: Vec<f64> = values.iter().map(|v| scale * v + shift).collect();
            prop_assert_eq!(mann_kendall(&scaled, Some(&times), Null::Auto), Ok(test));
            let mut shuffled: Vec<usize> = (0..times.len()).collect();
            shuffled.sort_by_key(|i| (i * 7) % 5);
            let pick = |v: &[f64]| shuffled.iter().map(|&i| v[i]).collect::<Vec<_>>();
            prop_assert_eq!(mann_kendall(&pick(&values), Some(&pick(&times)), Null::Auto), Ok(test));
            let reversed: Vec<f64> = times.iter().map(|t| -t).collect();
            let turned = mann_kendall(&values, Some(&reversed), Null::Auto).expect("as before");
            prop_assert_eq!((turned.s, turned.z, turned.p_value), (-test.s, -test.z, test.p_value));
            prop_assert!((0.0..=1.0).contains(&test.p_value));
        }

        #[test]
        fn the_normal_approximation_is_near_the_exact_one(
            values in prop::collection::vec(-1.0f64..1.0, 20..40),
        ) {
            let exact = mann_kendall(&values, None, Null::Auto).expect("valid");
            let normal = mann_kendall(&values, None, Null::Normal).expect("valid");
            prop_assert_eq!((exact.method, normal.method), (Method::Exact, Method::Normal));
            prop_assert!((exact.p_value - normal.p_value).abs() < 0.005);
        }
    }
}
