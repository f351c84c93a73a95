//! Lag from the response to a sudden step of pressure.

use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

use super::display::Shown;
use super::first_order::{Fit, Levels, misfit, remaining, second_order};
use super::response::{Response, check, optional};
use super::rounded::log_probability;
use super::sampling::{Sample, sample};
use crate::base::{Error, Estimate, Result};

/// What is known beforehand of a step and of the gauge that shows it.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct StepConfig {
    /// When the pressure stepped, s, on the clock of the readings; absent: not known.
    pub start_s: Option<f64>,
    /// Standard uncertainty of that instant, s; absent: it lies anywhere within one interval
    /// between samples, `interval / √12`.
    pub start_u_s: Option<f64>,
    /// Display step, Pa; absent: found in the readings; 0: none.
    pub step_pa: Option<f64>,
    /// Time for which the display holds a reading, s; absent: found in the readings; 0: none.
    pub refresh_s: Option<f64>,
}

impl StepConfig {
    /// # Errors
    ///
    /// [`Error::BadValue`] naming the option.
    pub fn validate(&self) -> Result<()> {
        if let Some(value) = self.start_s.filter(|start| !start.is_finite()) {
            return Err(Error::BadValue { what: "start_s", value, must: "a finite number" });
        }
        optional("start_u_s", self.start_u_s)?;
        optional("step_pa", self.step_pa)?;
        optional("refresh_s", self.refresh_s)
    }
}

/// Readings that a step needs.
const FEWEST: usize = 8;
/// Readings needed of each level.
const OF_A_LEVEL: usize = 3;
/// Height of the step in noise of one reading.
const HIGH: f64 = 6.0;
/// Chance with which a response of first order would be taken for none.
const REFUSED: f64 = 1e-3;
/// Time constants shorter than this share of the interval between readings are all alike.
const SHORTEST: f64 = 0.01;
/// A second delay as large as this share of the first is no small departure.
const SMALL: f64 = 0.5;
/// A dead time below zero by so many uncertainties contradicts the start.
const BEFORE_START: f64 = 3.0;

/// Estimates dead time `D` and time constant `T` of a gauge from the readings `y` (Pa) at `time`
/// (s) around one sudden step of pressure at `t_0`:
///
/// ```text
/// reading = level_1 + (level_0 − level_1) exp(−(t − t_0 − D)/T)   after t_0 + D, level_0 before
/// ```
///
/// Both levels, the onset, `T` and the noise are unknown. Where the display has a step, a reading
/// is an interval: its probability is that of noise and model together falling into it. The mean
/// and covariance of what these readings leave open are found by importance sampling (priors flat
/// in levels and onset and in the logarithms of `T` and of the noise), so that a time constant shorter
/// than the sample interval, or a display of few steps, gets the wide uncertainty it has.
/// The uncertainty of the start, which is wholly one of `D` and of the lag, is added.
///
/// Without a start only `T` is told. A response that is not of first order (residuals of the
/// transient too large beside those of the levels, F test at 0.1 %) is fitted with a second delay:
/// whether gauge or pressure is the cause is not known, so the lag is rectangular over it (JCGM
/// 100, 4.3.7) and has no parts; where that does not fit either, or the second delay is not small,
/// nothing is told.
///
/// # Errors
///
/// [`Error::LagUnidentified`] where there is no step or no such response, the errors of an
/// unusable channel, [`Error::BadValue`] for a bad option.
///
/// ```
/// use deadband::lag::{StepConfig, from_step};
/// let time: Vec<f64> = (0..120).map(|i| 0.05 * f64::from(i)).collect();
/// let y: Vec<f64> = time
///     .iter()
///     .map(|t| t - 2.1)
///     .map(|s| if s < 0.0 { 90.0 } else { 90.0 * (-s / 0.3_f64).exp() })
///     .enumerate()
///     .map(|(i, signal)| signal + 0.2 * (f64::from(i as u32) * 2.4).sin())
///     .collect();
/// let config = StepConfig { start_s: Some(2.0), start_u_s: Some(0.0), ..Default::default() };
/// let lag = from_step(&time, &y, &config)?.lag_s.expect("the start is known");
/// assert!((lag.value - 0.4).abs() < 3.0 * lag.u && lag.u < 0.01);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn from_step(time: &[f64], y: &[f64], config: &StepConfig) -> Result<Response> {
    config.validate()?;
    check("time_s", "readings", time, y, FEWEST)?;
    let (first, last) = (time[0], time[time.len() - 1]);
    if let Some(start) = config.start_s.filter(|start| !(first..=last).contains(start)) {
        let must = "within the recording";
        return Err(Error::BadValue { what: "start_s", value: start, must });
    }
    let shown = Shown::new(time, y, config.step_pa, config.refresh_s);
    if shown.time.len() < FEWEST {
        let (what, found) = ("readings as the display was refreshed", shown.time.len());
        return Err(Error::TooFewSamples { what, found, needed: FEWEST });
    }
    let fit = Fit::of(&shown).ok_or(unidentified("there is no step"))?;
    let floor = noise_floor(&shown, fit.height.abs());
    let noise = fit.variance.sqrt().max(shown.step.map_or(floor, |step| step / 12.0_f64.sqrt()));
    if fit.height.abs() < HIGH * noise {
        return Err(unidentified("there is no step beyond the noise"));
    }
    let interval = (last - first) / (time.len() - 1) as f64;
    let start = config.start_s.map(|start| {
        let u = config.start_u_s.unwrap_or(interval / 12.0_f64.sqrt());
        (start, (u * u + shown.clock_u_s * shown.clock_u_s).sqrt())
    });
    if let Some((gap, noise)) = unseen(&shown, noise) {
        return between(&shown, gap, fit.height.abs() / noise, noise, start);
    }
    let levels = Levels::of(&shown, &fit);
    if levels.before < OF_A_LEVEL || levels.after < OF_A_LEVEL {
        let reason = "the recording does not hold the levels before and after the step";
        return Err(unidentified(reason));
    }
    let density = |theta: &DVector<f64>| log_density(&shown, theta, floor);
    let around = |fit: &Fit| {
        DVector::from_vec(vec![fit.low, fit.height, fit.onset, fit.log_constant, noise.ln()])
    };
    let sudden = fit.between_readings(&shown);
    let found = sample(density, around(&fit), proposal(&shown, &fit, floor))
        .or_else(|_| sample(density, around(&sudden), proposal(&shown, &sudden, floor)))?;
    let refused = misfit(&shown, &levels, |t| {
        found.mean(|theta| theta[0] + theta[1] * remaining(t - theta[2], theta[3].exp()))
    });
    if refused < REFUSED {
        departed(&shown, &fit, &levels, start)
    } else {
        told(&shown, &found, start)
    }
}

fn unidentified(reason: &'static str) -> Error {
    let cure = "open or close the line at once and log the level before and after, or state the lag";
    Error::LagUnidentified { reason, cure }
}

/// Noise below which a likelihood would be one of rounding errors, Pa.
fn noise_floor(shown: &Shown, height: f64) -> f64 {
    shown.step.map_or(1e-7 * height, |step| step / 30.0)
}

/// Log density of lower level, height, onset, log time constant and log noise.
fn log_density(shown: &Shown, theta: &DVector<f64>, floor: f64) -> f64 {
    let (constant, noise) = (theta[3].exp(), theta[4].exp());
    let (first, last) = (shown.time[0], shown.time[shown.time.len() - 1]);
    let shortest = SHORTEST * (last - first) / shown.time.len() as f64;
    let inside =
        (first..last).contains(&theta[2]) && (shortest..2.0 * (last - first)).contains(&constant);
    if !inside || noise < floor {
        return f64::NEG_INFINITY;
    }
    let readings = shown.time.iter().zip(&shown.value);
    let sum: f64 = readings
        .map(|(t, y)| {
            let signal = theta[0] + theta[1] * remaining(t - theta[2], constant);
            log_probability(y - signal, noise, shown.step)
        })
        .sum();
    sum
}

/// Covariance from which the sampling starts: that of least squares, where it is not too small for
/// a display of few steps or a transient of few readings.
fn proposal(shown: &Shown, fit: &Fit, floor: f64) -> DMatrix<f64> {
    let variance = fit.variance.max(floor * floor);
    let mut covariance = DMatrix::zeros(5, 5);
    if let Some(unscaled) = &fit.unscaled {
        covariance.view_mut((0, 0), (4, 4)).copy_from(&(unscaled * variance));
    } else {
        let interval = shown.time[1] - shown.time[0];
        let sizes = [variance, variance, 0.1 * interval * interval, 1.0];
        (0..4).for_each(|i| covariance[(i, i)] = sizes[i]);
    }
    let n = shown.time.len() as f64;
    let step = shown.step.unwrap_or(0.0);
    covariance[(0, 0)] += step * step / 100.0;
    covariance[(1, 1)] += step * step / 100.0;
    covariance[(4, 4)] = if step * step / 16.0 > variance { 0.3 } else { 1.0 / n };
    covariance
}

/// The two readings between which the whole response lies, if it does, and the noise of a reading.
fn unseen(shown: &Shown, noise: f64) -> Option<((f64, f64), f64)> {
    let y = &shown.value;
    let size = |i: usize| (y[i] - y[i - 1]).abs();
    let after = (1..y.len()).max_by(|&i, &j| size(i).total_cmp(&size(j)))?;
    let (old, new) = y.split_at(after);
    if old.len() < OF_A_LEVEL || new.len() < OF_A_LEVEL {
        return None;
    }
    let far = |level: &[f64]| {
        let mean = level.iter().sum::<f64>() / level.len() as f64;
        level.iter().map(|reading| (reading - mean).abs()).fold(0.0, f64::max)
    };
    // Least squares of a response that is not there leaves about the noise of the levels.
    let close = far(old).max(far(new)) < 4.0 * noise;
    close.then(|| ((shown.time[after - 1], shown.time[after]), noise))
}

/// A response between two readings: the lag lies anywhere between them, and the time constant is
/// below the one with which a trace of the step would still be seen (rectangular; JCGM 100, 4.3.7).
fn between(
    shown: &Shown,
    (from, to): (f64, f64),
    height: f64,
    noise_pa: f64,
    start: Option<(f64, f64)>,
) -> Result<Response> {
    let n = shown.time.len();
    let half = shown.hold_s / 2.0;
    let rectangular = |width: f64| width / 12.0_f64.sqrt();
    let longest = (to - from) / height.ln();
    let constant = Estimate { value: longest / 2.0, u: rectangular(longest), dof: f64::INFINITY };
    let lag = start.map(|(start, start_u)| Estimate {
        value: f64::midpoint(from, to) - start + half,
        u: rectangular(to - from).hypot(start_u),
        dof: f64::INFINITY,
    });
    let dead = lag.map(|lag| Estimate {
        value: lag.value - constant.value,
        u: lag.u.hypot(constant.u),
        dof: f64::INFINITY,
    });
    if let Some((dead, (start, _))) = dead.zip(start) {
        starts_before(&dead, start)?;
    }
    Ok(Response {
        lag_s: lag,
        dead_time_s: dead,
        time_constant_s: Some(constant),
        hold_s: shown.hold_s,
        n_readings: n,
        noise_pa,
    })
}

fn starts_before(dead: &Estimate, start: f64) -> Result<()> {
    if dead.value < -BEFORE_START * dead.u {
        let must = "no later than the gauge's first move; give the instant of the step";
        return Err(Error::BadValue { what: "start_s", value: start, must });
    }
    Ok(())
}

fn told(shown: &Shown, found: &Sample, start: Option<(f64, f64)>) -> Result<Response> {
    let n = shown.time.len();
    let dof = n as f64 - 4.0;
    let half = shown.hold_s / 2.0;
    let estimate = |of: &dyn Fn(&DVector<f64>) -> f64, more: f64| {
        let value = found.mean(of);
        let variance = found.mean(|theta| (of(theta) - value).powi(2));
        Estimate { value, u: (variance + more * more).sqrt(), dof }
    };
    let constant = estimate(&|theta| theta[3].exp(), 0.0);
    let (mut lag_s, mut dead_time_s) = (None, None);
    if let Some((start, start_u)) = start {
        let dead = estimate(&|theta| theta[2] - start + half, start_u);
        starts_before(&dead, start)?;
        dead_time_s = Some(dead);
        lag_s = Some(estimate(&|theta| theta[2] - start + half + theta[3].exp(), start_u));
    }
    let (hold_s, noise_pa) = (shown.hold_s, found.mean(|theta| theta[4].exp()));
    let time_constant_s = Some(constant);
    Ok(Response { lag_s, dead_time_s, time_constant_s, hold_s, n_readings: n, noise_pa })
}

/// A response with a second, smaller delay of unknown cause.
fn departed(
    shown: &Shown,
    fit: &Fit,
    levels: &Levels,
    start: Option<(f64, f64)>,
) -> Result<Response> {
    let reason = "the response is not of first order: the pressure did not step, or the gauge \
                  overshoots";
    let unidentified = unidentified(reason);
    let Some((start, start_u)) = start else { return Err(unidentified) };
    let second = second_order(shown, fit).ok_or_else(|| unidentified.clone())?;
    let refused = misfit(shown, levels, |t| second.at(t)) < REFUSED;
    if refused || second.shorter > SMALL * second.longer {
        return Err(unidentified);
    }
    let (n, half) = (shown.time.len(), shown.hold_s / 2.0);
    let whole = second.onset - start + half + second.longer + second.shorter;
    let doubt = second.shorter / 12.0_f64.sqrt();
    let u = (doubt * doubt + second.lag_u * second.lag_u + start_u * start_u).sqrt();
    let value = whole - second.shorter / 2.0;
    Ok(Response {
        lag_s: Some(Estimate { value, u, dof: n as f64 - 5.0 }),
        dead_time_s: None,
        time_constant_s: None,
        hold_s: shown.hold_s,
        n_readings: n,
        noise_pa: levels.noise,
    })
}
