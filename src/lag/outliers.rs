//! Events that do not belong to their group: chatter taken for a change, a switch that stuck.

use super::RateEvent;
use crate::base::order::{mad, median};

/// Robust standard deviations from the group's median beyond which an event is left out.
const FAR: f64 = 6.0;
/// Standard deviations of the event's own reading that count as far, too.
const OWN: f64 = 5.0;
/// Smallest group whose median can tell an outlier.
const MIN_GROUP: usize = 3;

/// The events whose `pressure + lag · rate` lies near the median of their group.
///
/// `events` are in order of group. Near: within six robust standard deviations (median absolute
/// deviation) of all events about their medians, or within five of the event's own uncertainty.
pub(super) fn without_outliers(events: &[RateEvent], lag: f64) -> Vec<RateEvent> {
    let corrected = |event: &RateEvent| event.signal.ahead(lag).value;
    let mut deviations = Vec::with_capacity(events.len());
    for group in events.chunk_by(|a, b| a.group == b.group) {
        let mut values: Vec<f64> = group.iter().map(corrected).collect();
        let centre = median(&mut values).unwrap_or(f64::NAN);
        let judged = group.len() >= MIN_GROUP;
        deviations
            .extend(group.iter().map(|event| if judged { corrected(event) - centre } else { 0.0 }));
    }
    let mut scattered: Vec<f64> =
        deviations.iter().copied().filter(|&deviation| deviation != 0.0).collect();
    let scale = mad(&mut scattered).unwrap_or(0.0);
    let kept = events.iter().zip(&deviations).filter(|(event, deviation)| {
        deviation.abs() <= FAR * scale || deviation.abs() <= OWN * event.variance(lag).sqrt()
    });
    kept.map(|(event, _)| *event).collect()
}
