//! Evidence about the state of the switch and its line: sticking, chatter, leak-down and a contact
//! that never changed, from one test; and one test against the population of its model.
//!
//! Every estimator takes plain slices and gives numbers, a flag, the [`Side`] on which the finding
//! is dangerous, and a plain sentence. A finding is a reason to look, not a verdict.
#![forbid(unsafe_code)]

pub mod ambient;
pub mod change;
pub mod chatter;
pub mod config;
mod decay;
pub mod hold;
pub mod leak;
pub mod model;
mod others;
pub mod population;
pub mod repeat;
pub mod scatter;
pub mod sticking;
pub mod still;

pub use ambient::{Ambient, DRIFT_ALLOWANCE_PA_S, ambient};
pub use change::{Change, Side};
pub use chatter::{Chatter, ChatterConfig, chatter};
pub use config::ConditionConfig;
pub use hold::{HoldConfig, holds};
pub use leak::{Leak, LeakConfig, leak};
pub use model::{Offset, offsets};
pub use population::{Compared, FEWEST_MEMBERS, Population, population};
pub use repeat::Prior;
pub use scatter::{Repeats, Scatter, scatters};
pub use sticking::{Sticking, StickingConfig, sticking};
pub use still::{Rating, Reach, Still, still};
