//! Checks that every estimator of a history begins with.

use crate::base::channel::{finite, same_length};
use crate::base::{Error, Result};

/// Fewest tests that can show a trend at all: below it no order of the values is improbable, and a
/// line leaves no more than one residual.
pub const FEWEST_TESTS: usize = 4;

/// Refuses a history that is too short, uneven or not finite.
pub(crate) fn check(times: &[f64], values: &[f64]) -> Result<()> {
    same_length(("times", times), ("values", values))?;
    finite("times", times)?;
    finite("values", values)?;
    if values.len() < FEWEST_TESTS {
        return Err(Error::TooFewSamples {
            what: "tests in the history",
            found: values.len(),
            needed: FEWEST_TESTS,
        });
    }
    if times.iter().all(|&t| t == times[0]) {
        return Err(Error::TooFewSamples { what: "distinct dates", found: 1, needed: 2 });
    }
    Ok(())
}

/// `value`, if it is a probability strictly between 0 and 1.
pub(crate) fn confidence(value: f64) -> Result<f64> {
    if value > 0.0 && value < 1.0 {
        return Ok(value);
    }
    Err(Error::BadValue { what: "confidence", value, must: "between 0 and 1" })
}

/// Sizes of the groups of equal values, 1 for a value that stands alone.
pub(crate) fn tie_groups(values: &[f64]) -> Vec<usize> {
    let mut sorted: Vec<f64> = values.iter().map(|v| v + 0.0).collect(); // -0 becomes 0
    sorted.sort_unstable_by(f64::total_cmp);
    let mut groups: Vec<usize> = sorted.chunk_by(|a, b| a == b).map(<[f64]>::len).collect();
    // In a fixed order, so that reversed values give the same bytes.
    groups.sort_unstable();
    groups
}

/// Variance of Kendall's S with ties in either ranking (M. G. Kendall, *Rank Correlation Methods*,
/// 4th ed. 1970, equation 4.3; Gilbert (1987), equation 16.4, where only one ranking has ties).
pub(crate) fn variance_of_s(n: usize, value_ties: &[usize], time_ties: &[usize]) -> f64 {
    let n = n as f64;
    let sum =
        |groups: &[usize], f: fn(f64) -> f64| groups.iter().map(|&g| f(g as f64)).sum::<f64>();
    let full = |g: f64| g * (g - 1.0) * (2.0 * g + 5.0);
    let pairs = |g: f64| g * (g - 1.0);
    let triples = |g: f64| g * (g - 1.0) * (g - 2.0);
    (full(n) - sum(value_ties, full) - sum(time_ties, full)) / 18.0
        + sum(value_ties, triples) * sum(time_ties, triples) / (9.0 * triples(n))
        + sum(value_ties, pairs) * sum(time_ties, pairs) / (2.0 * pairs(n))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn groups_are_counted_whatever_their_order() {
        assert_eq!(tie_groups(&[3.0, 0.0, 3.0, -0.0, 1.0, 3.0]), [1, 2, 3]);
    }

    /// Kendall's formula for ties in both rankings, quoted from memory, against every order.
    #[test]
    fn the_variance_is_what_enumeration_gives() {
        let times = [1.0, 2.0, 2.0, 3.0];
        let values = [1.0, 1.0, 2.0, 3.0];
        let sign = |a: f64, b: f64| f64::from(i8::from(a > b) - i8::from(a < b));
        let (mut sum, mut count) = (0.0, 0.0);
        for code in 0..256_usize {
            let order = [code % 4, code / 4 % 4, code / 16 % 4, code / 64];
            if !(0..4).all(|i| order.contains(&i)) {
                continue;
            }
            let pairs = (0..4).flat_map(|i| (0..i).map(move |j| (i, j)));
            let s: f64 = pairs
                .map(|(i, j)| sign(times[i], times[j]) * sign(values[order[i]], values[order[j]]))
                .sum();
            sum += s * s;
            count += 1.0;
        }
        assert_eq!(count, 24.0);
        let formula = variance_of_s(4, &tie_groups(&values), &tie_groups(&times));
        assert!((sum / count - formula).abs() < 1e-12, "{} against {formula}", sum / count);
    }

    #[test]
    fn unusable_histories_are_refused() {
        assert!(matches!(check(&[1.0], &[]), Err(Error::LengthMismatch { .. })));
        for n in 0..4 {
            let times: Vec<f64> = (0..n).map(f64::from).collect();
            assert!(matches!(check(&times, &times), Err(Error::TooFewSamples { .. })));
        }
        assert!(matches!(check(&[1.0; 5], &[1.0; 5]), Err(Error::TooFewSamples { found: 1, .. })));
        let lost = [1.0, 2.0, f64::NAN, 4.0];
        assert!(matches!(check(&lost, &[1.0; 4]), Err(Error::NotFinite { channel: "times", .. })));
        assert!(matches!(
            check(&[1.0, 2.0, 3.0, 4.0], &lost),
            Err(Error::NotFinite { channel: "values", index: 2, .. })
        ));
        assert!(confidence(1.0).is_err() && confidence(f64::NAN).is_err());
    }
}
