//! Lag from a second gauge on the same tee.

use nalgebra::DVector;
use serde::{Deserialize, Serialize};

use super::display::Shown;
use super::matches::{at_the_end, single};
use super::response::{Response, check, optional};
use super::sampling::sample;
use super::seen::Seen;
use crate::base::{Error, Estimate, Result, error};

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

/// Standard uncertainties by which a lag is nearer to zero than the largest that is looked for. What
/// lies beyond that leaves a density that is cut off there, one of its own widths away.
const FROM_THE_END: f64 = 4.0;
/// Readings that each of the two needs.
const FEWEST: usize = 20;

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
/// start are unknown. Mean and covariance by importance sampling, priors flat in lag and time
/// constant and in the logarithms of unsteadiness and noises; that of the scale is 1 with 5 %, which
/// counts only where a single wave tells no more than how much it is shrunk. A display's rounding is
/// taken for noise of at least `step / √12`.
///
/// A pressure that is smoother than a random walk, a wave, leaves correlated surprises in the
/// reference's own filter; the likelihood is then raised to a power below one, as if by so many
/// fewer readings (Bartlett's effective number for squares).
///
/// Only lags at which the readings rise with the reference are searched. Where several are apart
/// (a pressure that repeats itself within `max_lag_s`) they are held against each other on the
/// readings that both explain; one is told only where the readings contradict the others.
///
/// What the two clocks differ by cannot be told from a dead time and is part of it. The lag `D + T`
/// is much better known than its split, which shows only where the rate changes within `T`.
///
/// # Errors
///
/// [`Error::LagUnidentified`] where the pressure does not move, the readings do not follow it, it
/// repeats itself, or moves too steadily to tell the lag from an offset, and where the lag is at the
/// end of `max_lag_s`; the errors of an unusable channel; [`Error::BadValue`] for a bad option.
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
    let seen = Seen::new(&tested, &known, config.max_lag_s);
    let start = seen.guess(&single(&seen)?);
    let around = seen.covariance(&start);
    let found = sample(|theta| seen.log_density(theta), start, around)?;
    let own = config.reference_lag_u_s.hypot(tested.clock_u_s).hypot(known.clock_u_s);
    let more = config.reference_lag_s + tested.hold_s / 2.0;
    let dof = (tested.time.len().min(known.time.len()) as f64 / seen.alike() - 6.0).max(1.0);
    let estimate = |of: &dyn Fn(&DVector<f64>) -> f64| {
        let value = found.mean(of);
        let variance = found.mean(|theta| (of(theta) - value).powi(2));
        Estimate { value, u: variance.sqrt(), dof }
    };
    let behind =
        |seen: Estimate| Estimate { value: seen.value + more, u: seen.u.hypot(own), dof: seen.dof };
    let lag = estimate(&|theta| seen.lag_s(theta));
    if lag.value.abs() + FROM_THE_END * lag.u > config.max_lag_s {
        return Err(at_the_end());
    }
    let lag = behind(lag);
    if lag.u > config.max_u_s {
        return Err(Error::LagUnidentified {
            reason: "the pressure moves too little or too steadily beside the reference",
            cure: "let it rise and fall more strongly, and turn more often",
        });
    }
    Ok(Response {
        lag_s: Some(lag),
        dead_time_s: Some(behind(estimate(&|theta| seen.pair(theta).dead_s))),
        time_constant_s: Some(estimate(&|theta| theta[1])),
        hold_s: tested.hold_s,
        n_readings: tested.time.len(),
        noise_pa: found.mean(|theta| theta[4].exp()),
    })
}
