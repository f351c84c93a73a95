//! What all charts share: the process in control, the points drawn and the signals.

use serde::{Deserialize, Serialize};

use crate::base::channel::{enough, finite, same_length};
use crate::base::error::{not_negative, positive};
use crate::base::{Error, Result};

/// A process in control: what its tests scatter about, and by how much.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Process {
    /// Value in control, in the unit of the tests.
    pub target: f64,
    /// Standard deviation from test to test beyond the tests' own uncertainties, same unit; zero
    /// where these explain all of it.
    pub sd: f64,
}

/// The side on which a chart signals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Above the upper limit.
    Above,
    /// Below the lower limit.
    Below,
}

/// A test at which a chart signals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Signal {
    /// Index of the test.
    pub index: usize,
    /// The limit that was passed.
    pub side: Side,
}

/// A charted statistic with its limits, all in the unit of the tests.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// The statistic.
    pub value: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

impl Point {
    /// The limit that is passed, if one is; on the limit is inside.
    pub fn side(&self) -> Option<Side> {
        if self.value > self.high {
            Some(Side::Above)
        } else if self.value < self.low {
            Some(Side::Below)
        } else {
            None
        }
    }
}

/// What a chart that remembers does after a signal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AfterSignal {
    /// Goes on with what it remembers, and signals until that is back inside.
    #[default]
    Continue,
    /// Starts anew with the next test, as after a repair.
    Restart,
}

/// Signals of points in order.
pub(super) fn signals(points: &[Point]) -> Vec<Signal> {
    let sided = points.iter().enumerate();
    sided.filter_map(|(index, p)| p.side().map(|side| Signal { index, side })).collect()
}

/// Standard deviation of every test in control, `√(sd² + uᵢ²)`.
///
/// Refuses no tests at all, values or uncertainties that are no numbers, and a test that cannot
/// scatter.
pub(super) fn scatter(values: &[f64], u: &[f64], process: &Process) -> Result<Vec<f64>> {
    same_length(("u", u), ("values", values))?;
    enough("tests on the chart", values.len(), 1)?;
    finite("values", values)?;
    sds(u, process)
}

/// As [`scatter`], of the uncertainties alone.
pub(super) fn sds(u: &[f64], process: &Process) -> Result<Vec<f64>> {
    if !process.target.is_finite() {
        let must = "a finite number";
        return Err(Error::BadValue { what: "target", value: process.target, must });
    }
    not_negative("sd", process.sd)?;
    let sd = |&u: &f64| {
        not_negative("u", u)?;
        positive("standard deviation of a test in control", process.sd.hypot(u))
    };
    u.iter().map(sd).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn on_the_limit_is_inside() {
        let point = |value| Point { value, low: -1.0, high: 1.0 };
        let sides = [-1.5, -1.0, 1.0, 1.5].map(|value| point(value).side());
        assert_eq!(sides, [Some(Side::Below), None, None, Some(Side::Above)]);
    }

    #[test]
    fn what_cannot_be_charted_is_refused() {
        let process = Process { target: 60.0, sd: 0.0 };
        let refused =
            |values: &[f64], u: &[f64], process| scatter(values, u, &process).unwrap_err();
        assert!(matches!(refused(&[], &[], process), Error::TooFewSamples { .. }));
        assert!(matches!(refused(&[1.0], &[], process), Error::LengthMismatch { .. }));
        assert!(matches!(refused(&[f64::NAN], &[1.0], process), Error::NotFinite { .. }));
        assert!(matches!(refused(&[1.0], &[f64::NAN], process), Error::BadValue { what: "u", .. }));
        assert!(matches!(refused(&[1.0], &[0.0], process), Error::BadValue { .. }));
        let lost = Process { target: f64::INFINITY, sd: 1.0 };
        assert!(matches!(refused(&[1.0], &[0.0], lost), Error::BadValue { what: "target", .. }));
        let negative = Process { target: 0.0, sd: -1.0 };
        assert!(matches!(refused(&[1.0], &[0.0], negative), Error::BadValue { what: "sd", .. }));
        assert_eq!(scatter(&[1.0], &[4.0], &Process { target: 0.0, sd: 3.0 }), Ok(vec![5.0]));
    }
}
