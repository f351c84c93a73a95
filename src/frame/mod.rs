//! Polars columns in and out: the tables' schemas, once, and the expression plugin.
//!
//! A row that cannot be worked on gets nulls and a status; a column of the wrong type is an error.

pub(crate) mod changes;
pub(crate) mod charts;
mod conform;
mod crossings;
mod events;
mod evidence;
mod fellows;
mod finding;
mod histories;
mod input;
mod lags;
mod output;
mod plugin;
mod points;
pub(crate) mod schema;
