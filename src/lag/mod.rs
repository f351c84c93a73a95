//! Gauge lag: how far the reading runs behind the contact channel.
//!
//! With mean lag `L`, a signal rising at rate `r` is read `r L` too low, falling, `r L` too high.
//! What is found is the lag between the pressure and the contact channel: the delay of a slow
//! contact meter is part of it, with the opposite sign.
#![forbid(unsafe_code)]

mod groups;
mod outliers;
pub mod rates;

pub use rates::{Lag, LagConfig, RateEvent, from_rates};
