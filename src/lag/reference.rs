//! Lag from a second gauge on the same tee.

use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

use super::display::Shown;
use super::pair::{Channel, Pair, log_likelihood};
use super::response::{Response, check, optional};
use super::sampling::sample;
use crate::base::{Error, Estimate, Result, error};
use crate::smooth::fit;

/// What is known beforehand of a pair of gauges.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ReferenceConfig {
    /// Mean lag of the reference itself, s; added to what is found.
    pub reference_lag_s: f64,
    /// Its standard uncertainty, s.
    pub reference_lag_u_s: f64,
    /// Largest lag looked for, s, and as much the other way: the clocks may differ.
    pub max_lag_s: f64,
    /// Standard uncertainty above which the lag counts as unknown, s.
    pub max_u_s: f64,
    /// Display step of the tested gauge, Pa; absent: found in the readings; 0: none.
    pub step_pa: Option<f64>,
    /// The same of the reference.
    pub reference_step_pa: Option<f64>,
    /// Time for which the tested gauge's display holds a reading, s; absent: found; 0: none.
    pub refresh_s: Option<f64>,
    /// The same of the reference.
    pub reference_refresh_s: Option<f64>,
}

impl Default for ReferenceConfig {
    fn default() -> Self {
        Self {
            reference_lag_s: 0.0,
            reference_lag_u_s: 0.0,
            max_lag_s: 5.0,
            max_u_s: 0.5,
            step_pa: None,
            reference_step_pa: None,
            refresh_s: None,
            reference_refresh_s: None,
        }
    }
}

impl ReferenceConfig {
    /// # Errors
    ///
    /// [`Error::BadValue`] naming the option.
    pub fn validate(&self) -> Result<()> {
        error::not_negative("reference_lag_s", self.reference_lag_s)?;
        error::not_negative("reference_lag_u_s", self.reference_lag_u_s)?;
        error::positive("max_lag_s", self.max_lag_s)?;
        error::positive("max_u_s", self.max_u_s)?;
        optional("step_pa", self.step_pa)?;
        optional("reference_step_pa", self.reference_step_pa)?;
        optional("refresh_s", self.refresh_s)?;
        optional("reference_refresh_s", self.reference_refresh_s)
    }
}

/// Readings that each of the two needs.
const FEWEST: usize = 20;
/// Share of the scatter of the readings that the reference must explain.
const EXPLAINED: f64 = 0.5;

/// Estimates the lag of a gauge from its readings `y` (Pa) at `time` (s) and those of a reference on
/// the same pressure, `reference` at `reference_time`, each on a clock of its own rate:
///
/// ```text
/// reference(s) = p(s) + noise        y(t) = offset + scale z(t − D) + noise,   T z' = p − z
/// ```
///
/// The pressure `p` is an integrated random walk in its rate, so that neither gauge is taken for
/// the truth: a reference put into a regression with its noise would draw the lag to where
/// interpolation smooths that noise most. Lag `D + T`, `T`, scale, unsteadiness and both noises are
/// searched together by the exact likelihood (Kalman filter through both channels); offset and
/// start are unknown. Mean and covariance by importance sampling, priors flat in lag, time
/// constant and scale, and in the logarithms of the others. A display's rounding is taken for noise of at least
/// `step / √12`.
///
/// What the two clocks differ by cannot be told from a dead time and is part of it. The lag `D + T`
/// is much better known than its split, which shows only where the rate changes within `T`.
///
/// # Errors
///
/// [`Error::LagUnidentified`] where the pressure does not move, or too steadily to tell the lag
/// from an offset; the errors of an unusable channel; [`Error::BadValue`] for a bad option.
///
/// ```
/// use deadband::lag::{ReferenceConfig, from_reference};
/// let wave = |t: f64| 50.0 + 20.0 * (0.9 * t).sin() + 6.0 * (2.3 * t).sin();
/// let noise = |i: u32| 0.4 * (f64::from(i) * 2.399).sin();
/// let time: Vec<f64> = (0..150).map(|i| 0.1 * f64::from(i)).collect();
/// let own: Vec<f64> = (0..110).map(|i| 0.13 * f64::from(i) + 0.02).collect();
/// let y: Vec<f64> = time.iter().zip(0..).map(|(t, i)| wave(t - 0.4) + noise(i)).collect();
/// let x: Vec<f64> = own.iter().zip(7..).map(|(t, i)| wave(*t) + noise(i)).collect();
/// let lag = from_reference(&time, &y, &own, &x, &ReferenceConfig::default())?.lag_s.unwrap();
/// assert!((lag.value - 0.4).abs() < 4.0 * lag.u && lag.u < 0.02);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn from_reference(
    time: &[f64],
    y: &[f64],
    reference_time: &[f64],
    reference: &[f64],
    config: &ReferenceConfig,
) -> Result<Response> {
    config.validate()?;
    check("time_s", "readings", time, y, FEWEST)?;
    check("reference_time_s", "readings of the reference", reference_time, reference, FEWEST)?;
    let tested = Shown::new(time, y, config.step_pa, config.refresh_s);
    let known =
        Shown::new(reference_time, reference, config.reference_step_pa, config.reference_refresh_s);
    for shown in [&tested, &known] {
        if shown.time.len() < FEWEST {
            let (what, found) = ("readings as the display was refreshed", shown.time.len());
            return Err(Error::TooFewSamples { what, found, needed: FEWEST });
        }
    }
    let start = Start::of(&tested, &known, config.max_lag_s)?;
    let found = sample(
        |theta| log_density(&tested, &known, &start, config.max_lag_s, theta),
        start.guess(),
        start.covariance(),
    )?;
    let own = config.reference_lag_u_s.hypot(tested.clock_u_s).hypot(known.clock_u_s);
    let more = config.reference_lag_s + tested.hold_s / 2.0;
    let dof = tested.time.len().min(known.time.len()) as f64 - 6.0;
    let estimate = |of: &dyn Fn(&DVector<f64>) -> f64, shift: f64, doubt: f64| {
        let value = found.mean(of);
        let variance = found.mean(|theta| (of(theta) - value).powi(2));
        Estimate { value: value + shift, u: variance.sqrt().hypot(doubt), dof }
    };
    let lag = estimate(&|theta| theta[0], more, own);
    if lag.u > config.max_u_s {
        let reason = "the pressure moves too little or too steadily beside the reference";
        return Err(Error::LagUnidentified { reason });
    }
    Ok(Response {
        lag_s: Some(lag),
        dead_time_s: Some(estimate(&|theta| theta[0] - theta[1].exp(), more, own)),
        time_constant_s: Some(estimate(&|theta| theta[1].exp(), 0.0, 0.0)),
        hold_s: tested.hold_s,
        n_readings: tested.time.len(),
        noise_pa: found.mean(|theta| theta[4].exp()),
    })
}

/// Log density of lag, log time constant, scale, log unsteadiness and the logs of both noises.
fn log_density(
    tested: &Shown,
    known: &Shown,
    start: &Start,
    max_lag: f64,
    theta: &DVector<f64>,
) -> f64 {
    let (lag, constant) = (theta[0], theta[1].exp());
    let (noise, reference_noise) = (theta[4].exp(), theta[5].exp());
    let inside = lag.abs() < max_lag
        && (start.shortest..2.0 * max_lag).contains(&constant)
        && (0.2..5.0).contains(&theta[2])
        && noise > start.floors[0]
        && reference_noise > start.floors[1];
    if !inside {
        return f64::NEG_INFINITY;
    }
    let pair = Pair {
        dead_s: lag - constant,
        constant_s: constant,
        scale: theta[2],
        unsteadiness: theta[3].exp(),
        noise: noise * noise,
        reference_noise: reference_noise * reference_noise,
    };
    // Flat in the time constant, which is sampled by its logarithm.
    theta[1]
        + log_likelihood(
            Channel { time: &tested.time, value: &tested.value },
            Channel { time: &known.time, value: &known.value },
            &pair,
            start.wide,
        )
}

/// Where the search starts.
#[derive(Debug, Clone)]
struct Start {
    lag: f64,
    scale: f64,
    unsteadiness: f64,
    noises: [f64; 2],
    floors: [f64; 2],
    interval: f64,
    shortest: f64,
    wide: f64,
}

impl Start {
    /// The lag at which the reference, joined by straight lines, explains the readings best.
    fn of(tested: &Shown, known: &Shown, max_lag: f64) -> Result<Self> {
        let interval = |shown: &Shown| {
            (shown.time[shown.time.len() - 1] - shown.time[0]) / (shown.time.len() - 1) as f64
        };
        let interval = interval(tested).max(interval(known));
        let unmoved = Error::LagUnidentified { reason: "the pressure does not move" };
        let mut best: Option<(f64, f64, Match)> = None;
        let spacing = (interval / 2.0).max(max_lag / 500.0);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most 500")]
        let tried = (max_lag / spacing).floor() as i32;
        for lag in (-tried..=tried).map(|k| f64::from(k) * spacing) {
            let Some(found) = Match::at(tested, known, lag) else { continue };
            let share = found.squares / found.total;
            if best.is_none_or(|(least, ..)| share < least) {
                best = Some((share, lag, found));
            }
        }
        let (_, lag, found) = best
            .filter(|(share, _, found)| *share < 1.0 - EXPLAINED && found.slope > 0.0)
            .ok_or(unmoved)?;
        let whole = 0..known.time.len();
        let smooth = fit(&known.time, &known.value, std::slice::from_ref(&whole));
        let floor = |shown: &Shown| match shown.step {
            Some(step) => step / 12.0_f64.sqrt(),
            None => 1e-7 * found.total.sqrt(),
        };
        let floors = [floor(tested), floor(known)];
        let own = (found.squares / found.count).sqrt();
        Ok(Self {
            lag,
            scale: found.slope,
            unsteadiness: (smooth.lambda * smooth.variance).max(f64::MIN_POSITIVE),
            noises: [own.max(1.1 * floors[0]), smooth.variance.sqrt().max(1.1 * floors[1])],
            floors,
            interval,
            shortest: interval / 100.0,
            wide: 100.0 * (found.total / found.count).sqrt(),
        })
    }

    fn guess(&self) -> DVector<f64> {
        let constant = (self.lag / 2.0).max(self.interval / 2.0);
        DVector::from_vec(vec![
            self.lag,
            constant.ln(),
            self.scale.clamp(0.25, 4.0),
            self.unsteadiness.ln(),
            self.noises[0].ln(),
            self.noises[1].ln(),
        ])
    }

    fn covariance(&self) -> DMatrix<f64> {
        let sizes = [self.interval, 0.7, 0.02, 0.7, 0.15, 0.15];
        DMatrix::from_diagonal(&DVector::from_iterator(6, sizes.map(|size| size * size)))
    }
}

/// A straight line of readings against the reference, as it was `lag` earlier.
#[derive(Debug, Clone, Copy)]
struct Match {
    slope: f64,
    squares: f64,
    total: f64,
    count: f64,
}

impl Match {
    fn at(tested: &Shown, known: &Shown, lag: f64) -> Option<Self> {
        let (mut count, mut x1, mut y1) = (0.0, 0.0, 0.0);
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        let (x0, y0) = (known.value[0], tested.value[0]);
        let mut after = 1;
        for (t, y) in tested.time.iter().zip(&tested.value) {
            let there = t - lag;
            while after < known.time.len() && known.time[after] < there {
                after += 1;
            }
            if there < known.time[0] || after == known.time.len() {
                continue;
            }
            let (from, to) = (known.time[after - 1], known.time[after]);
            let share = (there - from) / (to - from);
            let (before, behind) = (known.value[after - 1], known.value[after]);
            let (x, y) = (before + share * (behind - before) - x0, y - y0);
            count += 1.0;
            x1 += x;
            y1 += y;
            xx += x * x;
            xy += x * y;
            yy += y * y;
        }
        let (sxx, sxy, total) = (xx - x1 * x1 / count, xy - x1 * y1 / count, yy - y1 * y1 / count);
        let slope = sxy / sxx;
        let squares = (total - slope * sxy).max(0.0);
        let enough = count >= (tested.time.len() / 2) as f64;
        (enough && total > 0.0 && slope.is_finite()).then_some(Self {
            slope,
            squares,
            total,
            count,
        })
    }
}
