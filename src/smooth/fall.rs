//! Whether a stroke is an exponential relaxation, and the pressure at the switch if it is.

use std::ops::Range;

use super::relaxation::Relaxation;
use super::search::fit;
use super::shift::{AtSwitch, GaugeLag, mixture};
use super::state::State;
use crate::base::order::extremes;

/// Readings that a relaxation needs.
const FEWEST: usize = 8;
/// Strokes that take more readings than this are smooth enough for the path.
const LONGEST: usize = 80;
/// Readings of the old level before the stroke, and of the new one after it, at most.
const LEVEL: usize = 25;
/// Share of the stroke's height by which a level may waver.
const WAVER: f64 = 0.1;

/// The pressure at the switch at a change within its bracket and the noise of a reading, if the stroke around the
/// reading `after` is explained better by a relaxation than by a smooth path.
///
/// The two are compared by their likelihoods, levels and diffuse start integrated out, with a
/// penalty of `½ ln n` for each parameter searched. With the mean lag alone splits of it are
/// fitted and weighted by their likelihoods; what lies between two neighbours is rectangular.
pub(super) fn fall(
    time: &[f64],
    y: &[f64],
    (after, edge): (usize, usize),
    (before_s, after_s): (f64, f64),
    lag: GaugeLag,
) -> Option<(AtSwitch, f64)> {
    let window = window(y, after)?;
    if window.start + edge > after || after + edge > window.end {
        return None;
    }
    let (times, readings) = (&time[window.clone()], &y[window]);
    if times.len() < FEWEST || !is_fast(times, readings, lag) {
        return None;
    }
    let mut fits: Vec<Relaxation> = Vec::new();
    for (dead, constant) in splits(lag) {
        let found = match fits.last() {
            None => Relaxation::fit(times, readings, dead, constant),
            Some(last) => last.refit(times, readings, dead, constant),
        };
        fits.extend(found.ok());
    }
    let over = |fit: &Relaxation| fit.over(before_s, after_s);
    fits.retain(|fit| fit.is_whole(times[0], times[times.len() - 1]) && is_sound(&over(fit).0));
    let best = fits.iter().map(|fit| fit.log_likelihood).fold(f64::NEG_INFINITY, f64::max);
    if !best.is_finite() || best <= smooth_log_likelihood(times, readings) {
        return None;
    }
    let (states, corners): (Vec<State>, Vec<f64>) = fits.iter().map(over).unzip();
    let weight = |fit: &Relaxation| (fit.log_likelihood - best).exp();
    let weighted: Vec<(f64, State)> = fits.iter().map(weight).zip(states.iter().copied()).collect();
    let mixed = mixture(&weighted);
    let total: f64 = weighted.iter().map(|(weight, _)| weight).sum();
    let between: f64 = weighted
        .iter()
        .enumerate()
        .map(|(i, (weight, _))| {
            let next = states[(i + 1).min(states.len() - 1)].value;
            weight * ((next - states[i.saturating_sub(1)].value) / 2.0).powi(2) / 12.0
        })
        .sum();
    let corner: f64 =
        weighted.iter().zip(&corners).map(|((weight, _), corner)| weight * corner).sum();
    let noise = fits.iter().find(|fit| fit.log_likelihood >= best)?.variance.sqrt();
    let var_common = mixed.var_common + (between + corner) / total;
    Some((AtSwitch { var_common, ..mixed }, noise))
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
    let from = time.partition_point(|&time| time < t - BEFORE_S);
    let to = time.partition_point(|&time| time <= t + AFTER_S);
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
/// short a time beside the lag, that a path through it is worse than a law.
fn is_fast(time: &[f64], y: &[f64], lag: GaugeLag) -> bool {
    const FAST: usize = 25;
    const LAGS: f64 = 3.0;
    let (from, to) = (y[0], y[y.len() - 1]);
    let inside = |reading: &f64| (0.15..0.85).contains(&((reading - from) / (to - from)));
    let middle = || y.iter().enumerate().filter(|(_, reading)| inside(reading)).map(|(i, _)| i);
    let lasts = match (middle().next(), middle().next_back()) {
        (Some(first), Some(last)) => time[last] - time[first],
        _ => 0.0,
    };
    middle().count() < FAST || lasts < LAGS * lag.total()
}

/// Whether the covariance is one: near dependence of the parameters leaves noise in its place.
fn is_sound(state: &State) -> bool {
    let own = state.var_value * state.var_rate;
    state.var_value >= 0.0 && state.var_rate >= 0.0 && state.cov * state.cov <= own * (1.0 + 1e-6)
}

/// Splits that are tried where only the mean lag is known.
const SPLITS: u32 = 9;

/// Dead time and time constant of each split that is tried, in order.
fn splits(lag: GaugeLag) -> Vec<(f64, f64)> {
    match lag {
        GaugeLag::Parts { dead_time_s, time_constant_s } => {
            vec![(dead_time_s, time_constant_s)]
        }
        GaugeLag::Mean { lag_s } => (0..SPLITS)
            .map(|i| f64::from(i) / f64::from(SPLITS - 1))
            .map(|share| (share * lag_s, (1.0 - share) * lag_s))
            .collect(),
    }
}

/// Log likelihood of the smooth path on the same readings and the same footing.
fn smooth_log_likelihood(time: &[f64], y: &[f64]) -> f64 {
    let whole = 0..y.len();
    let smooth = fit(time, y, std::slice::from_ref(&whole));
    smooth.log_likelihood - (time[1] - time[0]).ln() - 0.5 * (y.len() as f64).ln()
}

/// The stroke around a change with both its levels: from the old level, which may waver by a tenth
/// of the height, to where the reading turns back by as much. `None` where it is long.
fn window(y: &[f64], after: usize) -> Option<Range<usize>> {
    let back = &y[after.saturating_sub(LONGEST)..after];
    let ahead = &y[after..(after + LONGEST).min(y.len())];
    let ((back_low, back_high), (ahead_low, ahead_high)) = (extremes(back), extremes(ahead));
    let (falling, rising) = (back_high - ahead_low, ahead_high - back_low);
    let before: f64 = back.iter().rev().take(LEVEL).sum::<f64>() / back.len().min(LEVEL) as f64;
    let later: f64 = ahead.iter().take(LEVEL).sum::<f64>() / ahead.len().min(LEVEL) as f64;
    let sign = if before > later { 1.0 } else { -1.0 };
    let height = if sign > 0.0 { falling } else { rising };
    let waver = WAVER * height;
    // Upright: the stroke falls from `high` to `low`.
    let upright = |reading: &f64| sign * reading;
    let start = level_start(back, waver, upright);
    let end = level_end(ahead, waver, upright);
    let first = after - back.len() + start;
    let last = after + end;
    (last - first <= 2 * LEVEL + LONGEST).then_some(first..last)
}

/// First reading of the old level, counted from the start of `back`.
fn level_start(back: &[f64], waver: f64, upright: impl Fn(&f64) -> f64) -> usize {
    let mut highest = f64::NEG_INFINITY;
    let mut level = 0;
    for (index, reading) in back.iter().enumerate().rev() {
        let reading = upright(reading);
        highest = highest.max(reading);
        level += usize::from(reading > highest - waver);
        if reading < highest - waver || level > LEVEL {
            return index + 1;
        }
    }
    0
}

/// One past the last reading of the new level, counted from the start of `ahead`.
fn level_end(ahead: &[f64], waver: f64, upright: impl Fn(&f64) -> f64) -> usize {
    let mut lowest = f64::INFINITY;
    let mut level = 0;
    for (index, reading) in ahead.iter().enumerate() {
        let reading = upright(reading);
        if reading < lowest - waver {
            level = 0;
        }
        lowest = lowest.min(reading);
        level += 1;
        if reading > lowest + waver || level > 2 * LEVEL {
            return index;
        }
    }
    ahead.len()
}
