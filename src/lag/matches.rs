//! Lags at which a reference explains the readings of a gauge, and which of them it is.

use nalgebra::DVector;

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
    Ok(best)
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

/// A straight line of readings against the reference, as it was `lag_s` earlier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Match {
    pub(super) lag_s: f64,
    pub(super) slope: f64,
    pub(super) squares: f64,
    pub(super) count: f64,
    total: f64,
}

impl Match {
    fn at(tested: &Shown, known: &Shown, lag: f64) -> Option<Self> {
        let (mut count, mut x1, mut y1) = (0.0, 0.0, 0.0);
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        let (x0, y0) = (known.value[0], tested.value[0]);
        let mut after = 1;
        for (t, y) in tested.time.iter().zip(&tested.value) {
            let there = t - lag;
            while after < known.time.len() && known.time[after] < there {
                after += 1;
            }
            if there < known.time[0] || after == known.time.len() {
                continue;
            }
            let (from, to) = (known.time[after - 1], known.time[after]);
            let share = (there - from) / (to - from);
            let (before, behind) = (known.value[after - 1], known.value[after]);
            let (x, y) = (before + share * (behind - before) - x0, y - y0);
            count += 1.0;
            x1 += x;
            y1 += y;
            xx += x * x;
            xy += x * y;
            yy += y * y;
        }
        let (sxx, sxy, total) = (xx - x1 * x1 / count, xy - x1 * y1 / count, yy - y1 * y1 / count);
        let slope = sxy / sxx;
        let squares = (total - slope * sxy).max(0.0);
        let enough = count >= (tested.time.len() / 2) as f64;
        (enough && total > 0.0 && slope.is_finite()).then_some(Self {
            lag_s: lag,
            slope,
            squares,
            count,
            total,
        })
    }

    /// Share of the scatter that is left; infinite where the readings fall as the reference rises,
    /// which no lag does.
    fn left(&self) -> f64 {
        if self.slope > 0.0 { self.squares / self.total } else { f64::INFINITY }
    }
}

/// Lags at which the readings follow the reference, the best first. Two of them have a lag between
/// them at which the readings do not, or are explained far worse.
fn matches(seen: &Seen<'_>) -> Vec<Match> {
    let spacing = (seen.interval_s / 2.0).max(seen.max_lag_s / 500.0);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most 500")]
    let tried = (seen.max_lag_s / spacing).floor() as i32;
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
    let (time, value): (Vec<f64>, Vec<f64>) = seen
        .tested
        .time
        .iter()
        .zip(&seen.tested.value)
        .filter(|(t, _)| within.contains(t))
        .unzip();
    (!time.is_empty()).then(|| Shown { time, value, ..seen.tested.clone() })
}
