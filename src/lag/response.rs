//! What a recording says of a gauge's own lag.

use crate::base::channel::{enough, finite, increasing, same_length};
use crate::base::{Estimate, Result};

/// The lag of a gauge's reading behind the pressure.
///
/// A display that is refreshed more slowly than it is logged shows each reading late by half the
/// time for which it stands, on average; that half is part of the dead time and of the lag.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Response {
    /// Mean lag `D + T`, s; `None` where only the time constant is known.
    pub lag_s: Option<Estimate>,
    /// Dead time `D`, s; `None` where it is not known or there are no two parts. Its uncertainty
    /// and those of the others give the covariance:
    /// `2 cov(D, T) = u²(lag) − u²(D) − u²(T)`.
    pub dead_time_s: Option<Estimate>,
    /// Time constant `T`, s; `None` where the gauge is not of first order.
    pub time_constant_s: Option<Estimate>,
    /// Time for which the display holds a reading, s; 0 where it is as fast as the log.
    pub hold_s: f64,
    /// Readings of the tested gauge that were used.
    pub n_readings: usize,
    /// Noise of a reading, Pa, rounding not counted where the display's step is known.
    pub noise_pa: f64,
}

/// A lag whose split is known no better than this share of it has no parts.
const SPLIT: f64 = 0.15;

/// Dead time and time constant as a gauge can have them: a dead time below zero is none, a split
/// with an uncertainty above 15 % of the lag is none (any split at all has 29 %), and neither is
/// one of a lag below zero.
///
/// ```
/// use deadband::base::Estimate;
/// use deadband::lag::response::split;
/// let known = |value, u| Estimate { value, u, dof: f64::INFINITY };
/// let of = |dead, constant| split(Some(known(0.4, 0.01)), Some(dead), Some(constant));
/// let (dead, constant) = of(known(0.1, 0.02), known(0.3, 0.02)).unwrap();
/// assert_eq!((dead.value, constant.value), (0.1, 0.3));
/// let (dead, constant) = of(known(-0.01, 0.02), known(0.41, 0.02)).unwrap();
/// assert_eq!((dead.value, constant.value), (0.0, 0.4));
/// assert!(of(known(0.1, 0.1), known(0.3, 0.1)).is_none());
/// ```
pub fn split(
    lag: Option<Estimate>,
    dead: Option<Estimate>,
    constant: Option<Estimate>,
) -> Option<(Estimate, Estimate)> {
    let (lag, dead, constant) = (lag?, dead?, constant?);
    if lag.value < 0.0 || constant.u > SPLIT * lag.value || constant.value < 0.0 {
        return None;
    }
    if dead.value >= 0.0 {
        return Some((dead, constant));
    }
    Some((Estimate { value: 0.0, ..dead }, Estimate { value: lag.value, ..constant }))
}

/// Refuses a channel that no estimator can use.
pub(super) fn check(
    clock: &'static str,
    channel: &'static str,
    time: &[f64],
    y: &[f64],
    needed: usize,
) -> Result<()> {
    same_length((clock, time), (channel, y))?;
    enough(channel, time.len(), needed)?;
    finite(clock, time)?;
    finite(channel, y)?;
    increasing(clock, time)
}

/// An option, if it is absent or a finite number, zero or above.
pub(super) fn optional(what: &'static str, value: Option<f64>) -> Result<()> {
    value.map_or(Ok(()), |value| crate::base::error::not_negative(what, value).map(drop))
}
