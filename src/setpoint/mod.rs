//! The events of one test made into close, open and deadband, with an uncertainty budget.
#![forbid(unsafe_code)]

pub mod budget;
pub mod fit;
pub mod gauge;
pub mod scatter;
pub mod side;

pub use budget::{Budget, Line, Source};
pub use fit::{SetpointConfig, Setpoints, fit};
pub use gauge::GaugeSpec;
pub use scatter::Repeatability;
pub use side::{Excess, Pressing};
