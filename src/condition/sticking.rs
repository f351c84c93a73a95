//! Sticking: the first cycle of a test against the later ones.

use serde::{Deserialize, Serialize};

use super::change::{Change, Side, p_text};
use super::repeat::{Prior, repeat, weighted_mean};
use crate::base::error::not_negative;
use crate::base::estimate::{t_cdf, welch_satterthwaite};
use crate::base::{Error, Estimate, Result};

/// When a difference is called sticking, and what is known beside the changes themselves.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StickingConfig {
    /// Largest p-value at which a difference is flagged.
    pub alpha: f64,
    /// Smallest difference worth a flag, as a share of the later pressure. The default of a
    /// hundredth, a tenth of the usual tolerance, is our own.
    pub least_share: f64,
    /// Standard uncertainty of the lag that was taken out, s.
    pub lag_u_s: f64,
    /// Longest lag that a gauge may have where none was taken out, s. The default is our own.
    pub lag_most_s: f64,
    /// What is known of the repeatability from other tests.
    pub prior: Option<Prior>,
}

impl Default for StickingConfig {
    fn default() -> Self {
        Self { alpha: 0.01, least_share: 0.01, lag_u_s: 0.0, lag_most_s: 1.0, prior: None }
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
    /// Where the lag is not out, the largest over all lags up to `lag_most_s`.
    pub p_value: f64,
    /// A lag that was not taken out would explain the shift: no evidence, whatever its size.
    pub lag_explains: bool,
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
/// `shift = first - mean of the later`, each weighted by `1/(u² + τ²)`, with
/// `u(shift)² = u₁² + τ² + 1/Σw`. The scatter `τ²` from cycle to cycle is pooled over the later
/// closings and the later openings, with a prior standard deviation if one is known, by Paule and
/// Mandel's moments; the p-value is Student's t with as many degrees of freedom, or more where the
/// stated uncertainties explain the scatter ([`crate::base::line::Dof::Wider`]).
///
/// A fast first cycle must not pass for sticking. Where the lag is out of the pressures, its
/// uncertainty adds `u(lag) (r₁ - r̄)`, `r` the rates. Where it is not, the comparison is made
/// with no lag and with the longest one, and the larger p-value counts; a shift whose sign differs
/// between the two is explained by a lag.
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
///     rate_pa_s: -5.0, lag_applied: true,
/// };
/// let test = [opened(1, 51.0), opened(2, 60.1), opened(3, 59.8), opened(4, 60.0)];
/// let found = sticking(&test, false, &StickingConfig::default())?;
/// assert!(found.flagged && found.side == Side::Unsafe);
/// assert!((found.shift.value + 8.97).abs() < 0.01);
/// println!("{}", found.sentence());
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn sticking(changes: &[Change], close: bool, config: &StickingConfig) -> Result<Sticking> {
    check(config)?;
    let mut kinds = [Vec::new(), Vec::new()];
    for (index, change) in changes.iter().enumerate() {
        let change = change.validated(index)?;
        kinds[usize::from(change.close)].push(change);
    }
    let found = kinds[usize::from(close)].len();
    if found < 3 {
        let what = if close { "closings of the contact" } else { "openings of the contact" };
        return Err(Error::TooFewSamples { what, found, needed: 3 });
    }
    for kind in &mut kinds {
        kind.sort_by_key(|change| change.cycle);
    }
    let shown = compare(&kinds, close, 0.0, config)?;
    let late = kinds[usize::from(close)].iter().any(|change| !change.lag_applied);
    let other = if late { compare(&kinds, close, config.lag_most_s, config)? } else { shown };
    let lag_explains = shown.shift.value * other.shift.value < 0.0;
    let p = |compared: &Compared| {
        2.0 * t_cdf(-(compared.shift.value / compared.shift.u).abs(), compared.shift.dof)
    };
    let p_value = if lag_explains { 1.0 } else { p(&shown).max(p(&other)) };
    let least = config.least_share * shown.later.value.abs();
    let size = shown.shift.value.abs().min(other.shift.value.abs());
    let flagged = p_value <= config.alpha && size >= least;
    Ok(Sticking {
        close,
        n: found,
        first_pa: shown.first,
        later: shown.later,
        shift: shown.shift,
        scatter_pa: shown.scatter,
        p_value,
        lag_explains,
        flagged,
        side: Side::of_departure(flagged, shown.shift.value),
    })
}

fn check(config: &StickingConfig) -> Result<()> {
    for (what, value) in [
        ("alpha", config.alpha),
        ("least_share", config.least_share),
        ("lag_u_s", config.lag_u_s),
        ("lag_most_s", config.lag_most_s),
        ("the prior scatter", config.prior.map_or(0.0, |prior| prior.sd_pa)),
        ("the prior's degrees of freedom", config.prior.map_or(0.0, |prior| prior.dof)),
    ] {
        not_negative(what, value)?;
    }
    Ok(())
}

#[derive(Clone, Copy)]
struct Compared {
    first: f64,
    later: Estimate,
    shift: Estimate,
    scatter: f64,
}

/// The comparison with a lag of `lag_s` for those changes out of which none was taken.
fn compare(
    kinds: &[Vec<Change>; 2],
    close: bool,
    lag_s: f64,
    config: &StickingConfig,
) -> Result<Compared> {
    let late = |change: &Change| if change.lag_applied { 0.0 } else { lag_s };
    let pair = |change: &Change| {
        (change.pressure_pa + late(change) * change.rate_pa_s, change.u_pa * change.u_pa)
    };
    let later: [Vec<(f64, f64)>; 2] = [0, 1].map(|which: usize| {
        let changes: &Vec<Change> = &kinds[which];
        changes.iter().skip(1).map(pair).collect()
    });
    let scatter = repeat(&later, config.prior).ok_or(Error::BadValue {
        what: "the scatter of the changes, with every stated uncertainty zero,",
        value: 0.0,
        must: "above zero; state the uncertainties",
    })?;
    let (kind, rest) = (&kinds[usize::from(close)], &later[usize::from(close)]);
    let (first, first_var) = pair(&kind[0]);
    let (mean, weight) = weighted_mean(rest, |v| 1.0 / (v + scatter.variance));
    let rates = kind.iter().skip(1).map(|change| change.rate_pa_s);
    let rate = kind[0].rate_pa_s - rates.sum::<f64>() / rest.len() as f64;
    let mean_var = 1.0 / weight;
    let own = first_var + scatter.variance + mean_var;
    let lag = config.lag_u_s * rate;
    let u = (own + lag * lag).sqrt();
    let dof = welch_satterthwaite([(own.sqrt() / u, scatter.dof), (lag / u, f64::INFINITY)]);
    if !(u > 0.0 && u.is_finite() && mean.is_finite()) {
        let (what, must) = ("the uncertainty of the first change's shift", "finite, above zero");
        return Err(Error::BadValue { what, value: u, must });
    }
    Ok(Compared {
        first,
        later: Estimate { value: mean, u: mean_var.sqrt(), dof: scatter.dof },
        shift: Estimate { value: first - mean, u, dof },
        scatter: scatter.variance.sqrt(),
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
            (Side::None | Side::Unknown, _) if self.lag_explains => {
                "the gauge's lag, which is not taken out, would explain it"
            }
            (Side::None | Side::Unknown, _) => "no evidence of sticking",
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
        let rate_pa_s = if close { 5.0 } else { -5.0 };
        let (bounces, time_width_s) = (0, 0.1);
        Change {
            close,
            cycle,
            pressure_pa,
            u_pa,
            bounces,
            time_width_s,
            rate_pa_s,
            lag_applied: true,
        }
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
        let config = StickingConfig { least_share: 0.06, ..StickingConfig::default() };
        assert!(sticking(&test, false, &config).is_ok_and(|f| !f.flagged));
    }

    /// A first cycle of thrice the rate, seen through a lag of 0.4 s that nobody took out.
    #[test]
    fn a_fast_first_cycle_is_not_called_sticking() {
        let seen = |cycle: i32, rate: f64, shift: f64| Change {
            rate_pa_s: rate,
            lag_applied: false,
            ..change(false, cycle, 60.0 + 0.05 * f64::from(cycle % 2) + shift - 0.4 * rate, 0.1)
        };
        let rates = [-15.0, -5.0, -5.2, -4.9, -5.1];
        let test = |stick: f64| -> Vec<Change> {
            rates
                .iter()
                .zip(1..)
                .map(|(&r, c)| seen(c, r, if c == 1 { stick } else { 0.0 }))
                .collect()
        };
        let config = StickingConfig::default();
        let found = sticking(&test(0.0), false, &config).expect("valid");
        assert!(!found.flagged && found.lag_explains && found.shift.value > 3.9, "{found:?}");
        assert!(found.sentence().contains("lag"), "{}", found.sentence());
        // Sticking by more than any lag explains is still found.
        let stuck = sticking(&test(-20.0), false, &config).expect("valid");
        assert_eq!(stuck.side, Side::Unsafe);
        // With the lag out, what is not known of it is allowed for.
        let out = |change: &Change| Change {
            pressure_pa: change.pressure_pa + 0.5 * change.rate_pa_s,
            lag_applied: true,
            ..*change
        };
        let corrected: Vec<Change> = test(0.0).iter().map(out).collect();
        let sure = sticking(&corrected, false, &config).expect("valid");
        assert!(sure.flagged, "an error of the lag looks like sticking: {sure:?}");
        let unsure = StickingConfig { lag_u_s: 0.1, ..config };
        let found = sticking(&corrected, false, &unsure).expect("valid");
        assert!(!found.flagged && (found.shift.u - 1.0).abs() < 0.1, "{found:?}");
    }

    /// Three cycles leave two degrees of freedom; what the other direction and the fleet know of
    /// the repeatability turns a shift of 5 Pa into evidence.
    #[test]
    fn the_other_direction_and_a_prior_add_what_they_know() {
        let mut test = vec![
            change(false, 1, 55.0, 0.05),
            change(false, 2, 60.2, 0.05),
            change(false, 3, 59.8, 0.05),
        ];
        let config = StickingConfig::default();
        let alone = sticking(&test, false, &config).expect("valid");
        assert!(alone.shift.dof == 1.0 && !alone.flagged, "{alone:?}");
        test.extend([(1, 72.0), (2, 70.1), (3, 69.9)].map(|(c, p)| change(true, c, p, 0.05)));
        let both = sticking(&test, false, &config).expect("valid");
        assert!(both.shift.dof == 2.0 && both.p_value < alone.p_value);
        let prior = Some(Prior { sd_pa: 0.3, dof: 2.0 });
        let told = sticking(&test, false, &StickingConfig { prior, ..config }).expect("valid");
        assert!(told.shift.dof == 4.0 && told.flagged, "{told:?}");
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
