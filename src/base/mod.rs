//! What every later module shares: errors with their status codes, units, estimates and the small
//! numerics.
#![forbid(unsafe_code)]

pub(crate) mod channel;
pub mod clock;
pub mod error;
pub mod estimate;
pub(crate) mod interval;
pub(crate) mod lanes;
pub mod line;
pub mod minimise;
pub mod order;
pub(crate) mod root;
pub mod unit;

pub use error::{Error, Result, Status};
pub use estimate::Estimate;
