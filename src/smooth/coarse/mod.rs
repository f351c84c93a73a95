//! Paths through the readings of a coarse display, each reading taken as an interval.
//!
//! A steady gauge's display stands still between two steps. Its rounding is no white noise then: a
//! path through the readings follows the staircase. What a reading `y` of a display of step `a`
//! says is that signal plus noise lay between `y − a/2` and `y + a/2`,
//!
//! ```text
//! P(y | g) = Φ((y + a/2 − g)/σ) − Φ((y − a/2 − g)/σ),
//! ```
//!
//! the signal `g` being the integrated random walk of [`crate::smooth`]. Expectation propagation
//! gives every reading a Gaussian site whose product with what all the others say has the mean and
//! variance that the interval would give. Noise and unsteadiness are where its evidence is
//! stationary: with the sites at their fixed point its derivative is that with the sites held.
//!
//! Sources: T. P. Minka, *Proc. 17th Conf. Uncertainty in Artificial Intelligence* (2001) 362–369;
//! M. Seeger, *Expectation propagation for exponential families* (2005), for the derivative of the
//! evidence.

mod nodes;
mod site;
mod sweep;

use std::ops::Range;

use nodes::nodes;
use sweep::{Chain, Parameters, pass};

use super::path::{ALL, Path};
use super::search::Fit;

/// Noise, as a fraction of the display's step, below which a reading is taken as an interval: from
/// there on rounding is as good as white and the plain path no worse.
const STEADY: f64 = 0.28;

/// Steps of the display from one reading to the next, on average, from which on the motion itself
/// makes the rounding white.
const SLOW: f64 = 1.0 / 3.0;

/// Rounds at most; each is one pass over all readings and a step of both parameters.
const ROUNDS: usize = 16;
/// Changes of `ln q` and `ln σ` below which the search has arrived.
const ARRIVED: (f64, f64) = (0.1, 0.03);
/// Noise is looked for between these fractions of the step.
const NOISE: (f64, f64) = (0.004, 2.0);

/// What the readings of a coarse display say.
#[derive(Debug, Clone)]
pub struct Coarse {
    /// Variance of a reading's noise before the display rounds it, Pa².
    pub noise: f64,
    /// How much the rate walks, Pa²/s³.
    pub unsteadiness: f64,
    /// The path of each stretch.
    pub paths: Vec<Path<'static>>,
}

/// Whether a display of this step is so steady, and the pressure so slow, that its rounding is not
/// white: `white` is the fit of the plain path, whose variance holds the rounding.
pub fn is_coarse(y: &[f64], stretches: &[Range<usize>], step: f64, white: &Fit) -> bool {
    let moved: f64 = stretches.iter().map(|range| (y[range.end - 1] - y[range.start]).abs()).sum();
    let readings: usize = stretches.iter().map(Range::len).sum();
    let steady = white.variance < (1.0 / 12.0 + STEADY * STEADY) * step * step;
    steady && moved < SLOW * step * readings as f64
}

/// Fits paths to stretches of a recording that share noise and unsteadiness, every reading an
/// interval one `step` (Pa) wide. The fit of the plain path is where the search starts.
///
/// `None` where a stretch has too few readings that tell anything.
///
/// ```
/// use deadband::smooth::{coarse, fit};
/// let time: Vec<f64> = (0..600).map(|i| 0.1 * f64::from(i)).collect();
/// let truth = |t: f64| 20.0 + 1.3 * t + 0.4 * (0.3 * t).sin();
/// let shown: Vec<f64> = time.iter().map(|&t| (truth(t) / 2.5).round() * 2.5).collect();
/// let white = fit(&time, &shown, &[0..600]);
/// assert!(coarse::is_coarse(&shown, &[0..600], 2.5, &white));
/// let found = coarse::fit_coarse(&time, &shown, &[0..600], 2.5, &white).unwrap();
/// let there = found.paths[0].at(30.0).unwrap();
/// assert!((there.value - truth(30.0)).abs() < 0.1); // a twenty-fifth of the step
/// ```
pub fn fit_coarse(
    time: &[f64],
    y: &[f64],
    stretches: &[Range<usize>],
    step: f64,
    white: &Fit,
) -> Option<Coarse> {
    fit_between(time, y, (stretches, &vec![ALL; stretches.len()]), step, white)
}

/// The same, the path of each stretch known only between two instants (s).
pub(super) fn fit_between(
    time: &[f64],
    y: &[f64],
    (stretches, instants): (&[Range<usize>], &[(f64, f64)]),
    step: f64,
    white: &Fit,
) -> Option<Coarse> {
    let (low, high) = super::search::bounds(time, stretches);
    let square = step * step;
    let limits = (1e-4 * low.exp() * square, high.exp() * square);
    let unsteadiness = (white.lambda * white.variance).clamp(limits.0, limits.1);
    let mut with = Parameters { unsteadiness, noise: 0.01 * square };
    let mut chains: Vec<Chain> = stretches
        .iter()
        .map(|stretch| Chain::new(nodes(time, y, stretch.clone(), step), with))
        .collect::<Option<_>>()?;
    for _ in 0..ROUNDS {
        pass(&mut chains, with);
        let next = Parameters {
            unsteadiness: next_unsteadiness(&chains, with.unsteadiness).clamp(limits.0, limits.1),
            noise: next_noise(&chains, with.noise)
                .clamp(NOISE.0 * NOISE.0 * square, NOISE.1 * NOISE.1 * square),
        };
        let moved = (next.unsteadiness / with.unsteadiness).ln().abs();
        let noise_moved = 0.5 * (next.noise / with.noise).ln().abs();
        with = next;
        if moved < ARRIVED.0 && noise_moved < ARRIVED.1 {
            break;
        }
    }
    pass(&mut chains, with);
    let paths =
        chains.iter_mut().zip(instants).map(|(chain, &kept)| chain.path(with.unsteadiness, kept));
    let Parameters { unsteadiness, noise } = with;
    Some(Coarse { noise, unsteadiness, paths: paths.collect::<Option<_>>()? })
}

/// A Newton step of `ln q` on the likelihood of the sites, from four values of it.
fn next_unsteadiness(chains: &[Chain], q: f64) -> f64 {
    const REACH: f64 = 1.0;
    let lanes: [f64; 4] = [-REACH, -REACH / 3.0, REACH / 3.0, REACH];
    let mut told = [0.0; 4];
    for chain in chains {
        chain.add_unsteadiness_told(lanes.map(|lane| q * lane.exp()), &mut told);
    }
    // Slope and curvature of the least squares parabola.
    let slope = 0.3 * (3.0 * (told[3] - told[0]) + told[2] - told[1]) / (2.0 * REACH);
    let curvature = 9.0 * (told[0] - told[1] - told[2] + told[3]) / (8.0 * REACH * REACH);
    q * newton(slope, curvature, 2.0).exp()
}

fn next_noise(chains: &[Chain], noise: f64) -> f64 {
    let slope: f64 = chains.iter().map(|chain| chain.noise_told.0).sum();
    let curvature: f64 = chains.iter().map(|chain| chain.noise_told.1).sum();
    noise * (2.0 * newton(slope, curvature, 0.75)).exp()
}

/// The way to the top of a parabola, or half of the longest step uphill where there is none.
fn newton(slope: f64, curvature: f64, longest: f64) -> f64 {
    if curvature < 0.0 {
        (-slope / curvature).clamp(-longest, longest)
    } else {
        0.5 * longest * slope.signum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::order::extremes;
    use crate::smooth::fit;
    use crate::smooth::state::State;
    use proptest::prelude::*;

    fn shown(n: u32, step: f64) -> (Vec<f64>, Vec<f64>) {
        let time: Vec<f64> = (0..n).map(|i| 0.1 * f64::from(i)).collect();
        let truth = |t: f64| 20.0 + 1.3 * t + 0.8 * (0.3 * t).sin();
        let y = time.iter().map(|&t| (truth(t) / step).round() * step).collect();
        (time, y)
    }

    fn at_all(time: &[f64], y: &[f64], step: f64) -> Vec<Option<State>> {
        let all = 0..time.len();
        let white = fit(time, y, std::slice::from_ref(&all));
        let found = fit_coarse(time, y, &[all], step, &white).expect("fits");
        time.iter().map(|&t| found.paths[0].at(t)).collect()
    }

    #[test]
    fn the_path_stays_within_what_was_shown() {
        let (time, y) = shown(400, 2.5);
        for (state, shown) in at_all(&time, &y, 2.5).iter().zip(&y).skip(1) {
            let state = state.expect("inside");
            let room = 1.25 + 3.0 * state.var_value.sqrt();
            assert!((state.value - shown).abs() < room, "{state:?} {shown}");
        }
    }

    #[test]
    fn time_may_run_backward_and_units_may_change() {
        let (time, y) = shown(300, 2.5);
        let plain = at_all(&time, &y, 2.5)[150].expect("inside");
        let turned: Vec<f64> = time.iter().rev().map(|t| -t).collect();
        let back: Vec<f64> = y.iter().rev().copied().collect();
        let other = at_all(&turned, &back, 2.5)[149].expect("inside");
        assert!((plain.value - other.value).abs() < 0.03, "{plain:?} {other:?}");
        let scaled: Vec<f64> = y.iter().map(|y| 4.0 * y).collect();
        let larger = at_all(&time, &scaled, 10.0)[150].expect("inside");
        assert!((larger.value / plain.value - 4.0).abs() < 1e-6, "{plain:?} {larger:?}");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn nothing_panics_and_what_is_found_is_finite(
            codes in prop::collection::vec(0i32..6, 5..60),
            gaps in prop::collection::vec(0.01f64..3.0, 60),
        ) {
            let y: Vec<f64> = codes.iter().map(|&code| 2.5 * f64::from(code)).collect();
            let mut time = vec![0.0];
            for gap in &gaps[1..y.len()] { time.push(time[time.len() - 1] + gap); }
            let all = 0..y.len();
            let white = fit(&time, &y, std::slice::from_ref(&all));
            if let Some(found) = fit_coarse(&time, &y, &[all], 2.5, &white) {
                prop_assert!(found.noise.is_finite() && found.unsteadiness.is_finite());
                let (low, high) = extremes(&y);
                for &t in &time {
                    let state = found.paths[0].at(t).expect("inside");
                    prop_assert!(state.var_value > 0.0 && state.var_value.is_finite());
                    prop_assert!(state.value > low - 30.0 && state.value < high + 30.0);
                }
            }
        }
    }
}
