//! The step of a display, found in its readings.

use crate::base::lanes::groups;
use crate::base::order::extremes;

/// Consecutive readings must differ by whole steps within this fraction of a step.
const SLACK: f64 = 0.02;
/// Changes of the reading that are needed.
const MIN_CHANGES: f64 = 10.0;
/// A change spans fewer steps than this on average, or multiples of a step prove nothing.
const FEW: f64 = 12.0;
/// Differences taken side by side.
const LANES: usize = 8;

/// The display step in Pa: the smallest difference of consecutive readings, if all the others are
/// multiples of it; `None` for a display too fine to show one.
///
/// At least ten changes are needed, and on average they must span fewer than twelve steps:
/// otherwise a common divisor proves nothing.
///
/// ```
/// use deadband::trace::step::display_step;
/// let readings: Vec<f64> = (0..200).map(|i| (f64::from(i) * 0.37 / 2.5).round() * 2.5).collect();
/// assert!((display_step(&readings).unwrap() - 2.5).abs() < 1e-9);
/// let fine: Vec<f64> = (0..200).map(|i| (f64::from(i) * 0.37).sin()).collect();
/// assert_eq!(display_step(&fine), None);
/// ```
pub fn display_step(readings: &[f64]) -> Option<f64> {
    let (low, high) = extremes(readings);
    let nothing = 1e-9 * low.abs().max(high.abs());
    let mut least = [f64::INFINITY; LANES];
    for difference in differences(readings) {
        for lane in 0..LANES {
            let (least, difference) = (&mut least[lane], difference[lane]);
            *least =
                if (difference > nothing) & (difference < *least) { difference } else { *least };
        }
    }
    let (least, _) = extremes(&least);
    let [mut total, mut steps, mut changes, mut worst] = [[0.0; LANES]; 4];
    let inverse = 1.0 / least;
    for difference in differences(readings) {
        for lane in 0..LANES {
            let multiple = nearest(difference[lane] * inverse);
            total[lane] += difference[lane];
            steps[lane] += multiple;
            changes[lane] += if multiple < 1.0 { multiple } else { 1.0 };
            let off = (difference[lane] - multiple * least).abs();
            worst[lane] = if off > worst[lane] { off } else { worst[lane] };
        }
    }
    let whole_steps = extremes(&worst).1 <= SLACK * least;
    let [total, steps, changes] = [total, steps, changes].map(|lanes| lanes.iter().sum::<f64>());
    let proven = changes >= MIN_CHANGES && steps < FEW * changes;
    (whole_steps && proven).then(|| total / steps)
}

/// The absolute differences of neighbouring readings, filled up with zeros.
fn differences(readings: &[f64]) -> impl Iterator<Item = [f64; LANES]> {
    let later = readings.get(1..).unwrap_or_default();
    let earlier = groups::<LANES>(&readings[..later.len()], 0.0);
    earlier
        .zip(groups::<LANES>(later, 0.0))
        .map(|(one, next)| std::array::from_fn(|lane| (next[lane] - one[lane]).abs()))
}

/// The nearest whole number below 2⁵¹; a plain processor has no instruction for `round`.
pub(super) fn nearest(value: f64) -> f64 {
    /// Added, it leaves no bits for a fraction.
    const SHIFT: f64 = 6_755_399_441_055_744.0;
    (value + SHIFT) - SHIFT
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_still_display_shows_no_step() {
        assert_eq!(display_step(&[5.0; 50]), None);
        assert_eq!(display_step(&[]), None);
    }

    #[test]
    fn one_reading_off_the_steps_is_enough_to_show_none() {
        for odd in [3, 200, 398, 399] {
            let mut readings: Vec<f64> = (0..400).map(|i| f64::from(i / 2) * 2.5).collect();
            assert!(display_step(&readings).is_some());
            readings[odd] += 1.0;
            assert_eq!(display_step(&readings), None, "at {odd}");
        }
    }

    proptest! {
        #[test]
        fn the_step_is_found_under_any_unit(step in 0.01f64..10.0, rate in 0.05f64..0.95) {
            let readings: Vec<f64> =
                (0..400).map(|i| (f64::from(i) * rate).round() * step).collect();
            let found = display_step(&readings).expect("a step");
            prop_assert!((found / step - 1.0).abs() < 1e-6);
        }
    }
}
