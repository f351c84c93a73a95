//! A pressure that falls, or rises, exponentially to a new level, seen through a gauge.

use nalgebra::{DMatrix, DVector};

use super::state::State;
use super::varpro::{Separable, fit_separable, squares_at};
use super::weighted::Stroke;
use crate::base::{Error, Result};

/// A fitted relaxation `p(t) = p_end + (p_0 − p_end) exp(−(t − t_0)/τ)` from `t_0` on, `p_0` before.
///
/// A gauge of dead time `D` and time constant `T` shows, from `t_0 + D` on,
/// `p_end + (p_0 − p_end) (τ e^{−s/τ} − T e^{−s/T})/(τ − T)` with `s = t − t_0 − D`. A fall alone
/// cannot tell `τ` from `T`, the two exchange their places; `D` and `T` are given.
#[derive(Debug, Clone)]
pub struct Relaxation {
    /// Final level, Pa.
    pub end_pa: f64,
    /// Level before, Pa.
    pub start_pa: f64,
    /// Onset at the switch, s.
    pub onset_s: f64,
    /// Fall time `τ`, s.
    pub fall_s: f64,
    /// Noise variance of a reading, Pa².
    pub variance: f64,
    /// Log likelihood with the levels integrated out and a penalty of `½ ln n` for each of onset
    /// and fall time.
    pub log_likelihood: f64,
    /// Log likelihood with onset and fall time integrated out too, by Laplace's method: every onset and
    /// every fall time are equally likely beforehand, as every time constant is, so that of two times
    /// which may be exchanged neither order is preferred.
    pub(super) evidence: f64,
    fit: Separable,
    constant_s: f64,
    dead_time_s: f64,
}

/// The pressures between which a contact changed, about the value of a state.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Bracketed {
    /// Middle of the pressures less the value, Pa.
    pub(super) shift_pa: f64,
    /// Whether the bracket begins at the corner of the fall.
    pub(super) corner: bool,
}

/// Fall time over time constant nearer to one than this: the limit of the two exponentials.
const EQUAL: f64 = 1e-4;

/// Starting points from which the search runs: the sum of squares has a kink wherever the onset
/// passes a reading, and the best start may lie behind one.
const TRIED: usize = 3;

/// Relative step of onset and log fall time below which the search has arrived.
const TOLERANCE: f64 = 1e-6;

/// Columns of final level and step for an onset, counted from the first reading, and the logarithm
/// of a fall time.
fn model(stroke: &Stroke, constant_s: f64) -> impl Fn(&DVector<f64>) -> Option<DMatrix<f64>> {
    let Stroke { time, weight, .. } = stroke;
    let (first, last) = (time.first().copied().unwrap_or(0.0), time.last().copied().unwrap_or(0.0));
    let (length, n) = (last - first, time.len());
    let root = move |i: usize| weight.as_ref().map_or(1.0, |weight| weight[i].sqrt());
    move |theta: &DVector<f64>| {
        let (onset, fall) = (theta[0], theta[1].exp());
        let plausible = onset > -length && onset < length && fall < 10.0 * length;
        (plausible && fall > 1e-3 * length / n as f64).then(|| {
            let left = |i: usize| remaining(time[i] - first - onset, fall, constant_s);
            DMatrix::from_fn(n, 2, |i, j| root(i) * if j == 0 { 1.0 } else { left(i) })
        })
    }
}

/// What is left of the step, seen through the gauge, `s` after the gauge begins to move.
fn remaining(s: f64, fall: f64, constant: f64) -> f64 {
    if s <= 0.0 {
        return 1.0;
    }
    if constant <= 0.0 {
        return (-s / fall).exp();
    }
    if (fall / constant - 1.0).abs() < EQUAL {
        let mean = f64::midpoint(fall, constant);
        return (1.0 + s / mean) * (-s / mean).exp();
    }
    (fall * (-s / fall).exp() - constant * (-s / constant).exp()) / (fall - constant)
}

impl Relaxation {
    /// Fits readings `y` (Pa) at times `time` (s), of which the first are at the old level, for a
    /// gauge of the given dead time and time constant.
    ///
    /// # Errors
    ///
    /// [`Error::BadValue`] where no fit is found.
    ///
    /// ```
    /// use deadband::smooth::Relaxation;
    /// let time: Vec<f64> = (0..40).map(|i| 0.1 * f64::from(i)).collect();
    /// let y: Vec<f64> = time
    ///     .iter()
    ///     .map(|&t| if t < 1.03 { 90.0 } else { 90.0 * (-(t - 1.03) / 0.4_f64).exp() })
    ///     .collect();
    /// let found = Relaxation::fit(&time, &y, 0.0, 0.0)?;
    /// assert!((found.fall_s - 0.4).abs() < 1e-4 && (found.onset_s - 1.03).abs() < 1e-4);
    /// # Ok::<(), deadband::base::Error>(())
    /// ```
    pub fn fit(time: &[f64], y: &[f64], dead_time_s: f64, constant_s: f64) -> Result<Self> {
        Self::of(&Stroke::new(time, y), dead_time_s, constant_s)
    }

    /// The same for readings with weights.
    pub(super) fn of(stroke: &Stroke, dead_time_s: f64, constant_s: f64) -> Result<Self> {
        let first = stroke.time.first().copied().unwrap_or_default();
        let readings = weighted(stroke);
        let model = model(stroke, constant_s);
        let mut tried: Vec<(f64, [f64; 2])> = starts(&stroke.time, &stroke.y, constant_s)
            .into_iter()
            .map(|(onset, fall)| [onset - first, fall.ln()])
            .map(|theta| (squares_at(&model, &readings, &theta), theta))
            .collect();
        tried.sort_by(|a, b| a.0.total_cmp(&b.0));
        let best = tried
            .iter()
            .take(TRIED)
            .filter_map(|(_, theta)| fit_separable(&model, &readings, theta, TOLERANCE).ok())
            .min_by(|a, b| a.squares.total_cmp(&b.squares));
        let failed =
            Error::BadValue { what: "the fall", value: f64::NAN, must: "nearly exponential" };
        Self::from_fit(best.ok_or(failed)?, stroke, dead_time_s, constant_s)
    }

    /// The fit for another dead time, time constant or weights, searched from here.
    pub(super) fn again(&self, stroke: &Stroke, dead_time_s: f64, constant_s: f64) -> Result<Self> {
        let start = [self.fit.theta[0], self.fit.theta[1]];
        let model = model(stroke, constant_s);
        let found = fit_separable(&model, &weighted(stroke), &start, TOLERANCE)?;
        Self::from_fit(found, stroke, dead_time_s, constant_s)
    }

    fn from_fit(
        fit: Separable,
        stroke: &Stroke,
        dead_time_s: f64,
        constant_s: f64,
    ) -> Result<Self> {
        let n = stroke.count();
        let (end_pa, step) = (fit.linear[0], fit.linear[1]);
        let fall_s = fit.theta[1].exp();
        let must = "told by the readings";
        let untold = Error::BadValue { what: "the fall time", value: fall_s, must };
        let (Some(unscaled), true) = (&fit.unscaled, step.is_finite() && n > 4.0) else {
            return Err(untold);
        };
        let variance = (fit.squares / (n - 4.0)).max(stroke.floor);
        let searched = unscaled[(2, 2)] * unscaled[(3, 3)] - unscaled[(2, 3)].powi(2);
        if !variance.is_finite() {
            return Err(untold);
        }
        let scale = (fit.squares / (n - 2.0)).max(stroke.floor).max(f64::MIN_POSITIVE);
        // Not told at all, a logarithm has no Gaussian law: at most a factor of e.
        let told = (1.0 / (scale * unscaled[(3, 3)])).min(1.0);
        let width = 0.5 * (searched * told).ln() + scale.ln() + fall_s.ln();
        if !width.is_finite() {
            return Err(untold);
        }
        let spread = (n - 2.0) * (std::f64::consts::TAU * scale).ln();
        let deviance = spread + fit.squares / scale + fit.log_det;
        Ok(Self {
            end_pa,
            start_pa: end_pa + step,
            onset_s: stroke.time[0] + fit.theta[0] - dead_time_s,
            fall_s,
            variance,
            log_likelihood: -0.5 * deviance - n.ln(),
            evidence: -0.5 * deviance + width,
            fit,
            constant_s,
            dead_time_s,
        })
    }

    /// What the gauge shows at instant `t`, Pa.
    pub(super) fn shown(&self, t: f64) -> f64 {
        let left = remaining(t - self.onset_s - self.dead_time_s, self.fall_s, self.constant_s);
        self.end_pa + (self.start_pa - self.end_pa) * left
    }

    /// Whether the readings between `first_s` and `last_s` show the whole of it: the old level, the
    /// onset, and the fall for two fall times at least. A piece of a fall is as good as a line.
    pub fn is_whole(&self, first_s: f64, last_s: f64) -> bool {
        self.onset_s > first_s && last_s - self.onset_s > 2.0 * self.fall_s
    }

    /// Standard uncertainty of the onset, s.
    fn onset_u(&self) -> f64 {
        let unscaled = self.fit.unscaled.as_ref().map_or(f64::NAN, |unscaled| unscaled[(2, 2)]);
        (self.variance * unscaled).max(0.0).sqrt()
    }

    /// Pressure at a change of contact somewhere between `before_s` and `after_s`.
    ///
    /// The contact changes because the pressure moves: the part of the bracket before the onset is
    /// cut off. Over the rest the change is equally likely at any instant: the value is the mean,
    /// the rate the fall over the whole bracket, so that `(rate · width)²/12` is what a straight
    /// fall would add; what the curve adds beyond that is in the variance of the value.
    ///
    /// Beside it stands where the pressures of the bracket lie about that mean: their middle is not
    /// it where the fall bends. In a bracket that was cut at the onset a change falls close behind
    /// it every time, so that the mean over the rest is off to the same side in repeated changes.
    pub(super) fn over(&self, before_s: f64, after_s: f64) -> (State, Bracketed) {
        const NODES: u32 = 9;
        let from = before_s.max(self.onset_s);
        let to = after_s.max(self.onset_s + 3.0_f64.sqrt() * self.onset_u());
        let nodes: Vec<State> = (0..NODES)
            .map(|i| (f64::from(i) + 0.5) / f64::from(NODES))
            .map(|share| self.at(from + share * (to - from)))
            .collect();
        let mean =
            |of: &dyn Fn(&State) -> f64| nodes.iter().map(of).sum::<f64>() / f64::from(NODES);
        let (value, width) = (mean(&|state| state.value), after_s - before_s);
        if width <= 0.0 {
            return (State { value, ..self.at(to) }, Bracketed::default());
        }
        let (first, last) = (self.at(from).value, self.at(to).value);
        let fall = last - first;
        let scatter = mean(&|state| (state.value - value).powi(2));
        let state = State {
            value,
            rate: fall / width,
            var_value: mean(&|state| state.var_value) + (scatter - fall * fall / 12.0).max(0.0),
            cov: mean(&|state| state.cov),
            var_rate: mean(&|state| state.var_rate),
        };
        let shift_pa = f64::midpoint(first, last) - value;
        (state, Bracketed { shift_pa, corner: before_s < self.onset_s })
    }

    /// Pressure at the switch (Pa), its rate (Pa/s) and their covariance at instant `t`.
    pub fn at(&self, t: f64) -> State {
        let s = t - self.onset_s;
        let step = self.start_pa - self.end_pa;
        let left = if s > 0.0 { (-s / self.fall_s).exp() } else { 1.0 };
        let moving = if s > 0.0 { 1.0 } else { 0.0 };
        let rate = -moving * step * left / self.fall_s;
        // Derivatives by end, step, onset and ln τ.
        let (by_onset, by_log) = (-rate, step * left * moving * s / self.fall_s);
        let value_by = [1.0, left, by_onset, by_log];
        let rate_by = [
            0.0,
            -moving * left / self.fall_s,
            rate / self.fall_s,
            -rate * (1.0 - s / self.fall_s),
        ];
        let product = |a: &[f64; 4], b: &[f64; 4]| {
            let Some(unscaled) = &self.fit.unscaled else { return f64::NAN };
            let terms = (0..4).flat_map(|i| (0..4).map(move |j| (i, j)));
            self.variance * terms.map(|(i, j)| a[i] * unscaled[(i, j)] * b[j]).sum::<f64>()
        };
        State {
            value: self.end_pa + step * left,
            rate,
            var_value: product(&value_by, &value_by),
            cov: product(&value_by, &rate_by),
            var_rate: product(&rate_by, &rate_by),
        }
    }
}

/// The readings, each times the root of its weight.
fn weighted(stroke: &Stroke) -> DVector<f64> {
    let root = |i: usize| stroke.weight.as_ref().map_or(1.0, |weight| weight[i].sqrt());
    DVector::from_fn(stroke.y.len(), |i, _| root(i) * stroke.y[i])
}

/// Starting points: onset where the reading has begun to move, fall time from the time to cover
/// two thirds of the way.
fn starts(time: &[f64], y: &[f64], constant_s: f64) -> Vec<(f64, f64)> {
    let ([first, .., last], [begin, .., end]) = (y, time) else { return Vec::new() };
    let covered = |share: f64| {
        let at = y.iter().position(|&reading| (reading - first) / (last - first) > share);
        at.map_or(*end, |at| time[at])
    };
    let begun = covered(0.1);
    let spread = (covered(0.632) - begun).max(1e-2 * (end - begin));
    [0.5, 1.0, 2.0]
        .into_iter()
        .flat_map(|factor| [0.0, 0.5, 1.0].map(|early| (factor, early)))
        .map(|(factor, early)| (begun - early * (spread + constant_s), factor * spread))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_two_exponentials_meet_without_a_step() {
        for s in [0.0, 0.1, 0.5, 2.0] {
            let near = remaining(s, 0.4 * (1.0 + 2.0 * EQUAL), 0.4);
            assert!((near - remaining(s, 0.4, 0.4)).abs() < 1e-4);
        }
    }

    proptest! {
        #[test]
        fn a_fall_behind_a_gauge_is_found_again(
            fall in 0.15f64..1.0, onset in 0.8f64..1.2, dead in 0.0f64..0.3,
            constant in 0.05f64..0.5, end in -5.0f64..20.0,
        ) {
            let time: Vec<f64> = (0..60).map(|i| 0.1 * f64::from(i)).collect();
            let y: Vec<f64> = time
                .iter()
                .map(|t| end + (90.0 - end) * remaining(t - onset - dead, fall, constant))
                .collect();
            let found = Relaxation::fit(&time, &y, dead, constant).expect("a fall");
            prop_assert!((found.start_pa - 90.0).abs() < 1e-3);
            prop_assert!((found.fall_s - fall).abs() < 1e-3, "{found:?}");
            let t = onset + 0.3;
            let truth = end + (90.0 - end) * (-0.3 / fall).exp();
            prop_assert!((found.at(t).value - truth).abs() < 1e-2);
        }
    }
}
