//! Sticking: the first cycle of a test against the later ones.

use serde::{Deserialize, Serialize};

use super::change::{Change, Side, p_text};
use crate::base::error::not_negative;
use crate::base::estimate::t_cdf;
use crate::base::line::{LineConfig, line};
use crate::base::{Error, Estimate, Result};

/// When a difference is called sticking.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StickingConfig {
    /// Largest p-value at which a difference is flagged.
    pub alpha: f64,
    /// Smallest difference worth a flag, Pa.
    pub least_pa: f64,
}

impl Default for StickingConfig {
    fn default() -> Self {
        Self { alpha: 0.01, least_pa: 0.0 }
    }
}

/// The first change of a direction against the later ones.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sticking {
    /// Direction: the closings (`true`) or the openings.
    pub close: bool,
    /// Number of changes of this direction.
    pub n: usize,
    /// Pressure at the first change, Pa.
    pub first_pa: f64,
    /// Weighted mean of the later ones, Pa.
    pub later: Estimate,
    /// First minus later, Pa.
    pub shift: Estimate,
    /// Excess scatter from cycle to cycle, Pa (standard deviation beyond the stated uncertainties).
    pub scatter_pa: f64,
    /// Probability of a shift at least as large, either way, if the first cycle were like the rest.
    pub p_value: f64,
    /// Large enough and improbable enough.
    pub flagged: bool,
    /// Unsafe where the first change came at a lower pressure, nuisance where it came at a higher.
    pub side: Side,
}

/// Compares the first change of one direction with the later ones of the same direction.
///
/// A switch at rest for months sticks; once moved it is free. Its first opening then comes at a
/// lower pressure than the later ones (unsafe: the contact stays made too long), its first closing
/// at a higher one (nuisance). A technician who cycles the switch before the test removes the
/// evidence.
///
/// The mean of the later changes weights each by `1/(u² + excess)`, the excess found by Paule and
/// Mandel's moments; `shift = first - mean`, with the excess in the first as in the others; the
/// p-value is Student's t with [`crate::base::line::Dof::Wider`] degrees of freedom. The same as a line through
/// a marker of the first cycle, and computed so.
///
/// Changes are ordered by `cycle`; within a cycle the order given stands.
///
/// # Errors
///
/// [`Error::TooFewSamples`] under 3 changes of the direction; those of [`Change::validated`];
/// [`Error::BadValue`] for an option out of range, or where every `u_pa` is zero and the later
/// changes agree exactly.
///
/// ```
/// use deadband::condition::{Change, Side, StickingConfig, sticking};
/// let opened = |cycle, pressure_pa| Change {
///     close: false, cycle, pressure_pa, u_pa: 0.2, bounces: 0, time_width_s: 0.1,
/// };
/// let test = [opened(1, 51.0), opened(2, 60.1), opened(3, 59.8), opened(4, 60.0)];
/// let found = sticking(&test, false, &StickingConfig::default())?;
/// assert!(found.flagged && found.side == Side::Unsafe);
/// assert!((found.shift.value + 8.97).abs() < 0.01);
/// println!("{}", found.sentence());
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn sticking(changes: &[Change], close: bool, config: &StickingConfig) -> Result<Sticking> {
    not_negative("alpha", config.alpha)?;
    not_negative("least_pa", config.least_pa)?;
    let mut same = Vec::new();
    for (index, change) in changes.iter().enumerate().filter(|(_, c)| c.close == close) {
        same.push(change.validated(index)?);
    }
    if same.len() < 3 {
        let what = if close { "closings of the contact" } else { "openings of the contact" };
        return Err(Error::TooFewSamples { what, found: same.len(), needed: 3 });
    }
    same.sort_by_key(|change| change.cycle);
    let marker: Vec<f64> = (0..same.len()).map(|i| if i == 0 { 1.0 } else { 0.0 }).collect();
    let pressure: Vec<f64> = same.iter().map(|c| c.pressure_pa).collect();
    let u: Vec<f64> = same.iter().map(|c| c.u_pa).collect();
    let fit = line(&marker, &pressure, &u, &[], &LineConfig::default())?;
    let shift = fit.slope;
    let p_value = 2.0 * t_cdf(-(shift.value / shift.u).abs(), shift.dof);
    let flagged = p_value <= config.alpha && shift.value.abs() >= config.least_pa;
    Ok(Sticking {
        close,
        n: same.len(),
        first_pa: pressure[0],
        later: fit.intercept,
        shift,
        scatter_pa: fit.excess_variance.sqrt(),
        p_value,
        flagged,
        side: match (flagged, shift.value < 0.0) {
            (false, _) => Side::None,
            (true, true) => Side::Unsafe,
            (true, false) => Side::Nuisance,
        },
    })
}

impl Sticking {
    /// The finding in words.
    pub fn sentence(&self) -> String {
        let event = if self.close { "closing" } else { "opening" };
        let way = if self.shift.value < 0.0 { "below" } else { "above" };
        let fact = format!(
            "The first {event} came {:.2} Pa {way} the later ones (u {:.2} Pa, {})",
            self.shift.value.abs(),
            self.shift.u,
            p_text(self.p_value)
        );
        let meaning = match (self.side, self.close) {
            (Side::None, _) => "no evidence of sticking",
            (Side::Unsafe, false) => {
                "the contact sticks and stays made on too little draft: the unsafe side"
            }
            (Side::Unsafe, true) => {
                "after rest the contact makes on too little draft: the unsafe side"
            }
            (Side::Nuisance, false) => {
                "after rest the contact breaks early: a cause of needless lockouts"
            }
            (Side::Nuisance, true) => {
                "the switch sticks and wants more draft to close: a cause of needless lockouts"
            }
        };
        format!("{fact}: {meaning}.")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn change(close: bool, cycle: i32, pressure_pa: f64, u_pa: f64) -> Change {
        Change { close, cycle, pressure_pa, u_pa, bounces: 0, time_width_s: 0.1 }
    }

    #[test]
    fn every_side_has_its_own_words() {
        for (close, first, side, word) in [
            (false, 50.0, Side::Unsafe, "stays made"),
            (false, 70.0, Side::Nuisance, "breaks early"),
            (true, 50.0, Side::Unsafe, "too little draft"),
            (true, 70.0, Side::Nuisance, "more draft"),
            (true, 60.1, Side::None, "no evidence"),
        ] {
            let mut test = vec![change(close, 1, first, 0.2), change(!close, 1, 0.0, 0.2)];
            test.extend((2..7).map(|c| change(close, c, 60.0 + 0.1 * f64::from(c % 2), 0.2)));
            let found = sticking(&test, close, &StickingConfig::default()).expect("valid");
            assert_eq!((found.side, found.flagged), (side, side != Side::None));
            assert!(found.sentence().contains(word), "{}", found.sentence());
        }
    }

    #[test]
    fn two_cycles_are_too_few_and_bad_numbers_are_errors() {
        let config = StickingConfig::default();
        let two = [change(true, 1, 60.0, 0.1), change(true, 2, 61.0, 0.1)];
        assert!(matches!(
            sticking(&two, true, &config),
            Err(Error::TooFewSamples { found: 2, needed: 3, .. })
        ));
        assert!(matches!(sticking(&[], true, &config), Err(Error::TooFewSamples { found: 0, .. })));
        let equal = [change(true, 1, 60.0, 0.0); 4];
        assert!(matches!(sticking(&equal, true, &config), Err(Error::BadValue { .. })));
        let bad = StickingConfig { alpha: f64::NAN, ..config };
        assert!(sticking(&two, true, &bad).is_err());
    }

    #[test]
    fn cycles_are_ordered_by_number_and_small_shifts_may_be_ignored() {
        let mut test: Vec<Change> = (2..8).map(|c| change(false, c, 60.0, 0.1)).collect();
        test.push(change(false, 1, 57.0, 0.1));
        let found = sticking(&test, false, &StickingConfig::default()).expect("valid");
        assert_eq!((found.first_pa, found.flagged), (57.0, true));
        let config = StickingConfig { least_pa: 4.0, ..StickingConfig::default() };
        assert!(sticking(&test, false, &config).is_ok_and(|f| !f.flagged));
    }

    proptest! {
        /// Without stated uncertainties the test is the classical one of a new observation against
        /// a sample: t = (first - mean) / (s sqrt(1 + 1/m)) with m - 1 degrees of freedom.
        #[test]
        fn unknown_uncertainties_give_the_classical_test(
            first in -9.0f64..9.0, later in prop::collection::vec(-3.0f64..3.0, 2..9),
        ) {
            let m = later.len() as f64;
            let mean = later.iter().sum::<f64>() / m;
            let s2 = later.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (m - 1.0);
            prop_assume!(s2 > 1e-6);
            let mut test = vec![change(true, 0, first, 0.0)];
            test.extend(later.iter().zip(1..).map(|(&v, c)| change(true, c, v, 0.0)));
            let found = sticking(&test, true, &StickingConfig::default()).expect("valid");
            let t = (first - mean) / (s2 * (1.0 + 1.0 / m)).sqrt();
            prop_assert!((found.shift.value / found.shift.u - t).abs() < 1e-7 * (1.0 + t.abs()));
            prop_assert!((found.shift.dof - (m - 1.0)).abs() < 1e-6);
            prop_assert!((found.later.value - mean).abs() < 1e-9);
        }
    }
}
