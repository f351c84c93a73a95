//! How well a test repeats, against the other switches of its model.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, FisherSnedecor, Gamma};
use statrs::function::gamma::digamma;

use super::change::{Side, p_text};
use super::others::Others;
use crate::base::order::median;
use crate::base::root::root;
use crate::base::{Error, Estimate, Result};

/// How one test repeats: sums over its changes about the mean of their direction.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Repeats {
    /// Variance from change to change, Pa².
    pub variance: f64,
    /// Mean variance that measuring makes, Pa².
    pub known: f64,
    /// Degrees of freedom of `variance`.
    pub dof: f64,
    /// Size of the pressures, Pa.
    pub level_pa: f64,
}

/// The scatter of a test against that of its model.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Scatter {
    /// Number of other switches.
    pub n: usize,
    /// Standard deviation from change to change beyond what measuring makes, Pa, with the
    /// degrees of freedom of the whole.
    pub sd_pa: Estimate,
    /// 95 % interval of that standard deviation, Pa.
    pub interval_pa: (f64, f64),
    /// The same standard deviation for the model, Pa.
    pub model_pa: f64,
    /// Probability of a scatter at least as large for a switch of the model.
    pub p_value: f64,
    /// Large enough and improbable enough.
    pub flagged: bool,
    /// Unsafe where flagged: some of its changes come at less draft than the mean that a verdict
    /// speaks of.
    pub side: Side,
}

/// Compares the scatter of tests with that of the other switches of their model.
///
/// With `s²` the variance of a test's changes about the means of their directions, `v` what
/// measuring makes of it and `ν` its degrees of freedom, `s²/(τ² + v)` follows F with `ν` and `d`
/// degrees of freedom for a switch of the model. `τ²` is the model's: the one at which half of the
/// tests lie below the middle of chi-squared. `d` tells how much its switches differ in how well they
/// repeat: the spread of `ln s²` between the other switches beyond what `ν` explains, `ψ'(ν/2)`, is
/// `ψ'(d/2)` (G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004) article 3), by [`population()`](super::population::population());
/// infinite where nothing is beyond. One-sided; flagged at `p <= alpha` and a standard deviation of
/// at least `least_share` of the pressure.
///
/// # Errors
///
/// For each test, as in [`offsets()`](super::offsets()); [`Error::MissingValue`] also where no direction changed
/// twice.
///
/// ```
/// use deadband::condition::{Repeats, scatters};
/// let repeats = |variance| Some(Repeats { variance, known: 0.01, dof: 8.0, level_pa: 60.0 });
/// let mut tests: Vec<_> = (0..9).map(|k| (k, repeats(0.06 + 0.01 * k as f64))).collect();
/// tests.push((9, repeats(4.0)));
/// let found = scatters(&tests, 0.01, 0.01);
/// assert!(found[9].as_ref().is_ok_and(|one| one.flagged && one.p_value < 0.001));
/// assert!(found[..9].iter().flatten().all(|one| !one.flagged));
/// ```
pub fn scatters(
    tests: &[(usize, Option<Repeats>)],
    alpha: f64,
    least_share: f64,
) -> Vec<Result<Scatter>> {
    let told = |repeats: Option<Repeats>| {
        repeats.filter(|r| {
            let numbers = [r.variance, r.known, r.dof, r.level_pa];
            numbers.iter().all(|v| v.is_finite() && *v >= 0.0) && r.dof > 0.0
        })
    };
    let known: Vec<(usize, Repeats)> =
        tests.iter().filter_map(|&(switch, r)| told(r).map(|r| (switch, r))).collect();
    let typical = typical(&known);
    let members: Vec<(usize, f64, f64)> = known
        .iter()
        .map(|(switch, r)| (*switch, r.log_score(typical), trigamma(0.5 * r.dof).sqrt()))
        .collect();
    let others = Others::of(&members);
    let one = |&(switch, repeats): &(usize, Option<Repeats>)| {
        let what = "a direction with two changes";
        let repeats = told(repeats).ok_or(Error::MissingValue { what })?;
        let others = others.of_switch(switch)?;
        let p_value = repeats.tail(typical, likeness(others.spread));
        let sd = (repeats.variance - repeats.known).max(0.0).sqrt();
        let flagged = p_value <= alpha && sd >= least_share * repeats.level_pa && sd > 0.0;
        let (low, high) = repeats.interval();
        Ok(Scatter {
            n: others.n,
            sd_pa: Estimate { value: sd, u: (high - low) / 3.92, dof: repeats.dof },
            interval_pa: (low, high),
            model_pa: typical.sqrt(),
            p_value,
            flagged,
            side: if flagged { Side::Unsafe } else { Side::None },
        })
    };
    tests.iter().map(one).collect()
}

/// The variance beyond measuring at which half of the tests lie below the middle of chi-squared.
fn typical(known: &[(usize, Repeats)]) -> f64 {
    let middle = |square: f64| {
        let mut below: Vec<f64> =
            known.iter().map(|(_, r)| 0.5 - r.tail(square, f64::INFINITY)).collect();
        median(&mut below).unwrap_or(0.0)
    };
    let most = known.iter().map(|(_, r)| r.variance).fold(0.0, f64::max);
    if middle(0.0) <= 0.0 {
        return 0.0;
    }
    root(middle, 0.0, 100.0 * most).unwrap_or(most)
}

/// Degrees of freedom `d` with `ψ'(d/2)` the spread squared.
fn likeness(spread: f64) -> f64 {
    let square = spread * spread;
    // Beyond, the law is that of chi-squared to four digits.
    if square <= trigamma(0.5 * 1e6) {
        return f64::INFINITY;
    }
    let gap = |log: f64| trigamma(0.5 * log.exp()) - square;
    root(gap, 0.05_f64.ln(), 1e6_f64.ln()).map_or(0.05, f64::exp)
}

/// Second derivative of `ln Γ`: recurrence up to 10, then the asymptotic series (Abramowitz and
/// Stegun, 6.4.6 and 6.4.12).
fn trigamma(x: f64) -> f64 {
    let (mut x, mut sum) = (x, 0.0);
    while x < 10.0 {
        sum += 1.0 / (x * x);
        x += 1.0;
    }
    let square = 1.0 / (x * x);
    let series = 1.0 / 6.0 - square * (1.0 / 30.0 - square * (1.0 / 42.0 - square / 30.0));
    sum + 1.0 / x + 0.5 * square + series * square / x
}

impl Repeats {
    /// `ln` of the scatter over what is expected, if the variance beyond measuring is `square`,
    /// minus its mean for a switch of the model.
    fn log_score(&self, square: f64) -> f64 {
        let expected = square + self.known;
        if expected == 0.0 {
            return 0.0;
        }
        let half = 0.5 * self.dof;
        (self.variance / expected).clamp(1e-9, 1e9).ln() - (digamma(half) - half.ln())
    }

    /// Probability of so large a scatter if the variance beyond measuring is `square`, for switches
    /// that repeat as alike as `like` degrees of freedom.
    fn tail(&self, square: f64, like: f64) -> f64 {
        let expected = square + self.known;
        if self.variance <= 0.0 {
            return 1.0;
        }
        let ratio = self.variance / expected;
        if !ratio.is_finite() {
            return 0.0;
        }
        let half = 0.5 * self.dof;
        if like.is_finite() {
            return FisherSnedecor::new(self.dof, like).map_or(1.0, |law| law.sf(ratio));
        }
        Gamma::new(half, 1.0).map_or(1.0, |law| law.sf(half * ratio))
    }

    /// 95 % interval of the standard deviation beyond measuring, from chi-squared.
    fn interval(&self) -> (f64, f64) {
        let half = 0.5 * self.dof;
        let Ok(law) = Gamma::new(half, 1.0) else { return (0.0, f64::INFINITY) };
        let end = |p: f64| (half * self.variance / law.inverse_cdf(p) - self.known).max(0.0).sqrt();
        (end(0.975), end(0.025))
    }
}

impl Scatter {
    /// The finding in words.
    pub fn sentence(&self) -> String {
        let fact = format!(
            "From change to change it scatters by {:.2} Pa, its model by {:.2} Pa ({} other switches, {})",
            self.sd_pa.value,
            self.model_pa,
            self.n,
            p_text(self.p_value)
        );
        let meaning = if self.flagged {
            "it repeats worse than its like, and some of its changes come at less draft than the mean: the unsafe side"
        } else {
            "no worse than its like"
        };
        format!("{fact}: {meaning}.")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exact_repeats_do_not_break_the_scores() {
        let still = Repeats { variance: 0.0, known: 0.0, dof: 4.0, level_pa: 60.0 };
        let tests: Vec<_> = (0..8).map(|k| (k, Some(still))).collect();
        let found = scatters(&tests, 0.01, 0.01);
        assert!(found.iter().flatten().all(|one| !one.flagged && one.sd_pa.value == 0.0));
        assert!(found.iter().all(|one| one.as_ref().is_ok_and(|one| one.sd_pa.u.is_finite())));
    }

    #[test]
    fn laws_are_those_of_the_tables() {
        // P(chi-squared of 4 > 9.488) = 0.05, its 0.025 and 0.975 quantiles 0.4844 and 11.143;
        // P(F of 4 and 10 > 3.478) = 0.05 (all tabulated).
        let repeats = Repeats { variance: 9.4877 / 4.0, known: 0.5, dof: 4.0, level_pa: 60.0 };
        assert!((repeats.tail(0.5, f64::INFINITY) - 0.05).abs() < 1e-5);
        let f = Repeats { variance: 3.478, ..repeats };
        assert!((f.tail(0.5, 10.0) - 0.05).abs() < 1e-4);
        let (low, high) = Repeats { known: 0.0, variance: 1.0, ..repeats }.interval();
        assert!((low - (4.0_f64 / 11.143).sqrt()).abs() < 1e-3);
        assert!((high - (4.0_f64 / 0.4844).sqrt()).abs() < 1e-3);
        // The second derivative of ln gamma at 1 is pi^2/6, at 1/2 pi^2/2.
        let pi2 = std::f64::consts::PI.powi(2);
        assert!((trigamma(1.0) - pi2 / 6.0).abs() < 1e-10);
        assert!((trigamma(0.5) - pi2 / 2.0).abs() < 1e-10);
        assert!((likeness(trigamma(3.5).sqrt()) - 7.0).abs() < 1e-6);
        assert_eq!(likeness(0.0), f64::INFINITY);
    }
}
