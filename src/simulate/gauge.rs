//! The gauge: late, noisy, coarse and finite.

use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardUniform};
use serde::{Deserialize, Serialize};

use super::path::{Lagged, Path, affordable, resolved};
use super::random::normal;
use crate::base::error::{not_negative, positive};
use crate::base::{Error, Result};

/// A pressure gauge with a display.
///
/// Its signal is the true pressure through a dead time and a first-order lag,
/// `τ y' = p(t - dead) - y`. The display shows `offset + (1 + gain_error) y` plus white noise,
/// rounded to the display step and held at the ends of the range.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Gauge {
    /// Dead time, s.
    pub dead_time_s: f64,
    /// Time constant of the first-order lag, s.
    pub time_constant_s: f64,
    /// Display step, Pa; 0 for none.
    pub resolution_pa: f64,
    /// Time between updates of the display, which holds in between, s; 0 for a continuous one.
    pub refresh_s: f64,
    /// Standard deviation of the white noise of one reading, before rounding, Pa.
    pub noise_pa: f64,
    /// Offset of the zero, Pa.
    pub offset_pa: f64,
    /// Relative error of the gain.
    pub gain_error: f64,
    /// Range: readings stop at plus and minus this, Pa; none for no end.
    pub range_pa: Option<f64>,
}

impl Default for Gauge {
    fn default() -> Self {
        Self {
            dead_time_s: 0.05,
            time_constant_s: 0.30,
            resolution_pa: 1.0,
            refresh_s: 0.0,
            noise_pa: 0.5,
            offset_pa: 0.0,
            gain_error: 0.0,
            range_pa: None,
        }
    }
}

impl Gauge {
    /// Refuses what no gauge can be.
    pub(super) fn validate(&self) -> Result<()> {
        not_negative("dead_time_s", self.dead_time_s)?;
        if self.time_constant_s != 0.0 {
            resolved("time_constant_s", self.time_constant_s)?;
        }
        not_negative("resolution_pa", self.resolution_pa)?;
        if self.refresh_s != 0.0 {
            resolved("refresh_s", self.refresh_s)?;
        }
        not_negative("noise_pa", self.noise_pa)?;
        if !self.offset_pa.is_finite() {
            return Err(Error::BadValue {
                what: "offset_pa",
                value: self.offset_pa,
                must: "a finite number",
            });
        }
        if !(self.gain_error.is_finite() && self.gain_error > -1.0) {
            return Err(Error::BadValue {
                what: "gain_error",
                value: self.gain_error,
                must: "a finite number above -1",
            });
        }
        self.range_pa.map_or(Ok(()), |range| positive("range_pa", range).map(drop))
    }

    /// A reading of the signal, rounded and limited.
    fn show(&self, value: f64) -> f64 {
        let step = self.resolution_pa;
        let rounded = if step > 0.0 { (value / step).round() * step } else { value };
        let limit = self.range_pa.map_or(f64::INFINITY, |range| {
            if step > 0.0 { (range / step).floor() * step } else { range }
        });
        // The sum turns a negative zero into a zero.
        rounded.clamp(-limit, limit) + 0.0
    }
}

/// One gauge following one path.
#[derive(Debug)]
pub(super) struct Display<'a> {
    gauge: &'a Gauge,
    signal: Lagged<'a>,
    phase: f64,
    held: Vec<f64>,
}

impl<'a> Display<'a> {
    /// Computes every update of a display that holds between updates, up to `until`.
    pub(super) fn new(
        gauge: &'a Gauge,
        path: &'a Path,
        until: f64,
        rng: &mut ChaCha8Rng,
    ) -> Result<Self> {
        let signal = Lagged::new(path, gauge.dead_time_s, gauge.time_constant_s);
        let mut display = Self { gauge, signal, phase: 0.0, held: vec![] };
        if gauge.refresh_s > 0.0 {
            affordable("number of updates of the display", until, gauge.refresh_s)?;
            let share: f64 = StandardUniform.sample(rng);
            display.phase = -share * gauge.refresh_s;
            let mut update = display.phase;
            while update <= until {
                let reading = display.fresh(update, rng);
                display.held.push(reading);
                update = display.phase + display.held.len() as f64 * gauge.refresh_s;
            }
        }
        Ok(display)
    }

    /// The gauge's own signal with its offset and gain error, without noise and rounding.
    pub(super) fn indication(&self, time: f64) -> f64 {
        self.gauge.offset_pa + (1.0 + self.gauge.gain_error) * self.signal.at(time)
    }

    /// What the display shows at `time`, Pa.
    pub(super) fn reading(&self, time: f64, rng: &mut ChaCha8Rng) -> f64 {
        if self.held.is_empty() {
            return self.fresh(time, rng);
        }
        let updates = ((time - self.phase) / self.gauge.refresh_s).floor().max(0.0);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative")]
        self.held[(updates as usize).min(self.held.len() - 1)]
    }

    fn fresh(&self, time: f64, rng: &mut ChaCha8Rng) -> f64 {
        self.gauge.show(self.indication(time) + self.gauge.noise_pa * normal(rng))
    }
}
