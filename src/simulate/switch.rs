//! The switch: where its contact changes on the true path, and how it bounces.

use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Poisson, Uniform};
use serde::{Deserialize, Serialize};

use super::path::{Path, resolved};
use super::random::normal;
use crate::base::error::{not_negative, positive};
use crate::base::{Error, Result};

/// A draft switch: the contact closes on rising pressure and opens on falling pressure.
///
/// Each change has a threshold of its own, the setpoint plus normal scatter of `repeatability_pa`;
/// an opening threshold is never drawn above the closing one before it, nor the other way round.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Switch {
    /// Mean pressure at which the contact closes, Pa.
    pub close_pa: f64,
    /// Mean pressure at which the contact opens, Pa.
    pub open_pa: f64,
    /// Standard deviation of the thresholds from cycle to cycle, Pa.
    pub repeatability_pa: f64,
    /// Mean number of extra break/make pairs after a change (Poisson).
    pub bounces: f64,
    /// Mean length of each make or break while bouncing, s.
    pub bounce_s: f64,
    /// Sticking: added to the first closing threshold, taken off the first opening one, Pa.
    pub first_cycle_shift_pa: f64,
    /// Leaking diaphragm or hose: time constant with which the pressure of an isolated hold decays
    /// to ambient, s; none for a tight one.
    pub leak_time_constant_s: Option<f64>,
    /// A contact that never changes: always closed (true) or always open (false).
    pub stuck: Option<bool>,
}

impl Default for Switch {
    fn default() -> Self {
        Self {
            close_pa: 70.0,
            open_pa: 60.0,
            repeatability_pa: 0.3,
            bounces: 0.0,
            bounce_s: 0.002,
            first_cycle_shift_pa: 0.0,
            leak_time_constant_s: None,
            stuck: None,
        }
    }
}

/// One change of the contact as it really happened.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrueEvent {
    /// The contact closed (true) or opened (false).
    pub close: bool,
    /// Instant, s.
    pub time_s: f64,
    /// True pressure at the switch then, Pa.
    pub pressure_pa: f64,
    /// Threshold of this change, Pa. Differs from `pressure_pa` by rounding only.
    pub threshold_pa: f64,
    /// Rate of the true pressure then, Pa/s, negative when falling.
    pub rate_pa_s: f64,
    /// What the gauge would have shown then without noise and rounding, Pa.
    pub signal_pa: f64,
}

/// The contact through time: where it starts and when it toggles, bounces included.
#[derive(Debug)]
pub(super) struct Contact {
    pub(super) initially_closed: bool,
    pub(super) toggles: Vec<f64>,
    pub(super) events: Vec<TrueEvent>,
}

impl Contact {
    /// Whether the contact is closed at `time`.
    pub(super) fn closed_at(&self, time: f64) -> bool {
        let toggled = self.toggles.partition_point(|&toggle| toggle <= time) % 2 == 1;
        self.initially_closed != toggled
    }
}

impl Switch {
    /// Refuses what no switch can be.
    pub(super) fn validate(&self) -> Result<()> {
        positive("close_pa", self.close_pa)?;
        positive("open_pa", self.open_pa)?;
        if self.open_pa >= self.close_pa {
            return Err(Error::BadValue {
                what: "open_pa",
                value: self.open_pa,
                must: "below close_pa",
            });
        }
        not_negative("repeatability_pa", self.repeatability_pa)?;
        if not_negative("bounces", self.bounces)? > 1000.0 {
            return Err(Error::BadValue {
                what: "bounces",
                value: self.bounces,
                must: "at most 1000",
            });
        }
        resolved("bounce_s", self.bounce_s)?;
        not_negative("first_cycle_shift_pa", self.first_cycle_shift_pa)?;
        self.leak_time_constant_s
            .map_or(Ok(()), |leak| resolved("leak_time_constant_s", leak).map(drop))
    }

    /// Follows the path. The contact starts as if the pressure had risen to where the path begins.
    pub(super) fn actuate(&self, path: &Path, rng: &mut ChaCha8Rng) -> Result<Contact> {
        if let Some(closed) = self.stuck {
            return Ok(Contact { initially_closed: closed, toggles: vec![], events: vec![] });
        }
        let mut shift = [self.first_cycle_shift_pa; 2];
        let mut draw = |close: bool, previous: f64| {
            let shift = std::mem::take(&mut shift[usize::from(close)]);
            let scatter = self.repeatability_pa * normal(rng);
            if close {
                (self.close_pa + shift + scatter).max(previous)
            } else {
                (self.open_pa - shift + scatter).min(previous)
            }
        };
        let mut threshold = draw(true, f64::NEG_INFINITY);
        let mut closed = path.pressure[0] >= threshold;
        let initially_closed = closed;
        if closed {
            threshold = draw(false, threshold);
        }
        let mut events = Vec::new();
        for i in 0..path.time.len() - 1 {
            let (from, to) = (path.pressure[i], path.pressure[i + 1]);
            let passed =
                if closed { to <= threshold && to < from } else { to >= threshold && to > from };
            if passed {
                let share = ((threshold - from) / (to - from)).clamp(0.0, 1.0);
                closed = !closed;
                events.push(TrueEvent {
                    close: closed,
                    time_s: path.time[i] + share * (path.time[i + 1] - path.time[i]),
                    pressure_pa: from + share * (to - from),
                    threshold_pa: threshold,
                    rate_pa_s: path.slope(i),
                    signal_pa: f64::NAN,
                });
                threshold = draw(!closed, threshold);
            }
        }
        let toggles = self.bounced(&events, rng)?;
        Ok(Contact { initially_closed, toggles, events })
    }

    /// Every toggle: the changes themselves and the pairs of bounces that fit before the next one.
    fn bounced(&self, events: &[TrueEvent], rng: &mut ChaCha8Rng) -> Result<Vec<f64>> {
        if self.bounces == 0.0 {
            return Ok(events.iter().map(|event| event.time_s).collect());
        }
        let bad = |_| Error::BadValue { what: "bounces", value: self.bounces, must: "finite" };
        let number = Poisson::new(self.bounces).map_err(bad)?;
        let bad = |_| Error::BadValue { what: "bounce_s", value: self.bounce_s, must: "finite" };
        let length = Uniform::new(0.5 * self.bounce_s, 1.5 * self.bounce_s).map_err(bad)?;
        let mut toggles = Vec::with_capacity(4 * events.len());
        for (i, event) in events.iter().enumerate() {
            let limit = events.get(i + 1).map_or(f64::INFINITY, |next| next.time_s);
            toggles.push(event.time_s);
            let (mut time, mut pairs) = (event.time_s, number.sample(rng));
            while pairs >= 1.0 {
                let away = time + length.sample(rng);
                time = away + length.sample(rng);
                if time >= limit {
                    break;
                }
                toggles.extend([away, time]);
                pairs -= 1.0;
            }
        }
        Ok(toggles)
    }
}
