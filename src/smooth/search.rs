//! Search for the smoothing parameter that the readings themselves call for.

use std::ops::Range;

use super::likelihood::Sums;

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

/// Values of the parameter tried side by side on blocks of readings.
const WIDE: usize = 8;
/// The same on all readings.
const LANES: usize = 4;
/// Readings in a block, and those that a stretch must have to be searched in blocks.
const BLOCK: usize = 4;
const LONG: usize = 20 * BLOCK;
/// Passes over the blocks after the first; each shrinks the interval to two ninths.
const ZOOMS: usize = 2;
/// Distance of `ln λ` between two values on all readings.
const GAP: f64 = 0.5;
/// Passes over all readings, at most.
const PASSES: usize = 6;

/// Finds `λ` by restricted likelihood from one or several stretches of a recording, which share
/// noise and unsteadiness. Each stretch is a range of indices with three readings or more.
///
/// The search runs over `ln λ` between the straight line and the polygon through the readings,
/// first on means of blocks of readings where the stretches are long, then on all readings; the
/// best is where a parabola through three neighbours has its top.
///
/// ```
/// let time: Vec<f64> = (0..50).map(|i| 0.1 * f64::from(i)).collect();
/// let line: Vec<f64> = time.iter().map(|t| 3.0 + 2.0 * t + 0.01 * (40.0 * t).sin()).collect();
/// let fit = deadband::smooth::fit(&time, &line, &[0..50]);
/// assert!(fit.variance.sqrt() < 0.012);
/// ```
pub fn fit(time: &[f64], y: &[f64], stretches: &[Range<usize>]) -> Fit {
    let bounds = bounds(time, stretches);
    let centre = search_blocks(time, y, stretches, bounds);
    let mut tried: Vec<Trial> = Vec::with_capacity(PASSES * LANES);
    let mut first = centre - 1.5 * GAP;
    for _ in 0..PASSES {
        let lanes = std::array::from_fn(|lane| first + lane as f64 * GAP);
        tried.extend(evaluate::<LANES>(time, y, stretches, lanes));
        tried.sort_by(|a, b| a.log_lambda.total_cmp(&b.log_lambda));
        let (best, last) = (best_of(&tried), tried.len() - 1);
        first = if best == 0 && tried[0].log_lambda > bounds.0 {
            tried[0].log_lambda - LANES as f64 * GAP
        } else if best == last && tried[last].log_lambda < bounds.1 {
            tried[last].log_lambda + GAP
        } else {
            break;
        };
    }
    top(&tried)
}

/// The fit at a given parameter, without a search.
pub fn fit_at(time: &[f64], y: &[f64], stretches: &[Range<usize>], lambda: f64) -> Fit {
    let [trial] = evaluate(time, y, stretches, [lambda.ln()]);
    Fit { lambda, variance: trial.variance, log_likelihood: trial.log_likelihood }
}

#[derive(Debug, Clone, Copy, Default)]
struct Trial {
    log_lambda: f64,
    log_likelihood: f64,
    variance: f64,
}

/// `ln λ` of the best on means of blocks of readings: their noise is less, the path the same.
fn search_blocks(
    time: &[f64],
    y: &[f64],
    stretches: &[Range<usize>],
    (low, high): (f64, f64),
) -> f64 {
    let long = stretches.iter().any(|range| range.len() >= LONG);
    let size = if long { BLOCK } else { 1 };
    let (mut times, mut means, mut ranges) = (Vec::new(), Vec::new(), Vec::new());
    for range in stretches {
        let start = times.len();
        times.extend(time[range.clone()].chunks_exact(size).map(mean));
        means.extend(y[range.clone()].chunks_exact(size).map(mean));
        ranges.push(start..times.len());
    }
    let shrunk = (size as f64).ln();
    let mut spacing = (high - low) / (WIDE - 1) as f64;
    let mut first = low;
    let mut centre = low;
    for _ in 0..=ZOOMS {
        let lanes: [f64; WIDE] = std::array::from_fn(|lane| first + lane as f64 * spacing);
        let tried = evaluate(&times, &means, &ranges, lanes.map(|lane| lane + shrunk));
        centre = lanes[best_of(&tried)];
        let next = 2.0 * spacing / (WIDE + 1) as f64;
        (first, spacing) = (centre - spacing + next, next);
    }
    centre.clamp(low, high)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

pub(super) fn bounds(time: &[f64], stretches: &[Range<usize>]) -> (f64, f64) {
    let longest = stretches.iter().max_by_key(|range| range.len()).cloned().unwrap_or_default();
    let n = longest.len().max(2) as f64;
    let length = time[longest.end - 1] - time[longest.start];
    let h = length / (n - 1.0);
    ((1e-3 / n).ln() - 3.0 * length.ln(), 1e4_f64.ln() - 3.0 * h.ln())
}

fn evaluate<const N: usize>(
    time: &[f64],
    y: &[f64],
    stretches: &[Range<usize>],
    log_lambda: [f64; N],
) -> [Trial; N] {
    let mut sums = Sums::default();
    let lambda = log_lambda.map(f64::exp);
    for range in stretches {
        sums.add(&time[range.clone()], &y[range.clone()], lambda);
    }
    std::array::from_fn(|lane| Trial {
        log_lambda: log_lambda[lane],
        log_likelihood: sums.log_likelihood(lane),
        variance: sums.variance(lane),
    })
}

fn best_of(tried: &[Trial]) -> usize {
    let better = |best: usize, index: usize| {
        if tried[index].log_likelihood > tried[best].log_likelihood { index } else { best }
    };
    (1..tried.len()).fold(0, better)
}

/// The top of the parabola through the best trial and its two neighbours, the noise read from the
/// one through the same three; the best trial itself at an end.
fn top(tried: &[Trial]) -> Fit {
    let best = best_of(tried);
    let here = tried[best];
    let at = |shift: f64, variance: f64, log_likelihood: f64| Fit {
        lambda: (here.log_lambda + shift).exp(),
        variance,
        log_likelihood,
    };
    let plain = at(0.0, here.variance, here.log_likelihood);
    let (Some(left), Some(right)) = (best.checked_sub(1).map(|i| tried[i]), tried.get(best + 1))
    else {
        return plain;
    };
    let parabola = |of: &dyn Fn(&Trial) -> f64| {
        let (down, up) = (of(&left) - of(&here), of(right) - of(&here));
        ((up - down) / 2.0, f64::midpoint(up, down))
    };
    let (slope, bend) = parabola(&|trial| trial.log_likelihood);
    let shift = (-slope / (2.0 * bend)).clamp(-1.0, 1.0);
    if !(bend < 0.0 && shift.is_finite()) {
        return plain;
    }
    let (noise_slope, noise_bend) = parabola(&|trial| trial.variance.ln());
    let variance = (here.variance.ln() + shift * (noise_slope + shift * noise_bend)).exp();
    let likelihood = here.log_likelihood + shift * (slope + shift * bend);
    if variance.is_finite() { at(shift * GAP, variance, likelihood) } else { plain }
}
