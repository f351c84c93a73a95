//! Evidence about the state of the switch and its line, from one test: sticking, chatter,
//! leak-down.
//!
//! Every estimator takes plain slices and gives numbers, a flag, the [`Side`] on which the finding
//! is dangerous, and a plain sentence. A finding is a reason to look, not a verdict.
#![forbid(unsafe_code)]

pub mod change;
pub mod chatter;
pub mod hold;
pub mod leak;
pub mod sticking;

pub use change::{Change, Side};
pub use chatter::{Chatter, ChatterConfig, chatter};
pub use hold::{HoldConfig, holds};
pub use leak::{Leak, LeakConfig, leak};
pub use sticking::{Sticking, StickingConfig, sticking};
