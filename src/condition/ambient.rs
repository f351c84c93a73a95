//! What the gauge shows of the atmosphere, and how that drifts while the line is shut.

use std::ops::Range;

use serde::{Deserialize, Serialize};

use super::hold::{HoldConfig, check_recording, rests};
use crate::base::{Result, order};

/// Standard uncertainty of a gauge's drift where no rest in the recording tells it, Pa/s. Our own
/// allowance: 0.6 Pa a minute, for warming and wind.
pub const DRIFT_ALLOWANCE_PA_S: f64 = 0.01;

/// The zero that a hold is measured against.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Ambient {
    /// What the gauge would have shown with the line open in the middle of the hold, Pa.
    pub pressure_pa: f64,
    /// Its standard uncertainty, Pa.
    pub u_pa: f64,
    /// Drift of the zero, Pa/s.
    pub rate_pa_s: f64,
    /// Its standard uncertainty, Pa/s.
    pub rate_u_pa_s: f64,
    /// The drift was measured between a rest before the hold and one after it.
    pub measured: bool,
}

/// One rest: its middle, what the gauge showed, and how well that is known.
struct Rest {
    time_s: f64,
    pressure_pa: f64,
    u_pa: f64,
}

/// The zero during a hold, from the rests of the line at the atmosphere in the same recording.
///
/// A rest is a quiet stretch of at least a second within 5 % of the largest pressure; what the gauge
/// shows in it is the median of its readings, known to the larger of `1.25 sd/√n` and the display
/// step over `√12`. With a rest on either side of the hold, the zero is interpolated between the
/// last before and the first after, and its drift is their difference over the time between them.
/// With rests on one side only, the nearest is the zero, and the drift is nought with
/// [`DRIFT_ALLOWANCE_PA_S`] for its uncertainty; with none, the zero is nought as well.
///
/// # Errors
///
/// Those of [`super::holds()`].
///
/// ```
/// use deadband::condition::ambient;
/// let time: Vec<f64> = (0..400).map(|i| 0.1 * f64::from(i)).collect();
/// // At rest, up to 100 Pa, shut, down and at rest again, the zero drifting by 0.02 Pa/s.
/// let shape = |t: f64| (20.0 * (t - 5.0)).min(100.0).min(20.0 * (35.0 - t)).max(0.0);
/// let pressure: Vec<f64> = time.iter().map(|&t| shape(t) + 0.02 * t).collect();
/// let found = ambient(&time, &pressure, &(100..300), 0.0)?;
/// assert!(found.measured && (found.rate_pa_s - 0.02).abs() < 0.001);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn ambient(
    time_s: &[f64],
    pressure_pa: &[f64],
    hold: &Range<usize>,
    resolution_pa: f64,
) -> Result<Ambient> {
    check_recording(time_s, pressure_pa)?;
    let found = rests(time_s, pressure_pa, &HoldConfig::default())?;
    let rest = |range: &Range<usize>| summed(time_s, pressure_pa, range, resolution_pa);
    let before = found.iter().rfind(|range| range.end <= hold.start).and_then(rest);
    let after = found.iter().find(|range| range.start >= hold.end).and_then(rest);
    let alone = |rest: &Rest| Ambient {
        pressure_pa: rest.pressure_pa,
        u_pa: rest.u_pa,
        rate_pa_s: 0.0,
        rate_u_pa_s: DRIFT_ALLOWANCE_PA_S,
        measured: false,
    };
    Ok(match (before, after) {
        (Some(one), Some(other)) => {
            let span = other.time_s - one.time_s;
            let middle = f64::midpoint(time_s[hold.start], time_s[hold.end - 1]);
            let share = (middle - one.time_s) / span;
            Ambient {
                pressure_pa: one.pressure_pa + share * (other.pressure_pa - one.pressure_pa),
                u_pa: ((1.0 - share) * one.u_pa).hypot(share * other.u_pa),
                rate_pa_s: (other.pressure_pa - one.pressure_pa) / span,
                rate_u_pa_s: one.u_pa.hypot(other.u_pa) / span,
                measured: true,
            }
        }
        (Some(one), None) | (None, Some(one)) => alone(&one),
        (None, None) => alone(&Rest { time_s: 0.0, pressure_pa: 0.0, u_pa: 0.0 }),
    })
}

fn summed(
    time_s: &[f64],
    pressure_pa: &[f64],
    range: &Range<usize>,
    resolution_pa: f64,
) -> Option<Rest> {
    let mut values = pressure_pa[range.clone()].to_vec();
    let centre = order::median(&mut values)?;
    let n = values.len() as f64;
    let scatter = (values.iter().map(|v| (v - centre).powi(2)).sum::<f64>() / n).sqrt();
    Some(Rest {
        time_s: f64::midpoint(time_s[range.start], time_s[range.end - 1]),
        pressure_pa: centre,
        u_pa: (1.25 * scatter / n.sqrt()).max(resolution_pa / 12.0_f64.sqrt()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recording(before_s: f64, after_s: f64, zero: f64) -> (Vec<f64>, Vec<f64>, Range<usize>) {
        let end = before_s + 30.0 + after_s;
        let time: Vec<f64> =
            (0..1000).map(|i| 0.1 * f64::from(i)).take_while(|&t| t < end).collect();
        let shape = |t: f64| {
            let t = t - before_s;
            (20.0 * t).min(100.0).min(20.0 * (30.0 - t)).max(0.0)
        };
        let pressure = time.iter().map(|&t| shape(t) + zero + 0.02 * t).collect();
        let at = |s: f64| time.iter().position(|&t| t >= before_s + s).unwrap_or(0);
        let hold = at(6.0)..at(24.0);
        (time, pressure, hold)
    }

    #[test]
    fn two_rests_tell_the_drift_and_one_only_the_zero() {
        let (time, pressure, hold) = recording(5.0, 5.0, 1.0);
        let both = ambient(&time, &pressure, &hold, 0.1).expect("valid");
        assert!(both.measured && (both.rate_pa_s - 0.02).abs() < 0.002, "{both:?}");
        assert!((both.pressure_pa - 1.4).abs() < 0.05, "{both:?}");
        assert!((both.rate_u_pa_s - 0.1 * (2.0_f64 / 12.0).sqrt() / 35.0).abs() < 2e-4);
        for (before, after, zero) in [(5.0, 0.0, 1.05), (0.0, 5.0, 1.65)] {
            let (time, pressure, hold) = recording(before, after, 1.0);
            let one = ambient(&time, &pressure, &hold, 0.1).expect("valid");
            assert!(!one.measured && one.rate_u_pa_s == DRIFT_ALLOWANCE_PA_S);
            assert!((one.pressure_pa - zero).abs() < 0.1, "{one:?}");
        }
        let (time, pressure, hold) = recording(0.0, 0.0, 1.0);
        let none = ambient(&time, &pressure, &hold, 0.1).expect("valid");
        assert_eq!((none.pressure_pa, none.rate_pa_s, none.measured), (0.0, 0.0, false));
    }
}
