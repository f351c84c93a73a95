//! Stretches on which the display shows so few values that no path through them is known well.

use std::ops::Range;

use crate::base::order::extremes;
use crate::trace::step::least_difference;

/// Values of the display that tell a path.
const FEW: usize = 6;

/// A stretch on which a display shows few values, with the next one at either end: when it came says
/// as much of the path as any other change.
pub(super) fn with_ends(pressure: &[f64], range: Range<usize>) -> Range<usize> {
    let values = pressure[range.clone()].chunk_by(|a, b| a == b).take(FEW).count();
    if values == FEW {
        return range;
    }
    let stands = |one: Option<&f64>, next: Option<&f64>| one.is_some() && one == next;
    let before = range.start.checked_sub(1).zip(range.start.checked_sub(2));
    let before = before.is_some_and(|(one, next)| stands(pressure.get(one), pressure.get(next)));
    let after = stands(pressure.get(range.end), pressure.get(range.end + 1));
    range.start - usize::from(before)..range.end + usize::from(after)
}

/// Variance that all events on a stretch have in common because the display hardly moved there, Pa²: of
/// a path on which it shows two values or one no more is known than one of its steps, `a²/12`.
///
/// Where the recording moves too little to show its step, the least difference of its readings stands
/// for it, and a stretch on which the display stands still between a few values tells no more.
pub(super) fn unresolved(stretch: &[f64], readings: &[f64], step: Option<f64>) -> f64 {
    const FEWEST: f64 = 1.5;
    const STANDS: usize = 3;
    let (low, high) = extremes(stretch);
    let stands = || stretch.chunk_by(|a, b| a == b).count() * STANDS <= stretch.len();
    let found = step.map(|step| (step, FEWEST));
    let unknown = || Some((least_difference(readings)?, FEW as f64)).filter(|_| stands());
    match found.or_else(unknown) {
        Some((step, enough)) if high - low <= enough * step => step * step / 12.0,
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::smooth::{EventConfig, fit_events};
    use crate::trace::Recording;

    #[test]
    fn the_next_value_is_taken_where_it_stands() {
        let readings = [0.0, 0.0, 5.0, 5.0, 5.0, 10.0, 0.0];
        assert_eq!(with_ends(&readings, 2..5), 1..5);
        assert_eq!(with_ends(&readings, 0..2), 0..3);
        let many: Vec<f64> = (0..9).map(f64::from).collect();
        assert_eq!(with_ends(&many, 1..8), 1..8);
    }

    #[test]
    fn what_is_not_resolved_is_a_step() {
        let few = [5.0, 5.0, 5.0, 10.0, 10.0, 10.0];
        assert_eq!(unresolved(&few, &few, Some(5.0)), 25.0 / 12.0);
        assert_eq!(unresolved(&few, &few, None), 25.0 / 12.0);
        assert_eq!(unresolved(&few, &few, Some(1.0)), 0.0);
        let moving = [5.0, 10.0, 15.0, 20.0, 25.0, 30.0];
        assert_eq!(unresolved(&moving, &moving, None), 0.0);
        assert_eq!(unresolved(&[5.0; 6], &[5.0; 6], None), 0.0); // nor has it an event
    }

    /// Strokes on which the display shows two or three values, each turn of the hand elsewhere between
    /// two of them: what is stated must hold the true pressures, however little it is.
    #[test]
    fn a_display_that_hardly_moves_is_no_knowledge() {
        for (step, low, high, rate) in [(25.0, 40.0, 90.0, 2.0), (2.49, 58.5, 64.5, 0.5)] {
            for place in 0..12 {
                let off = step * f64::from(place) / 12.0;
                let lasts = (high - low) / rate;
                let truth = |t: f64| low + off + rate * (lasts - (t % (2.0 * lasts) - lasts).abs());
                let time: Vec<f64> = (0..600).map(|i| 0.1 * f64::from(i)).collect();
                let close = low + off + 0.6 * (high - low);
                let contact: Vec<f64> =
                    time.iter().map(|&t| f64::from(u8::from(truth(t) > close))).collect();
                let shown: Vec<f64> =
                    time.iter().map(|&t| (truth(t) / step).round() * step).collect();
                let recording = Recording::new(&time, &shown, &contact, None).expect("valid");
                let events = fit_events(&recording, &EventConfig::default(), None);
                for at in events.expect("changes").iter().filter_map(|event| event.at.as_ref().ok())
                {
                    let u = (at.signal.var_value + at.var_common).sqrt();
                    assert!(
                        (at.signal.value - close).abs() < 3.0 * u + 0.03 * rate,
                        "{at:?} {close}"
                    );
                }
            }
        }
    }
}
