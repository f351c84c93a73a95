//! Strokes: the stretches between the turning points of the pressure.

use std::ops::Range;

use crate::base::lanes::{first, last};
use crate::base::order::{extremes, median};

/// A turn counts when the pressure comes back by this fraction of its whole range.
const TURN: f64 = 0.2;
/// The ends of a stroke, as fractions of its height, that carry the reversal and not the event.
const END: f64 = 0.04;
/// Beyond what converting a unit does to a number.
const ROUNDING: f64 = 1e-9;
/// Readings on either side of a turning point that give its level with it.
const NEAR: usize = 2;

/// Indices where the pressure turns, the first and the last sample included.
///
/// A turning point is the extreme reading from which the pressure comes back by a fifth of the
/// range of the whole recording, so that noise and a hand's wavering do not count.
///
/// ```
/// use deadband::trace::stroke::turns;
/// assert_eq!(turns(&[0.0, 5.0, 10.0, 9.0, 10.5, 4.0, 0.0]), [0, 4, 6]);
/// ```
pub fn turns(pressure_pa: &[f64]) -> Vec<usize> {
    let blocks: Vec<(f64, f64)> = pressure_pa.chunks(BLOCK).map(extremes).collect();
    let (least, most) = blocks
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |all, one| (all.0.min(one.0), all.1.max(one.1)));
    let enough = TURN * (most - least);
    let last = pressure_pa.len().saturating_sub(1);
    let Some(&first) = pressure_pa.first() else {
        return vec![0];
    };
    let mut turns = vec![0];
    let (mut low, mut high) =
        (Extreme { value: first, from: 0 }, Extreme { value: first, from: 0 });
    let mut rising: Option<bool> = None;
    let readings = (0..).step_by(BLOCK).zip(pressure_pa.chunks(BLOCK));
    for ((start, block), (least, most)) in readings.zip(blocks) {
        let (lowest, highest) = (least.min(low.value), most.max(high.value));
        let may_come_up = rising != Some(true) && most - lowest > enough;
        let may_come_down = rising != Some(false) && highest - least > enough;
        if !may_come_up && !may_come_down {
            low.extend(least < low.value, least, start);
            high.extend(most > high.value, most, start);
            continue;
        }
        for (index, &p) in (start..).zip(block) {
            low.extend(p < low.value, p, index);
            high.extend(p > high.value, p, index);
            let here = Extreme { value: p, from: index };
            let came_up = rising != Some(true) && p - low.value > enough;
            let came_down = rising != Some(false) && high.value - p > enough;
            if came_up {
                turns.push(low.index(pressure_pa));
                (rising, high) = (Some(true), here);
            } else if came_down {
                turns.push(high.index(pressure_pa));
                (rising, low) = (Some(false), here);
            }
        }
    }
    turns.push(last);
    turns.dedup();
    turns
}

/// Readings looked at together: in most of them the pressure does not turn.
const BLOCK: usize = 16;

/// An extreme reading: the first of its value from an index on.
#[derive(Debug, Clone, Copy)]
struct Extreme {
    value: f64,
    from: usize,
}

impl Extreme {
    fn extend(&mut self, further: bool, value: f64, from: usize) {
        if further {
            *self = Self { value, from };
        }
    }

    fn index(&self, pressure_pa: &[f64]) -> usize {
        let found = pressure_pa[self.from..].iter().position(|&p| p == self.value);
        self.from + found.unwrap_or(0)
    }
}

/// The samples that inform about the pressure near the instant before index `after`: within one
/// stroke, its two ends left out, at most `reach` samples to either side.
///
/// The height of the stroke is that between the medians of the readings about its turning points: the
/// extreme readings of a display that flickers lie beyond the pressure by two or three standard
/// deviations of the noise, and ends measured from them leave the reversal in.
///
/// At least `edge` samples to either side are kept where the recording has them, even past the
/// end of the stroke: the hand may turn right after the click.
pub fn stretch(
    pressure_pa: &[f64],
    turns: &[usize],
    after: usize,
    edge: usize,
    reach: usize,
) -> Range<usize> {
    let next = turns.partition_point(|&turn| turn < after).clamp(1, turns.len().max(2) - 1);
    let (start, end) = (turns[next - 1], turns[next]);
    let (from, to) = (level(pressure_pa, start), level(pressure_pa, end));
    let (back, ahead) = (reach.min(after - start), reach.min(end + 1 - after));
    // Readings in steps may lie on the limit itself, on the same side in every unit.
    let end = (END - ROUNDING) * (to - from);
    let (low, high) = ((from + end).min(to - end), (from + end).max(to - end));
    let outside = |p: f64| p < low || p > high;
    let back = last(&pressure_pa[after - back..after], outside).map_or(back, |i| back - 1 - i);
    let ahead = first(&pressure_pa[after..after + ahead], outside).unwrap_or(ahead);
    let (start, end) = (after - back, after + ahead);
    let earliest = after.saturating_sub(edge);
    let latest = (after + edge).min(pressure_pa.len());
    start.min(earliest)..end.max(latest)
}

/// Median of the readings about a turning point.
fn level(pressure_pa: &[f64], turn: usize) -> f64 {
    let (from, to) = (turn.saturating_sub(NEAR), (turn + NEAR + 1).min(pressure_pa.len()));
    let mut near = [0.0; 2 * NEAR + 1];
    let near = &mut near[..to - from];
    near.copy_from_slice(&pressure_pa[from..to]);
    median(near).unwrap_or(pressure_pa[turn])
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_steady_line_has_one_stroke() {
        assert_eq!(turns(&[3.0; 5]), [0, 4]);
        assert_eq!(turns(&[3.0]), [0]);
    }

    #[test]
    fn the_stretch_stays_in_its_stroke() {
        let pressure: Vec<f64> = (0..=200).map(|i| 100.0 - f64::from(i - 100_i32).abs()).collect();
        let turns = turns(&pressure);
        assert_eq!(turns, [0, 100, 200]);
        assert_eq!(stretch(&pressure, &turns, 60, 4, 1000), 5..96);
        assert_eq!(stretch(&pressure, &turns, 160, 4, 10), 150..170);
        assert_eq!(stretch(&pressure, &turns, 99, 4, 1000), 95..103);
    }

    /// A hold at 100 whose readings flicker by 3: measured from the extreme reading, the end of the
    /// stroke would be at 98.9, and the first readings of the hold in it.
    #[test]
    fn a_flickering_hold_is_not_in_the_stretch() {
        let flicker = [-1.5, -2.0, -3.0, -1.2, 3.0, 0.0, 2.0, -3.0, 0.0, 1.0];
        let up = (0..50).map(|i| 2.0 * f64::from(i));
        let down = (0..50).map(|i| 100.0 - 2.0 * f64::from(i));
        let pressure: Vec<f64> = up.chain(flicker.map(|of| 100.0 + of)).chain(down).collect();
        let turns = turns(&pressure);
        assert_eq!(turns, [0, 54, 109]);
        let steady = stretch(&pressure, &turns, 30, 4, 1000);
        assert!(steady.end <= 49, "{steady:?}");
    }

    /// Reading by reading, as the definition says it.
    fn plain_turns(pressure: &[f64]) -> Vec<usize> {
        let (least, most) = extremes(pressure);
        let enough = TURN * (most - least);
        let (mut turns, mut low, mut high, mut rising) = (vec![0], 0, 0, None);
        for (index, &p) in pressure.iter().enumerate() {
            low = if p < pressure[low] { index } else { low };
            high = if p > pressure[high] { index } else { high };
            if rising != Some(true) && p - pressure[low] > enough {
                turns.push(low);
                (rising, high) = (Some(true), index);
            } else if rising != Some(false) && pressure[high] - p > enough {
                turns.push(high);
                (rising, low) = (Some(false), index);
            }
        }
        turns.push(pressure.len() - 1);
        turns.dedup();
        turns
    }

    proptest! {
        #[test]
        fn turns_are_those_of_the_definition(
            steps in prop::collection::vec(-3i32..=3, 1..300), drift in -1i32..=1,
        ) {
            let mut at = 0;
            let pressure: Vec<f64> =
                steps.iter().map(|step| { at += step + drift; f64::from(at) }).collect();
            prop_assert_eq!(turns(&pressure), plain_turns(&pressure));
        }

        #[test]
        fn stretches_hold_their_event(
            pressure in prop::collection::vec(-100.0f64..100.0, 8..80), at in 0.0f64..1.0,
        ) {
            let turns = turns(&pressure);
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "an index")]
            let after = 1 + (at * (pressure.len() - 2) as f64) as usize;
            let range = stretch(&pressure, &turns, after, 4, 30);
            prop_assert!(range.start < after && range.end > after && range.end <= pressure.len());
            prop_assert!(turns.is_sorted() && turns.len() >= 2);
        }
    }
}
