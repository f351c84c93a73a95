//! What the evidence is read from, and the side on which it is dangerous.

use serde::{Deserialize, Serialize};

use crate::base::error::not_negative;
use crate::base::{Error, Result};

/// One change of the contact, as the fit of a recording gives it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Change {
    /// The contact made (`true`) or broke (`false`).
    pub close: bool,
    /// Cycle of the test in which it happened, counted upwards.
    pub cycle: i32,
    /// Pressure at the switch, Pa.
    pub pressure_pa: f64,
    /// Standard uncertainty of that pressure as far as it is this change's own, Pa. What all
    /// changes of a test have in common (the gauge's calibration) cancels between them.
    pub u_pa: f64,
    /// Reversals of the contact merged into this change.
    pub bounces: i32,
    /// Width of the bracket in time, s.
    pub time_width_s: f64,
    /// Rate of the pressure at the change, Pa/s, rising positive.
    pub rate_pa_s: f64,
    /// Whether the gauge's lag is out of `pressure_pa`.
    pub lag_applied: bool,
}

impl Change {
    /// The change itself, if its numbers are usable.
    ///
    /// # Errors
    ///
    /// [`Error::NotFinite`] for a pressure or a rate that is no number, [`Error::BadValue`] for a negative
    /// uncertainty, width or count of bounces.
    pub fn validated(self, index: usize) -> Result<Self> {
        for (channel, value) in [
            ("the pressure of a change", self.pressure_pa),
            ("the rate of a change", self.rate_pa_s),
        ] {
            if !value.is_finite() {
                return Err(Error::NotFinite { channel, index, value });
            }
        }
        not_negative("u_pa of a change", self.u_pa)?;
        not_negative("time_width_s of a change", self.time_width_s)?;
        not_negative("bounces of a change", f64::from(self.bounces))?;
        Ok(self)
    }
}

/// The side on which a finding is dangerous.
///
/// ```
/// assert_eq!(deadband::condition::Side::Unsafe.code(), "unsafe");
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// The contact may prove a draft that is not there.
    Unsafe,
    /// The contact may lock the appliance out without need.
    Nuisance,
    /// Something was found, and which of the two it is cannot be told: to be taken for unsafe.
    Unknown,
    /// Nothing was found.
    None,
}

impl Side {
    /// The code in a table.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Unsafe => "unsafe",
            Self::Nuisance => "nuisance",
            Self::Unknown => "unknown",
            Self::None => "none",
        }
    }

    /// The side of a flagged departure downwards or upwards: the lower the pressure at which a
    /// contact changes, the less draft it proves.
    pub(crate) fn of_departure(flagged: bool, departure: f64) -> Self {
        match (flagged, departure < 0.0) {
            (false, _) => Self::None,
            (true, true) => Self::Unsafe,
            (true, false) => Self::Nuisance,
        }
    }
}

/// A p-value as a reader expects it: `p = 0.012`, and `p < 0.001` below that.
pub(crate) fn p_text(p: f64) -> String {
    if p < 0.001 { "p < 0.001".to_owned() } else { format!("p = {p:.3}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: Change = Change {
        close: true,
        cycle: 1,
        pressure_pa: 60.0,
        u_pa: 0.2,
        bounces: 0,
        time_width_s: 0.1,
        rate_pa_s: 5.0,
        lag_applied: true,
    };

    #[test]
    fn unusable_numbers_are_named() {
        assert_eq!(GOOD.validated(0), Ok(GOOD));
        for lost in
            [Change { pressure_pa: f64::NAN, ..GOOD }, Change { rate_pa_s: f64::INFINITY, ..GOOD }]
        {
            assert!(lost.validated(3).is_err_and(|e| e.to_string().contains("index 3")));
        }
        for bad in [
            Change { u_pa: -0.1, ..GOOD },
            Change { bounces: -1, ..GOOD },
            Change { time_width_s: f64::INFINITY, ..GOOD },
        ] {
            assert!(bad.validated(0).is_err());
        }
    }

    #[test]
    fn small_p_values_are_not_printed_as_zero() {
        assert_eq!(p_text(1e-9), "p < 0.001");
        assert_eq!(p_text(0.0123), "p = 0.012");
    }
}
