//! Centre and spread of a group, robust against a few that do not belong, and one more against it.

use serde::{Deserialize, Serialize};

use crate::base::channel::same_length;
use crate::base::error::not_negative;
use crate::base::estimate::{t_cdf, welch_satterthwaite};
use crate::base::order::median;
use crate::base::root::root;
use crate::base::{Error, Estimate, Result};

/// Fewest members from which a spread is told. Our own choice: a spread of fewer is so uncertain
/// that only a gross difference could be a finding, and a wrong one costs more than none.
pub const FEWEST_MEMBERS: usize = 6;

/// From here on a deviation counts no more than this many standard deviations.
const CAP: f64 = 1.5;

/// Mean of `min(z², CAP²)` for a standard normal `z`.
const CAPPED_SQUARE: f64 = 0.778_465;

/// Variance of the centre of normal data, relative to that of the mean.
const CENTRE_COST: f64 = 1.037;

/// Degrees of freedom of the spread of normal data, relative to those of the standard deviation:
/// both `CENTRE_COST` and this are the asymptotic variances of Huber's estimates at 1.5.
const SPREAD_WORTH: f64 = 0.725;

/// A group with what measuring adds to its spread taken out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Population {
    /// Number of members.
    pub n: usize,
    /// Robust centre; its uncertainty is that of the centre alone.
    pub centre: Estimate,
    /// Standard deviation between members beyond their uncertainties.
    pub spread: f64,
    /// Degrees of freedom of `spread` squared.
    pub spread_dof: f64,
}

/// Robust centre `m` and spread `τ` of members with stated standard uncertainties.
///
/// Both equations of P. J. Huber's second proposal (Ann. Math. Statist. 35 (1964) 73-101) with
/// `sᵢ² = τ² + uᵢ²` and deviations `zᵢ = (yᵢ - m)/sᵢ` capped at 1.5:
/// `Σ ψ(zᵢ)/sᵢ = 0` and `Σ ψ(zᵢ)² = (n - 1) E ψ²`; `τ = 0` where the uncertainties explain all.
///
/// # Errors
///
/// [`Error::LengthMismatch`]; [`Error::TooFewSamples`] under [`FEWEST_MEMBERS`];
/// [`Error::NotFinite`]; [`Error::BadValue`] for a negative uncertainty, or where all members agree
/// and no uncertainty is stated.
///
/// ```
/// use deadband::condition::population;
/// let open_pa = [60.1, 59.2, 60.8, 59.7, 60.4, 59.9, 45.0]; // one does not belong
/// let found = population(&open_pa, &[0.2; 7])?;
/// assert!((found.centre.value - 60.0).abs() < 0.3 && found.spread < 1.2);
/// assert!(found.compare(45.0, 0.2).p_value < 0.001);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn population(values: &[f64], u: &[f64]) -> Result<Population> {
    let n = values.len();
    same_length(("values", values), ("u", u))?;
    if n < FEWEST_MEMBERS {
        let (what, needed) = ("members of the group", FEWEST_MEMBERS);
        return Err(Error::TooFewSamples { what, found: n, needed });
    }
    for (index, (&value, &u)) in values.iter().zip(u).enumerate() {
        if !value.is_finite() {
            return Err(Error::NotFinite { channel: "the group", index, value });
        }
        not_negative("u of a member", u)?;
    }
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let known = u.iter().map(|u| u * u).sum::<f64>() / n as f64;
    let range = high - low;
    if known == 0.0 && range <= 16.0 * f64::EPSILON * low.abs().max(high.abs()) {
        let must = "above zero; state the uncertainties";
        return Err(Error::BadValue { what: "the spread of the group", value: range, must });
    }
    let at = |square: f64| {
        let sigmas: Vec<f64> = u.iter().map(|u| (square + u * u).sqrt()).collect();
        let centre = centre(values, &sigmas, low, high);
        let capped = values.iter().zip(&sigmas).map(|(y, s)| {
            let z = ((y - centre) / s).clamp(-CAP, CAP);
            z * z
        });
        (centre, capped.sum::<f64>() / (n as f64 - 1.0) / CAPPED_SQUARE, sigmas)
    };
    // A variance so small that it explains nothing, yet never a division of zero by zero.
    let least = 1e-12 * (known + range * range);
    let square = if at(least).1 <= 1.0 {
        0.0
    } else {
        root(|square| at(square).1 - 1.0, least, range * range + least).unwrap_or(range * range)
    };
    let (centre, _, sigmas) = at(square.max(least));
    let weight: f64 = sigmas.iter().map(|s| 1.0 / (s * s)).sum();
    let dof = SPREAD_WORTH * (n as f64 - 1.0);
    // The middle one: a single member of huge uncertainty says nothing of how well the spread of
    // the others is known.
    let mut squares: Vec<f64> = u.iter().map(|u| u * u).collect();
    let share = square / (square + median(&mut squares).unwrap_or(known));
    let share = if share.is_finite() { share } else { 1.0 };
    let centre = Estimate { value: centre, u: (CENTRE_COST / weight).sqrt(), dof };
    let spread_dof = dof * share * share;
    let numbers = [known, centre.value, centre.u, square, spread_dof];
    if numbers.iter().all(|number| number.is_finite()) {
        return Ok(Population { n, centre, spread: square.sqrt(), spread_dof });
    }
    let must = "finite; mind the units";
    Err(Error::BadValue { what: "the spread of the group", value: square, must })
}

/// Where the capped deviations balance.
fn centre(values: &[f64], sigmas: &[f64], low: f64, high: f64) -> f64 {
    let pull = |m: f64| -> f64 {
        values.iter().zip(sigmas).map(|(y, s)| ((y - m) / s).clamp(-CAP, CAP) / s).sum()
    };
    root(pull, low, high).unwrap_or(low)
}

/// One more against a group.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Compared {
    /// It minus the centre; the uncertainty holds the group's spread as well.
    pub difference: Estimate,
    /// Probability of a difference at least as large, either way, for one that belongs.
    pub p_value: f64,
}

impl Population {
    /// Compares one that is not of the group: `t = (y - m)/√(u² + τ² + u(m)²)`, Student's t with
    /// the effective degrees of freedom of the three (Welch and Satterthwaite).
    pub fn compare(&self, value: f64, u: f64) -> Compared {
        let parts =
            [(u, f64::INFINITY), (self.spread, self.spread_dof), (self.centre.u, self.centre.dof)];
        let u = parts.iter().fold(0.0_f64, |total, (u, _)| total.hypot(*u));
        let dof = welch_satterthwaite(parts.map(|(part, dof)| (part / u, dof)));
        let difference = Estimate { value: value - self.centre.value, u, dof };
        let t = difference.value / u;
        Compared { difference, p_value: 2.0 * t_cdf(-t.abs(), difference.dof) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    /// Share of members of the group itself that are flagged at 1 %, over many groups.
    fn alarms(n: usize, spread: f64, u: f64, strays: usize, runs: u32) -> f64 {
        let mut rng = ChaCha8Rng::seed_from_u64(20_260_131 + n as u64);
        let mut draw = |sd: f64| sd * rng.sample::<f64, _>(StandardNormal);
        let mut flagged = 0;
        for _ in 0..runs {
            let mut values: Vec<f64> = (0..n).map(|_| draw(spread) + draw(u)).collect();
            for stray in values.iter_mut().take(strays) {
                *stray += 30.0;
            }
            let found = population(&values, &vec![u; n]).expect("valid");
            let one = draw(spread) + draw(u);
            flagged += u32::from(found.compare(one, u).p_value <= 0.01);
        }
        f64::from(flagged) / f64::from(runs)
    }

    #[test]
    fn one_that_belongs_is_flagged_at_the_stated_rate() {
        for (n, spread, u) in
            [(6, 1.0, 0.0), (6, 1.0, 1.0), (6, 0.0, 1.0), (12, 1.0, 0.5), (40, 1.0, 0.2)]
        {
            let share = alarms(n, spread, u, 0, 6000);
            assert!(share < 0.015, "{n} members, spread {spread}, u {u}: {share}");
            assert!(share > 0.001, "{n} members, spread {spread}, u {u}: {share}");
        }
        // A fifth that does not belong makes the group look a little wider, never the rest worse.
        assert!(alarms(20, 1.0, 0.5, 4, 2000) < 0.01);
    }

    #[test]
    fn strays_hide_neither_themselves_nor_others() {
        let mut values: Vec<f64> = (0..18).map(|i| 60.0 + 0.1 * f64::from(i % 5)).collect();
        values.extend([40.0, 41.0, 80.0]);
        let found = population(&values, &[0.05; 21]).expect("valid");
        assert!((found.centre.value - 60.2).abs() < 0.1, "{found:?}");
        assert!(found.spread < 0.4, "{found:?}");
        assert!(found.compare(57.0, 0.05).p_value < 0.001);
    }

    /// Two of twelve are off, one of them known as badly as a switch that sticks is.
    #[test]
    fn a_member_of_huge_uncertainty_hides_no_other() {
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let mut draw = |sd: f64| sd * rng.sample::<f64, _>(StandardNormal);
        for sticking in [0, 1, 2] {
            let (mut found, mut wrong) = (0, 0);
            for _ in 0..1000 {
                let mut values: Vec<f64> = (0..11).map(|_| draw(0.3)).collect();
                let mut u = vec![0.2; 11];
                for k in 0..sticking {
                    (values[k], u[k]) = (2.0, 2.0);
                }
                let others = population(&values, &u).expect("valid");
                assert!(others.spread_dof.is_finite());
                found += u32::from(others.compare(-8.0, 0.2).p_value <= 0.01);
                wrong += u32::from(others.compare(draw(0.3), 0.2).p_value <= 0.01);
            }
            println!("{sticking}: found {found}, wrong {wrong} of 1000");
            assert!(found > 990, "{sticking}: {found}");
            assert!(wrong < 20, "{sticking}: {wrong}");
        }
    }

    #[test]
    fn small_broken_and_empty_groups_are_errors() {
        assert!(matches!(population(&[1.0; 5], &[1.0; 5]), Err(Error::TooFewSamples { .. })));
        assert!(matches!(population(&[1.0; 7], &[1.0; 6]), Err(Error::LengthMismatch { .. })));
        assert!(matches!(population(&[5.0; 7], &[0.0; 7]), Err(Error::BadValue { .. })));
        assert!(matches!(population(&[5.0; 7], &[-1.0; 7]), Err(Error::BadValue { .. })));
        let mut lost = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
        lost[2] = f64::NAN;
        assert!(matches!(population(&lost, &[1.0; 6]), Err(Error::NotFinite { index: 2, .. })));
        let equal = population(&[5.0; 7], &[0.1; 7]).expect("uncertainties are stated");
        assert_eq!((equal.centre.value, equal.spread), (5.0, 0.0));
    }

    proptest! {
        #[test]
        fn shift_and_scale_change_nothing_but_units(
            values in prop::collection::vec(-5.0f64..5.0, 6..20),
            u in 0.0f64..1.0, shift in -1e3f64..1e3, scale in 1e-3f64..1e3,
        ) {
            let one = population(&values, &vec![u; values.len()]).expect("valid");
            let moved: Vec<f64> = values.iter().map(|v| scale * (v + shift)).collect();
            let other = population(&moved, &vec![scale * u; values.len()]).expect("valid");
            let near = |a: f64, b: f64| (a - b).abs() <= 1e-6 * (1.0 + a.abs().max(b.abs()));
            prop_assert!(near(other.centre.value / scale - shift, one.centre.value));
            prop_assert!(near(other.spread / scale, one.spread));
            prop_assert!(near(other.centre.u / scale, one.centre.u));
        }
    }
}
