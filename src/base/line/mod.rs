//! Straight line through observations of known covariance plus an excess variance: what the trend
//! of a history and the evidence of one test have in common.
//!
//! [`line()`] fits it, with [`covariance`] (errors held in common) and [`excess`] (scatter beyond
//! what is stated) beneath it.

pub mod covariance;
mod deletion;
pub mod excess;
mod fit;
mod straight;

pub use covariance::{Covariance, Precision, Shared};
pub(crate) use deletion::deletion;
pub use excess::{Dof, Excess};
pub use fit::{Line, LineConfig, line};
