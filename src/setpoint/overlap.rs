//! Several brackets: the setpoints of a test from where its switching pressures can have been.
//!
//! The switching pressures of a direction scatter about its setpoint, `Pᵢ ~ N(S, τ²)`; of each only
//! an interval `loᵢ < Pᵢ < hiᵢ` is known, whose place has the variance `vᵢ` of the reading. With
//! `sᵢ² = τ² + vᵢ` the likelihood is
//!
//! ```text
//! L(S, τ) = ∏ [Φ((hiᵢ − S)/sᵢ) − Φ((loᵢ − S)/sᵢ)]
//! ```
//!
//! Where the brackets are wide beside `sᵢ` it is flat over what all of them share, which shrinks as
//! `1/n`, and not as `1/√n` like the uncertainty of the mean of the middles; brackets that fall on
//! the same pressures every time share all of their width, and no number of them helps. `S` has a
//! flat prior, `τ²`, common to both directions, the scaled inverse chi-squared one of
//! [`super::scatter`]; both are integrated over on grids.
//!
//! Sources: J. D. Kalbfleisch and R. L. Prentice, *The Statistical Analysis of Failure Time Data*
//! (2002), section 3.2, for the likelihood; A. Gelman et al., *Bayesian Data Analysis* (2013),
//! section 3.5, for rounded values under a normal law.

use super::curve::{Curve, Events};
use super::scatter::{Repeatability, Scatter, summed_up};

/// What the setpoint's variance is made of, in shares that add up to one.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Shares {
    /// The readings, without rounding.
    pub(super) reading: f64,
    /// The display's rounding.
    pub(super) rounding: f64,
    /// The switch.
    pub(super) repeatability: f64,
    /// The brackets.
    pub(super) bracket: f64,
}

/// The posterior at one repeatability.
struct Slice {
    square: f64,
    weight: f64,
    curves: [Option<Curve>; 2],
}

/// The posterior of the setpoints of both directions.
pub(super) struct Joint<'a> {
    events: [&'a Events; 2],
    slices: Vec<Slice>,
}

/// Points over `ln τ`, first to find where it matters and then to integrate over it.
const COARSE: usize = 16;
const FINE: usize = 28;

/// How far below its top the posterior of `ln τ` counts, in nats.
const DEPTH: f64 = 12.0;

/// Weight beside that of the top which is left out.
const NEGLIGIBLE: f64 = 1e-6;

impl<'a> Joint<'a> {
    /// `events` are closings and openings, either of which may be empty, not both.
    pub(super) fn of(events: [&'a Events; 2], prior: Repeatability) -> Self {
        let log_prior = |log: f64| {
            let ratio = prior.sd_pa * prior.sd_pa * (-2.0 * log).exp();
            -prior.dof * log - 0.5 * prior.dof * ratio
        };
        let present = events.map(|of| (!of.cells.is_empty()).then_some(of));
        let rough = |log: f64| {
            let square = (2.0 * log).exp();
            let areas = present.iter().flatten().map(|of| of.log_area(square));
            log_prior(log) + areas.sum::<f64>()
        };
        let at = |log: f64| {
            let square = (2.0 * log).exp();
            let found = present.map(|of| of.map(|of| Curve::of(of, square)));
            let areas = found.iter().flatten().map(|(_, area)| area);
            let weight = log_prior(log) + areas.sum::<f64>();
            Slice { square, weight, curves: found.map(|found| found.map(|(curve, _)| curve)) }
        };
        let (low, high) = Self::range(events, prior);
        let coarse = step_between(low, high, COARSE);
        let first: Vec<f64> = grid(low, coarse, COARSE).map(rough).collect();
        let top = first.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let counts = |weight: &f64| *weight > top - DEPTH;
        let begin = first.iter().position(counts).unwrap_or(0).saturating_sub(1);
        let end = first.iter().rposition(counts).map_or(COARSE - 1, |i| (i + 1).min(COARSE - 1));
        let (low, high) = (low + begin as f64 * coarse, low + end as f64 * coarse);
        let mut slices: Vec<Slice> =
            grid(low, step_between(low, high, FINE), FINE).map(at).collect();
        let top = slices.iter().map(|slice| slice.weight).fold(f64::NEG_INFINITY, f64::max);
        for slice in &mut slices {
            slice.weight = (slice.weight - top).exp();
        }
        slices.retain(|slice| slice.weight > NEGLIGIBLE);
        let total: f64 = slices.iter().map(|slice| slice.weight).sum();
        for slice in &mut slices {
            slice.weight /= total;
        }
        Self { events, slices }
    }

    /// The range of `ln τ` that any posterior can want.
    fn range(events: [&Events; 2], prior: Repeatability) -> (f64, f64) {
        let known = known(events).sqrt();
        let spread = |of: &&Events| {
            let cells = || of.cells.iter();
            let least = cells().map(|c| c.middle - c.half).fold(f64::INFINITY, f64::min);
            let most = cells().map(|c| c.middle + c.half).fold(f64::NEG_INFINITY, f64::max);
            (most - least).max(0.0)
        };
        let widest = events.iter().map(spread).fold(prior.sd_pa, f64::max);
        let smallest = prior.sd_pa.min(known.max(1e-6 * prior.sd_pa)) * 1e-2;
        (smallest.ln(), (20.0 * (widest + known)).ln())
    }

    /// The repeatability: see [`super::scatter`].
    pub(super) fn scatter(&self) -> Scatter {
        let weighted = self.slices.iter().map(|slice| (slice.square, slice.weight));
        summed_up(weighted, known(self.events))
    }

    /// The curves of one quantity with their weights: a direction, or close minus open.
    pub(super) fn side(&self, side: usize) -> Mixture {
        let curves = self.slices.iter();
        Mixture::of(curves.filter_map(|slice| Some((slice.weight, slice.curves[side].clone()?))))
    }

    pub(super) fn difference(&self) -> Mixture {
        Mixture::of(self.slices.iter().filter_map(|slice| {
            let [Some(close), Some(open)] = &slice.curves else { return None };
            Some((slice.weight, close.minus(open)))
        }))
    }

    /// Whose movement moves the setpoint of a direction: weights that add up to one.
    pub(super) fn weights(&self, side: usize) -> Vec<f64> {
        let cells = &self.events[side].cells;
        let mut weights = vec![0.0; cells.len()];
        for slice in self.slices.iter().filter(|slice| slice.weight > 1e-3) {
            let Some(curve) = &slice.curves[side] else { continue };
            let own = curve.weights(cells, slice.square);
            weights.iter_mut().zip(own).for_each(|(sum, own)| *sum += slice.weight * own);
        }
        let total: f64 = weights.iter().sum();
        for weight in &mut weights {
            *weight /= total;
        }
        weights
    }

    /// What the variance of the sum or difference of the given directions is made of.
    ///
    /// At a given `τ`, `Var S = A + Var(Σ wᵢ Pᵢ)` with `wᵢ ∝ 1/sᵢ²` and `A = 1/Σ 1/sᵢ²`, by the law of
    /// total variance over the switching pressures: `A` is the switch's and the readings' share, the
    /// rest is that of the brackets. The shares are averaged over the posterior of `τ`.
    /// `rounding` is the share of each reading's variance that is rounding.
    pub(super) fn shares(&self, sides: &[usize], rounding: [&[f64]; 2]) -> Shares {
        let mut shares = Shares::default();
        for slice in &self.slices {
            let (mut variance, mut own) = (0.0, Shares::default());
            for &side in sides {
                let Some(curve) = &slice.curves[side] else { continue };
                let cells = &self.events[side].cells;
                let precision: f64 = cells.iter().map(|c| 1.0 / (slice.square + c.variance)).sum();
                let mut events = 0.0;
                for (cell, rounding) in cells.iter().zip(rounding[side]) {
                    let weight = 1.0 / (slice.square + cell.variance) / precision;
                    own.reading += weight * weight * (1.0 - rounding) * cell.variance;
                    own.rounding += weight * weight * rounding * cell.variance;
                    own.repeatability += weight * weight * slice.square;
                    events += weight * weight * (slice.square + cell.variance);
                }
                variance += curve.variance().max(events);
            }
            let scale = slice.weight / variance;
            shares.reading += scale * own.reading;
            shares.rounding += scale * own.rounding;
            shares.repeatability += scale * own.repeatability;
        }
        let rest = 1.0 - shares.reading - shares.rounding - shares.repeatability;
        Shares { bracket: rest.max(0.0), ..shares }
    }
}

/// A mixture of curves.
pub(super) struct Mixture {
    parts: Vec<(f64, Curve)>,
}

impl Mixture {
    /// Parts of weights that need not add up to one.
    fn of(parts: impl Iterator<Item = (f64, Curve)>) -> Self {
        let mut parts: Vec<(f64, Curve)> = parts.collect();
        let total: f64 = parts.iter().map(|(weight, _)| weight).sum();
        for (weight, _) in &mut parts {
            *weight /= total;
        }
        Self { parts }
    }

    /// Probability below `s`.
    pub(super) fn below(&self, s: f64) -> f64 {
        self.parts.iter().map(|(weight, curve)| weight * curve.below(s)).sum()
    }

    /// Smallest and largest value that has a density.
    pub(super) fn range(&self) -> (f64, f64) {
        let ranges = self.parts.iter().map(|(_, curve)| curve.range());
        ranges.fold((f64::INFINITY, f64::NEG_INFINITY), |all, own| {
            (all.0.min(own.0), all.1.max(own.1))
        })
    }

    pub(super) fn standard_deviation(&self) -> f64 {
        let mean: f64 = self.parts.iter().map(|(weight, curve)| weight * curve.mean()).sum();
        let of = |curve: &Curve| curve.variance() + (curve.mean() - mean).powi(2);
        self.parts.iter().map(|(weight, curve)| weight * of(curve)).sum::<f64>().sqrt()
    }
}

/// Harmonic mean of the known variances.
fn known(events: [&Events; 2]) -> f64 {
    let all = || events.into_iter().flat_map(|of| &of.cells);
    all().count() as f64 / all().map(|cell| 1.0 / cell.variance).sum::<f64>()
}

fn step_between(low: f64, high: f64, points: usize) -> f64 {
    (high - low) / (points - 1) as f64
}

fn grid(low: f64, step: f64, points: usize) -> impl Iterator<Item = f64> {
    (0..points).map(move |i| low + i as f64 * step)
}
