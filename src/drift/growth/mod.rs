//! Growth of a whole fleet: how setpoints move over the years, switch by switch, with what all of them
//! have in common.
//!
//! ```text
//! y_ij = x_ij' β + a_i + b_i t_ij + c_ij' g + e_ij
//! (a, b)_i ~ N(0, G),   g ~ N(0, I),   e_ij ~ N(0, u_ij² + σ²)
//! ```
//!
//! test `j` of switch `i` at time `t_ij`, its own standard uncertainty `u_ij` known, an excess `σ²`
//! between tests and the covariance `G` (2 × 2) of intercepts and slopes between switches not. `β`
//! holds the mean line and what a model, a lot or a method adds to its level and to its slope, `g` the
//! errors that tests with one gauge share, in units of their known standard uncertainties, and `c_ij`
//! what one unit adds to a test.
//!
//! [`GrowthData`] takes the tests and [`GrowthData::sharing`] what they share, [`grow`] fits them by restricted or full likelihood, [`Growth`] says
//! what was found, [`Growth::lines`] gives each switch its line, drawn towards the fleet's the more
//! the less is known of it, and [`compare`] tests one model against another.
//!
//! Source: N. M. Laird and J. H. Ware, *Biometrics* 38 (1982) 963–974.

mod block;
mod compare;
mod components;
mod data;
mod fit;
mod inference;
mod likelihood;
mod lines;
mod prediction;
mod search;
mod shared;
mod totals;

pub use compare::{Comparison, compare};
pub use components::Components;
pub use data::{Effect, GrowthData};
pub use fit::{Growth, GrowthConfig, grow};
pub use lines::SwitchLine;
pub use shared::SharedError;
