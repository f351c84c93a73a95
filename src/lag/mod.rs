//! Gauge lag: how far the reading runs behind.
//!
//! With mean lag `L`, a signal rising at rate `r` is read `r L` too low, falling, `r L` too high.
//! There are two such lags. What a step or a reference channel finds is the lag of the reading
//! behind the pressure, the gauge's own. What events of different rates find is the lag of the
//! reading behind the contact channel: the delay of a slow contact meter is part of it, with the
//! opposite sign. Setpoints need the latter. [`mod@pool`] keeps the two apart and combines them by the
//! delay of the contact meter.
#![forbid(unsafe_code)]

mod averaged;
pub mod combine;
mod display;
mod first_order;
mod groups;
mod matches;
mod outliers;
mod pair;
pub mod pool;
pub mod rates;
pub mod reference;
pub mod response;
mod rounded;
mod sampling;
mod seen;
pub mod step;

pub use combine::{Behind, Combined, Route, combine};
pub use pool::{Pooled, pool};
pub use rates::{Lag, LagConfig, RateEvent, from_rates};
pub use reference::{ReferenceConfig, from_reference};
pub use response::Response;
pub use step::{StepConfig, from_step};
