//! The events of one direction, averaged.

use super::GaugeSpec;
use super::budget::{Budget, Source};
use super::scatter::{Direction, Scatter};
use crate::base::Estimate;
use crate::smooth::State;

/// One event as the setpoint sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pressing {
    /// Closed or opened.
    pub close: bool,
    /// Gauge signal and its rate, or pressure at the switch if the lag is in it already.
    pub signal: State,
    /// Width of the bracket, s.
    pub width_s: f64,
    /// Noise of one reading, Pa, if known.
    pub noise_pa: Option<f64>,
    /// Step of the display, Pa, if known.
    pub step_pa: Option<f64>,
    /// Whether the lag has been taken out already.
    pub lag_applied: bool,
    /// Variance that all events have in common, Pa²: see [`Source::Common`].
    pub var_common: f64,
}

/// What events say of the repeatability by themselves: what a pooled one is made of.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Excess {
    /// Sum of squares about the means beyond `known`, Pa².
    pub squares: f64,
    /// Degrees of freedom of that sum.
    pub dof: f64,
    /// Sum of squares that the known variances explain, Pa².
    pub known: f64,
}

impl std::ops::Add for Excess {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        Self {
            squares: self.squares + other.squares,
            dof: self.dof + other.dof,
            known: self.known + other.known,
        }
    }
}

/// The events of one direction.
pub(super) struct Side<'a> {
    events: Vec<&'a Pressing>,
    /// Lag-corrected pressures.
    pub(super) x: Vec<f64>,
    /// Their known variances.
    pub(super) v: Vec<f64>,
    /// The parts of `v` that come from the signal and from the bracket.
    parts: Vec<(f64, f64)>,
    /// Part of the signal's variance that is rounding.
    rounding: Vec<f64>,
}

/// Weighted mean of one direction.
pub(super) struct Average {
    value: f64,
    pub(super) correction: f64,
    /// Weighted mean rate, Pa/s.
    rate: f64,
    /// Weighted mean of what the split of the lag leaves open, Pa.
    split: f64,
    pub(super) budget: Budget,
}

impl<'a> Side<'a> {
    pub(super) fn of(events: &'a [Pressing], close: bool, lag: f64) -> Self {
        let events: Vec<&Pressing> = events.iter().filter(|event| event.close == close).collect();
        let at_switch: Vec<State> = events
            .iter()
            .map(|event| event.signal.ahead(if event.lag_applied { 0.0 } else { lag }))
            .collect();
        // One for all events of a direction: where in its bracket a change fell decides how fast the
        // pressure seems to move there, and weights that follow it would favour one end.
        let of_one = |event: &&Pressing| (event.signal.rate * event.width_s).powi(2) / 12.0;
        let bracket = events.iter().map(of_one).sum::<f64>() / events.len().max(1) as f64;
        let parts: Vec<(f64, f64)> =
            at_switch.iter().map(|state| (state.var_value, bracket)).collect();
        let smallest = 1e-24 * at_switch.iter().map(|s| s.value.powi(2)).fold(1.0, f64::max);
        Self {
            x: at_switch.iter().map(|state| state.value).collect(),
            v: parts.iter().map(|(signal, bracket)| (signal + bracket).max(smallest)).collect(),
            rounding: events.iter().map(|event| rounding_share(event)).collect(),
            parts,
            events,
        }
    }

    pub(super) fn direction(&self) -> Option<Direction<'_>> {
        (!self.x.is_empty()).then(|| Direction { values: &self.x, variances: &self.v })
    }

    /// Scatter about the plain mean beyond what the known variances explain.
    pub(super) fn excess(&self) -> Excess {
        let n = self.x.len() as f64;
        if n < 2.0 {
            return Excess::default();
        }
        let mean = self.x.iter().sum::<f64>() / n;
        let squares: f64 = self.x.iter().map(|x| (x - mean).powi(2)).sum();
        let known = self.v.iter().sum::<f64>() * (n - 1.0) / n;
        Excess { squares: squares - known, dof: n - 1.0, known }
    }

    pub(super) fn average(
        &self,
        scatter: &Scatter,
        lag: Estimate,
        gauge: &GaugeSpec,
    ) -> Option<Average> {
        if self.x.is_empty() {
            return None;
        }
        let total: f64 = self.v.iter().map(|v| 1.0 / (v + scatter.variance)).sum();
        let weights: Vec<f64> =
            self.v.iter().map(|v| 1.0 / (v + scatter.variance) / total).collect();
        let mean = |of: &dyn Fn(usize) -> f64| -> f64 {
            weights.iter().enumerate().map(|(i, w)| w * of(i)).sum()
        };
        let variance = |of: &dyn Fn(usize) -> f64| -> f64 {
            weights.iter().enumerate().map(|(i, w)| w * w * of(i)).sum()
        };
        let value = mean(&|i| self.x[i]);
        let rate = mean(&|i| self.events[i].signal.rate);
        let split = mean(&|i| self.events[i].var_common.max(0.0).sqrt());
        let known = f64::INFINITY;
        let mut budget = Budget::default();
        let step = |i: usize| gauge_share(gauge, self.events[i]).unwrap_or(self.rounding[i]);
        let smooth = variance(&|i| (1.0 - step(i)) * self.parts[i].0);
        budget.push(Source::Reading, smooth.sqrt(), known);
        budget.push(Source::Bracket, variance(&|i| self.parts[i].1).sqrt(), known);
        let staircase = mean(&|i| staircase(self.events[i], gauge));
        let rounding = variance(&|i| step(i) * self.parts[i].0).sqrt();
        budget.push(Source::Resolution, rounding.hypot(staircase), known);
        budget.push(Source::Repeatability, variance(&|_| scatter.variance).sqrt(), scatter.dof);
        budget.push(Source::Lag, lag.u * rate.abs(), lag.dof);
        budget.push(Source::Common, split, known);
        if let Some(accuracy) = gauge.accuracy() {
            budget.push(Source::Accuracy, accuracy(value).0, known);
        }
        Some(Average { value, correction: lag.value * rate, rate, split, budget })
    }
}

/// What rounding leaves when too little noise dithers it, Pa: readings that stand on one step of the
/// display err alike, however many they are.
///
/// With noise `σ` before rounding to steps `a` the expected reading still errs by
/// `(a/√12) exp(−2π²σ²/a²)`, root mean square: all of `a/√12` without noise, a hundredth of a step at
/// 0.4 of one. `σ² = noise² − a²/12` from the noise of the readings about their path.
/// Source: B. Widrow and I. Kollár, *Quantization Noise* (2008), the first harmonic scaled so that
/// the limit without noise is exact (from memory).
fn staircase(event: &Pressing, gauge: &GaugeSpec) -> f64 {
    let Some((step, noise)) = gauge.resolution_pa.or(event.step_pa).zip(event.noise_pa) else {
        return 0.0;
    };
    if step <= 0.0 {
        return 0.0;
    }
    let before = (noise * noise / (step * step) - 1.0 / 12.0).max(0.0);
    step / 12.0_f64.sqrt() * (-2.0 * std::f64::consts::PI.powi(2) * before).exp()
}

/// Share of the reading's noise variance that is the display's rounding, `step²/12`.
fn rounding_share(event: &Pressing) -> f64 {
    share(event.step_pa, event.noise_pa).unwrap_or(0.0)
}

/// The same with the step that the gauge's maker states.
fn gauge_share(gauge: &GaugeSpec, event: &Pressing) -> Option<f64> {
    share(gauge.resolution_pa, event.noise_pa)
}

fn share(step: Option<f64>, noise: Option<f64>) -> Option<f64> {
    let (step, noise) = (step?, noise?);
    (noise > 0.0).then(|| (step * step / 12.0 / (noise * noise)).min(1.0))
}

impl Average {
    pub(super) fn estimate(&self) -> Estimate {
        self.budget.estimate(self.value)
    }

    /// Close minus open: what scatters adds up, what both share cancels as far as it is equal.
    pub(super) fn minus(
        &self,
        open: &Self,
        scatter: &Scatter,
        lag: Estimate,
        gauge: &GaugeSpec,
    ) -> (f64, Budget) {
        let value = self.value - open.value;
        let mut budget = Budget::default();
        for source in [Source::Reading, Source::Bracket, Source::Resolution, Source::Repeatability]
        {
            let u = |budget: &Budget| budget.line(source).map_or(0.0, |line| line.u_pa);
            let dof = if source == Source::Repeatability { scatter.dof } else { f64::INFINITY };
            budget.push(source, u(&self.budget).hypot(u(&open.budget)), dof);
        }
        budget.push(Source::Lag, lag.u * (self.rate - open.rate).abs(), lag.dof);
        budget.push(Source::Common, self.split + open.split, f64::INFINITY);
        if let Some(accuracy) = gauge.accuracy() {
            budget.push(Source::Accuracy, accuracy(value).1, f64::INFINITY);
        }
        (value, budget)
    }
}
