//! The whole stand: one recording, or many at once.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::gauge::{Display, Gauge};
use super::logger::Logger;
use super::motion::Motion;
use super::operator::Operator;
use super::path::affordable;
use super::random::{Stream, stream};
use super::switch::{Switch, TrueEvent};
use crate::base::Result;

/// Everything that makes a recording, apart from the seed.
///
/// ```
/// use deadband::simulate::{Gauge, Stand};
/// let stand = Stand {
///     gauge: Gauge { dead_time_s: 0.0, time_constant_s: 0.4, ..Gauge::default() },
///     ..Stand::default()
/// };
/// let recording = stand.record(7)?;
/// assert_eq!(recording.truth.len(), 6); // three cycles, each closes and opens once
/// assert_eq!(recording, stand.record(7)?); // a seed is a recording
/// # Ok::<(), deadband::base::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Stand {
    /// The switch under test.
    pub switch: Switch,
    /// The gauge on the line.
    pub gauge: Gauge,
    /// What moves the pressure.
    pub motion: Motion,
    /// What writes the recording.
    pub logger: Logger,
    /// Who calls the setpoints, if anybody.
    pub operator: Option<Operator>,
}

/// A recording as it would have been logged, and what really happened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Simulated {
    /// Times of the samples, s.
    pub time_s: Vec<f64>,
    /// Readings of the display, Pa.
    pub pressure_pa: Vec<f64>,
    /// The contact channel, V, ohm or 0 and 1 (see [`ContactSignal`](super::ContactSignal)).
    pub contact: Vec<f64>,
    /// Times of the contact channel where it has a clock of its own, s.
    pub contact_time_s: Option<Vec<f64>>,
    /// What the operator called for closing, Pa.
    pub called_close_pa: Option<f64>,
    /// What the operator called for opening, Pa.
    pub called_open_pa: Option<f64>,
    /// Every change of the contact, in order, bounces left out.
    pub truth: Vec<TrueEvent>,
}

impl Stand {
    /// Records once.
    ///
    /// # Errors
    ///
    /// [`Error::BadValue`](crate::base::Error::BadValue) naming the field that no stand can have,
    /// or saying that the recording would be longer than 20 million samples or grid points.
    pub fn record(&self, seed: u64) -> Result<Simulated> {
        self.validate()?;
        let leak_s = self.switch.leak_time_constant_s;
        let path = self.motion.path(leak_s, &mut stream(seed, Stream::Motion))?;
        let (until, _) = path.end();
        affordable("number of samples", until, self.logger.sample_s)?;
        let mut contact = self.switch.actuate(&path, &mut stream(seed, Stream::Switch))?;

        let gauge_rng = &mut stream(seed, Stream::Gauge);
        let display = Display::new(&self.gauge, &path, until, gauge_rng)?;
        for event in &mut contact.events {
            event.signal_pa = display.indication(event.time_s);
        }
        let clock_rng = &mut stream(seed, Stream::Clock);
        let time_s = self.logger.clock(until, clock_rng)?;
        let contact_time_s = self.logger.contact_clock(until, clock_rng)?;
        let pressure_pa = time_s.iter().map(|&time| display.reading(time, gauge_rng)).collect();
        let contact_rng = &mut stream(seed, Stream::Contact);
        let on_clock = contact_time_s.as_deref().unwrap_or(&time_s);
        let [called_close_pa, called_open_pa] =
            self.operator.as_ref().map_or([None; 2], |operator| {
                operator.call(
                    &contact.events,
                    &display,
                    self.logger.contact_delay_s,
                    self.gauge.resolution_pa,
                    &mut stream(seed, Stream::Operator),
                )
            });
        Ok(Simulated {
            contact: self.logger.contact(&contact, on_clock, contact_rng),
            time_s,
            pressure_pa,
            contact_time_s,
            called_close_pa,
            called_open_pa,
            truth: contact.events,
        })
    }

    fn validate(&self) -> Result<()> {
        self.switch.validate()?;
        self.gauge.validate()?;
        self.motion.validate()?;
        self.logger.validate()?;
        self.operator.as_ref().map_or(Ok(()), Operator::validate)
    }
}

/// Records every stand with its seed, on all threads; results in the order given.
///
/// ```
/// use deadband::simulate::{Stand, record_all};
/// let stand = Stand::default();
/// let fleet = record_all(&[(stand.clone(), 1), (stand.clone(), 2)]);
/// assert_eq!(fleet[1], stand.record(2));
/// ```
pub fn record_all(stands: &[(Stand, u64)]) -> Vec<Result<Simulated>> {
    stands.par_iter().map(|(stand, seed)| stand.record(*seed)).collect()
}
