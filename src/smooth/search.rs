//! Search for the smoothing parameter that the readings themselves call for.

use std::ops::Range;

use super::likelihood::{LANES, Sums};

/// What the readings say about noise and unsteadiness.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// `λ = q/σ²`, s⁻³.
    pub lambda: f64,
    /// Noise variance `σ²` of a reading, Pa².
    pub variance: f64,
    /// Restricted log likelihood at its maximum. Constants that depend on the times alone are
    /// left out.
    pub log_likelihood: f64,
}

/// Evaluations of the first, coarse pass.
const COARSE: usize = 2 * LANES;
/// Passes of four after it; each shrinks the interval to two fifths.
const ZOOMS: usize = 2;

/// Finds `λ` by restricted likelihood from one or several stretches of a recording, which share
/// noise and unsteadiness. Each stretch is a range of indices with three readings or more.
///
/// The search runs over `ln λ` between the straight line and the polygon through the readings.
///
/// ```
/// let time: Vec<f64> = (0..50).map(|i| 0.1 * f64::from(i)).collect();
/// let line: Vec<f64> = time.iter().map(|t| 3.0 + 2.0 * t + 0.01 * (40.0 * t).sin()).collect();
/// let fit = deadband::smooth::fit(&time, &line, &[0..50]);
/// assert!(fit.variance.sqrt() < 0.012);
/// ```
pub fn fit(time: &[f64], y: &[f64], stretches: &[Range<usize>]) -> Fit {
    let (low, high) = bounds(time, stretches);
    let mut tried: Vec<Trial> = Vec::with_capacity(COARSE + ZOOMS * LANES);
    let spacing = (high - low) / (COARSE - 1) as f64;
    for first in (0..COARSE).step_by(LANES) {
        let lanes = std::array::from_fn(|lane| low + (first + lane) as f64 * spacing);
        evaluate(time, y, stretches, lanes, &mut tried);
    }
    let mut reach = spacing;
    for _ in 0..ZOOMS {
        let centre = best(&tried).log_lambda;
        let gap = 2.0 * reach / (LANES + 1) as f64;
        let lanes =
            std::array::from_fn(|lane| (centre - reach + (lane + 1) as f64 * gap).clamp(low, high));
        evaluate(time, y, stretches, lanes, &mut tried);
        reach = gap;
    }
    polish(time, y, stretches, &mut tried);
    let best = best(&tried);
    Fit {
        lambda: best.log_lambda.exp(),
        variance: best.variance,
        log_likelihood: best.log_likelihood,
    }
}

/// The fit at a given parameter, without a search.
pub fn fit_at(time: &[f64], y: &[f64], stretches: &[Range<usize>], lambda: f64) -> Fit {
    let mut tried = Vec::with_capacity(LANES);
    evaluate(time, y, stretches, [lambda.ln(); LANES], &mut tried);
    let Trial { variance, log_likelihood, .. } = tried[0];
    Fit { lambda, variance, log_likelihood }
}

#[derive(Debug, Clone, Copy)]
struct Trial {
    log_lambda: f64,
    log_likelihood: f64,
    variance: f64,
}

pub(super) fn bounds(time: &[f64], stretches: &[Range<usize>]) -> (f64, f64) {
    let longest = stretches.iter().max_by_key(|range| range.len()).cloned().unwrap_or_default();
    let n = longest.len().max(2) as f64;
    let length = time[longest.end - 1] - time[longest.start];
    let h = length / (n - 1.0);
    ((1e-3 / n).ln() - 3.0 * length.ln(), 1e4_f64.ln() - 3.0 * h.ln())
}

fn evaluate(
    time: &[f64],
    y: &[f64],
    stretches: &[Range<usize>],
    log_lambda: [f64; LANES],
    tried: &mut Vec<Trial>,
) {
    let mut sums = Sums::default();
    for range in stretches {
        sums.add(&time[range.clone()], &y[range.clone()], log_lambda.map(f64::exp));
    }
    tried.extend((0..LANES).map(|lane| Trial {
        log_lambda: log_lambda[lane],
        log_likelihood: sums.log_likelihood(lane),
        variance: sums.variance(lane),
    }));
}

fn best(tried: &[Trial]) -> Trial {
    let better = |best: Trial, &trial: &Trial| {
        if trial.log_likelihood > best.log_likelihood { trial } else { best }
    };
    tried.iter().fold(tried[0], better)
}

/// The vertex of the parabola through the best trial and its two neighbours, if there is one.
fn polish(time: &[f64], y: &[f64], stretches: &[Range<usize>], tried: &mut Vec<Trial>) {
    tried.sort_by(|a, b| a.log_lambda.total_cmp(&b.log_lambda));
    tried.dedup_by(|a, b| a.log_lambda == b.log_lambda);
    let top = best(tried).log_lambda;
    let Some(at) = tried.iter().position(|trial| trial.log_lambda == top) else { return };
    let (Some(left), Some(right)) = (at.checked_sub(1).map(|i| tried[i]), tried.get(at + 1)) else {
        return;
    };
    let (dl, dr) = (tried[at].log_lambda - left.log_lambda, right.log_lambda - top);
    let fall_left = (tried[at].log_likelihood - left.log_likelihood) / dl;
    let fall_right = (tried[at].log_likelihood - right.log_likelihood) / dr;
    let shift = 0.5 * (dr * fall_left - dl * fall_right) / (fall_left + fall_right);
    if shift.is_finite() && shift != 0.0 {
        evaluate(time, y, stretches, [top + shift; LANES], tried);
    }
}
