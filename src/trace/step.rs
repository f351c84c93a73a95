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
    // The first readings nearly always show the step, so that one look at the others is enough.
    let guess = least_difference(&readings[..readings.len().min(FIRST)]);
    guess.and_then(|guess| Lattice::of(readings, guess).proven()).or_else(|| {
        let least = least_difference(readings).filter(|_| readings.len() > FIRST)?;
        if Some(least) == guess { None } else { Lattice::of(readings, least).proven() }
    })
}

/// Readings among which the step is looked for first.
const FIRST: usize = 200;

/// The least difference of neighbouring readings that is one, and not of their last bits.
pub(crate) fn least_difference(readings: &[f64]) -> Option<f64> {
    let (low, high) = extremes(readings);
    let nothing = 1e-9 * low.abs().max(high.abs());
    let mut least = [f64::INFINITY; LANES];
    for difference in differences(readings) {
        for lane in 0..LANES {
            let nearer = difference[lane] > nothing && difference[lane] < least[lane];
            least[lane] = if nearer { difference[lane] } else { least[lane] };
        }
    }
    Some(extremes(&least).0).filter(|least| least.is_finite())
}

/// How the differences of neighbouring readings lie to multiples of a step.
struct Lattice {
    step: f64,
    total: f64,
    /// Number of steps that the differences are nearest to.
    steps: f64,
    /// Number of differences of a step or more.
    changes: f64,
    /// The farthest that one is from a whole number of steps.
    worst: f64,
}

impl Lattice {
    fn of(readings: &[f64], step: f64) -> Self {
        let [mut total, mut steps, mut changes, mut worst] = [[0.0; LANES]; 4];
        let inverse = 1.0 / step;
        for difference in differences(readings) {
            for lane in 0..LANES {
                let difference = difference[lane];
                let multiple = nearest(difference * inverse);
                total[lane] += difference;
                steps[lane] += multiple;
                changes[lane] += if multiple < 1.0 { multiple } else { 1.0 };
                let off = (difference - multiple * step).abs();
                worst[lane] = if off > worst[lane] { off } else { worst[lane] };
            }
        }
        let [total, steps, changes] =
            [total, steps, changes].map(|lanes| lanes.iter().sum::<f64>());
        Self { step, total, steps, changes, worst: extremes(&worst).1 }
    }

    /// The step, if the differences are whole numbers of it and few enough of them to prove it.
    fn proven(&self) -> Option<f64> {
        let clear = self.changes >= MIN_CHANGES && self.steps < FEW * self.changes;
        (clear && self.worst <= SLACK * self.step).then(|| self.total / self.steps)
    }
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
        let off = (difference - nearest(difference / step) * step).abs();
        off <= MISSED * step + DIGITS * difference
    })
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
