//! A recording whose channels have been checked once, so that no later kernel has to.

use crate::base::Result;
use crate::base::channel::{enough, finite_range, increasing, numbers_range, same_length};

/// Fewer pressure samples than this cannot carry a path, a noise and a stroke.
pub const MIN_SAMPLES: usize = 8;

/// One test: the gauge's readings and the contact channel against time.
///
/// Times in s strictly increase; times and pressures (Pa) are finite. The contact channel may be a
/// voltage, a resistance or a 0/1 state, and may hold infinity for an open circuit; it has a clock
/// of its own or shares that of the pressure.
#[derive(Debug, Clone, Copy)]
pub struct Recording<'a> {
    time_s: &'a [f64],
    pressure_pa: &'a [f64],
    contact: &'a [f64],
    contact_time_s: &'a [f64],
    range_pa: (f64, f64),
    contact_range: (f64, f64),
}

impl<'a> Recording<'a> {
    /// Checks the channels. `contact_time_s` absent: the contact shares `time_s`.
    ///
    /// # Errors
    ///
    /// `LengthMismatch`, `TooFewSamples`, `NotFinite` or `TimeNotIncreasing` of
    /// [`Error`](crate::base::Error), naming the channel and the index.
    ///
    /// ```
    /// use deadband::{base::Status, trace::Recording};
    /// let time: Vec<f64> = (0..10).map(f64::from).collect();
    /// let contact = vec![0.0; 9];
    /// let error = Recording::new(&time, &time, &contact, None).unwrap_err();
    /// assert_eq!(error.status(), Status::LengthMismatch);
    /// ```
    pub fn new(
        time_s: &'a [f64],
        pressure_pa: &'a [f64],
        contact: &'a [f64],
        contact_time_s: Option<&'a [f64]>,
    ) -> Result<Self> {
        same_length(("time_s", time_s), ("pressure_pa", pressure_pa))?;
        match contact_time_s {
            None => same_length(("time_s", time_s), ("contact", contact))?,
            Some(clock) => same_length(("contact_time_s", clock), ("contact", contact))?,
        }
        enough("pressure samples", time_s.len(), MIN_SAMPLES)?;
        enough("contact samples", contact.len(), 2)?;
        let range_pa = finite_range("pressure_pa", pressure_pa)?;
        increasing("time_s", time_s)?;
        if let Some(clock) = contact_time_s {
            increasing("contact_time_s", clock)?;
        }
        let contact_range = numbers_range("contact", contact)?;
        let contact_time_s = contact_time_s.unwrap_or(time_s);
        Ok(Self { time_s, pressure_pa, contact, contact_time_s, range_pa, contact_range })
    }

    /// The least and the greatest reading, Pa.
    pub const fn range_pa(&self) -> (f64, f64) {
        self.range_pa
    }

    /// The least and the greatest value of the contact channel.
    pub(super) const fn contact_range(&self) -> (f64, f64) {
        self.contact_range
    }

    /// Clock of the pressure, s.
    pub const fn time_s(&self) -> &'a [f64] {
        self.time_s
    }

    /// Gauge readings, Pa.
    pub const fn pressure_pa(&self) -> &'a [f64] {
        self.pressure_pa
    }

    /// Contact channel, in whatever the meter logs.
    pub const fn contact(&self) -> &'a [f64] {
        self.contact
    }

    /// Clock of the contact, s.
    pub const fn contact_time_s(&self) -> &'a [f64] {
        self.contact_time_s
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Status;

    fn status(time: &[f64], pressure: &[f64], contact: &[f64]) -> Status {
        Recording::new(time, pressure, contact, None).map_or_else(|e| e.status(), |_| Status::Ok)
    }

    #[test]
    fn each_fault_is_told_apart() {
        let clock: Vec<f64> = (0..9).map(f64::from).collect();
        assert_eq!(status(&clock, &clock, &clock), Status::Ok);
        assert_eq!(status(&clock[..7], &clock[..7], &clock[..7]), Status::TooFewSamples);
        assert_eq!(status(&clock, &clock[..8], &clock), Status::LengthMismatch);
        let mut broken = clock.clone();
        broken[4] = f64::INFINITY;
        assert_eq!(status(&clock, &broken, &clock), Status::NotFinite);
        assert_eq!(status(&broken, &clock, &clock), Status::NotFinite);
        broken[4] = 3.0;
        assert_eq!(status(&broken, &clock, &clock), Status::TimeNotIncreasing);
        broken[4] = f64::NAN;
        assert_eq!(status(&clock, &clock, &broken), Status::NotFinite);
    }

    #[test]
    fn an_open_circuit_may_read_infinite() {
        let clock: Vec<f64> = (0..9).map(f64::from).collect();
        let contact = [0.2, 0.2, f64::INFINITY, f64::INFINITY, 0.2, 0.2, 0.2, 0.2, 0.2];
        assert_eq!(status(&clock, &clock, &contact), Status::Ok);
    }
}
