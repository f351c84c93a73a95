//! Whether a stroke is an exponential relaxation, and the pressure at the switch if it is.

use std::ops::Range;

use super::relaxation::{Bracketed, Relaxation};
use super::rounded::rounded;
use super::search::fit;
use super::shift::{AtSwitch, GaugeLag, mixture};
use super::split::over_splits;
use super::state::State;
use super::weighted::Stroke;
use crate::base::clock::up_to;
use crate::base::order::extremes;
use crate::trace::Recording;

/// Readings that a relaxation needs.
const FEWEST: usize = 8;
/// A stroke is looked for within this time on either side of a change, s, and at least within so many
/// readings.
const LONGEST_S: f64 = 8.0;
const LONGEST: usize = 80;
/// A level of this many readings that has lasted so long, s, is enough; after the stroke, of twice as
/// many.
const LEVEL: usize = 25;
const LEVEL_S: f64 = 1.5;
/// A stroke covers more than this share of the recording's range: less is a hand that pauses.
const DEEP: f64 = 0.25;
/// Share of the stroke's height by which a level may waver.
const WAVER: f64 = 0.1;

/// The pressure at the switch at a change within its bracket and the noise of a reading, if the stroke around the
/// reading `after` is explained better by a relaxation than by a smooth path.
///
/// The two are compared by their likelihoods, levels and diffuse start integrated out, with a
/// penalty of `½ ln n` for each parameter searched. With the mean lag alone splits of it are
/// fitted and weighted by their evidence. Where the display rounds to steps of `step` and stands still
/// on the levels, the readings are weighted for it.
pub(super) fn fall(
    recording: &Recording<'_>,
    (after, edge): (usize, usize),
    (before_s, after_s): (f64, f64),
    (lag, step): (GaugeLag, Option<f64>),
) -> Option<(AtSwitch, f64)> {
    let (time, y) = (recording.time_s(), recording.pressure_pa());
    let window = window(time, y, after)?;
    if window.start + edge > after || after + edge > window.end {
        return None;
    }
    let (times, readings) = (&time[window.clone()], &y[window]);
    let (least, most) = recording.range_pa();
    let deep = (readings[0] - readings[readings.len() - 1]).abs() > DEEP * (most - least);
    if times.len() < FEWEST || !deep || !is_fast(times, readings, lag) {
        return None;
    }
    let plain = Stroke::new(times, readings);
    let fits = fits_of(&plain, lag);
    let first = likeliest(&fits)?;
    if !first.is_whole(times[0], times[times.len() - 1])
        || first.log_likelihood <= smooth_log_likelihood(&plain)
    {
        return None;
    }
    let rounded = step.and_then(|step| rounded(times, readings, step, first));
    let fits = rounded.map_or(fits, |stroke| fits_of(&stroke, lag));
    at_bracket(&fits, before_s, after_s)
}

/// Fits with their weights: of the one split that is known, or of all.
fn fits_of(stroke: &Stroke, lag: GaugeLag) -> Vec<(f64, Relaxation)> {
    match lag {
        GaugeLag::Parts { .. } => {
            let fit = |(weight, dead, constant)| {
                Relaxation::of(stroke, dead, constant).ok().map(|fit| (weight, fit))
            };
            let fits: Vec<(f64, Relaxation)> = lag.known().into_iter().filter_map(fit).collect();
            let evidence = fits.iter().map(|(_, fit)| fit.evidence);
            let best = evidence.fold(f64::NEG_INFINITY, f64::max);
            let weigh =
                |(weight, fit): (f64, Relaxation)| (weight * (fit.evidence - best).exp(), fit);
            fits.into_iter().map(weigh).collect()
        }
        GaugeLag::Mean { lag_s } => over_splits(stroke, lag_s),
    }
}

fn likeliest(fits: &[(f64, Relaxation)]) -> Option<&Relaxation> {
    let fits = fits.iter().map(|(_, fit)| fit).filter(|fit| fit.log_likelihood.is_finite());
    fits.max_by(|a, b| a.log_likelihood.total_cmp(&b.log_likelihood))
}

/// The pressure over a bracket by fits with their weights, and the noise of a reading.
fn at_bracket(fits: &[(f64, Relaxation)], before_s: f64, after_s: f64) -> Option<(AtSwitch, f64)> {
    let over = fits.iter().map(|(weight, fit)| (*weight, fit, fit.over(before_s, after_s)));
    let sound: Vec<(f64, &Relaxation, (State, Bracketed))> =
        over.filter(|(weight, _, (state, _))| *weight > 0.0 && is_sound(state)).collect();
    let (_, best, _) = sound.iter().max_by(|a, b| a.0.total_cmp(&b.0))?;
    let states: Vec<(f64, State)> =
        sound.iter().map(|(weight, _, (state, _))| (*weight, *state)).collect();
    let mixed = mixture(&states);
    let total: f64 = sound.iter().map(|(weight, ..)| weight).sum();
    let mean = |of: &dyn Fn(&Bracketed) -> f64| -> f64 {
        sound.iter().map(|(weight, _, (_, bracketed))| weight * of(bracketed)).sum::<f64>() / total
    };
    let shift_pa = mean(&|bracketed| bracketed.shift_pa);
    let corner = mean(&|bracketed| f64::from(u8::from(bracketed.corner))) > 0.5;
    // Splits differ in how far the pressure fell within the bracket too.
    let rate = mixed.signal.rate;
    let uneven = states.iter().map(|(weight, state)| weight * (state.rate - rate).powi(2));
    let brackets = (after_s - before_s).powi(2) / 12.0 * uneven.sum::<f64>() / total;
    let var_common = mixed.var_common.max(wide(&states, mixed.signal.value)) + brackets;
    Some((AtSwitch { var_common, shift_pa, corner, ..mixed }, best.variance.sqrt()))
}

/// Variance of the normal law whose 95 % interval about `value` holds 95 % of the splits: on two tops of
/// unequal weight their own standard deviation would leave the lesser one out.
fn wide(states: &[(f64, State)], value: f64) -> f64 {
    const HELD: f64 = 0.95;
    const NORMAL: f64 = 1.96;
    let mut far: Vec<(f64, f64)> =
        states.iter().map(|(weight, state)| ((state.value - value).abs(), *weight)).collect();
    far.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = far.iter().map(|(_, weight)| weight).sum();
    let mut held = 0.0;
    let half = far.iter().find(|(_, weight)| {
        held += weight;
        held >= HELD * total
    });
    half.map_or(0.0, |(half, _)| (half / NORMAL).powi(2))
}

/// Whether the pressure, in the time around `t` in which a gauge would show it, leaves the straight
/// line between that time's ends by an eighth of the recording's `range`: where it bends that much
/// within the lag, the mean lag alone says nothing of the pressure. In simulated ramps of up to
/// 20 Pa/s and in starts of an appliance fewer than 1 % bend by a tenth, in pinches nearly all by
/// a seventh.
pub(super) fn is_sudden(time: &[f64], y: &[f64], range: f64, t: f64) -> bool {
    const BEFORE_S: f64 = 0.5;
    const AFTER_S: f64 = 1.0;
    const BEND: f64 = 0.125;
    let from = up_to(time, (t - BEFORE_S).next_down());
    let to = up_to(time, t + AFTER_S);
    if to < from + 3 {
        return false;
    }
    let (time, near) = (&time[from..to], &y[from..to]);
    let last = near.len() - 1;
    let slope = (near[last] - near[0]) / (time[last] - time[0]);
    let bend = near
        .iter()
        .zip(time)
        .map(|(y, t)| (y - near[0] - slope * (t - time[0])).abs())
        .fold(0.0, f64::max);
    bend > BEND * range
}

/// Whether the middle of the stroke, from 15 % to 85 % of its height, takes so few readings, or so
/// short a time by itself or beside the lag, that a path through it is worse than a law.
fn is_fast(time: &[f64], y: &[f64], lag: GaugeLag) -> bool {
    const FAST: usize = 25;
    const FAST_S: f64 = 2.5;
    const LAGS: f64 = 3.0;
    let (from, to) = (y[0], y[y.len() - 1]);
    let inside = |reading: &f64| (0.15..0.85).contains(&((reading - from) / (to - from)));
    let middle = || y.iter().enumerate().filter(|(_, reading)| inside(reading)).map(|(i, _)| i);
    let lasts = match (middle().next(), middle().next_back()) {
        (Some(first), Some(last)) => time[last] - time[first],
        _ => 0.0,
    };
    middle().count() < FAST || lasts < FAST_S.max(LAGS * lag.total())
}

/// Whether the covariance is one: near dependence of the parameters leaves noise in its place.
fn is_sound(state: &State) -> bool {
    let own = state.var_value * state.var_rate;
    state.var_value >= 0.0 && state.var_rate >= 0.0 && state.cov * state.cov <= own * (1.0 + 1e-6)
}

/// Log likelihood of the smooth path on the same readings and the same footing.
fn smooth_log_likelihood(stroke: &Stroke) -> f64 {
    let (time, y) = (&stroke.time, &stroke.y);
    let whole = 0..y.len();
    let smooth = fit(time, y, std::slice::from_ref(&whole));
    smooth.log_likelihood - (time[1] - time[0]).ln() - 0.5 * (y.len() as f64).ln()
}

/// The stroke around a change with both its levels: from the old level, which may waver by a tenth
/// of the height, to where the reading turns back by as much. `None` where it is not a stroke.
fn window(time: &[f64], y: &[f64], after: usize) -> Option<Range<usize>> {
    let at = *time.get(after)?;
    let from = time.partition_point(|&t| t < at - LONGEST_S).min(after.saturating_sub(LONGEST));
    let to = time.partition_point(|&t| t <= at + LONGEST_S).max((after + LONGEST).min(y.len()));
    let (back, ahead) = (&y[from..after], &y[after..to]);
    let ((back_low, back_high), (ahead_low, ahead_high)) = (extremes(back), extremes(ahead));
    let (falling, rising) = (back_high - ahead_low, ahead_high - back_low);
    // Long enough for a gauge to begin to move.
    let near = |readings: usize, all: usize| readings.max(LEVEL).min(all);
    let before = near(after - time.partition_point(|&t| t < at - LEVEL_S), back.len());
    let later = near(time.partition_point(|&t| t < at + LEVEL_S) - after, ahead.len());
    let mean = |of: &[f64]| of.iter().sum::<f64>() / of.len() as f64;
    let (before, later) = (mean(&back[back.len() - before..]), mean(&ahead[..later]));
    let sign = if before > later { 1.0 } else { -1.0 };
    let height = if sign > 0.0 { falling } else { rising };
    let waver = WAVER * height;
    // Upright: the stroke falls from `high` to `low`; counted from the change on.
    let old: Vec<(f64, f64)> = (from..after).rev().map(|i| (at - time[i], -sign * y[i])).collect();
    let new: Vec<(f64, f64)> = (after..to).map(|i| (time[i] - at, sign * y[i])).collect();
    Some(after - level(&old, waver, LEVEL)..after + level(&new, waver, 2 * LEVEL))
}

/// How many readings from the change on belong to the stroke and to the level it comes to, the
/// lowest: until the level has lasted for `enough` readings and its time, or until they turn back.
///
/// A turn shows only once it has left the level by `waver`; its readings within that are no level, and
/// are left out back to the last one that is not above the level's median.
fn level(readings: &[(f64, f64)], waver: f64, enough: usize) -> usize {
    let mut lowest = f64::INFINITY;
    let mut first = 0;
    for (index, &(since, reading)) in readings.iter().enumerate() {
        if reading < lowest - waver {
            first = index;
        }
        lowest = lowest.min(reading);
        if reading > lowest + waver {
            let flat = &readings[first..index];
            let mut sorted: Vec<f64> = flat.iter().map(|(_, reading)| *reading).collect();
            sorted.sort_by(f64::total_cmp);
            let median = sorted.get(sorted.len() / 2).copied().unwrap_or(lowest);
            return first + flat.iter().rposition(|(_, r)| *r <= median).map_or(0, |last| last + 1);
        }
        if index + 1 - first > enough && since - readings[first].0 > LEVEL_S {
            return index;
        }
    }
    readings.len()
}
