//! The events of one test made into close, open and deadband, with an uncertainty budget.
#![forbid(unsafe_code)]

pub mod brackets;
pub mod budget;
mod cell;
mod coverage;
mod curve;
pub mod fit;
pub mod gauge;
mod overlap;
mod phase;
pub mod scatter;
pub mod side;

pub use brackets::BracketModel;
pub use budget::{Budget, Line, Source};
pub use fit::{SetpointConfig, Setpoints, fit};
pub use gauge::GaugeSpec;
pub use scatter::Repeatability;
pub use side::{Excess, Pressing};
