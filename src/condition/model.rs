//! The setpoint of a test against the other switches of its model.

use serde::{Deserialize, Serialize};

use super::change::{Side, p_text};
use super::others::Others;
use crate::base::{Error, Estimate, Result};

/// A setpoint against those of its model.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Offset {
    /// Number of other switches.
    pub n: usize,
    /// Setpoint minus the model's centre, Pa; its uncertainty holds the model's spread.
    pub offset_pa: Estimate,
    /// The model's centre, Pa.
    pub centre_pa: f64,
    /// Standard deviation between switches of the model, Pa.
    pub spread_pa: f64,
    /// Probability of an offset at least as large, either way, for a switch of the model.
    pub p_value: f64,
    /// Too far away.
    pub flagged: bool,
    /// Unsafe where it lies lower than the model, nuisance where it lies higher.
    pub side: Side,
}

/// Compares the setpoints of tests with those of the other switches of their model.
///
/// `tests` hold the number of the switch (from 0) and the setpoint, `None` where there is none; a
/// result for each, in their order. The centre and spread of the others are those of
/// [`population()`](super::population::population()), their uncertainties taken out, the test's own switch left out, and the p-value
/// that of [`Population::compare`](super::Population::compare). Flagged at `p <= alpha`.
///
/// # Errors
///
/// For each test: [`Error::MissingValue`] without a setpoint, and those of [`population()`](super::population::population()), above
/// all [`Error::TooFewSamples`] for a model of too few switches.
///
/// ```
/// use deadband::base::Estimate;
/// use deadband::condition::{Side, offsets};
/// let opens = [60.1, 59.2, 60.8, 59.7, 60.4, 59.9, 60.3, 52.0];
/// let tests: Vec<_> = opens.iter().enumerate().map(|(switch, &value)| {
///     (switch, Some(Estimate { value, u: 0.2, dof: 12.0 }))
/// }).collect();
/// let found = offsets(&tests, 0.01);
/// let last = found[7].as_ref().expect("seven others");
/// assert_eq!((last.n, last.side), (7, Side::Unsafe));
/// assert!(found[..7].iter().flatten().all(|one| !one.flagged));
/// ```
pub fn offsets(tests: &[(usize, Option<Estimate>)], alpha: f64) -> Vec<Result<Offset>> {
    let members: Vec<(usize, f64, f64)> = tests
        .iter()
        .filter_map(|(switch, point)| point.map(|point| (*switch, point.value, point.u)))
        .filter(|(_, value, u)| value.is_finite() && u.is_finite() && *u >= 0.0)
        .collect();
    let others = Others::of(&members);
    let one = |&(switch, point): &(usize, Option<Estimate>)| {
        let point = point.ok_or(Error::MissingValue { what: "the setpoint" })?;
        if !(point.value.is_finite() && point.u.is_finite() && point.u >= 0.0) {
            let must = "a finite number with an uncertainty, zero or above";
            return Err(Error::BadValue { what: "the setpoint", value: point.value, must });
        }
        let others = others.of_switch(switch)?;
        let found = others.compare(point.value, point.u);
        let flagged = found.p_value <= alpha;
        Ok(Offset {
            n: others.n,
            offset_pa: found.difference,
            centre_pa: others.centre.value,
            spread_pa: others.spread,
            p_value: found.p_value,
            flagged,
            side: Side::of_departure(flagged, found.difference.value),
        })
    };
    tests.iter().map(one).collect()
}

impl Offset {
    /// The finding in words; `close` says which setpoint it is.
    pub fn sentence(&self, close: bool) -> String {
        let event = if close { "closing" } else { "opening" };
        let way = if self.offset_pa.value < 0.0 { "below" } else { "above" };
        let fact = format!(
            "The {event} lies {:.2} Pa (u {:.2} Pa) {way} that of {} other switches of the model ({})",
            self.offset_pa.value.abs(),
            self.offset_pa.u,
            self.n,
            p_text(self.p_value)
        );
        let meaning = match self.side {
            Side::Unsafe => "it changes on less draft than its like, the unsafe side",
            Side::Nuisance => "it wants more draft than its like: a cause of needless lockouts",
            Side::None | Side::Unknown => "within what its model shows",
        };
        format!("{fact}: {meaning}.")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::condition::{Repeats, Scatter, scatters};
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    type Numbers = (usize, f64, f64);

    /// (switch, setpoint, variance of six changes) of switches with spread 1 and scatter 0.3 Pa,
    /// measured to 0.2 Pa; how well the switches repeat differs by `uneven`.
    fn tests_of(rng: &mut ChaCha8Rng, switches: usize, each: usize, uneven: f64) -> Vec<Numbers> {
        let mut draw = |sd: f64| sd * rng.sample::<f64, _>(StandardNormal);
        let mut made = Vec::new();
        for switch in 0..switches {
            let (own, sd) = (60.0 + draw(1.0), 0.3 * draw(uneven).exp());
            for _ in 0..each {
                let values: Vec<f64> = (0..6).map(|_| draw(sd) + draw(0.2)).collect();
                let mean = values.iter().sum::<f64>() / 6.0;
                let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 5.0;
                made.push((switch, own + mean, variance));
            }
        }
        made
    }

    fn both(made: &[Numbers]) -> (Vec<Result<Offset>>, Vec<Result<Scatter>>) {
        let u = ((0.04 + 0.09) / 6.0_f64).sqrt();
        let points: Vec<_> =
            made.iter().map(|&(s, value, _)| (s, Some(Estimate { value, u, dof: 5.0 }))).collect();
        let repeats: Vec<_> = made
            .iter()
            .map(|&(s, _, variance)| {
                (s, Some(Repeats { variance, known: 0.04, dof: 5.0, level_pa: 60.0 }))
            })
            .collect();
        (offsets(&points, 0.01), scatters(&repeats, 0.01, 0.0))
    }

    #[test]
    fn healthy_models_are_flagged_at_the_stated_rate() {
        let mut rng = ChaCha8Rng::seed_from_u64(41);
        for (switches, each, uneven, most) in
            [(8, 1, 0.0, 0.015), (30, 1, 0.0, 0.015), (30, 3, 0.0, 0.015), (30, 1, 0.4, 0.025)]
        {
            let (mut all, mut away, mut wide) = (0, 0, 0);
            for _ in 0..(4000 / (switches * each)) {
                let (points, repeats) = both(&tests_of(&mut rng, switches, each, uneven));
                all += points.len();
                away += points.iter().flatten().filter(|one| one.flagged).count();
                wide += repeats.iter().flatten().filter(|one| one.flagged).count();
            }
            let share = |count: usize| count as f64 / all as f64;
            assert!(share(away) < most, "{switches} x {each}: offsets {}", share(away));
            assert!(share(wide) < most, "{switches} x {each}: scatters {}", share(wide));
        }
    }

    #[test]
    fn what_is_out_of_line_is_found_and_does_not_hide_itself() {
        let mut rng = ChaCha8Rng::seed_from_u64(42);
        let (mut away, mut wide) = (0, 0);
        for _ in 0..100 {
            let mut made = tests_of(&mut rng, 20, 3, 0.0);
            for one in &mut made[..3] {
                one.1 -= 6.0; // all three tests of one switch
                one.2 += 4.0;
            }
            let (points, repeats) = both(&made);
            away += points[..3].iter().flatten().filter(|one| one.side == Side::Unsafe).count();
            wide += repeats[..3].iter().flatten().filter(|one| one.flagged).count();
        }
        assert!(away > 285 && wide > 285, "{away} and {wide} of 300");
    }

    #[test]
    fn few_switches_are_no_model_and_nothing_is_an_error_of_its_own() {
        let mut rng = ChaCha8Rng::seed_from_u64(43);
        let (points, repeats) = both(&tests_of(&mut rng, 6, 5, 0.0));
        assert!(points.iter().all(|one| matches!(one, Err(Error::TooFewSamples { found: 5, .. }))));
        assert!(repeats.iter().all(|one| matches!(one, Err(Error::TooFewSamples { .. }))));
        let missing = offsets(&[(0, None), (1, None)], 0.01);
        assert!(missing.iter().all(|one| matches!(one, Err(Error::MissingValue { .. }))));
        assert!(matches!(scatters(&[(0, None)], 0.01, 0.0)[0], Err(Error::MissingValue { .. })));
        let lost = Some(Estimate { value: f64::NAN, u: 1.0, dof: 1.0 });
        assert!(matches!(offsets(&[(0, lost)], 0.01)[0], Err(Error::BadValue { .. })));
        assert!(offsets(&[], 0.01).is_empty());
    }
}
