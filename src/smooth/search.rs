//! Search for the smoothing parameter that the readings themselves call for.

use std::ops::Range;

use super::blocks::Blocks;
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

/// Values of the parameter tried side by side over the whole interval.
const WIDE: usize = 8;
/// The same where less of it is left.
const LANES: usize = 4;
/// Distance of `ln λ` between two values from which on a parabola finds the top to a hundredth of the
/// log likelihood.
const FINE: f64 = 0.5;
/// The same to a tenth, which hardly matters to the path.
const ROUGH: f64 = 1.2;
/// Where the path is the polygon through readings `h` apart: `λ h³`.
const POLYGON: f64 = 1e4;
/// Blocks beyond the starts of the stretches that a search in blocks needs.
const ENOUGH: usize = 40;
/// A block may last so many times `(h/λ)^¼`, the time in which a path through readings `h` apart
/// follows them: the variance of its mean about the path at its middle is then a sixtieth of that
/// by noise.
pub(super) const SHORT: f64 = 1.5;
/// How far back in `ln λ` a search among shorter blocks begins.
const BACK: f64 = 1.0;

/// Finds `λ` by restricted likelihood from one or several stretches of a recording, which share
/// noise and unsteadiness. Each stretch is a range of indices with three readings or more.
///
/// The search runs over `ln λ` between the straight line and the polygon through the readings. The
/// best is where a parabola through three neighbours has its top.
///
/// ```
/// let time: Vec<f64> = (0..50).map(|i| 0.1 * f64::from(i)).collect();
/// let line: Vec<f64> = time.iter().map(|t| 3.0 + 2.0 * t + 0.01 * (40.0 * t).sin()).collect();
/// let fit = deadband::smooth::fit(&time, &line, &[0..50]);
/// assert!(fit.variance.sqrt() < 0.012);
/// ```
pub fn fit(time: &[f64], y: &[f64], stretches: &[Range<usize>]) -> Fit {
    zoom(bounds(time, stretches), FINE, &Each { time, y, stretches })
}

/// The fit at a given parameter, without a search.
pub fn fit_at(time: &[f64], y: &[f64], stretches: &[Range<usize>], lambda: f64) -> Fit {
    let [trial] = trials([lambda.ln()], &Each { time, y, stretches });
    Fit { lambda, variance: trial.variance, log_likelihood: trial.log_likelihood }
}

/// As [`fit`], from means of neighbouring readings and the scatter about them where the readings are
/// many and the path is slow: several times faster, and hardly less is known of `λ` and noise. The
/// log likelihood is that of the means then, not to be compared with others.
///
/// ```
/// use deadband::smooth::{fit, fit_blocks};
/// let time: Vec<f64> = (0..900).map(|i| 0.1 * f64::from(i)).collect();
/// let noise = |i: usize| f64::sin(1e4 * (i * i) as f64);
/// let y: Vec<f64> = (0..900).map(|i| (0.05 * time[i]).sin() * 50.0 + noise(i)).collect();
/// let (each, blocks) = (fit(&time, &y, &[0..900]), fit_blocks(&time, &y, &[0..900]));
/// assert!((each.variance / blocks.variance - 1.0).abs() < 0.02);
/// assert!((each.lambda / blocks.lambda).ln().abs() < 0.5);
/// ```
pub fn fit_blocks(time: &[f64], y: &[f64], stretches: &[Range<usize>]) -> Fit {
    let (low, high) = bounds(time, stretches);
    let slow = |size: f64| high - POLYGON.ln() + 4.0 * (SHORT / size).ln();
    let (slowest, slower) = (slow(12.0), slow(6.0));
    in_blocks::<12>(time, y, stretches, (low, slowest))
        .or_else(|| in_blocks::<6>(time, y, stretches, (low.max(slowest - BACK), slower)))
        .unwrap_or_else(|| {
            let low = low.max(slower - BACK);
            zoom((low, high), ROUGH, &Each { time, y, stretches })
        })
}

#[derive(Debug, Clone, Copy, Default)]
struct Trial {
    log_lambda: f64,
    log_likelihood: f64,
    variance: f64,
}

/// The search on blocks of `SIZE` readings; `None` where they are too few or too long for the path.
fn in_blocks<const SIZE: usize>(
    time: &[f64],
    y: &[f64],
    stretches: &[Range<usize>],
    (low, high): (f64, f64),
) -> Option<Fit> {
    let readings: usize = stretches.iter().map(Range::len).sum();
    if high <= low || readings < ENOUGH * SIZE {
        return None;
    }
    let blocks = Blocks::<SIZE>::new(time, y, stretches);
    if blocks.beyond_starts() < ENOUGH {
        return None;
    }
    let found = zoom((low, high), ROUGH, &blocks);
    (found.lambda.ln() < high - 1e-9).then_some(found)
}

/// Trials over the whole interval of `ln λ`, then between the best and its neighbours, until these
/// are less than `fine` away.
fn zoom((low, high): (f64, f64), fine: f64, readings: &impl Readings) -> Fit {
    let spacing = (high - low) / (WIDE - 1) as f64;
    let wide: [f64; WIDE] = std::array::from_fn(|lane| low + lane as f64 * spacing);
    let mut tried = trials(wide, readings).to_vec();
    loop {
        let best = best_of(&tried);
        let here = tried[best].log_lambda;
        let below = best.checked_sub(1).map(|left| tried[left].log_lambda);
        let above = tried.get(best + 1).map(|right| right.log_lambda);
        let (from, to) = (below.unwrap_or(here), above.unwrap_or(here));
        if (here - from).max(to - here) < fine {
            return top(&tried);
        }
        let between = |one: f64, other: f64, share: f64| one + share * (other - one);
        let lanes: [f64; LANES] = if below.is_some() && above.is_some() {
            let (third, two) = (1.0 / 3.0, 2.0 / 3.0);
            [
                between(from, here, third),
                between(from, here, two),
                between(here, to, third),
                between(here, to, two),
            ]
        } else {
            std::array::from_fn(|lane| between(from, to, (lane + 1) as f64 / (LANES + 1) as f64))
        };
        tried.extend(trials(lanes, readings));
        tried.sort_by(|one, next| one.log_lambda.total_cmp(&next.log_lambda));
    }
}

/// What the likelihood is made of, for several values of `λ` (s⁻³) at once.
trait Readings {
    fn sums<const N: usize>(&self, lambda: [f64; N]) -> Sums<N>;
}

/// Every reading of the stretches.
struct Each<'a> {
    time: &'a [f64],
    y: &'a [f64],
    stretches: &'a [Range<usize>],
}

impl Readings for Each<'_> {
    fn sums<const N: usize>(&self, lambda: [f64; N]) -> Sums<N> {
        let mut sums = Sums::default();
        for range in self.stretches {
            sums.add(&self.time[range.clone()], &self.y[range.clone()], lambda);
        }
        sums
    }
}

impl<const SIZE: usize> Readings for Blocks<SIZE> {
    fn sums<const N: usize>(&self, lambda: [f64; N]) -> Sums<N> {
        Self::sums(self, lambda)
    }
}

fn trials<const N: usize>(log_lambda: [f64; N], readings: &impl Readings) -> [Trial; N] {
    let sums = readings.sums(log_lambda.map(f64::exp));
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

pub(super) fn bounds(time: &[f64], stretches: &[Range<usize>]) -> (f64, f64) {
    let longest = stretches.iter().max_by_key(|range| range.len()).cloned().unwrap_or_default();
    let n = longest.len().max(2) as f64;
    let length = time[longest.end - 1] - time[longest.start];
    let h = length / (n - 1.0);
    ((1e-3 / n).ln() - 3.0 * length.ln(), POLYGON.ln() - 3.0 * h.ln())
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
    let (down, up) = (left.log_lambda - here.log_lambda, right.log_lambda - here.log_lambda);
    // Slope and bend of `of(here) + slope x + bend x²` through the neighbours.
    let parabola = |of: &dyn Fn(&Trial) -> f64| {
        let (to_left, to_right) = ((of(&left) - of(&here)) / down, (of(right) - of(&here)) / up);
        let bend = (to_right - to_left) / (up - down);
        (to_left - bend * down, bend)
    };
    let (slope, bend) = parabola(&|trial| trial.log_likelihood);
    let shift = (-slope / (2.0 * bend)).clamp(down, up);
    if !(bend < 0.0 && shift.is_finite()) {
        return plain;
    }
    let (noise_slope, noise_bend) = parabola(&|trial| trial.variance.ln());
    let variance = (here.variance.ln() + shift * (noise_slope + shift * noise_bend)).exp();
    let likelihood = here.log_likelihood + shift * (slope + shift * bend);
    if variance.is_finite() { at(shift, variance, likelihood) } else { plain }
}
