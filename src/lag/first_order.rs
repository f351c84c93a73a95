//! Least squares of a step response, and whether it is one of first order.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use super::display::Shown;
use crate::smooth::varpro::fit_separable;

/// Instants and time constants from which the search starts.
const ONSETS: usize = 150;
const CONSTANTS: u32 = 14;
/// Relative step below which the search has arrived.
const TOLERANCE: f64 = 1e-8;

/// What is left of a step `s` after the gauge begins to move.
pub(super) fn remaining(s: f64, constant: f64) -> f64 {
    if s > 0.0 { (-s / constant).exp() } else { 1.0 }
}

/// A response of first order fitted by least squares.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    /// Level after the step, Pa.
    pub(super) low: f64,
    /// Level before it minus the one after it, Pa.
    pub(super) height: f64,
    /// When the gauge began to move, s.
    pub(super) onset: f64,
    pub(super) log_constant: f64,
    /// Residual variance, Pa².
    pub(super) variance: f64,
    /// Covariance of the four in units of the variance.
    pub(super) unscaled: Option<DMatrix<f64>>,
}

impl Fit {
    /// The best of a grid, polished; `None` where no step explains anything.
    pub(super) fn of(shown: &Shown) -> Option<Self> {
        let (time, y) = (&shown.time, &shown.value);
        let n = time.len();
        let (first, last) = (time[0], time[n - 1]);
        let interval = (last - first) / (n - 1) as f64;
        let mut best: Option<(f64, [f64; 4])> = None;
        for k in 0..ONSETS.min(4 * n) {
            let onset = first + (last - first) * (k as f64 + 0.5) / ONSETS.min(4 * n) as f64;
            for i in 0..CONSTANTS {
                let share = f64::from(i) / f64::from(CONSTANTS - 1);
                let constant =
                    interval / 5.0 * (0.5 * (last - first) / (interval / 5.0)).powf(share);
                let (squares, low, height) = line(time, y, onset, constant);
                if best.is_none_or(|(least, _)| squares < least) {
                    best = Some((squares, [low, height, onset, constant.ln()]));
                }
            }
        }
        let (squares, [low, height, onset, log_constant]) = best?;
        let dof = n as f64 - 4.0;
        let grid =
            Self { low, height, onset, log_constant, variance: squares / dof, unscaled: None };
        let model = |theta: &DVector<f64>| {
            let (onset, constant) = (first + theta[0], theta[1].exp());
            let left = |i: usize| remaining(time[i] - onset, constant);
            (onset < last && onset > first)
                .then(|| DMatrix::from_fn(n, 2, |i, j| if j == 0 { 1.0 } else { left(i) }))
        };
        let start = [onset - first, log_constant];
        let polished = fit_separable(&model, &DVector::from_column_slice(y), &start, TOLERANCE);
        let better = polished.ok().filter(|found| found.squares <= squares).map(|found| Self {
            low: found.linear[0],
            height: found.linear[1],
            onset: first + found.theta[0],
            log_constant: found.theta[1],
            variance: found.squares / dof,
            unscaled: found.unscaled,
        });
        Some(better.unwrap_or(grid)).filter(|fit| fit.height.is_finite())
    }

    /// The same step with an onset midway between two readings and a time constant short beside
    /// their interval, for a gauge that least squares cannot resolve.
    pub(super) fn between_readings(&self, shown: &Shown) -> Self {
        let time = &shown.time;
        let after = time.partition_point(|t| *t <= self.onset).clamp(1, time.len() - 1);
        let interval = time[after] - time[after - 1];
        Self {
            onset: f64::midpoint(time[after - 1], time[after]),
            log_constant: (interval / 10.0).ln(),
            unscaled: None,
            ..self.clone()
        }
    }
}

/// Sum of squares, level and height for given onset and time constant.
fn line(time: &[f64], y: &[f64], onset: f64, constant: f64) -> (f64, f64, f64) {
    let n = time.len() as f64;
    let (mut x1, mut y1, mut xx, mut xy) = (0.0, 0.0, 0.0, 0.0);
    for (t, y) in time.iter().zip(y) {
        let x = remaining(t - onset, constant);
        x1 += x;
        y1 += y;
        xx += x * x;
        xy += x * y;
    }
    let spread = xx - x1 * x1 / n;
    if spread <= 1e-9 {
        return (f64::INFINITY, 0.0, 0.0);
    }
    let height = (xy - x1 * y1 / n) / spread;
    let low = (y1 - height * x1) / n;
    let squares = time
        .iter()
        .zip(y)
        .map(|(t, y)| (y - low - height * remaining(t - onset, constant)).powi(2))
        .sum();
    (squares, low, height)
}

/// The readings of the two levels, and what lies between.
#[derive(Debug, Clone, Copy)]
pub(super) struct Levels {
    /// Readings of the level before.
    pub(super) before: usize,
    /// Readings of the level after.
    pub(super) after: usize,
    /// Standard deviation of a reading about its level, Pa.
    pub(super) noise: f64,
}

impl Levels {
    /// The level before ends one time constant before the onset; the level after begins five after.
    pub(super) fn of(shown: &Shown, fit: &Fit) -> Self {
        let constant = fit.log_constant.exp();
        let before = shown.time.partition_point(|t| *t < fit.onset - constant);
        let arrived = fit.onset + 5.0 * constant;
        let after = shown.time.len() - shown.time.partition_point(|t| *t < arrived);
        let (old, new) = (&shown.value[..before], &shown.value[shown.value.len() - after..]);
        let squares = |level: &[f64]| {
            let mean = level.iter().sum::<f64>() / level.len().max(1) as f64;
            level.iter().map(|y| (y - mean).powi(2)).sum::<f64>()
        };
        let dof = (before + after).saturating_sub(2).max(1) as f64;
        Self { before, after, noise: ((squares(old) + squares(new)) / dof).sqrt() }
    }
}

/// Probability of residuals as large as those between the levels, judged by the scatter about the
/// levels or the rounding of the display, whichever is larger (F test).
pub(super) fn misfit(shown: &Shown, levels: &Levels, model: impl Fn(f64) -> f64) -> f64 {
    let range = levels.before..shown.time.len() - levels.after;
    let n = range.len() as f64;
    if n < 3.0 {
        return 1.0;
    }
    let rounding = shown.step.map_or(0.0, |step| step * step / 12.0);
    let scale = range.clone().map(|i| shown.value[i].abs()).fold(0.0, f64::max);
    let least = rounding.max((1e-7 * scale).powi(2));
    let variance = levels.noise.powi(2).max(least);
    let squares: f64 = range.map(|i| (shown.value[i] - model(shown.time[i])).powi(2)).sum();
    let ratio = squares / n / variance;
    let of_levels = (levels.before + levels.after - 2) as f64;
    FisherSnedecor::new(n, of_levels).map_or(1.0, |law| law.sf(ratio))
}

/// A response through two delays.
#[derive(Debug, Clone)]
pub(super) struct SecondOrder {
    low: f64,
    height: f64,
    /// When the gauge began to move, s.
    pub(super) onset: f64,
    /// The larger time constant, s.
    pub(super) longer: f64,
    /// The smaller one, s.
    pub(super) shorter: f64,
    /// Standard uncertainty of onset plus both, s.
    pub(super) lag_u: f64,
}

impl SecondOrder {
    /// The reading at `t` without noise, Pa.
    pub(super) fn at(&self, t: f64) -> f64 {
        self.low + self.height * remaining_of_two(t - self.onset, self.longer, self.shorter)
    }
}

/// What is left of a step behind two delays, `long` above `short`.
fn remaining_of_two(s: f64, long: f64, short: f64) -> f64 {
    if s <= 0.0 {
        return 1.0;
    }
    (long * (-s / long).exp() - short * (-s / short).exp()) / (long - short)
}

/// Fits a second delay, as a share of the first.
pub(super) fn second_order(shown: &Shown, fit: &Fit) -> Option<SecondOrder> {
    let (time, first) = (&shown.time, shown.time[0]);
    let n = time.len();
    let parts = |theta: &DVector<f64>| {
        let (long, share) = (theta[1].exp(), 1.0 / (1.0 + theta[2].exp()));
        (first + theta[0], long, long * share)
    };
    let model = |theta: &DVector<f64>| {
        let (onset, long, short) = parts(theta);
        let left = |i: usize| remaining_of_two(time[i] - onset, long, short);
        (short < 0.999 * long && short > 1e-3 * long)
            .then(|| DMatrix::from_fn(n, 2, |i, j| if j == 0 { 1.0 } else { left(i) }))
    };
    let y = DVector::from_column_slice(&shown.value);
    let constant = fit.log_constant.exp();
    let found = [0.5, 1.5, 3.0]
        .into_iter()
        .filter_map(|odds| {
            let early = constant / (1.0 + f64::exp(odds));
            let start = [fit.onset - first - early, fit.log_constant, odds];
            fit_separable(&model, &y, &start, TOLERANCE).ok()
        })
        .min_by(|a, b| a.squares.total_cmp(&b.squares))?;
    let (onset, longer, shorter) = parts(&found.theta);
    let unscaled = found.unscaled.as_ref()?;
    // Derivatives of onset + long + short by the three.
    let share = shorter / longer;
    let by = [1.0, longer + shorter, -shorter * (1.0 - share)];
    let terms = (0..3).flat_map(|i| (0..3).map(move |j| (i, j)));
    let square: f64 = terms.map(|(i, j)| by[i] * unscaled[(i + 2, j + 2)] * by[j]).sum();
    let lag_u = (found.squares / (n as f64 - 5.0) * square).max(0.0).sqrt();
    let (low, height) = (found.linear[0], found.linear[1]);
    lag_u.is_finite().then_some(SecondOrder { low, height, onset, longer, shorter, lag_u })
}
