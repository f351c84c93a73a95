//! Lags at which a reference explains the readings of a gauge, and which of them it is.

use nalgebra::DVector;

use super::aligned::Match;
use super::display::Shown;
use super::pair::Explained;
use super::sampling::likeliest;
use super::seen::{Seen, moves};
use crate::base::{Error, Result};

/// Share of the scatter of the readings that the reference must explain.
const EXPLAINED: f64 = 0.5;
/// Between two matches the readings are explained this many times worse than by the worse of them.
const APART: f64 = 4.0;
/// Matches that are held against each other, at most.
const MATCHES: usize = 6;
/// Normal quantile of 99 %.
const SURE: f64 = 2.326;

/// The match at which the search of the lag starts.
///
/// # Errors
///
/// [`Error::LagUnidentified`] where the pressure does not move, the readings do not follow it, or
/// lags apart from each other explain them alike.
pub(super) fn single(seen: &Seen<'_>) -> Result<Match> {
    let mut found = matches(seen).into_iter();
    let mut best = found.next().ok_or_else(|| none(seen))?;
    for rival in found {
        best = better(seen, best, rival).ok_or(Error::LagUnidentified {
            reason: "the pressure repeats itself: lags a period apart explain it alike",
            cure: "state max_lag_s below half a period or move the pressure irregularly",
        })?;
    }
    let ends = best.lag_s.abs() > seen.max_lag_s - 1.5 * spacing(seen);
    if ends || beyond(seen, &best) { Err(at_the_end()) } else { Ok(best) }
}

/// Whether the readings follow far better at a lag up to twice as far as those that are looked for:
/// what is inside is then only alike.
fn beyond(seen: &Seen<'_>, best: &Match) -> bool {
    let (spacing, left) = (spacing(seen), best.left());
    let far = steps(seen) + 1..=2 * steps(seen);
    far.flat_map(|k| [-k, k])
        .filter_map(|k| Match::at(seen.tested, seen.known, f64::from(k) * spacing))
        .any(|other| APART * other.left() < left)
}

/// How often that goes into the largest lag that is looked for.
#[allow(clippy::cast_possible_truncation, reason = "at most 500")]
fn steps(seen: &Seen<'_>) -> i32 {
    (seen.max_lag_s / spacing(seen)).floor() as i32
}

/// Where the readings follow best is where the search ends: it may go on beyond.
pub(super) const fn at_the_end() -> Error {
    Error::LagUnidentified {
        reason: "the readings follow the reference best at the end of max_lag_s",
        cure: "set the clocks or state a larger max_lag_s",
    }
}

/// Between the lags tried, s.
fn spacing(seen: &Seen<'_>) -> f64 {
    (seen.interval_s / 2.0).max(seen.max_lag_s / 500.0)
}

fn none(seen: &Seen<'_>) -> Error {
    if moves(seen.tested) || moves(seen.known) {
        return Error::LagUnidentified {
            reason: "the readings do not follow the reference within max_lag_s",
            cure: "put both gauges on one tee, with one sign, and set their clocks or state a \
                   larger max_lag_s",
        };
    }
    Error::LagUnidentified {
        reason: "the pressure does not move",
        cure: "let it rise and fall, well beyond the noise of the readings",
    }
}

/// Lags at which the readings follow the reference, the best first. Two of them have a lag between
/// them at which the readings do not, or are explained far worse.
fn matches(seen: &Seen<'_>) -> Vec<Match> {
    let spacing = spacing(seen);
    let tried = steps(seen);
    let tried: Vec<Match> = (-tried..=tried)
        .filter_map(|k| Match::at(seen.tested, seen.known, f64::from(k) * spacing))
        .collect();
    let left: Vec<f64> = tried.iter().map(Match::left).collect();
    let mut order: Vec<usize> = (0..tried.len()).filter(|&i| left[i] < 1.0 - EXPLAINED).collect();
    order.sort_by(|&i, &j| left[i].total_cmp(&left[j]));
    let mut kept: Vec<usize> = Vec::new();
    for i in order {
        let apart = |&other: &usize| {
            let between = &left[i.min(other)..=i.max(other)];
            between.iter().copied().fold(0.0, f64::max) > APART * left[i]
        };
        if kept.len() < MATCHES && kept.iter().all(apart) {
            kept.push(i);
        }
    }
    kept.into_iter().map(|i| tried[i]).collect()
}

/// The one of two matches that the readings decide for, if they do.
///
/// Both are held against the readings that both explain, with the noises and the unsteadiness that
/// fit the first of them. Their likelihoods are not compared: to the model, which knows no
/// repetition, a second stretch of the same shape is a marvel, and the lag at which most of the
/// readings overlap would always be the likelier. What counts is whether the readings contradict
/// one: whether its squared surprises exceed those of the other by more than noise does. Where both
/// are right, half the difference of the two sums has a variance below the number of readings.
fn better(seen: &Seen<'_>, best: Match, rival: Match) -> Option<Match> {
    let shared = shared(seen, best.lag_s, rival.lag_s)?;
    let seen = seen.with_tested(&shared);
    let guess = seen.guess(&best);
    let around = seen.covariance(&guess);
    let spread = around.view((0, 0), (3, 3)).into_owned();
    let fitted = likeliest(|theta| seen.log_density(theta), guess, around)?;
    let shift = rival.lag_s - best.lag_s;
    let part = |theta: &DVector<f64>| {
        let mut whole = fitted.clone();
        whole.rows_mut(0, 3).copy_from(theta);
        whole
    };
    let density = |theta: &DVector<f64>| {
        // A search that came back to the first lag would find no rival.
        let there = (theta[0] - fitted[0]) / shift > 0.5;
        if there { seen.log_density(&part(theta)) } else { f64::NEG_INFINITY }
    };
    let mut start = fitted.rows(0, 3).into_owned();
    start[0] += shift;
    let other = part(&likeliest(density, start, spread)?);
    let squares = |theta: &DVector<f64>| {
        let Explained { squares, .. } = seen.explained(&seen.pair(theta));
        squares
    };
    let excess = (squares(&other) - squares(&fitted)) / 2.0;
    let chance = SURE * (shared.time.len() as f64).sqrt();
    if excess > chance {
        Some(best)
    } else if excess < -chance {
        Some(rival)
    } else {
        None
    }
}

/// The readings that the reference explains at either lag.
fn shared(seen: &Seen<'_>, one: f64, other: f64) -> Option<Shown> {
    let (first, last) = (seen.known.time[0], seen.known.time[seen.known.time.len() - 1]);
    let within = first + one.max(other)..=last + one.min(other);
    let (time, value): (Vec<f64>, Vec<f64>) =
        seen.tested.time.iter().zip(&seen.tested.value).filter(|(t, _)| within.contains(t)).unzip();
    (!time.is_empty()).then(|| Shown { time, value, ..seen.tested.clone() })
}
