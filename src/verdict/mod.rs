//! Whether a switch conforms to its tolerance, how sure that is, and on which side it errs.
#![forbid(unsafe_code)]

mod conformity;

pub use conformity::{Action, JudgeConfig, Judgement, Limits, Verdict, conformance, judge};
