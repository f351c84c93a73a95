//! Which model of the gauge's signal gave a pressure.

use serde::{Deserialize, Serialize};

/// Which model of the gauge's signal gave the pressure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Model {
    /// The smoothed path of [`crate::smooth`].
    Smooth,
    /// An exponential fall.
    Relaxation,
    /// The smoothed path of a display so coarse that each reading is an interval
    /// ([`crate::smooth::coarse`]).
    Interval,
}

impl Model {
    /// The name in the `model` column.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Smooth => "smooth",
            Self::Relaxation => "relaxation",
            Self::Interval => "interval",
        }
    }
}
