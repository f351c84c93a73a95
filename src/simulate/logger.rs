//! The logger: clocks and the contact channel.

use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardUniform};
use serde::{Deserialize, Serialize};

use super::path::{affordable, resolved};
use super::random::{factor, normal};
use super::switch::Contact;
use crate::base::error::{not_negative, positive};
use crate::base::{Error, Result};

/// What the contact channel records. In a serialised stand `kind` names the variant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum ContactSignal {
    /// Voltage across the contact: low when closed.
    Voltage {
        /// Reading of an open contact, V.
        open_v: f64,
        /// Reading of a closed contact, V.
        closed_v: f64,
        /// Standard deviation of the noise, V.
        noise_v: f64,
    },
    /// Resistance of the contact: low when closed.
    Ohm {
        /// Reading of an open contact, ohm.
        open_ohm: f64,
        /// Reading of a closed contact, ohm.
        closed_ohm: f64,
        /// Relative standard deviation of a reading.
        noise: f64,
    },
    /// 1 when closed, 0 when open.
    Boolean,
}

impl Default for ContactSignal {
    /// A 24 V control circuit.
    fn default() -> Self {
        Self::Voltage { open_v: 24.0, closed_v: 0.1, noise_v: 0.05 }
    }
}

impl ContactSignal {
    fn validate(&self) -> Result<()> {
        let (high, low, noise, must) = match *self {
            Self::Voltage { open_v, closed_v, noise_v } => {
                (open_v, closed_v, noise_v, "zero or above, and below open_v")
            }
            Self::Ohm { open_ohm, closed_ohm, noise } => {
                (open_ohm, closed_ohm, noise, "zero or above, and below open_ohm")
            }
            Self::Boolean => return Ok(()),
        };
        positive("open level of the contact", high)?;
        not_negative("noise of the contact", noise)?;
        if (0.0..high).contains(&low) {
            Ok(())
        } else {
            Err(Error::BadValue { what: "closed level of the contact", value: low, must })
        }
    }

    fn reading(&self, closed: bool, rng: &mut ChaCha8Rng) -> f64 {
        match *self {
            Self::Voltage { open_v, closed_v, noise_v } => {
                (if closed { closed_v } else { open_v }) + noise_v * normal(rng)
            }
            Self::Ohm { open_ohm, closed_ohm, noise } => {
                (if closed { closed_ohm } else { open_ohm }) * factor(rng, noise)
            }
            Self::Boolean => f64::from(u8::from(closed)),
        }
    }
}

/// The logger that writes the display and the contact meter down.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Logger {
    /// Mean interval between samples, s.
    pub sample_s: f64,
    /// Relative standard deviation of one interval (lognormal: times always increase).
    pub jitter: f64,
    /// Mean interval of the contact channel's own clock, s; none where it shares the clock.
    pub contact_sample_s: Option<f64>,
    /// What the contact channel records.
    pub contact: ContactSignal,
    /// Delay of the contact meter, s.
    pub contact_delay_s: f64,
}

impl Default for Logger {
    fn default() -> Self {
        Self {
            sample_s: 0.1,
            jitter: 0.0,
            contact_sample_s: None,
            contact: ContactSignal::default(),
            contact_delay_s: 0.0,
        }
    }
}

impl Logger {
    /// Refuses what no logger can be.
    pub(super) fn validate(&self) -> Result<()> {
        resolved("sample_s", self.sample_s)?;
        if not_negative("jitter", self.jitter)? > 1.0 {
            return Err(Error::BadValue {
                what: "jitter",
                value: self.jitter,
                must: "between 0 and 1",
            });
        }
        if let Some(interval) = self.contact_sample_s {
            resolved("contact_sample_s", interval)?;
        }
        not_negative("contact_delay_s", self.contact_delay_s)?;
        self.contact.validate()
    }

    /// Times of the samples, from 0 to `until`.
    pub(super) fn clock(&self, until: f64, rng: &mut ChaCha8Rng) -> Result<Vec<f64>> {
        ticks("number of samples", 0.0, self.sample_s, self.jitter, until, rng)
    }

    /// Times of the contact's own samples, from a random phase to `until`; none where it has no
    /// clock of its own.
    pub(super) fn contact_clock(
        &self,
        until: f64,
        rng: &mut ChaCha8Rng,
    ) -> Result<Option<Vec<f64>>> {
        let Some(interval) = self.contact_sample_s else { return Ok(None) };
        let share: f64 = StandardUniform.sample(rng);
        ticks("number of contact samples", share * interval, interval, self.jitter, until, rng)
            .map(Some)
    }

    /// What the meter on the contact shows at `times`.
    pub(super) fn contact(
        &self,
        contact: &Contact,
        times: &[f64],
        rng: &mut ChaCha8Rng,
    ) -> Vec<f64> {
        let read =
            |&time: &f64| self.contact.reading(contact.closed_at(time - self.contact_delay_s), rng);
        times.iter().map(read).collect()
    }
}

/// A regular clock where there is no jitter, a renewal process otherwise.
fn ticks(
    what: &'static str,
    start: f64,
    interval: f64,
    jitter: f64,
    until: f64,
    rng: &mut ChaCha8Rng,
) -> Result<Vec<f64>> {
    affordable(what, until, interval)?;
    let mut times = Vec::new();
    let mut time = start;
    while time <= until {
        times.push(time);
        let next = if jitter > 0.0 {
            time + interval * factor(rng, jitter)
        } else {
            start + times.len() as f64 * interval
        };
        // Rounding may swallow an interval late in a long recording.
        time = if next > time { next } else { time.next_up() };
    }
    Ok(times)
}
