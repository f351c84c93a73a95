//! The operator: sees or hears the contact change and reads the display a little later.

use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use super::gauge::Display;
use super::random::normal;
use super::switch::TrueEvent;
use crate::base::Result;
use crate::base::error::not_negative;

/// Somebody who writes the reading down when the contact changes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Operator {
    /// Mean time from the change of the contact's meter to the glance at the display, s.
    pub reaction_s: f64,
    /// Standard deviation of that time, s; nobody reacts before the change.
    pub reaction_sd_s: f64,
}

impl Default for Operator {
    fn default() -> Self {
        Self { reaction_s: 0.35, reaction_sd_s: 0.10 }
    }
}

impl Operator {
    /// Refuses what no operator can be.
    pub(super) fn validate(&self) -> Result<()> {
        not_negative("reaction_s", self.reaction_s)?;
        not_negative("reaction_sd_s", self.reaction_sd_s).map(drop)
    }

    /// Mean of the readings at the closings and of those at the openings, Pa, rounded to the
    /// display step; none where there was no such change.
    pub(super) fn call(
        &self,
        events: &[TrueEvent],
        display: &Display,
        meter_delay_s: f64,
        step_pa: f64,
        rng: &mut ChaCha8Rng,
    ) -> [Option<f64>; 2] {
        let (mut sums, mut counts) = ([0.0; 2], [0_u32; 2]);
        for event in events {
            let reaction = (self.reaction_s + self.reaction_sd_s * normal(rng)).max(0.0);
            let which = usize::from(!event.close);
            sums[which] += display.reading(event.time_s + meter_delay_s + reaction, rng);
            counts[which] += 1;
        }
        let called = |which: usize| {
            let mean = sums[which] / f64::from(counts[which]);
            let rounded = if step_pa > 0.0 { (mean / step_pa).round() * step_pa } else { mean };
            (counts[which] > 0).then_some(rounded + 0.0)
        };
        [called(0), called(1)]
    }
}
