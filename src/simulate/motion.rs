//! What moves the pressure: a hand, a pinched line, or the appliance itself.

use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use super::path::{Lagged, Path, affordable, resolved};
use super::random::{OrnsteinUhlenbeck, factor};
use crate::base::error::{not_negative, positive};
use crate::base::{Error, Result};

/// Rest before the first and after the last movement, s.
const REST_S: f64 = 3.0;
/// Grid steps in one correlation time of an unsteady rate or of flow noise.
const STEPS_PER_CORRELATION: f64 = 50.0;
/// Time constants after which a relaxation counts as over (what is left is 5e-5).
const SETTLED: f64 = 10.0;

/// How the true pressure moves. In a serialised stand `kind` names the variant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Motion {
    /// See [`Ramp`].
    Ramp(Ramp),
    /// See [`Pinch`].
    Pinch(Pinch),
    /// See [`InService`].
    InService(InService),
}

impl Default for Motion {
    fn default() -> Self {
        Self::Ramp(Ramp::default())
    }
}

/// Pressure moved up and down by hand pump or valve, several cycles.
///
/// Each stroke has a mean rate of its own, `rate_pa_s` times a lognormal factor, and within the
/// stroke the rate is that mean times `1 + unsteadiness x(t)` with `x` an Ornstein–Uhlenbeck
/// process of unit variance. The recording starts and ends vented to `low_pa`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Ramp {
    /// Strokes up, each followed by one down.
    pub cycles: u32,
    /// Lower turning point, Pa.
    pub low_pa: f64,
    /// Upper turning point, Pa.
    pub high_pa: f64,
    /// Mean size of the rate, Pa/s.
    pub rate_pa_s: f64,
    /// Relative standard deviation of the rate between strokes.
    pub rate_spread: f64,
    /// Relative standard deviation of the rate within a stroke, 0 to 1.
    pub unsteadiness: f64,
    /// Correlation time of the rate within a stroke, s.
    pub correlation_s: f64,
    /// Hold at each turning point, s; at the top the line is isolated and leaks as the switch does.
    pub hold_s: f64,
}

impl Default for Ramp {
    fn default() -> Self {
        Self {
            cycles: 3,
            low_pa: 0.0,
            high_pa: 100.0,
            rate_pa_s: 5.0,
            rate_spread: 0.25,
            unsteadiness: 0.15,
            correlation_s: 1.0,
            hold_s: 2.0,
        }
    }
}

/// A steady draft whose line is pinched off: `p = end + (level - end) exp(-t/fall)`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Pinch {
    /// Steady draft, Pa.
    pub level_pa: f64,
    /// Time constant of the fall, s.
    pub fall_s: f64,
    /// Where the fall ends, Pa.
    pub end_pa: f64,
    /// Steady time before each pinch, s.
    pub before_s: f64,
    /// Time for which the line stays pinched, s.
    pub after_s: f64,
    /// Time constant of the slower recovery between repeats, s.
    pub recovery_s: f64,
    /// Number of pinches.
    pub count: u32,
}

impl Default for Pinch {
    fn default() -> Self {
        Self {
            level_pa: 90.0,
            fall_s: 0.4,
            end_pa: 0.0,
            before_s: 5.0,
            after_s: 5.0,
            recovery_s: 1.5,
            count: 3,
        }
    }
}

/// The appliance starts and stops by itself: first-order rise and coast-down with flow noise.
///
/// The noise is proportional to the draft and gone when the fan stands. It is an
/// Ornstein–Uhlenbeck process passed once more through its own time constant, so that the pressure
/// has a rate; its standard deviation at the full draft is `flow_noise_pa`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct InService {
    /// Draft of the running fan, Pa.
    pub level_pa: f64,
    /// Time constant of the run-up, s.
    pub rise_s: f64,
    /// Time constant of the coast-down, s.
    pub fall_s: f64,
    /// Standard deviation of the flow noise at full draft, Pa.
    pub flow_noise_pa: f64,
    /// Correlation time of the flow noise, s.
    pub flow_correlation_s: f64,
    /// Time between start and stop, s.
    pub run_s: f64,
    /// Time between stop and the next start, s.
    pub rest_s: f64,
    /// Number of starts, each followed by a stop.
    pub starts: u32,
}

impl Default for InService {
    fn default() -> Self {
        Self {
            level_pa: 95.0,
            rise_s: 2.0,
            fall_s: 3.0,
            flow_noise_pa: 1.0,
            flow_correlation_s: 0.3,
            run_s: 20.0,
            rest_s: 20.0,
            starts: 2,
        }
    }
}

impl Motion {
    /// Refuses what cannot move.
    pub(super) fn validate(&self) -> Result<()> {
        match self {
            Self::Ramp(ramp) => ramp.validate(),
            Self::Pinch(pinch) => pinch.validate(),
            Self::InService(service) => service.validate(),
        }
    }

    /// The true pressure; `leak_s` is the time constant with which an isolated hold decays to 0.
    pub(super) fn path(&self, leak_s: Option<f64>, rng: &mut ChaCha8Rng) -> Result<Path> {
        match self {
            Self::Ramp(ramp) => ramp.path(leak_s, rng),
            Self::Pinch(pinch) => pinch.path(),
            Self::InService(service) => service.path(rng),
        }
    }
}

impl Ramp {
    fn validate(&self) -> Result<()> {
        at_least_one("cycles", self.cycles)?;
        finite("low_pa", self.low_pa)?;
        finite("high_pa", self.high_pa)?;
        if self.high_pa <= self.low_pa {
            return Err(Error::BadValue {
                what: "high_pa",
                value: self.high_pa,
                must: "above low_pa",
            });
        }
        positive("rate_pa_s", self.rate_pa_s)?;
        not_negative("rate_spread", self.rate_spread)?;
        if not_negative("unsteadiness", self.unsteadiness)? > 1.0 {
            return Err(Error::BadValue {
                what: "unsteadiness",
                value: self.unsteadiness,
                must: "between 0 and 1",
            });
        }
        resolved("correlation_s", self.correlation_s)?;
        not_negative("hold_s", self.hold_s).map(drop)
    }

    fn path(&self, leak_s: Option<f64>, rng: &mut ChaCha8Rng) -> Result<Path> {
        let mut path = Path::from(self.low_pa);
        path.hold(REST_S)?;
        for cycle in 0..self.cycles {
            self.stroke(&mut path, self.high_pa, rng)?;
            match leak_s {
                Some(leak_s) => path.relax(self.hold_s, 0.0, leak_s)?,
                None => path.hold(self.hold_s)?,
            }
            self.stroke(&mut path, self.low_pa, rng)?;
            path.hold(if cycle + 1 < self.cycles { self.hold_s } else { REST_S })?;
        }
        Ok(path)
    }

    /// Moves until `target` is reached for the first time.
    fn stroke(&self, path: &mut Path, target: f64, rng: &mut ChaCha8Rng) -> Result<()> {
        let start = path.end().1;
        let direction = (target - start).signum();
        let mean = self.rate_pa_s * factor(rng, self.rate_spread);
        if self.unsteadiness == 0.0 {
            return path.line((target - start).abs() / mean, target);
        }
        let step = self.correlation_s / STEPS_PER_CORRELATION;
        let mut process = OrnsteinUhlenbeck::new(rng, step, self.correlation_s);
        let mut left = (target - start).abs();
        affordable("number of grid points of a stroke", left / mean, step)?;
        while left > 0.0 {
            let before = process.value();
            let middle = f64::midpoint(before, process.advance(rng));
            let moved = mean * (1.0 + self.unsteadiness * middle) * step;
            if moved >= left {
                path.line(step * left / moved, target)?;
                break;
            }
            left -= moved;
            path.line(step, target - direction * left)?;
        }
        Ok(())
    }
}

impl Pinch {
    fn validate(&self) -> Result<()> {
        finite("level_pa", self.level_pa)?;
        finite("end_pa", self.end_pa)?;
        if self.level_pa <= self.end_pa {
            return Err(Error::BadValue {
                what: "level_pa",
                value: self.level_pa,
                must: "above end_pa",
            });
        }
        resolved("fall_s", self.fall_s)?;
        positive("before_s", self.before_s)?;
        positive("after_s", self.after_s)?;
        resolved("recovery_s", self.recovery_s)?;
        at_least_one("count", self.count)
    }

    fn path(&self) -> Result<Path> {
        let mut path = Path::from(self.level_pa);
        path.hold(self.before_s)?;
        for repeat in 0..self.count {
            if repeat > 0 {
                path.relax(SETTLED * self.recovery_s, self.level_pa, self.recovery_s)?;
                path.relax(self.before_s, self.level_pa, self.recovery_s)?;
            }
            path.relax(self.after_s, self.end_pa, self.fall_s)?;
        }
        Ok(path)
    }
}

impl InService {
    fn validate(&self) -> Result<()> {
        positive("level_pa", self.level_pa)?;
        resolved("rise_s", self.rise_s)?;
        resolved("fall_s", self.fall_s)?;
        not_negative("flow_noise_pa", self.flow_noise_pa)?;
        resolved("flow_correlation_s", self.flow_correlation_s)?;
        positive("run_s", self.run_s)?;
        positive("rest_s", self.rest_s)?;
        at_least_one("starts", self.starts)
    }

    fn path(&self, rng: &mut ChaCha8Rng) -> Result<Path> {
        let mut mean = Path::from(0.0);
        mean.hold(REST_S)?;
        for _ in 0..self.starts {
            mean.relax(self.run_s, self.level_pa, self.rise_s)?;
            mean.relax(self.rest_s, 0.0, self.fall_s)?;
        }
        if self.flow_noise_pa == 0.0 { Ok(mean) } else { self.with_flow_noise(&mean, rng) }
    }

    fn with_flow_noise(&self, mean: &Path, rng: &mut ChaCha8Rng) -> Result<Path> {
        let tau = self.flow_correlation_s;
        let step = (tau / STEPS_PER_CORRELATION).min(0.02 * self.rise_s.min(self.fall_s));
        affordable("number of grid points of the flow noise", mean.end().0, step)?;
        let mut process = OrnsteinUhlenbeck::new(rng, step, tau);
        let mut rough = Path::from(process.value());
        while rough.end().0 < mean.end().0 {
            let value = process.advance(rng);
            rough.line(step, value)?;
        }
        // A unit process through its own time constant has variance 1/2.
        let scale = std::f64::consts::SQRT_2 * self.flow_noise_pa / self.level_pa;
        let draft = Lagged::new(mean, 0.0, 0.0);
        let smooth = Lagged::new(&rough, 0.0, tau).into_nodes();
        let mut path = Path { pressure: Vec::with_capacity(smooth.len()), time: rough.time };
        path.pressure.extend(path.time.iter().zip(smooth).map(|(&time, noise)| {
            let level = draft.at(time);
            level * (1.0 + scale * noise)
        }));
        Ok(path)
    }
}

fn finite(what: &'static str, value: f64) -> Result<()> {
    if value.is_finite() {
        Ok(())
    } else {
        Err(Error::BadValue { what, value, must: "a finite number" })
    }
}

fn at_least_one(what: &'static str, count: u32) -> Result<()> {
    if count == 0 { Err(Error::BadValue { what, value: 0.0, must: "1 or more" }) } else { Ok(()) }
}
