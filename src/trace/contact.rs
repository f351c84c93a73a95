//! Changes of the contact: each an interval of time, bounces merged and counted.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

use super::{Levels, Recording, Sense};
use crate::base::lanes::{first, spread};
use crate::base::{Error, Result, error, order};

/// How the contact channel is read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ContactConfig {
    /// Which level means closed; absent: found from the data, as the level at which the pressure
    /// is higher.
    pub closed: Option<Sense>,
    /// States shorter than this, in s, are bounces. At least one and a half sample intervals of
    /// the contact channel, since a state seen in one sample has no known length.
    pub dwell_s: f64,
    /// A state is entered when the channel has covered this fraction of the way from the far
    /// level, between 0.5 and 1; the zone left between the two thresholds is hysteresis.
    pub threshold: f64,
}

impl Default for ContactConfig {
    fn default() -> Self {
        Self { closed: None, dwell_s: 0.05, threshold: 0.7 }
    }
}

impl ContactConfig {
    /// # Errors
    ///
    /// [`Error::BadValue`] naming the option.
    pub fn validate(&self) -> Result<()> {
        error::not_negative("dwell_s", self.dwell_s)?;
        if (0.5..1.0).contains(&self.threshold) {
            return Ok(());
        }
        Err(Error::BadValue {
            what: "threshold",
            value: self.threshold,
            must: "at least 0.5 and below 1",
        })
    }
}

/// One change of the contact.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// Closed (make) or opened (break).
    pub close: bool,
    /// Last sample before the change, s.
    pub before_s: f64,
    /// First sample after it, s.
    pub after_s: f64,
    /// Times the contact went back and forth again before it settled.
    pub bounces: i32,
    /// Cycle, from 1: a close begins a new one, an open ends the one that it belongs to.
    pub cycle: i32,
}

impl Change {
    /// Middle of the bracket, s.
    pub fn time_s(&self) -> f64 {
        f64::midpoint(self.before_s, self.after_s)
    }

    /// Width of the bracket, s.
    pub fn width_s(&self) -> f64 {
        self.after_s - self.before_s
    }
}

/// Finds the changes of contact of a recording, in time order.
///
/// The instant of a bouncing change is its first departure from the old state.
///
/// # Errors
///
/// [`Error::NoEvent`], [`Error::ContactAmbiguous`], or [`Error::BadValue`] for a bad option.
///
/// ```
/// use deadband::trace::{ContactConfig, Recording, changes};
/// let time: Vec<f64> = (0..40).map(|i| 0.1 * f64::from(i)).collect();
/// let pressure: Vec<f64> = time.iter().map(|t| 40.0 * t).collect();
/// let volts: Vec<f64> = pressure.iter().map(|&p| if p > 70.0 { 0.02 } else { 24.0 }).collect();
/// let recording = Recording::new(&time, &pressure, &volts, None)?;
/// let found = changes(&recording, &ContactConfig::default())?;
/// assert_eq!(found.len(), 1);
/// assert!(found[0].close && (found[0].time_s() - 1.75).abs() < 1e-9);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn changes(recording: &Recording<'_>, config: &ContactConfig) -> Result<Vec<Change>> {
    config.validate()?;
    let levels = Levels::between(recording.contact(), recording.contact_range())?;
    let flips = flips(recording, &levels, config.threshold);
    let clock = recording.contact_time_s();
    let settled = settle(recording, &flips, config.dwell_s.max(1.5 * usual_interval(clock)));
    if settled.is_empty() {
        return Err(Error::NoEvent { samples: clock.len() });
    }
    let sense = match config.closed {
        Some(sense) => sense,
        None => find_sense(recording, &levels)?,
    };
    Ok(number(&settled, sense))
}

#[derive(Debug, Clone, Copy)]
struct Flip {
    to_high: bool,
    before_s: f64,
    after_s: f64,
    bounces: i32,
}

fn flips(recording: &Recording<'_>, levels: &Levels, threshold: f64) -> Vec<Flip> {
    let (clock, contact) = (recording.contact_time_s(), recording.contact());
    let (low, high) = (levels.value(1.0 - threshold), levels.value(threshold));
    let mut flips = Vec::new();
    let Some(mut at) = contact.iter().position(|&value| value >= high || value <= low) else {
        return flips;
    };
    let mut is_high = contact[at] >= high;
    loop {
        let left = |value: f64| if is_high { value <= low } else { value >= high };
        let Some(held) = first(&contact[at..], left) else {
            return flips;
        };
        let after = at + held;
        // Samples between the levels belong to neither state.
        let in_state = |&value: &f64| if is_high { value >= high } else { value <= low };
        let before = at + contact[at..after].iter().rposition(in_state).unwrap_or(0);
        is_high = !is_high;
        let (before_s, after_s) = (clock[before], clock[after]);
        flips.push(Flip { to_high: is_high, before_s, after_s, bounces: 0 });
        at = after;
    }
}

/// Merges flips that follow each other within `dwell`, or soon and without a pressure that called
/// for it: an odd number is one change with bounces, an even number is a glitch that came back.
fn settle(recording: &Recording<'_>, flips: &[Flip], dwell: f64) -> Vec<Flip> {
    /// A contact that chatters longer than this between two flips is left as it is.
    const SOON_S: f64 = 1.0;
    let (least, most) = recording.range_pa();
    let back = |one: &Flip, next: &Flip| there_and_back(recording, most - least, one, next);
    flips
        .chunk_by(|one, next| {
            let gap = next.after_s - one.after_s;
            gap < dwell || (gap < SOON_S && !back(one, next))
        })
        .filter(|burst| burst.len() % 2 == 1)
        .map(|burst| Flip {
            bounces: i32::try_from(burst.len() / 2).unwrap_or(i32::MAX),
            ..burst[0]
        })
        .collect()
}

/// Whether the pressure went away and returned between two flips: then the contact had a reason.
/// A contact that changes to and fro while the pressure moves one way, or hardly moves, chatters.
fn there_and_back(recording: &Recording<'_>, range: f64, one: &Flip, next: &Flip) -> bool {
    /// Movement that counts, as a fraction of the recording's range.
    const MOVES: f64 = 0.05;
    /// The gauge may show the return so much later.
    const LATE_S: f64 = 1.5;
    let (time, pressure) = (recording.time_s(), recording.pressure_pa());
    let from = time.partition_point(|&t| t <= one.before_s).saturating_sub(1);
    let to = time.partition_point(|&t| t <= next.after_s + LATE_S).max(from + 1);
    let near = &pressure[from..to];
    let (low, high) = order::extremes(near);
    let net = (near[near.len() - 1] - near[0]).abs();
    high - low > MOVES * range && net < 0.5 * (high - low)
}

fn usual_interval(clock: &[f64]) -> f64 {
    let last = clock.len() - 1;
    let evenly = (clock[last] - clock[0]) / last as f64;
    let first = clock[1] - clock[0];
    if (first - evenly).abs() < 1e-3 * evenly {
        return evenly;
    }
    // Some of the steps, spread over all of them, are as good a sample.
    let apart = clock.len().div_ceil(255);
    let mut steps: Vec<f64> =
        clock.windows(2).step_by(apart).map(|pair| pair[1] - pair[0]).collect();
    order::median(&mut steps).unwrap_or(evenly)
}

/// Closed is the level at which the pressure is higher: an air-pressure switch makes on rise.
fn find_sense(recording: &Recording<'_>, levels: &Levels) -> Result<Sense> {
    /// A smaller difference of the mean pressures, relative to their range, decides nothing.
    const CLEAR: f64 = 0.05;
    /// A difference among some of the samples that no others can turn round.
    const CLEAR_OF_SOME: f64 = 0.2;
    /// Groups of samples that nearly always tell.
    const SOME: usize = 48;
    let middle = levels.value(0.5);
    let heard = under_contact(recording);
    let (least, most) = recording.range_pa();
    let tells = |wanted: usize, clear: f64| {
        let difference = pressure_apart(recording.contact(), &heard, middle, wanted);
        let sense = if difference > 0.0 { Sense::High } else { Sense::Low };
        (difference.abs() > clear * (most - least)).then_some(sense)
    };
    let reason = "the pressure is the same at both of its levels";
    tells(SOME, CLEAR_OF_SOME)
        .or_else(|| tells(usize::MAX, CLEAR))
        .ok_or(Error::ContactAmbiguous { reason })
}

/// Mean pressure with the contact above `middle` less that with it below, from so many groups of the
/// samples.
fn pressure_apart(contact: &[f64], pressure: &[f64], middle: f64, wanted: usize) -> f64 {
    const LANES: usize = 8;
    let (states, taken) = spread::<LANES>(contact, f64::NEG_INFINITY, wanted);
    let (readings, _) = spread::<LANES>(pressure, 0.0, wanted);
    let [mut sum, mut above, mut count] = [[0.0; LANES]; 3];
    for (state, pressure) in states.zip(readings) {
        for lane in 0..LANES {
            let high = state[lane] > middle;
            sum[lane] += pressure[lane];
            above[lane] += if high { pressure[lane] } else { 0.0 };
            count[lane] += if high { 1.0 } else { 0.0 };
        }
    }
    let [sum, above, count] = [sum, above, count].map(|lanes| lanes.iter().sum::<f64>());
    above / count - (sum - above) / (taken as f64 - count)
}

/// The last reading of the pressure at each sample of the contact.
fn under_contact<'a>(recording: &Recording<'a>) -> Cow<'a, [f64]> {
    let (time, pressure) = (recording.time_s(), recording.pressure_pa());
    let clock = recording.contact_time_s();
    if std::ptr::eq(time, clock) {
        return pressure.into();
    }
    let mut at = 0;
    let last = |&t: &f64| {
        while at + 1 < time.len() && time[at + 1] <= t {
            at += 1;
        }
        pressure[at]
    };
    clock.iter().map(last).collect::<Vec<_>>().into()
}

fn number(flips: &[Flip], sense: Sense) -> Vec<Change> {
    let mut cycle = 0;
    let mut numbered = Vec::with_capacity(flips.len());
    for flip in flips {
        let close = flip.to_high == (sense == Sense::High);
        if close || cycle == 0 {
            cycle += 1;
        }
        let &Flip { before_s, after_s, bounces, .. } = flip;
        numbered.push(Change { close, before_s, after_s, bounces, cycle });
    }
    numbered
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Status;

    /// A triangle of pressure, 0 to 100 Pa and back in 20 s at 10 Hz.
    fn triangle() -> (Vec<f64>, Vec<f64>) {
        let time: Vec<f64> = (0..200).map(|i| 0.1 * f64::from(i)).collect();
        let pressure = time.iter().map(|t| 100.0 - 10.0 * (t - 10.0).abs()).collect();
        (time, pressure)
    }

    fn found(contact: &[f64], config: &ContactConfig) -> Result<Vec<Change>> {
        let (time, pressure) = triangle();
        changes(&Recording::new(&time, &pressure, contact, None)?, config)
    }

    #[test]
    fn sense_is_found_for_volts_across_and_for_states() {
        let (_, pressure) = triangle();
        for (closed, open) in [(0.1, 24.0), (1.0, 0.0), (0.3, f64::INFINITY)] {
            let contact: Vec<f64> =
                pressure.iter().map(|&p| if p > 60.0 { closed } else { open }).collect();
            let found = found(&contact, &ContactConfig::default()).expect("two changes");
            let kinds: Vec<_> = found.iter().map(|change| (change.close, change.cycle)).collect();
            assert_eq!(kinds, [(true, 1), (false, 1)]);
            assert!((found[0].width_s() - 0.1).abs() < 1e-9);
        }
    }

    #[test]
    fn a_given_sense_overrules_the_data() {
        let (_, pressure) = triangle();
        let contact: Vec<f64> = pressure.iter().map(|&p| f64::from(u8::from(p > 60.0))).collect();
        let config = ContactConfig { closed: Some(Sense::Low), ..ContactConfig::default() };
        let found = found(&contact, &config).expect("two changes");
        assert_eq!(
            found.iter().map(|c| (c.close, c.cycle)).collect::<Vec<_>>(),
            [(false, 1), (true, 2)]
        );
    }

    #[test]
    fn bounces_are_merged_and_counted_and_glitches_vanish() {
        let (_, pressure) = triangle();
        let mut contact: Vec<f64> =
            pressure.iter().map(|&p| f64::from(u8::from(p > 60.0))).collect();
        let first = contact.iter().position(|&c| c > 0.5).expect("closes");
        contact[first + 1] = 0.0;
        contact[20] = 1.0;
        let found = found(&contact, &ContactConfig::default()).expect("two changes");
        assert_eq!(found.len(), 2);
        assert_eq!(found[0].bounces, 1);
        assert!((found[0].after_s - 0.1 * first as f64).abs() < 1e-9);
    }

    #[test]
    fn a_contact_that_chatters_slowly_while_the_pressure_rises_is_one_change() {
        let (_, pressure) = triangle();
        let mut contact: Vec<f64> =
            pressure.iter().map(|&p| f64::from(u8::from(p > 60.0))).collect();
        let first = contact.iter().position(|&c| c > 0.5).expect("closes");
        for start in [first + 3, first + 9] {
            contact[start..start + 4].fill(0.0);
        }
        let found = found(&contact, &ContactConfig::default()).expect("two changes");
        assert_eq!(
            found.iter().map(|c| (c.close, c.bounces)).collect::<Vec<_>>(),
            [(true, 2), (false, 0)]
        );
        assert!((found[0].after_s - 0.1 * first as f64).abs() < 1e-9);
    }

    #[test]
    fn a_short_dip_of_the_pressure_opens_and_closes() {
        let time: Vec<f64> = (0..200).map(|i| 0.1 * f64::from(i)).collect();
        let dips = |t: f64| t > 10.0 && t < 10.7;
        let contact: Vec<f64> =
            time.iter().map(|&t| f64::from(u8::from(t > 5.0 && !dips(t) && t < 15.0))).collect();
        let shown: Vec<f64> = time
            .iter()
            .map(|&t| if dips(t - 0.4) { 30.0 } else { 100.0 - 10.0 * (t - 10.0).abs() })
            .collect();
        let recording = Recording::new(&time, &shown, &contact, None).expect("valid");
        let found = changes(&recording, &ContactConfig::default()).expect("four changes");
        assert_eq!(found.len(), 4);
    }

    #[test]
    fn samples_between_the_levels_widen_the_bracket() {
        let (_, pressure) = triangle();
        let mut contact: Vec<f64> =
            pressure.iter().map(|&p| f64::from(u8::from(p > 60.0))).collect();
        let first = contact.iter().position(|&c| c > 0.5).expect("closes");
        contact[first] = 0.5;
        let found = found(&contact, &ContactConfig::default()).expect("two changes");
        assert!((found[0].width_s() - 0.2).abs() < 1e-9);
    }

    #[test]
    fn a_contact_that_ignores_the_pressure_is_ambiguous_and_a_constant_one_is_no_event() {
        let contact: Vec<f64> = (0..200).map(|i| f64::from((i / 10) % 2)).collect();
        let ambiguous = found(&contact, &ContactConfig::default()).unwrap_err();
        assert_eq!(ambiguous.status(), Status::ContactAmbiguous);
        let none = found(&[24.0; 200], &ContactConfig::default()).unwrap_err();
        assert_eq!(none.status(), Status::NoEvent);
    }

    #[test]
    fn a_clock_of_its_own_sets_the_bracket() {
        let (time, pressure) = triangle();
        let clock: Vec<f64> = (0..20_000).map(|i| 0.001 * f64::from(i)).collect();
        let contact: Vec<f64> = clock
            .iter()
            .map(|t| f64::from(u8::from(100.0 - 10.0 * (t - 10.0).abs() > 60.0)))
            .collect();
        let recording = Recording::new(&time, &pressure, &contact, Some(&clock)).expect("valid");
        let found = changes(&recording, &ContactConfig::default()).expect("two changes");
        assert!((found[0].time_s() - 6.0).abs() < 1e-3 && found[0].width_s() < 0.0011);
    }

    #[test]
    fn bad_options_are_refused() {
        let config = ContactConfig { threshold: 0.4, ..ContactConfig::default() };
        assert_eq!(found(&[0.0; 200], &config).unwrap_err().status(), Status::BadValue);
    }
}
