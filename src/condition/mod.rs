//! Evidence about the state of the switch and its line, from one test: sticking, chatter,
//! leak-down.
//!
//! Every estimator takes plain slices and gives numbers, a flag, the [`Side`] on which the finding
//! is dangerous, and a plain sentence. A finding is a reason to look, not a verdict.
//!
//! The estimators here and the trend of a history share one piece of mathematics, a straight line
//! through observations of known covariance plus an excess variance: [`line`](mod@line), with
//! [`covariance`] and [`excess`] beneath it.
#![forbid(unsafe_code)]

pub mod change;
pub mod chatter;
pub mod covariance;
pub mod excess;
pub mod hold;
pub mod leak;
pub mod line;
mod root;
pub mod sticking;
mod straight;

pub use change::{Change, Side};
pub use chatter::{Chatter, ChatterConfig, chatter};
pub use covariance::Shared;
pub use excess::{Dof, Excess};
pub use hold::{HoldConfig, holds};
pub use leak::{Leak, LeakConfig, leak};
pub use line::{Line, LineConfig, line};
pub use sticking::{Sticking, StickingConfig, sticking};
