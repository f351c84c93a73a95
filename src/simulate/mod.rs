//! Recordings whose truth is known: a switch, a gauge, a hand or a fan that moves the pressure, a
//! logger and an operator.
//!
//! [`Stand::record`] gives a [`Simulated`] recording as a logger would have written it, together
//! with what really happened ([`TrueEvent`]). Everything that is measured elsewhere in this crate
//! can be tested, trained and planned against it.
//!
//! The true pressure is piecewise linear on a grid much finer than any sample. The contact changes
//! exactly where that path crosses the threshold of its cycle, and the gauge's first-order lag is
//! carried along it without discretisation error.
//!
//! # Seeds
//!
//! All random numbers come from `ChaCha8` (`rand_chacha`), whose output is defined bit for bit, so
//! that one seed gives one recording for any number of threads. Only the last bit of a value may
//! depend on the platform, through its `exp` and `ln`. Motion, switch, gauge, clock, contact and
//! operator draw from streams of their own: the same seed with another gauge is the same movement
//! of the same pressure.
//!
//! # Caution
//!
//! A simulated stand has no flame. On a real one carbon monoxide, gas and mains voltage are at
//! hand: never bypass or jumper a safety switch.
#![forbid(unsafe_code)]

mod gauge;
mod logger;
mod motion;
mod operator;
mod path;
mod random;
mod stand;
mod switch;
#[cfg(test)]
mod tests;

pub use gauge::Gauge;
pub use logger::{ContactSignal, Logger};
pub use motion::{InService, Motion, Pinch, Ramp};
pub use operator::Operator;
pub use stand::{Simulated, Stand, record_all};
pub use switch::{Switch, TrueEvent};
