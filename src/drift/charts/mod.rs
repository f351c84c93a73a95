//! Control charts for a test bench, a gauge or a check switch that is tested again and again.
//!
//! [`baseline()`] turns the first tests into a target and a scatter; [`individuals()`] holds each
//! test and each moving range against limits, [`ewma()`] a weighted mean of the past, and
//! [`cusum()`] a sum of what exceeds an allowance. Each test's own standard uncertainty widens its
//! limits or shrinks its deviation, so that a rough test neither alarms nor hides one. How long such
//! a chart runs before it signals is computed ([`ewma_run_length()`], [`cusum_arl()`]), and limits
//! are found for a wanted mean run length ([`ewma_multiplier()`], [`cusum_limit()`]).
#![forbid(unsafe_code)]

mod chain;
pub mod constants;
pub mod cusum;
pub mod cusum_run_length;
pub mod ewma;
pub mod ewma_run_length;
pub mod individuals;
pub mod process;
mod quadrature;
pub mod run_length;

pub use constants::{c4, d2, d3};
pub use cusum::{Cusum, CusumConfig, cusum};
pub use cusum_run_length::{Sided, cusum_arl, cusum_limit, cusum_run_length};
pub use ewma::{Ewma, EwmaConfig, Limits, ewma};
pub use ewma_run_length::{Start, ewma_arl, ewma_false_alarm, ewma_multiplier, ewma_run_length};
pub use individuals::{Baseline, Individuals, IndividualsConfig, baseline, individuals};
pub use process::{AfterSignal, Point, Process, Side, Signal};
pub use run_length::RunLength;
