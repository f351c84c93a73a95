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

/// The step that the readings of a recording have, Pa: found in them, else the one that is stated for
/// the display, if they lie on its steps.
///
/// What is found is proven by the readings and goes before what is stated, finer or coarser. A stated
/// step that the readings do not lie on is not that of this recording: in it the display showed more,
/// or the logger wrote another unit's digits. Readings may miss the steps by a twentieth of one, and by
/// two thousandths of their distance where the step is stated with few digits.
///
/// ```
/// use deadband::trace::step::step_of;
/// let few = [90.0, 90.0, 57.5, 20.0, 5.0, 5.0]; // too few changes to find a step in
/// assert_eq!(step_of(&few, None), None);
/// assert_eq!(step_of(&few, Some(2.5)), Some(2.5));
/// assert_eq!(step_of(&few, Some(4.0)), None);
/// let many: Vec<f64> = (0..200).map(|i| (f64::from(i) * 0.37 / 2.5).round() * 2.5).collect();
/// assert!((step_of(&many, Some(0.1)).unwrap() - 2.5).abs() < 1e-9);
/// ```
pub fn step_of(readings: &[f64], stated: Option<f64>) -> Option<f64> {
    let usable = stated.filter(|step| step.is_finite() && *step > 0.0);
    display_step(readings).or_else(|| usable.filter(|&step| lie_on(readings, step)))
}

fn lie_on(readings: &[f64], step: f64) -> bool {
    const MISSED: f64 = 0.05;
    const DIGITS: f64 = 2e-3;
    readings.windows(2).all(|pair| {
        let difference = (pair[1] - pair[0]).abs();
        let off = (difference - whole(difference / step) * step).abs();
        off <= MISSED * step + DIGITS * difference
    })
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

    #[test]
    fn a_stated_step_that_the_readings_contradict_is_not_theirs() {
        let fine: Vec<f64> = (0..50).map(|i| 10.0 * (f64::from(i) * 0.37).sin()).collect();
        assert_eq!(step_of(&fine, Some(1.0)), None);
        assert_eq!(step_of(&fine, Some(0.0)), None);
        assert_eq!(step_of(&fine, Some(f64::NAN)), None);
        // 0.01 inH2O, stated with three digits.
        let inches: Vec<f64> = [36.0, 36.0, 22.0, 8.0, 1.0].map(|of| of * 2.490_889).to_vec();
        assert_eq!(step_of(&inches, Some(2.49)), Some(2.49));
    }

    #[test]
    fn a_still_display_has_the_step_that_is_stated() {
        assert_eq!(step_of(&[5.0; 50], Some(2.5)), Some(2.5));
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
