//! Stretches of a recording in which the pressure stands by itself, well above ambient.

use std::ops::Range;

use serde::{Deserialize, Serialize};

use crate::base::channel::{finite, increasing, same_length};
use crate::base::error::{not_negative, positive};
use crate::base::{Error, Result};

/// What counts as a hold. The defaults are our own choice.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HoldConfig {
    /// What the gauge shows with the line open, Pa.
    pub ambient_pa: f64,
    /// Least distance from ambient, as a share of the largest in the recording.
    pub least_share: f64,
    /// Least duration, s.
    pub least_s: f64,
    /// Time over which a rate is taken, s.
    pub window_s: f64,
    /// Largest rate, as a share of the rate at which the pressure is driven.
    pub quiet: f64,
}

impl Default for HoldConfig {
    fn default() -> Self {
        Self { ambient_pa: 0.0, least_share: 0.2, least_s: 5.0, window_s: 2.0, quiet: 0.2 }
    }
}

/// Index ranges of the holds, in order of time; empty when there is none.
///
/// The local rate at a sample is the mean of the readings in the half window after it minus that
/// of the half window before it, over the distance of their times. The rate at which the pressure
/// is driven is the one below which a quarter of the recording's whole travel happened, so that a
/// slow ramp sets it even where the release is a fall of a fraction of a second, and a leak does
/// not. A hold is a run of samples further from ambient than `least_share` of the largest distance,
/// with a local rate of at most `quiet` times the driven one, lasting `least_s` or longer.
///
/// A recording without any ramp has no driven rate to compare with; give its range to
/// [`super::leak()`] directly. A pump held still by hand is no isolated hold: the caller must know
/// that the line was shut.
///
/// # Errors
///
/// [`Error::LengthMismatch`], [`Error::NotFinite`], [`Error::TimeNotIncreasing`],
/// [`Error::BadValue`] for an option out of range.
///
/// ```
/// use deadband::condition::{HoldConfig, holds};
/// let time: Vec<f64> = (0..600).map(|i| 0.1 * f64::from(i)).collect();
/// // Up at 5 Pa/s to 100 Pa, shut for 20 s, down at 5 Pa/s.
/// let pressure: Vec<f64> =
///     time.iter().map(|&t| (5.0 * t).min(100.0).min(5.0 * (60.0 - t))).collect();
/// let found = holds(&time, &pressure, &HoldConfig::default())?;
/// assert_eq!(found.len(), 1);
/// assert!((time[found[0].start] - 20.0).abs() < 1.0 && (time[found[0].end - 1] - 40.0).abs() < 1.0);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn holds(
    time_s: &[f64],
    pressure_pa: &[f64],
    config: &HoldConfig,
) -> Result<Vec<Range<usize>>> {
    let height = heights(time_s, pressure_pa, config)?;
    let least = config.least_share * height.iter().copied().fold(0.0, f64::max);
    let quiet = quiet(time_s, pressure_pa, config);
    Ok(runs(time_s, config.least_s, |i| height[i] > least && quiet[i]))
}

/// Largest distance of a rest from ambient, as a share of the largest in the recording.
const REST_SHARE: f64 = 0.05;

/// Least duration of a rest, s.
const REST_S: f64 = 1.0;

/// Index ranges in which the line rests at the atmosphere, in order of time: quiet as a hold is,
/// and within 5 % of the largest pressure from ambient for a second or longer.
pub(crate) fn rests(
    time_s: &[f64],
    pressure_pa: &[f64],
    config: &HoldConfig,
) -> Result<Vec<Range<usize>>> {
    let height = heights(time_s, pressure_pa, config)?;
    let most = REST_SHARE * height.iter().copied().fold(0.0, f64::max);
    let quiet = quiet(time_s, pressure_pa, config);
    Ok(runs(time_s, REST_S, |i| height[i] <= most && quiet[i]))
}

/// Distances from ambient of a recording and options that can be used.
fn heights(time_s: &[f64], pressure_pa: &[f64], config: &HoldConfig) -> Result<Vec<f64>> {
    check_recording(time_s, pressure_pa)?;
    let share = "a finite number between 0 and 1";
    for (what, value) in [("least_share", config.least_share), ("quiet", config.quiet)] {
        if !(value > 0.0 && value < 1.0) {
            return Err(Error::BadValue { what, value, must: share });
        }
    }
    not_negative("ambient_pa, its size,", config.ambient_pa.abs())?;
    positive("least_s", config.least_s)?;
    positive("window_s", config.window_s)?;
    Ok(pressure_pa.iter().map(|p| (p - config.ambient_pa).abs()).collect())
}

/// Whether each sample's local rate is far below the driven one.
fn quiet(time_s: &[f64], pressure_pa: &[f64], config: &HoldConfig) -> Vec<bool> {
    if time_s.len() < 2 {
        return vec![false; time_s.len()];
    }
    let rates = local_rates(time_s, pressure_pa, config.window_s);
    let most = config.quiet * driven_rate(time_s, &rates);
    rates.iter().map(|rate| rate.abs() <= most).collect()
}

/// Runs of samples for which `inside` holds, lasting `least_s` or longer.
fn runs(time_s: &[f64], least_s: f64, inside: impl Fn(usize) -> bool) -> Vec<Range<usize>> {
    let mut found = Vec::new();
    let mut start = None;
    for i in 0..=time_s.len() {
        match (i < time_s.len() && inside(i), start) {
            (true, None) => start = Some(i),
            (false, Some(first)) => {
                if time_s[i - 1] - time_s[first] >= least_s {
                    found.push(first..i);
                }
                start = None;
            }
            _ => {}
        }
    }
    found
}

/// Refuses a recording whose numbers cannot be used.
pub(crate) fn check_recording(time_s: &[f64], pressure_pa: &[f64]) -> Result<()> {
    same_length(("time_s", time_s), ("pressure_pa", pressure_pa))?;
    finite("time_s", time_s)?;
    finite("pressure_pa", pressure_pa)?;
    increasing("time_s", time_s)
}

fn local_rates(time_s: &[f64], pressure_pa: &[f64], window_s: f64) -> Vec<f64> {
    let sums = |values: &[f64]| {
        let base = values[0];
        let mut total = 0.0;
        let mut sums = vec![0.0];
        sums.extend(values.iter().map(|v| {
            total += v - base;
            total
        }));
        sums
    };
    let (time_sums, pressure_sums) = (sums(time_s), sums(pressure_pa));
    let (mut low, mut high) = (0, 0);
    let mut rates = Vec::with_capacity(time_s.len());
    for (i, &now) in time_s.iter().enumerate() {
        while time_s[low] < now - 0.5 * window_s {
            low += 1;
        }
        while high < time_s.len() && time_s[high] <= now + 0.5 * window_s {
            high += 1;
        }
        // The sample itself belongs to both halves, and a neighbour at least to one of them.
        let (first, last) = if high - low > 1 {
            (low, high)
        } else {
            (i.saturating_sub(1), (i + 2).min(time_s.len()))
        };
        let mean = |sums: &[f64], a: usize, b: usize| (sums[b] - sums[a]) / (b - a) as f64;
        let difference = |sums: &[f64]| mean(sums, i, last) - mean(sums, first, i + 1);
        rates.push(difference(&pressure_sums) / difference(&time_sums));
    }
    rates
}

/// The rate below which a quarter of the whole travel happened.
fn driven_rate(time_s: &[f64], rates: &[f64]) -> f64 {
    let mut travel: Vec<(f64, f64)> = time_s
        .windows(2)
        .zip(rates.windows(2))
        .map(|(t, r)| {
            let rate = 0.5 * (r[0].abs() + r[1].abs());
            (rate, rate * (t[1] - t[0]))
        })
        .collect();
    travel.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let quarter = 0.25 * travel.iter().map(|t| t.1).sum::<f64>();
    let mut sum = 0.0;
    for (rate, way) in travel {
        sum += way;
        if sum >= quarter {
            return rate;
        }
    }
    0.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Two cycles: ramp up at `rate`, shut for 12 s leaking slowly, then a fall within half a
    /// second.
    fn recording(rate: f64, step: f64, sign: f64) -> (Vec<f64>, Vec<f64>) {
        let up = 80.0 / rate;
        let cycle = up + 12.0 + 0.5 + 2.0;
        let time: Vec<f64> =
            (0..4000).map(|i| 0.1 * f64::from(i)).take_while(|&t| t < 2.0 * cycle).collect();
        let pressure = time.iter().map(|t| {
            let t = t % cycle;
            let true_value = if t < up {
                rate * t
            } else if t < up + 12.0 {
                80.0 * (-(t - up) / 400.0).exp()
            } else {
                (78.0 * (1.0 - (t - up - 12.0) / 0.5)).max(0.0)
            };
            sign * (true_value / step).round() * step
        });
        let pressure = pressure.collect();
        (time, pressure)
    }

    #[test]
    fn holds_are_found_beside_slow_ramps_and_fast_falls() {
        for rate in [2.0, 5.0, 10.0] {
            for (step, sign) in [(0.01, 1.0), (0.25, 1.0), (0.25, -1.0)] {
                let (time, pressure) = recording(rate, step, sign);
                let found = holds(&time, &pressure, &HoldConfig::default()).expect("valid");
                assert_eq!(found.len(), 2, "rate {rate}, step {step}");
                let up = 80.0 / rate;
                let first = &found[0];
                assert!((time[first.start] - up).abs() < 1.3);
                assert!((time[first.end - 1] - up - 12.0).abs() < 1.3);
            }
        }
    }

    #[test]
    fn a_mere_ramp_and_a_mere_rest_have_none() {
        let time: Vec<f64> = (0..400).map(|i| 0.1 * f64::from(i)).collect();
        let ramp: Vec<f64> = time.iter().map(|t| 3.0 * t.min(40.0 - t)).collect();
        assert_eq!(holds(&time, &ramp, &HoldConfig::default()), Ok(vec![]));
        assert_eq!(holds(&time, &[0.0; 400], &HoldConfig::default()), Ok(vec![]));
        assert_eq!(holds(&[], &[], &HoldConfig::default()), Ok(vec![]));
        assert_eq!(holds(&[1.0], &[2.0], &HoldConfig::default()), Ok(vec![]));
    }

    #[test]
    fn bad_input_is_named() {
        let config = HoldConfig::default();
        assert!(matches!(holds(&[0.0], &[], &config), Err(Error::LengthMismatch { .. })));
        assert!(matches!(
            holds(&[0.0, 0.0], &[1.0, 1.0], &config),
            Err(Error::TimeNotIncreasing { index: 1, .. })
        ));
        assert!(matches!(
            holds(&[0.0, 1.0], &[1.0, f64::NAN], &config),
            Err(Error::NotFinite { channel: "pressure_pa", index: 1, .. })
        ));
        for bad in [
            HoldConfig { quiet: 1.0, ..config },
            HoldConfig { least_share: 0.0, ..config },
            HoldConfig { least_s: -1.0, ..config },
            HoldConfig { window_s: f64::NAN, ..config },
            HoldConfig { ambient_pa: f64::INFINITY, ..config },
        ] {
            assert!(matches!(holds(&[0.0, 1.0], &[1.0, 1.0], &bad), Err(Error::BadValue { .. })));
        }
    }

    proptest! {
        #[test]
        fn any_recording_gives_ranges_in_order_and_long_enough(
            steps in prop::collection::vec((0.01f64..3.0, -50.0f64..50.0), 0..60),
        ) {
            let mut now = 0.0;
            let time: Vec<f64> = steps.iter().map(|s| { now += s.0; now }).collect();
            let pressure: Vec<f64> = steps.iter().map(|s| s.1).collect();
            let found = holds(&time, &pressure, &HoldConfig::default()).expect("valid");
            for range in &found {
                prop_assert!(time[range.end - 1] - time[range.start] >= 5.0);
            }
            prop_assert!(found.windows(2).all(|pair| pair[0].end <= pair[1].start));
        }
    }
}
