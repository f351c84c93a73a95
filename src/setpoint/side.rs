//! The events of one direction, averaged.

use std::cmp::Ordering;

use super::GaugeSpec;
use super::budget::{Budget, Source};
use super::cell::Cell;
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
    /// Middle of the pressures that the bracket spans less the value, Pa.
    pub shift_pa: f64,
    /// Whether the bracket begins at the corner of a fall.
    pub corner: bool,
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
    /// The part of `known` that is the brackets', uniform and not normal, Pa².
    pub bracket: f64,
}

impl std::ops::Add for Excess {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        Self {
            squares: self.squares + other.squares,
            dof: self.dof + other.dof,
            known: self.known + other.known,
            bracket: self.bracket + other.bracket,
        }
    }
}

/// Brackets so many times as wide as the standard uncertainty of a reading call for their overlap.
const WIDE: f64 = 4.0;

/// Smallest variance, relative to the square of the pressure.
const SMALLEST: f64 = 1e-24;

/// The events of one direction.
pub(super) struct Side<'a> {
    events: Vec<&'a Pressing>,
    /// Lag-corrected pressures.
    pub(super) x: Vec<f64>,
    /// Their known variances.
    pub(super) v: Vec<f64>,
    /// The parts of `v` that come from the signal and from the bracket.
    parts: Vec<(f64, f64)>,
    /// Mean square of the events' brackets, as variance.
    brackets: f64,
    /// Part of the signal's variance that is rounding.
    rounding: Vec<f64>,
}

/// Setpoint of one direction.
pub(super) struct Average {
    pub(super) value: f64,
    pub(super) correction: f64,
    /// What its events err alike in.
    pub(super) alike: Alike,
    pub(super) budget: Budget,
}

/// Weighted means of what the events of a direction err alike in, and no number of them reduces.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Alike {
    /// Rate, Pa/s: what a wrong lag is multiplied with.
    pub(super) rate: f64,
    /// What the split of the lag and the corner of a fall leave open, Pa.
    pub(super) split: f64,
    /// What the display's staircase leaves, Pa.
    pub(super) staircase: f64,
}

impl<'a> Side<'a> {
    pub(super) fn of(events: &'a [Pressing], close: bool, lag: f64) -> Self {
        let mut events: Vec<&Pressing> =
            events.iter().filter(|event| event.close == close).collect();
        // A sum depends on its order in the last digits, the setpoint must not.
        events.sort_by(|a, b| a.order(b));
        let at_switch: Vec<State> = events
            .iter()
            .map(|event| event.signal.ahead(if event.lag_applied { 0.0 } else { lag }))
            .collect();
        // One for all events of a direction: where in its bracket a change fell decides how fast the
        // pressure seems to move there, and weights that follow it would favour one end.
        let mean = |of: &dyn Fn(&Pressing) -> f64| {
            events.iter().map(|event| of(event)).sum::<f64>() / events.len().max(1) as f64
        };
        let bracket = mean(&|event| if event.corner { 0.0 } else { event.bracket() });
        let brackets = mean(&Pressing::bracket);
        let parts: Vec<(f64, f64)> =
            at_switch.iter().map(|state| (state.var_value, bracket)).collect();
        let smallest = SMALLEST * at_switch.iter().map(|s| s.value.powi(2)).fold(1.0, f64::max);
        Self {
            x: at_switch.iter().map(|state| state.value).collect(),
            v: parts.iter().map(|(signal, bracket)| (signal + bracket).max(smallest)).collect(),
            rounding: events.iter().map(|event| rounding_share(event)).collect(),
            parts,
            brackets,
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
        let within = |sum: f64| sum * (n - 1.0) / n;
        let known = within(self.v.iter().sum());
        let bracket = within(self.parts.iter().map(|part| part.1).sum());
        Excess { squares: squares - known, dof: n - 1.0, known, bracket }
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
        let variance = |of: &dyn Fn(usize) -> f64| -> f64 {
            weights.iter().enumerate().map(|(i, w)| w * w * of(i)).sum()
        };
        let value = weights.iter().zip(&self.x).map(|(w, x)| w * x).sum();
        let alike = self.alike(&weights, gauge, |event| {
            event.var_common.max(0.0) + if event.corner { event.bracket() } else { 0.0 }
        });
        let known = f64::INFINITY;
        let mut budget = Budget::default();
        let rounding = self.rounding(gauge);
        let smooth = variance(&|i| (1.0 - rounding[i]) * self.parts[i].0);
        budget.push(Source::Reading, smooth.sqrt(), known);
        budget.push(Source::Bracket, variance(&|i| self.parts[i].1).sqrt(), known);
        let rounded = variance(&|i| rounding[i] * self.parts[i].0).sqrt();
        budget.push(Source::Resolution, rounded.hypot(alike.staircase), known);
        budget.push(Source::Repeatability, variance(&|_| scatter.variance).sqrt(), scatter.dof);
        budget.push(Source::Lag, lag.u * alike.rate.abs(), lag.dof);
        budget.push(Source::Common, alike.split, known);
        if let Some(accuracy) = gauge.accuracy() {
            budget.push(Source::Accuracy, accuracy(value).0, known);
        }
        Some(Average { value, correction: lag.value * alike.rate, alike, budget })
    }

    /// Means of what the events err alike in, by weights that add up to one; `common` is the variance of
    /// an event that they have in common.
    pub(super) fn alike(
        &self,
        weights: &[f64],
        gauge: &GaugeSpec,
        common: impl Fn(&Pressing) -> f64,
    ) -> Alike {
        let mean = |of: &dyn Fn(&Pressing) -> f64| -> f64 {
            weights.iter().zip(&self.events).map(|(w, event)| w * of(event)).sum()
        };
        Alike {
            rate: mean(&|event| event.signal.rate),
            split: mean(&|event| common(event).sqrt()),
            staircase: mean(&|event| staircase(event, gauge)),
        }
    }

    /// Share of each reading's variance that is the display's rounding; the stated step goes first.
    pub(super) fn rounding(&self, gauge: &GaugeSpec) -> Vec<f64> {
        let of = |(event, found): (&&Pressing, &f64)| gauge_share(gauge, event).unwrap_or(*found);
        self.events.iter().zip(&self.rounding).map(of).collect()
    }

    /// The interval in which each switching pressure lay.
    pub(super) fn cells(&self) -> Vec<Cell> {
        let one = |(i, event): (usize, &&Pressing)| {
            let half = 0.5 * (event.signal.rate * event.width_s).abs();
            // As in `of`: a variance of nothing would divide by it.
            let variance = self.parts[i].0.max(SMALLEST * self.x[i].powi(2).max(1.0));
            Cell { middle: self.x[i] + event.shift_pa, half, variance }
        };
        self.events.iter().enumerate().map(one).collect()
    }

    /// Whether brackets of several events are wide beside their readings' standard uncertainty.
    pub(super) fn is_bracketed(&self) -> bool {
        let n = self.parts.len() as f64;
        let reading = self.parts.iter().map(|part| part.0).sum::<f64>() / n;
        n > 1.0 && 12.0 * self.brackets > (WIDE * WIDE) * reading
    }
}

impl Pressing {
    /// Variance of a uniform law over its bracket, Pa².
    fn bracket(&self) -> f64 {
        (self.signal.rate * self.width_s).powi(2) / 12.0
    }

    /// An order of events that does not depend on where they stand.
    fn order(&self, other: &Self) -> Ordering {
        let key = |event: &Self| {
            let State { value, rate, var_value, cov, var_rate } = event.signal;
            let [noise, step] = [event.noise_pa, event.step_pa].map(|of| of.unwrap_or(-1.0));
            let [applied, corner] =
                [event.lag_applied, event.corner].map(|of| f64::from(u8::from(of)));
            let Self { width_s, var_common, shift_pa, .. } = *event;
            let signal = [value, rate, var_value, cov, var_rate, width_s];
            (signal, [var_common, noise, step, applied, shift_pa, corner])
        };
        let (a, b) = (key(self), key(other));
        let pairs = a.0.iter().chain(&a.1).zip(b.0.iter().chain(&b.1));
        pairs.map(|(a, b)| a.total_cmp(b)).find(|order| order.is_ne()).unwrap_or(Ordering::Equal)
    }
}

/// What rounding leaves when too little noise dithers it, Pa: readings that stand on one step of the
/// display err alike, however many they are. Only where the step is stated and not found in the
/// readings: where it was found, they were taken as intervals or moved enough to dither it.
///
/// With noise `σ` before rounding to steps `a` the expected reading still errs by
/// `(a/√12) exp(−2π²σ²/a²)`, root mean square: all of `a/√12` without noise, a hundredth of a step at
/// 0.4 of one. `σ² = noise² − a²/12` from the noise of the readings about their path.
/// Source: B. Widrow and I. Kollár, *Quantization Noise* (2008), the first harmonic scaled so that
/// the limit without noise is exact (from memory).
fn staircase(event: &Pressing, gauge: &GaugeSpec) -> f64 {
    let stated = gauge.resolution_pa.filter(|&step| step > 0.0 && event.step_pa.is_none());
    let Some((step, noise)) = stated.zip(event.noise_pa) else {
        return 0.0;
    };
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
        budget.push(Source::Lag, lag.u * (self.alike.rate - open.alike.rate).abs(), lag.dof);
        budget.push(Source::Common, self.alike.split + open.alike.split, f64::INFINITY);
        if let Some(accuracy) = gauge.accuracy() {
            budget.push(Source::Accuracy, accuracy(value).1, f64::INFINITY);
        }
        (value, budget)
    }
}
