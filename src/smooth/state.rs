//! Value, rate and their covariance, and the two steps of the filter.

use nalgebra::{Matrix2, Vector2};

use crate::base::{Error, Result, error};

/// What is known of the gauge's signal at one instant.
///
/// Inside the smoother variances are in units of the noise variance `σ²`; what leaves it has been
/// scaled to Pa², Pa²/s and Pa²/s².
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State {
    /// Value, Pa.
    pub value: f64,
    /// Rate, Pa/s.
    pub rate: f64,
    /// Variance of the value.
    pub var_value: f64,
    /// Covariance of value and rate.
    pub cov: f64,
    /// Variance of the rate.
    pub var_rate: f64,
}

impl State {
    /// Refuses what a covariance cannot be: a value that is none would pass for a variance of zero.
    ///
    /// # Errors
    ///
    /// [`Error::BadValue`] for a variance that is negative or not finite, or a covariance that is not
    /// finite.
    ///
    /// ```
    /// use deadband::smooth::State;
    /// let known = State { value: 58.0, rate: 5.0, var_value: 0.04, cov: 0.01, var_rate: 0.02 };
    /// assert!(known.check_covariance().is_ok());
    /// assert!(State { var_value: -1.0, ..known }.check_covariance().is_err());
    /// ```
    pub fn check_covariance(&self) -> Result<()> {
        error::not_negative("var_pressure", self.var_value)?;
        error::not_negative("var_rate", self.var_rate)?;
        if self.cov.is_finite() {
            return Ok(());
        }
        let (what, must) = ("cov_pressure_rate", "a finite number");
        Err(Error::BadValue { what, value: self.cov, must })
    }

    /// The state that a gauge of mean lag `lag` (s) shows as this one on a steady ramp, and one of
    /// that time constant on any: value `p + L r`, variance `var_p + 2 L cov + L² var_r`.
    ///
    /// ```
    /// use deadband::smooth::State;
    /// let shown = State { value: 58.0, rate: 5.0, var_value: 0.04, cov: 0.01, var_rate: 0.02 };
    /// let there = shown.ahead(0.4);
    /// assert!((there.value - 60.0).abs() < 1e-12 && (there.var_value - 0.0512).abs() < 1e-12);
    /// ```
    #[must_use]
    pub fn ahead(self, lag: f64) -> Self {
        let with_rate = self.cov + lag * self.var_rate;
        Self {
            value: self.value + lag * self.rate,
            var_value: (self.var_value + lag * (self.cov + with_rate)).max(0.0),
            cov: with_rate,
            ..self
        }
    }

    /// What two readings `h` apart say at the later one, nothing having been known before
    /// (diffuse start in closed form).
    pub(super) fn diffuse(first: Noisy, second: Noisy, lambda: f64) -> Self {
        let h = (second.time - first.time).abs();
        Self {
            value: second.reading,
            rate: (second.reading - first.reading) / h,
            var_value: second.noise,
            cov: second.noise / h,
            var_rate: (first.noise + second.noise) / (h * h) + lambda * h / 3.0,
        }
    }

    /// The state `h` later, before a reading there.
    pub(super) fn predict(self, h: f64, lambda: f64) -> Self {
        Self {
            value: self.value + h * self.rate,
            rate: self.rate,
            var_value: self.var_value
                + h * (2.0 * self.cov + h * self.var_rate)
                + lambda * h * h * h / 3.0,
            cov: self.cov + h * self.var_rate + lambda * h * h / 2.0,
            var_rate: self.var_rate + lambda * h,
        }
    }

    /// The state after a reading of `value + lever · rate` with noise variance `noise`.
    pub(super) fn update(self, reading: f64, lever: f64, noise: f64) -> Self {
        let with_value = self.var_value + lever * self.cov;
        let with_rate = self.cov + lever * self.var_rate;
        let inverse = 1.0 / (with_value + lever * with_rate + noise);
        let surprise = reading - self.value - lever * self.rate;
        let (gain, rate_gain) = (with_value * inverse, with_rate * inverse);
        Self {
            value: self.value + gain * surprise,
            rate: self.rate + rate_gain * surprise,
            var_value: self.var_value - gain * with_value,
            cov: self.cov - gain * with_rate,
            var_rate: self.var_rate - rate_gain * with_rate,
        }
    }

    /// The same state seen with time running the other way.
    pub(super) fn reversed(self) -> Self {
        Self { rate: -self.rate, cov: -self.cov, ..self }
    }

    /// Two independent accounts of the same state made one, each weighted by its precision.
    pub(super) fn merge(self, other: Self) -> Self {
        let (mine, theirs) = (self.covariance(), other.covariance());
        let Some(inverse) = (mine + theirs).try_inverse() else {
            return self;
        };
        let gain = mine * inverse;
        let mean = self.mean() + gain * (other.mean() - self.mean());
        let covariance = gain * theirs;
        Self {
            value: mean[0],
            rate: mean[1],
            var_value: covariance[(0, 0)],
            cov: f64::midpoint(covariance[(0, 1)], covariance[(1, 0)]),
            var_rate: covariance[(1, 1)],
        }
    }

    /// Mean and variance of the value alone where two independent accounts of a state are merged.
    pub(super) fn value_with(&self, other: &Self) -> (f64, f64) {
        let a = self.var_value + other.var_value;
        let b = self.cov + other.cov;
        let c = self.var_rate + other.var_rate;
        let inverse = 1.0 / (a * c - b * b);
        let gain = (self.var_value * c - self.cov * b) * inverse;
        let rate_gain = (self.cov * a - self.var_value * b) * inverse;
        let value =
            self.value + gain * (other.value - self.value) + rate_gain * (other.rate - self.rate);
        (value, gain * other.var_value + rate_gain * other.cov)
    }

    /// The state with its variances multiplied by `variance`.
    pub(super) fn scaled(self, variance: f64) -> Self {
        Self {
            var_value: self.var_value * variance,
            cov: self.cov * variance,
            var_rate: self.var_rate * variance,
            ..self
        }
    }

    fn mean(&self) -> Vector2<f64> {
        Vector2::new(self.value, self.rate)
    }

    fn covariance(&self) -> Matrix2<f64> {
        Matrix2::new(self.var_value, self.cov, self.cov, self.var_rate)
    }
}

/// A reading and the variance of its noise.
#[derive(Debug, Clone, Copy)]
pub(super) struct Noisy {
    pub(super) time: f64,
    pub(super) reading: f64,
    pub(super) noise: f64,
}

/// Filters readings in the order given (forward or backward in time) and hands out the state
/// after each but the first; `None` before there are two.
///
/// The rate is per unit of the order: negative of the true one when time runs backward.
pub(super) fn filter(
    readings: impl Iterator<Item = Noisy>,
    lambda: f64,
) -> impl Iterator<Item = State> {
    let mut before: Option<Noisy> = None;
    let mut state: Option<State> = None;
    readings.filter_map(move |next| {
        let last = before.replace(next)?;
        let found = match state {
            None => State::diffuse(last, next, lambda),
            Some(state) => {
                let there = state.predict((next.time - last.time).abs(), lambda);
                there.update(next.reading, 0.0, next.noise)
            }
        };
        state = Some(found);
        state
    })
}

/// The smoothed state at `t` between two runs of readings, `left` before it and `right` after it,
/// variances in units of `σ²`. Each side is what its filter left: two readings or more, or one.
pub(super) fn between(left: Side, right: Side, t: f64, lambda: f64) -> Option<State> {
    match (left.at(t, lambda), right.at(t, lambda)) {
        (Known::State(left), Known::State(right)) => Some(left.merge(right.reversed())),
        (Known::State(state), Known::Reading { reading, h, noise }) => {
            Some(state.update(reading, h, noise))
        }
        (Known::Reading { reading, h, noise }, Known::State(state)) => {
            Some(state.reversed().update(reading, -h, noise))
        }
        (Known::Reading { .. }, Known::Reading { .. }) => None,
    }
}

/// The reading nearest to an instant on one side, with the filtered state there if two or more
/// readings have been seen.
#[derive(Debug, Clone, Copy)]
pub(super) struct Side {
    pub(super) nearest: Noisy,
    pub(super) state: Option<State>,
}

enum Known {
    State(State),
    Reading { reading: f64, h: f64, noise: f64 },
}

impl Side {
    fn at(self, t: f64, lambda: f64) -> Known {
        let Noisy { time, reading, noise } = self.nearest;
        let h = (t - time).abs();
        match self.state {
            Some(state) => Known::State(state.predict(h, lambda)),
            None => Known::Reading { reading, h, noise: noise + lambda * h * h * h / 3.0 },
        }
    }
}
