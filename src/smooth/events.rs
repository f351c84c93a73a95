//! The pressure at each change of contact.

use std::ops::Range;

use serde::{Deserialize, Serialize};

use super::fall::{fall, is_sudden};
use super::few_values::{unresolved, with_ends};
use super::model::Model;
use super::path::Path;
use super::saturation::{saturated, saturated_at_top};
use super::shift::{AtSwitch, GaugeLag, at_switch};
use super::state::State;
use super::stretches::Paths;
use crate::base::clock::up_to;
use crate::base::{Error, Result, error};
use crate::trace::refresh::{Held, held};
use crate::trace::step::step_of;
use crate::trace::stroke::{stretch, turns};
use crate::trace::{Change, ContactConfig, Recording, changes};

/// How the events of a recording are found and what informs them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct EventConfig {
    /// How the contact is read.
    pub contact: ContactConfig,
    /// Readings needed on either side of a change.
    pub edge: usize,
    /// Readings used on either side of a change, at most.
    pub reach: usize,
    /// Step of the display as it is stated, Pa, for where none is found in the readings
    /// ([`step_of`]).
    pub resolution_pa: Option<f64>,
}

impl Default for EventConfig {
    fn default() -> Self {
        Self { contact: ContactConfig::default(), edge: 4, reach: 400, resolution_pa: None }
    }
}

impl EventConfig {
    /// # Errors
    ///
    /// [`Error::BadValue`] naming the option.
    pub fn validate(&self) -> Result<()> {
        self.contact.validate()?;
        error::not_negative("resolution_pa", self.resolution_pa.unwrap_or(0.0))?;
        if self.edge < 2 {
            let value = self.edge as f64;
            return Err(Error::BadValue { what: "edge", value, must: "2 or more" });
        }
        if self.reach < self.edge {
            let value = self.reach as f64;
            return Err(Error::BadValue {
                what: "reach",
                value,
                must: "at least as large as edge",
            });
        }
        Ok(())
    }
}

/// The gauge's signal at a change of contact.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtEvent {
    /// What the display showed, Pa.
    pub reading_pa: f64,
    /// Signal and its rate, noise removed, with their covariance (Pa, s).
    pub signal: State,
    /// Standard deviation of one reading's noise about the path, rounding included, Pa; `None` where
    /// every reading is an interval.
    pub noise_pa: Option<f64>,
    /// Step of the display, Pa: found in the readings, or stated and not contradicted by them.
    pub step_pa: Option<f64>,
    /// Which model gave the signal.
    pub model: Model,
    /// Whether `signal` is the pressure at the switch, the gauge's lag taken out.
    pub lag_applied: bool,
    /// Variance that repeated events have in common, Pa²: the unknown split of a mean lag, and what
    /// the clock of a held display shifts.
    pub var_common: f64,
    /// Standard uncertainty of a time by which all readings of the recording are off alike, s
    /// ([`held`]).
    pub clock_u_s: f64,
    /// Middle of the pressures that the bracket spans less `signal.value`, Pa: not zero in a fall, where
    /// the value is the mean over the time of the bracket.
    pub shift_pa: f64,
    /// Whether the bracket begins at the corner of a fall, so that repeated events are off alike.
    pub corner: bool,
    /// Whether the pressure moved so fast that a mean lag added afterwards would be wrong.
    pub sudden: bool,
}

/// A change of contact with the pressure there, or the reason why there is none.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// When the contact changed and how.
    pub change: Change,
    /// The pressure.
    pub at: Result<AtEvent>,
}

/// Finds the changes of contact of a recording and the gauge's signal at each; where the gauge's
/// lag is given, the pressure at the switch.
///
/// All strokes of a recording that hold a change share noise and unsteadiness; each has a path of
/// its own. Without a lag the signal is that of the gauge, and its lag is taken out later
/// ([`crate::setpoint`]); with one, see [`GaugeLag`].
///
/// # Errors
///
/// What concerns the whole recording: [`Error::NoEvent`], [`Error::ContactAmbiguous`],
/// [`Error::BadValue`] for a bad option or a depression logged as negative numbers. What concerns
/// one change is in its [`Event::at`]: [`Error::EventAtEdge`], [`Error::Saturated`].
///
/// ```
/// use deadband::{smooth::{EventConfig, fit_events}, trace::Recording};
/// let time: Vec<f64> = (0..200).map(|i| 0.1 * f64::from(i)).collect();
/// let pressure: Vec<f64> = time.iter().map(|t| 100.0 - 10.0 * (t - 10.0).abs()).collect();
/// let contact: Vec<f64> = pressure.iter().map(|&p| f64::from(u8::from(p > 60.5))).collect();
/// let recording = Recording::new(&time, &pressure, &contact, None)?;
/// let events = fit_events(&recording, &EventConfig::default(), None)?;
/// let close = events[0].at.as_ref().unwrap().signal;
/// assert!((close.value - 60.5).abs() < 1e-6 && (close.rate - 10.0).abs() < 1e-6);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn fit_events(
    recording: &Recording<'_>,
    config: &EventConfig,
    lag: Option<GaugeLag>,
) -> Result<Vec<Event>> {
    lag.map_or(Ok(()), GaugeLag::validate)?;
    let held = held(recording.time_s(), recording.pressure_pa());
    let clock_u_s = held.as_ref().map_or(0.0, |held| held.clock_u_s);
    let shown = &shown(recording, held.as_ref())?;
    let step_pa = step_of(shown.pressure_pa(), config.resolution_pa);
    let Survey { changes, places, stretches } = survey(shown, config, lag)?;
    let reach = lag.map_or(0.0, GaugeLag::horizon);
    let times = changes.iter().map(Change::time_s);
    let mut instants: Vec<f64> = times.flat_map(|t| [t, t + reach]).collect();
    instants.sort_by(f64::total_cmp);
    let (time, pressure) = (shown.time_s(), shown.pressure_pa());
    let (least, most) = shown.range_pa();
    let paths = Paths::fit(time, pressure, &stretches, step_pa, Some(&instants))?;
    let events = changes.into_iter().zip(places).map(|(change, place)| {
        let t = change.time_s();
        let law = |after| relaxed(shown, (after, config.edge), &change, (lag, step_pa));
        let path = || {
            let index = paths.each.iter().position(|path| path.reaches(t))?;
            let at = at_switch(&paths.each[index], t, lag)?;
            let readings = &pressure[stretches[index].clone()];
            let var_common = at.var_common + unresolved(readings, pressure, step_pa);
            Some((AtSwitch { var_common, ..at }, paths.noise_pa, paths.model))
        };
        let found = match place {
            Ok(after) => {
                let law = law(after).map(|(at, noise)| (at, Some(noise), Model::Relaxation));
                let (found, needed) = (0, config.edge);
                law.or_else(path).ok_or(Error::EventAtEdge { time: t, found, needed })
            }
            Err(Error::Saturated { level, time: at }) => {
                let after = up_to(time, t);
                let law = law(after).filter(|law| is_below(law, level, most - least, step_pa));
                law.map(|(at, noise)| (at, Some(noise), Model::Relaxation))
                    .ok_or(Error::Saturated { level, time: at })
            }
            Err(error) => Err(error),
        };
        let at =
            found.map(|(AtSwitch { signal, var_common, shift_pa, corner }, noise_pa, model)| {
                AtEvent {
                    reading_pa: reading_at(recording, t),
                    signal,
                    noise_pa,
                    step_pa,
                    model,
                    lag_applied: lag.is_some(),
                    var_common: var_common + (signal.rate * clock_u_s).powi(2),
                    clock_u_s,
                    shift_pa,
                    corner,
                    sudden: is_sudden(time, pressure, most - least, t),
                }
            });
        Event { change, at }
    });
    Ok(events.collect())
}

/// The recording with every value of a display that holds it taken once; as it is where none is
/// held.
fn shown<'a>(recording: &Recording<'a>, held: Option<&'a Held>) -> Result<Recording<'a>> {
    held.map_or(Ok(*recording), |held| {
        let clock = Some(recording.contact_time_s());
        Recording::new(&held.time_s, &held.pressure_pa, recording.contact(), clock)
    })
}

/// What the display showed at `t`, its last reading.
fn reading_at(recording: &Recording<'_>, t: f64) -> f64 {
    let after = up_to(recording.time_s(), t);
    recording.pressure_pa()[after.saturating_sub(1)]
}

/// Whether a fall of a display that stood still at `level` before it tells of the end of no range: a
/// steady display stands still at any level, and what lies a tenth of the range of the readings below
/// it is read off the fall, wherever that began.
fn is_below((at, noise): &(AtSwitch, f64), level: f64, range: f64, step: Option<f64>) -> bool {
    const BELOW: f64 = 0.1;
    // Noise of a quarter step before rounding lets a display flicker wherever it stands.
    const STEADY: f64 = 0.4;
    let steady = step.is_some_and(|step| *noise < STEADY * step);
    let reach = BELOW * range + 2.0 * (at.signal.var_value + at.var_common).sqrt();
    steady && at.signal.value < level - reach
}

/// The relaxation around a change, where the lag is known and the stroke is one.
fn relaxed(
    recording: &Recording<'_>,
    place: (usize, usize),
    change: &Change,
    (lag, step): (Option<GaugeLag>, Option<f64>),
) -> Option<(AtSwitch, f64)> {
    let bracket = (change.before_s, change.after_s);
    fall(recording, place, bracket, (lag?, step))
}

/// The smoothed paths that the events of a recording lie on: the ranges of readings and the fit
/// that they share. Empty where no change has a pressure.
///
/// # Errors
///
/// As [`fit_events`].
pub fn fit_paths(recording: &Recording<'_>, config: &EventConfig) -> Result<Vec<Path<'static>>> {
    let held = held(recording.time_s(), recording.pressure_pa());
    let shown = &shown(recording, held.as_ref())?;
    let stretches = survey(shown, config, None)?.stretches;
    let step = step_of(shown.pressure_pa(), config.resolution_pa);
    let found = Paths::fit(shown.time_s(), shown.pressure_pa(), &stretches, step, None)?;
    Ok(found.each.into_iter().map(Path::into_owned).collect())
}

/// The changes of a recording, the first reading after each, and the stretches that inform them.
struct Survey {
    changes: Vec<Change>,
    places: Vec<Result<usize>>,
    stretches: Vec<Range<usize>>,
}

fn survey(
    recording: &Recording<'_>,
    config: &EventConfig,
    lag: Option<GaugeLag>,
) -> Result<Survey> {
    config.validate()?;
    draft_is_positive(recording.range_pa())?;
    let changes = changes(recording, &config.contact)?;
    let (time, pressure) = (recording.time_s(), recording.pressure_pa());
    let turns = turns(pressure);
    let (mut places, mut ranges) = (Vec::new(), Vec::new());
    for change in &changes {
        let t = change.time_s();
        let after = up_to(time, t);
        let place = check(recording, config.edge, t, after, lag).map(|()| after);
        if place.is_ok() {
            let range = stretch(pressure, &turns, after, config.edge, config.reach);
            // The gauge shows the pressure at the switch only after its lag.
            let shown = t + lag.map_or(0.0, GaugeLag::horizon);
            let end = up_to(time, shown) + config.edge;
            let range = range.start..range.end.max(end.min(time.len()));
            ranges.push(with_ends(pressure, range));
        }
        places.push(place);
    }
    Ok(Survey { changes, places, stretches: union(ranges) })
}

/// A depression logged as negative numbers would turn the contact's sense and every setpoint over.
fn draft_is_positive((least, most): (f64, f64)) -> Result<()> {
    if -least <= most {
        return Ok(());
    }
    let must = "positive where there is draft: turn a depression logged as negative numbers over";
    Err(Error::BadValue { what: "pressure_pa at its extreme", value: least, must })
}

fn check(
    recording: &Recording<'_>,
    edge: usize,
    t: f64,
    after: usize,
    lag: Option<GaugeLag>,
) -> Result<()> {
    let (time, readings) = (recording.time_s(), recording.pressure_pa());
    let range = recording.range_pa();
    let found = after.min(readings.len() - after);
    if found < edge {
        return Err(Error::EventAtEdge { time: t, found, needed: edge });
    }
    // The gauge shows the change only after its lag, and the readings there must not be cut off.
    let shown = t + lag.map_or(0.0, GaugeLag::horizon);
    let end = up_to(time, shown).max(after) + edge;
    let top =
        (after..end.min(readings.len())).find(|&index| saturated_at_top(readings, range, index));
    let clipped = saturated(readings, range, after - 1).then_some(after - 1).or(top);
    clipped.map_or(Ok(()), |index| Err(Error::Saturated { level: readings[index], time: t }))
}

/// Ranges in order of time, those that overlap made one, so that no reading counts twice.
fn union(mut ranges: Vec<Range<usize>>) -> Vec<Range<usize>> {
    ranges.sort_by_key(|range| (range.start, range.end));
    let mut merged: Vec<Range<usize>> = Vec::with_capacity(ranges.len());
    for range in ranges {
        match merged.last_mut() {
            Some(last) if range.start < last.end => last.end = last.end.max(range.end),
            _ => merged.push(range),
        }
    }
    merged
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Status;

    /// A slow triangle with a sinusoidal waver and a deterministic jitter.
    fn wavering() -> (Vec<f64>, Vec<f64>, Vec<f64>) {
        let time: Vec<f64> = (0..400).map(|i| 0.1 * f64::from(i)).collect();
        let truth: Vec<f64> =
            time.iter().map(|t| 100.0 - 5.0 * (t - 20.0).abs() + (1.3 * t).sin()).collect();
        let pressure = truth
            .iter()
            .enumerate()
            .map(|(i, p)| p + 0.3 * f64::sin(1e4 * (i * i) as f64))
            .collect();
        let contact = truth.iter().map(|&p| f64::from(u8::from(p > 60.0))).collect();
        (time, pressure, contact)
    }

    #[test]
    fn the_event_lies_on_the_path_of_its_stretch() {
        let (time, pressure, contact) = wavering();
        let recording = Recording::new(&time, &pressure, &contact, None).expect("valid");
        let events = fit_events(&recording, &EventConfig::default(), None).expect("two changes");
        assert_eq!(events.len(), 2);
        let paths = fit_paths(&recording, &EventConfig::default()).expect("two strokes");
        for event in &events {
            let t = event.change.time_s();
            let there = paths.iter().find_map(|path| path.at(t)).expect("inside");
            let at = event.at.as_ref().expect("fitted");
            assert!((there.value - at.signal.value).abs() < 1e-9);
            assert!((there.var_rate - at.signal.var_rate).abs() < 1e-9);
            assert!((at.signal.value - 60.0).abs() < 4.0 * at.signal.var_value.sqrt() + 0.2);
        }
    }

    #[test]
    fn a_change_at_the_edge_is_told() {
        let (time, pressure, mut contact) = wavering();
        contact.fill(0.0);
        contact[398..].fill(1.0);
        let recording = Recording::new(&time, &pressure, &contact, None).expect("valid");
        let mut config = EventConfig::default();
        config.contact.dwell_s = 0.0;
        config.contact.closed = Some(crate::trace::Sense::High);
        let events = fit_events(&recording, &config, None).expect("one change");
        assert_eq!(events[0].at.as_ref().unwrap_err().status(), Status::EventAtEdge);
    }

    #[test]
    fn a_depression_logged_as_negative_is_told() {
        let (time, pressure, contact) = wavering();
        let negative: Vec<f64> = pressure.iter().map(|p| -p).collect();
        let recording = Recording::new(&time, &negative, &contact, None).expect("valid");
        let told = fit_events(&recording, &EventConfig::default(), None).unwrap_err();
        assert_eq!(told.status(), Status::BadValue);
        assert!(told.to_string().contains("depression"));
    }

    #[test]
    fn bad_options_are_refused() {
        assert!(EventConfig { edge: 1, ..EventConfig::default() }.validate().is_err());
        assert!(EventConfig { reach: 2, ..EventConfig::default() }.validate().is_err());
    }
}
