//! Drift across repeat tests of one switch: is there a trend, how fast, and when does it cross a
//! limit.
//!
//! [`mann_kendall()`] asks whether there is a trend and [`theil_sen()`] how steep it is, both
//! without regard to the tests' uncertainties; [`weighted_trend()`] uses them, with an excess
//! variance for what they leave unexplained and common errors for tests that share a gauge;
//! [`outliers()`] holds each test against the others; [`crossing()`] forecasts when the line leaves
//! a limit; [`change_point`] tells a level that jumped from one that drifts; [`charts`] holds control
//! charts of a bench or a check switch. Times may be in any unit and order; slopes are in the unit of
//! the values over that of the times.
#![forbid(unsafe_code)]

pub mod change_point;
pub mod charts;
pub mod crossing;
pub mod growth;
pub mod history;
mod kendall_null;
pub mod mann_kendall;
pub mod outlier;
pub mod theil_sen;
pub mod weighted_trend;

pub use crate::base::line::{Dof, Excess, Shared};
pub use crossing::{Course, Crossing, CrossingConfig, Limit, Outlook, crossing};
pub use history::FEWEST_TESTS;
pub use kendall_null::EXACT_LIMIT;
pub use mann_kendall::{MannKendall, Method, Null, mann_kendall};
pub use outlier::{Outlier, OutlierConfig, outliers};
pub use theil_sen::{Intercept, TheilSen, TheilSenConfig, theil_sen};
pub use weighted_trend::{Trend, TrendConfig, weighted_trend};
