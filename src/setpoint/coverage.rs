//! A distribution of any shape summed up as value, standard uncertainty and degrees of freedom.

use super::overlap::Mixture;
use crate::base::estimate::{normal, t_quantile};
use statrs::distribution::Continuous;

/// Half-widths that hold 68.27 % and 95 % of a distribution, as Student's t has them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Summary {
    /// Such that `t(dof) · u` holds 95 %, Pa.
    pub(super) u: f64,
    /// From how much wider the one is than the other; infinite if not wider than on a normal law.
    pub(super) dof: f64,
}

/// Probability within one standard deviation on a normal law, and the one that the interval is for.
const PROBABILITIES: [f64; 2] = [0.682_689_492_137_085_9, 0.95];

/// Beyond this many times the uncertainty of the mixture, what is added decides the shape.
const MUCH: f64 = 3.0;

/// Sums up `mixture`, an independent normal contribution of standard deviation `outside` added, about
/// `value`.
///
/// A posterior may be flat on top: `u` is chosen so that `value ± t_0.975(dof) u` holds 95 % of it, and
/// not as its standard deviation, of which on a flat one 1.65 and not 1.96 make the interval (JCGM 100,
/// G.1.3). The degrees of freedom are those of the t law with the same ratio of the 95 % half-width to
/// the 68.27 % one.
pub(super) fn summary(mixture: &Mixture, value: f64, outside: f64) -> Summary {
    let core = matched(halves(&|s| mixture.below(s), mixture, value, 0.0));
    if outside <= 1e-3 * core.u {
        return core;
    }
    if outside < MUCH * core.u {
        let smoothed = |s: f64| smoothed(mixture, s, outside);
        return matched(halves(&smoothed, mixture, value, outside));
    }
    // On a rectangle, the flattest, the 95 % half-width is 1.645 standard deviations.
    let variance = if core.dof.is_finite() {
        core.u * core.u
    } else {
        let half = core.u * t_quantile(0.975, core.dof);
        mixture.standard_deviation().min(half / 1.645).powi(2)
    };
    let square = variance + outside * outside;
    Summary { u: square.sqrt(), dof: core.dof * (square / variance).powi(2) }
}

/// Distribution function of the sum, by the trapezoidal rule over the normal part.
fn smoothed(mixture: &Mixture, s: f64, outside: f64) -> f64 {
    const STEP: f64 = 0.25;
    const EACH_SIDE: i32 = 18;
    let law = normal();
    let terms = (-EACH_SIDE..=EACH_SIDE).map(|i| {
        let z = STEP * f64::from(i);
        law.pdf(z) * mixture.below(s - outside * z)
    });
    STEP * terms.sum::<f64>()
}

/// The half-widths about `value`.
fn halves(below: &dyn Fn(f64) -> f64, mixture: &Mixture, value: f64, outside: f64) -> [f64; 2] {
    let (from, to) = mixture.range();
    let reach = (to - value).max(value - from) + 6.0 * outside;
    let inside = |half: f64| below(value + half) - below(value - half);
    PROBABILITIES.map(|p| crossing(&|half| inside(half) - p, 0.0, reach))
}

/// Where a function that does not fall changes sign between `low` and `high`: false position with the
/// Illinois halving, and bisection where that creeps.
fn crossing(f: &dyn Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    const CALLS: usize = 60;
    const PRECISION: f64 = 1e-9;
    let (mut low, mut high) = (low, high);
    let (mut at_low, mut at_high) = (f(low), f(high));
    for call in 0..CALLS {
        if high - low <= PRECISION * (low.abs() + high.abs()) || at_high <= 0.0 {
            break;
        }
        let share = if call % 3 == 2 { 0.5 } else { at_low / (at_low - at_high) };
        let x = low + share * (high - low);
        let at = f(x);
        if at < 0.0 {
            (low, at_low, at_high) = (x, at, 0.5 * at_high);
        } else {
            (high, at_high, at_low) = (x, at, 0.5 * at_low);
        }
        if at.abs() < PRECISION {
            return x;
        }
    }
    0.5 * (low + high)
}

fn matched([inner, outer]: [f64; 2]) -> Summary {
    const LEAST: f64 = 0.5;
    const MOST: f64 = 1e4;
    const CUTS: usize = 30;
    let factor = |dof: f64| t_quantile(0.975, dof);
    let ratio = |dof: f64| factor(dof) / t_quantile(0.5 + 0.5 * PROBABILITIES[0], dof);
    let wanted = outer / inner;
    if wanted.is_nan() || wanted <= ratio(MOST) {
        return Summary { u: outer / factor(f64::INFINITY), dof: f64::INFINITY };
    }
    let (mut low, mut high) = (LEAST.ln(), MOST.ln());
    for _ in 0..CUTS {
        let middle = 0.5 * (low + high);
        if ratio(middle.exp()) > wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    let dof = (0.5 * (low + high)).exp();
    Summary { u: outer / factor(dof), dof }
}

/// The median.
pub(super) fn median(mixture: &Mixture) -> f64 {
    let (low, high) = mixture.range();
    low + crossing(&|above| mixture.below(low + above) - 0.5, 0.0, high - low)
}
