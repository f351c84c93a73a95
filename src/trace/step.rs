//! The step of a display, found in its readings.

/// Consecutive readings must differ by whole steps within this fraction of a step.
const SLACK: f64 = 0.02;

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
    const MIN_CHANGES: usize = 10;
    let (mut least, mut changes) = (f64::INFINITY, 0_usize);
    let magnitude = readings.iter().fold(0.0_f64, |most, value| most.max(value.abs()));
    let nothing = 1e-9 * magnitude;
    for pair in readings.windows(2) {
        let difference = (pair[1] - pair[0]).abs();
        if difference > nothing {
            changes += 1;
            least = least.min(difference);
        }
    }
    if changes < MIN_CHANGES {
        return None;
    }
    let (mut total, mut steps) = (0.0, 0.0);
    for pair in readings.windows(2) {
        let difference = (pair[1] - pair[0]).abs();
        let multiple = whole(difference / least);
        if (difference - multiple * least).abs() > SLACK * least {
            return None;
        }
        total += difference;
        steps += multiple;
    }
    (steps < FEW * changes as f64).then(|| total / steps)
}

/// The nearest whole number; a plain processor has no instruction for `round`.
pub(super) fn whole(positive: f64) -> f64 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "saturates")]
    let count = (positive + 0.5) as u64;
    count as f64
}

/// A change spans fewer steps than this on average, or multiples of a step prove nothing.
const FEW: f64 = 12.0;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_still_display_shows_no_step() {
        assert_eq!(display_step(&[5.0; 50]), None);
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
