//! How well a switch repeats within one test: scatter of its changes about those of their kind.

use crate::base::line::excess::Dof;
use crate::base::root::root;

/// What is known of the scatter before the test's own changes are seen.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Prior {
    /// Standard deviation from change to change, Pa.
    pub sd_pa: f64,
    /// Degrees of freedom that it counts for.
    pub dof: f64,
}

/// Scatter from change to change beyond the known uncertainties, several kinds sharing it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Repeat {
    /// Variance beyond the known ones, Pa².
    pub(crate) variance: f64,
    /// Degrees of freedom behind it.
    pub(crate) dof: f64,
}

/// Finds the variance `τ²` at which the weighted sum of squares has its expected value,
/// `Σ (y - ȳ)²/(v + τ²) + d (s² + v̄)/(v̄ + τ²) = ν + d`: the moments of Paule and Mandel, the
/// residual degrees of freedom `ν` pooled over the kinds, and a prior standard deviation `s` as
/// good as `d` degrees of freedom. Zero where the left side is smaller already.
///
/// `kinds` hold pairs of value and known variance. `None` where neither data nor prior give any
/// degree of freedom, or nothing leaves any variance.
pub(crate) fn repeat(kinds: &[Vec<(f64, f64)>], prior: Option<Prior>) -> Option<Repeat> {
    let (mut nu, mut known, mut n, mut squares) = (0.0, 0.0, 0.0, 0.0);
    for kind in kinds {
        nu += (kind.len() as f64 - 1.0).max(0.0);
        n += kind.len() as f64;
        known += kind.iter().map(|(_, v)| v).sum::<f64>();
        squares += misfit(kind, 1.0, true);
    }
    known = if n > 0.0 { known / n } else { 0.0 };
    let prior = prior.filter(|p| p.sd_pa > 0.0 && p.dof > 0.0);
    let (square, weight) = prior.map_or((0.0, 0.0), |p| (p.sd_pa * p.sd_pa, p.dof));
    let all = nu + weight;
    let level = kinds.iter().flatten().map(|(y, _)| y * y).fold(0.0, f64::max);
    let rounding = (16.0 * f64::EPSILON).powi(2) * level * nu;
    let nothing = known == 0.0 && squares <= rounding && square == 0.0;
    if !(all > 0.0 && all.is_finite() && squares.is_finite()) || nothing {
        return None;
    }
    let total = |excess: f64| {
        let own: f64 = kinds.iter().map(|kind| misfit(kind, excess, false)).sum();
        own + if weight > 0.0 { weight * (square + known) / (known + excess) } else { 0.0 }
    };
    let start = total(0.0) / all;
    if start <= 1.0 {
        return Some(Repeat { variance: 0.0, dof: Dof::Wider.of(all, start) });
    }
    // Nothing known: the sum of squares itself, without a search from an infinite start.
    let lowest = if start.is_finite() { 0.0 } else { 1e-9 * (squares + square) / all };
    let highest = 2.0 * (squares + weight * square) / all + 2.0 * known + square;
    let found = root(|excess| total(excess) / all - 1.0, lowest, highest)?;
    Some(Repeat { variance: found, dof: all })
}

/// Sum of squares about the mean; with weights `1/(v + excess)`, or plain.
fn misfit(kind: &[(f64, f64)], excess: f64, plain: bool) -> f64 {
    let weight = |v: f64| if plain { 1.0 } else { 1.0 / (v + excess) };
    if kind.len() < 2 {
        return 0.0;
    }
    let mean = weighted_mean(kind, weight).0;
    kind.iter().map(|(y, v)| (y - mean).powi(2) * weight(*v)).sum()
}

/// Weighted mean and the sum of the weights.
pub(crate) fn weighted_mean(kind: &[(f64, f64)], weight: impl Fn(f64) -> f64) -> (f64, f64) {
    let first = kind.first().map_or(0.0, |(y, _)| *y);
    let (mut total, mut moment) = (0.0, 0.0);
    for (y, v) in kind {
        let w = weight(*v);
        total += w;
        moment += w * (y - first);
    }
    (first + moment / total, total)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn nothing_to_go_by_is_none() {
        assert_eq!(repeat(&[], None), None);
        assert_eq!(repeat(&[vec![(60.0, 0.1)]], None), None);
        assert_eq!(repeat(&[vec![(60.0, 0.0), (60.0, 0.0)]], None), None);
        let prior = Prior { sd_pa: 0.5, dof: 3.0 };
        let found = repeat(&[vec![(60.0, 0.0)]], Some(prior)).expect("the prior is enough");
        assert!((found.variance - 0.25).abs() < 1e-9 && found.dof == 3.0);
    }

    #[test]
    fn scatter_that_is_stated_already_leaves_no_excess() {
        let found = repeat(&[vec![(60.0, 1.0), (60.1, 1.0), (59.9, 1.0)]], None).expect("valid");
        assert_eq!((found.variance, found.dof), (0.0, f64::INFINITY));
    }

    proptest! {
        /// Exact readings: the pooled variance of the textbook, the prior as so many more.
        #[test]
        fn exact_readings_give_the_pooled_variance(
            one in prop::collection::vec(-3.0f64..3.0, 2..7),
            other in prop::collection::vec(-3.0f64..3.0, 1..7),
            sd in 0.2f64..2.0, dof in 0.5f64..6.0,
        ) {
            let square = |v: &[f64]| {
                let mean = v.iter().sum::<f64>() / v.len() as f64;
                v.iter().map(|x| (x - mean).powi(2)).sum::<f64>()
            };
            let kinds: Vec<Vec<(f64, f64)>> = [&one, &other]
                .map(|kind| kind.iter().map(|&y| (y, 0.0)).collect()).to_vec();
            let nu = (one.len() + other.len() - 2) as f64;
            let sum = square(&one) + square(&other);
            prop_assume!(sum > 1e-6);
            let plain = repeat(&kinds, None).expect("valid");
            prop_assert!((plain.variance / (sum / nu) - 1.0).abs() < 1e-9);
            prop_assert_eq!(plain.dof, nu);
            let told = repeat(&kinds, Some(Prior { sd_pa: sd, dof })).expect("valid");
            let expected = (sum + dof * sd * sd) / (nu + dof);
            prop_assert!((told.variance / expected - 1.0).abs() < 1e-9);
            prop_assert!((told.dof - nu - dof).abs() < 1e-12);
        }
    }
}
