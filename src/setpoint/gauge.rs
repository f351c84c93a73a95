//! What is stated of a gauge.

use crate::base::{Result, error};

/// What the gauge's maker or its certificate states.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct GaugeSpec {
    /// Display step, Pa.
    pub resolution_pa: Option<f64>,
    /// Limit of error relative to the reading.
    pub accuracy_rel: Option<f64>,
    /// Limit of error, Pa, added to the relative one.
    pub accuracy_abs_pa: Option<f64>,
}

impl GaugeSpec {
    /// Standard uncertainty at pressure `p` and of a difference `d` of two pressures, from limits
    /// `±(a + b|p|)` taken as rectangular (JCGM 100, 4.3.7); `None` when nothing is stated.
    ///
    /// Both pressures are read on the same gauge: the constant part cancels in a difference.
    pub(super) fn accuracy(&self) -> Option<impl Fn(f64) -> (f64, f64)> {
        if self.accuracy_rel.is_none() && self.accuracy_abs_pa.is_none() {
            return None;
        }
        let (rel, abs) = (self.accuracy_rel.unwrap_or(0.0), self.accuracy_abs_pa.unwrap_or(0.0));
        let half_width = 3.0_f64.sqrt();
        Some(move |p: f64| ((abs + rel * p.abs()) / half_width, rel * p.abs() / half_width))
    }

    pub(super) fn validate(&self) -> Result<()> {
        for (what, value) in [
            ("resolution_pa", self.resolution_pa),
            ("accuracy_rel", self.accuracy_rel),
            ("accuracy_abs_pa", self.accuracy_abs_pa),
        ] {
            error::not_negative(what, value.unwrap_or(0.0))?;
        }
        Ok(())
    }
}
