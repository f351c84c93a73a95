//! Changes of level in a history: a replaced gauge or part is not drift.
//!
//! [`one_change()`] looks for one, and weighs it against drift; [`several_changes()`] for any number;
//! [`known_steps()`] tests dates that are known beforehand. [`buishand()`] and [`homogeneity()`] are the classical tests, without regard to
//! the tests' uncertainties.
#![forbid(unsafe_code)]

pub mod buishand;
pub mod homogeneity;
pub mod known;
mod least_squares;
mod nodes;
pub mod null;
pub mod one;
mod ordered;
mod partition;
pub mod posterior;
pub mod several;

pub use buishand::{Buishand, buishand};
pub use homogeneity::{Homogeneity, homogeneity};
pub use known::{KnownStep, KnownSteps, KnownStepsConfig, known_steps};
pub use null::NullConfig;
pub use one::{FEWEST_FOR_A_CHANGE, OneChange, OneChangeConfig, one_change};
pub use posterior::{Explanations, Place, PlacePrior};
pub use several::{
    Change, Choice, Level, Partitioned, SeveralChanges, SeveralChangesConfig, several_changes,
};
