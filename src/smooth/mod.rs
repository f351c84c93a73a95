//! What the pressure was at an instant: a state-space smoother for one stroke of a recording.
//!
//! The gauge's signal is an integrated random walk in its rate, seen through white noise at
//! uneven times. With the state `x = (p, r)` and step `h`,
//!
//! ```text
//! x(t+h) = | 1 h | x(t) + w,   w ~ N(0, q | h³/3 h²/2 |),   y = p + e,   e ~ N(0, σ²)
//!          | 0 1 |                       | h²/2 h    |
//! ```
//!
//! The path is a cubic smoothing spline; its one parameter `λ = q/σ²` (s⁻³) is found by restricted
//! likelihood with `σ²` profiled out.
//!
//! Sources: G. Wahba, *J. R. Statist. Soc. B* 40 (1978) 364; C. F. Ansley and R. Kohn, *Ann.
//! Statist.* 13 (1985) 1286; J. Durbin and S. J. Koopman, *Time Series Analysis by State Space
//! Methods* (2012), chapters 3 to 7.
#![forbid(unsafe_code)]

mod blocks;
pub mod coarse;
pub mod events;
mod fall;
mod few_values;
pub mod likelihood;
pub mod model;
pub mod path;
pub mod relaxation;
mod rounded;
mod runs;
mod saturation;
pub mod search;
pub mod shift;
mod split;
pub mod state;
mod stretches;
pub mod varpro;
mod weighted;

pub use events::{AtEvent, Event, EventConfig, fit_events, fit_paths};
pub use model::Model;
pub use path::Path;
pub use relaxation::Relaxation;
pub use search::{Fit, fit, fit_at, fit_blocks};
pub use shift::GaugeLag;
pub use state::State;
