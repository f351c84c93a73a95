//! Setpoints, uncertainty and verdicts from recordings of draft (air-pressure) safety switch tests.
//!
//! A recording walks a corridor, and the modules stand in its order; imports run one way, from
//! later modules to earlier ones:
//!
//! [`base`] → [`trace`] → [`smooth`] → [`lag`] → [`setpoint`] → [`verdict`] → [`condition`] →
//! [`drift`], with [`simulate`] beside them as the source of recordings whose truth is known.
//!
//! Pascal and second everywhere; units are converted only at the edge ([`base::unit`]).
//! Without features the crate is this pure-Rust core. The feature `python` adds two adapters, one
//! for Polars columns and one for Python objects; the core knows neither.
//!
//! # Caution
//!
//! A verdict is a statement about a recording. It is no permission to operate an appliance.

pub mod base;
pub mod condition;
pub mod drift;
pub mod lag;
pub mod setpoint;
pub mod simulate;
pub mod smooth;
pub mod trace;
pub mod verdict;

#[cfg(feature = "python")]
mod frame;
#[cfg(feature = "python")]
mod python;
