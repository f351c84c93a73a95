//! A validated recording, the changes of its contact and the strokes of its pressure.
#![forbid(unsafe_code)]

pub mod contact;
pub mod levels;
pub mod recording;
pub mod refresh;
pub mod step;
pub mod stroke;

pub use contact::{Change, ContactConfig, changes};
pub use levels::{Levels, Sense};
pub use recording::Recording;
