//! The setpoint of one direction at a given repeatability, as a density on a grid.

use super::cell::Cell;
use super::phase::{CommonPhase, log_sum};
use crate::base::interval::log_mean_density;

/// Nodes of a density.
const NODES: usize = 48;

/// Nodes where only the area is wanted.
const FEW: usize = 16;

/// How far below its top a log density counts, in nats.
const DEPTH: f64 = 15.0;

/// A density on equal steps, with its distribution function.
#[derive(Debug, Clone)]
pub(super) struct Curve {
    from: f64,
    step: f64,
    density: [f64; NODES],
    below: [f64; NODES],
}

/// The events of one direction, as the likelihood takes them.
#[derive(Debug)]
pub(super) struct Events {
    pub(super) cells: Vec<Cell>,
    common: Option<CommonPhase>,
}

impl Events {
    pub(super) fn of(cells: Vec<Cell>) -> Self {
        let common = CommonPhase::of(&cells);
        Self { cells, common }
    }

    /// Logarithm of the likelihood of setpoint `s` at squared repeatability `square`: brackets that fall
    /// anywhere and brackets that fall on one grid count the same beforehand.
    fn log_likelihood(&self, s: f64, square: f64) -> f64 {
        let of = |cell: &Cell| {
            log_mean_density(cell.middle - s, cell.half, (square + cell.variance).sqrt())
        };
        let apart = self.cells.iter().map(of).sum();
        match &self.common {
            Some(common) => log_sum(apart, common.log_likelihood(s, square)),
            None => apart,
        }
    }

    /// Where the likelihood counts, and its top in nats.
    ///
    /// It has one top: each factor is log-concave.
    fn support(&self, square: f64) -> (f64, f64) {
        let log = |s: f64| self.log_likelihood(s, square);
        let cells = || self.cells.iter();
        let least = cells().map(|c| c.middle).fold(f64::INFINITY, f64::min);
        let most = cells().map(|c| c.middle).fold(f64::NEG_INFINITY, f64::max);
        let (top, height) = summit(&log, least, most);
        let sd = cells().map(|c| (square + c.variance).sqrt()).fold(f64::INFINITY, f64::min);
        let stride = cells().map(|c| c.half).fold(sd, f64::max);
        let level = height - DEPTH;
        (foot(&log, top, -stride, level), foot(&log, top, stride, level))
    }

    /// Logarithm of the likelihood integrated over the setpoint, roughly.
    pub(super) fn log_area(&self, square: f64) -> f64 {
        let (from, to) = self.support(square);
        let step = (to - from) / (FEW - 1) as f64;
        let logs = (0..FEW).map(|i| self.log_likelihood(from + i as f64 * step, square));
        logs.fold(f64::NEG_INFINITY, log_sum) + step.ln()
    }
}

impl Curve {
    /// The setpoint's posterior under a flat prior, and the logarithm of the likelihood integrated
    /// over the setpoint.
    pub(super) fn of(events: &Events, square: f64) -> (Self, f64) {
        let (from, to) = events.support(square);
        let step = (to - from) / (NODES - 1) as f64;
        let logs: [f64; NODES] =
            std::array::from_fn(|i| events.log_likelihood(from + i as f64 * step, square));
        let best = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let (curve, area) = Self::normalised(from, step, logs.map(|log| (log - best).exp()));
        (curve, best + area.ln())
    }

    fn normalised(from: f64, step: f64, mut density: [f64; NODES]) -> (Self, f64) {
        let mut below = [0.0; NODES];
        for i in 1..NODES {
            below[i] = below[i - 1] + 0.5 * step * (density[i - 1] + density[i]);
        }
        let area = below[NODES - 1];
        density.iter_mut().chain(&mut below).for_each(|value| *value /= area);
        (Self { from, step, density, below }, area)
    }

    /// Probability below `s`.
    pub(super) fn below(&self, s: f64) -> f64 {
        let at = (s - self.from) / self.step;
        if at >= (NODES - 1) as f64 {
            return 1.0;
        }
        let Some((i, part)) = split(at) else { return 0.0 };
        let slope = self.density[i + 1] - self.density[i];
        self.below[i] + self.step * part * (self.density[i] + 0.5 * part * slope)
    }

    pub(super) fn range(&self) -> (f64, f64) {
        (self.from, self.from + self.step * (NODES - 1) as f64)
    }

    /// Nodes with their probabilities, by the trapezoidal rule.
    pub(super) fn masses(&self) -> impl Iterator<Item = (f64, f64)> {
        self.density.iter().enumerate().map(|(i, density)| {
            let end = if i == 0 || i == NODES - 1 { 0.5 } else { 1.0 };
            (self.from + self.step * i as f64, end * self.step * density)
        })
    }

    pub(super) fn mean(&self) -> f64 {
        self.masses().map(|(s, mass)| s * mass).sum()
    }

    pub(super) fn variance(&self) -> f64 {
        let mean = self.mean();
        self.masses().map(|(s, mass)| (s - mean).powi(2) * mass).sum()
    }

    /// The difference of two independent values, this one minus the other.
    pub(super) fn minus(&self, other: &Self) -> Self {
        let ((a, b), (c, d)) = (self.range(), other.range());
        let (from, to) = (a - d, b - c);
        let step = (to - from) / (NODES - 1) as f64;
        // Summed over the finer of the two: the nodes of the other may step over it.
        let density = std::array::from_fn(|i| {
            let x = from + i as f64 * step;
            if self.step <= other.step {
                self.masses().map(|(s, mass)| mass * other.at(s - x)).sum()
            } else {
                other.masses().map(|(s, mass)| mass * self.at(s + x)).sum()
            }
        });
        Self::normalised(from, step, density).0
    }

    fn at(&self, s: f64) -> f64 {
        let Some((i, part)) = split((s - self.from) / self.step) else { return 0.0 };
        self.density[i] * (1.0 - part) + self.density[i + 1] * part
    }

    /// By how much the mean moves when each interval moves: weights that add up to one.
    ///
    /// `∂E(S)/∂m = Cov(S, ∂ ln f/∂m)` over the posterior; in an overlap only the intervals whose ends
    /// bound it count.
    pub(super) fn weights(&self, cells: &[Cell], square: f64) -> Vec<f64> {
        let mean = self.mean();
        let raw: Vec<f64> = cells
            .iter()
            .map(|cell| {
                let sd = (square + cell.variance).sqrt();
                let nudge = 1e-3 * sd;
                let log = |s: f64| log_mean_density(cell.middle - s, cell.half, sd);
                let score = |s: f64| (log(s - nudge) - log(s + nudge)) / (2.0 * nudge);
                self.masses().map(|(s, mass)| (s - mean) * mass * score(s)).sum::<f64>().max(0.0)
            })
            .collect();
        let total: f64 = raw.iter().sum();
        let even = 1.0 / cells.len() as f64;
        raw.iter().map(|weight| if total > 0.0 { weight / total } else { even }).collect()
    }
}

/// Node before a place on the grid, and the part of the step behind it; nothing outside of the grid.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "within the grid")]
fn split(at: f64) -> Option<(usize, f64)> {
    (at >= 0.0 && at < (NODES - 1) as f64).then(|| (at as usize, at.fract()))
}

/// Where a function of one top between `low` and `high` has it, by golden section.
fn summit(log: &dyn Fn(f64) -> f64, low: f64, high: f64) -> (f64, f64) {
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    const CUTS: usize = 14;
    let (mut low, mut high) = (low, high);
    let (mut a, mut b) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
    let (mut at_a, mut at_b) = (log(a), log(b));
    for _ in 0..CUTS {
        if high - low <= 1e-12 * (low.abs() + high.abs()) {
            break;
        }
        if at_a > at_b {
            (high, b, at_b) = (b, a, at_a);
            a = high - GOLDEN * (high - low);
            at_a = log(a);
        } else {
            (low, a, at_a) = (a, b, at_b);
            b = low + GOLDEN * (high - low);
            at_b = log(b);
        }
    }
    if at_a > at_b { (a, at_a) } else { (b, at_b) }
}

/// Where a function falling from its top on comes down to `level`: steps that double, then halving,
/// ending on the lower side.
fn foot(log: &dyn Fn(f64) -> f64, top: f64, stride: f64, level: f64) -> f64 {
    const DOUBLINGS: usize = 60;
    const HALVINGS: usize = 40;
    const PRECISION: f64 = 0.1;
    let (mut inside, mut stride) = (top, stride);
    for _ in 0..DOUBLINGS {
        if log(top + stride) < level {
            break;
        }
        inside = top + stride;
        stride *= 2.0;
    }
    let mut outside = top + stride;
    for _ in 0..HALVINGS {
        if (outside - inside).abs() <= PRECISION * (outside - top).abs() {
            break;
        }
        let middle = 0.5 * (inside + outside);
        if log(middle) < level {
            outside = middle;
        } else {
            inside = middle;
        }
    }
    outside
}
