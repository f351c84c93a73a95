//! Exact distribution of Kendall's S when there is no trend.

/// Largest number of observations for which the exact distribution is computed.
pub const EXACT_LIMIT: usize = 40;

/// Distribution of S under no trend, with ties in at most one of the two rankings.
///
/// With groups of `g₁, g₂, …` tied observations, `S = N - 2 I`, where `N` is the number of untied
/// pairs and `I` the number of inversions. `I` is a sum of independent Mann-Whitney counts, each
/// group against all before it (T. J. Terpstra, Indag. Math. 14 (1952) 327-333), and the counts of
/// one Mann-Whitney statistic are the coefficients of a Gaussian binomial, built in integers.
/// Without ties this is the distribution of M. G. Kendall, Biometrika 30 (1938) 81-93.
#[derive(Debug, Clone)]
pub(crate) struct KendallNull {
    /// Probability of each number of inversions.
    probabilities: Vec<f64>,
}

impl KendallNull {
    /// For these group sizes; a size of 1 is an untied observation.
    pub(crate) fn new(groups: &[usize]) -> Self {
        let mut probabilities = vec![1.0];
        let mut before = 0;
        for &size in groups {
            let counts = gaussian_binomial(before, size);
            let total: i64 = counts.iter().sum();
            let mut next = vec![0.0; probabilities.len() + counts.len() - 1];
            for (i, p) in probabilities.iter().enumerate() {
                for (j, &count) in counts.iter().enumerate() {
                    next[i + j] += p * (count as f64 / total as f64);
                }
            }
            probabilities = next;
            before += size;
        }
        Self { probabilities }
    }

    /// Number of untied pairs, the largest S.
    pub(crate) fn pairs(&self) -> usize {
        self.probabilities.len() - 1
    }

    /// Probability of an absolute value of S of `least` or more.
    pub(crate) fn two_sided(&self, least: usize) -> f64 {
        let pairs = self.pairs();
        if least == 0 {
            return 1.0;
        }
        if least > pairs {
            return 0.0;
        }
        let inversions = (pairs - least) / 2;
        let tail: f64 = self.probabilities[..=inversions].iter().sum();
        (2.0 * tail).min(1.0)
    }

    /// Smallest bound that S keeps within, either way, with probability `confidence` or more, and
    /// that probability.
    pub(crate) fn bound(&self, confidence: f64) -> (usize, f64) {
        let pairs = self.pairs();
        let mut outside = 0.0;
        for (inversions, p) in self.probabilities.iter().enumerate() {
            outside += 2.0 * p;
            let bound = pairs.saturating_sub(2 * inversions);
            if outside > 1.0 - confidence || bound < 2 {
                return (bound, 1.0 - (outside - 2.0 * p));
            }
        }
        (0, 1.0)
    }
}

/// Coefficients of the Gaussian binomial `[a + b over b]`: the number of ways to `u` inversions
/// between `b` observations and `a` others.
///
/// `∏ (1 - q^(a+i)) / (1 - q^i)`, i = 1 … b; after each factor the polynomial is whole again, and
/// below [`EXACT_LIMIT`] no coefficient comes near the limit of an integer.
fn gaussian_binomial(a: usize, b: usize) -> Vec<i64> {
    let mut counts = vec![0_i64; a * b + 1];
    counts[0] = 1;
    for i in 1..=b {
        for u in (a + i..counts.len()).rev() {
            counts[u] -= counts[u - a - i];
        }
        for u in i..counts.len() {
            counts[u] += counts[u - i];
        }
    }
    counts
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Every distinct order of a multiset of ranks, by Heap's method on its positions.
    fn orders(items: &mut Vec<usize>, k: usize, visit: &mut impl FnMut(&[usize])) {
        if k <= 1 {
            visit(items);
            return;
        }
        for i in 0..k {
            orders(items, k - 1, visit);
            items.swap(if k.is_multiple_of(2) { i } else { 0 }, k - 1);
        }
    }

    fn inversions(items: &[usize]) -> usize {
        (0..items.len())
            .map(|i| items[i + 1..].iter().filter(|&&later| later < items[i]).count())
            .sum()
    }

    /// Kendall (1938); the upper-tail probabilities P(S >= s) for n = 4, 5 and 8 as in Gilbert
    /// (1987), table A18: n = 4: S = 4: 0.167, 6: 0.042; n = 5: S = 8: 0.042, 10: 0.0083; n = 8:
    /// S = 16: 0.031, 20: 0.0071 (from memory of the source, confirmed by enumeration below).
    #[test]
    fn published_tails_are_reproduced() {
        for (n, s, tail, slack) in [
            (4, 4, 0.167, 5e-4),
            (4, 6, 0.042, 5e-4),
            (5, 8, 0.042, 5e-4),
            (5, 10, 0.0083, 5e-5),
            (8, 16, 0.031, 5e-4),
            (8, 20, 0.0071, 5e-5),
        ] {
            let null = KendallNull::new(&vec![1; n]);
            assert!((null.two_sided(s) / 2.0 - tail).abs() <= slack, "n = {n}, S = {s}");
        }
    }

    #[test]
    fn the_largest_case_is_a_distribution() {
        let null = KendallNull::new(&[1; EXACT_LIMIT]);
        assert!((null.probabilities.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        let n = EXACT_LIMIT as f64;
        let variance: f64 = null
            .probabilities
            .iter()
            .enumerate()
            .map(|(i, p)| (null.pairs() as f64 - 2.0 * i as f64).powi(2) * p)
            .sum();
        assert!((variance / (n * (n - 1.0) * (2.0 * n + 5.0) / 18.0) - 1.0).abs() < 1e-12);
        let halves = gaussian_binomial(20, 20);
        assert_eq!(halves.iter().sum::<i64>(), 137_846_528_820); // 40 choose 20
    }

    #[test]
    fn the_bound_is_the_smallest_that_suffices() {
        let null = KendallNull::new(&[1; 7]);
        for confidence in [0.5, 0.9, 0.93, 0.95, 0.99, 0.9999] {
            let (bound, achieved) = null.bound(confidence);
            assert!(achieved >= confidence);
            assert!((achieved - (1.0 - null.two_sided(bound + 2))).abs() < 1e-14);
            assert!(bound < 2 || 1.0 - null.two_sided(bound) < confidence);
        }
        assert_eq!(KendallNull::new(&[1; 4]).bound(0.95).0, 6);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]
        #[test]
        fn it_is_what_enumeration_counts(
            groups in prop_oneof![
                prop::collection::vec(Just(1_usize), 1..8),
                prop::collection::vec(1_usize..4, 1..3),
                prop::collection::vec(1_usize..3, 1..4),
            ],
        ) {
            let n: usize = groups.iter().sum();
            let mut items: Vec<usize> =
                groups.iter().enumerate().flat_map(|(g, &size)| vec![g; size]).collect();
            let null = KendallNull::new(&groups);
            let mut counts = vec![0_u32; null.pairs() + 1];
            let mut total = 0_u32;
            orders(&mut items, n, &mut |order| {
                counts[inversions(order)] += 1;
                total += 1;
            });
            for (count, p) in counts.iter().zip(&null.probabilities) {
                prop_assert!((f64::from(*count) / f64::from(total) - p).abs() < 1e-12);
            }
        }
    }
}
