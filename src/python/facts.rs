//! Constants of the core, so that Python has no second table of them.

use std::collections::BTreeMap;

use pyo3::prelude::*;

use crate::base::unit::Unit;
use crate::base::{Result, Status};
use crate::condition::ConditionConfig;
use crate::drift::TrendConfig;
use crate::frame::changes::ChangesConfig;
use crate::frame::charts::ChartConfig;
use crate::frame::schema::TABLES;
use crate::lag::LagConfig;
use crate::smooth::EventConfig;
use crate::verdict::JudgeConfig;

use super::value_error;

/// Every pressure unit and how many pascal it is.
#[pyfunction]
pub(super) fn units() -> Vec<(&'static str, f64)> {
    Unit::ALL.iter().map(|unit| (unit.symbol(), unit.in_pascal())).collect()
}

/// Every status code.
#[pyfunction]
pub(super) fn statuses() -> Vec<&'static str> {
    Status::ALL.iter().map(|status| status.code()).collect()
}

/// Columns that the kernels make, a list of (name, type) for each table.
#[pyfunction]
pub(super) fn tables() -> BTreeMap<&'static str, Vec<(&'static str, &'static str)>> {
    let columns = TABLES.iter().map(|&(table, columns)| {
        (table, columns.iter().map(|&(name, kind)| (name, kind.name())).collect())
    });
    columns.collect()
}

/// Quantile of Student's t; infinite degrees of freedom give the normal one.
#[pyfunction]
pub(super) fn t_quantile(p: f64, dof: f64) -> f64 {
    crate::base::estimate::t_quantile(p, dof)
}

/// Distribution function of Student's t; infinite degrees of freedom give the normal one.
#[pyfunction]
pub(super) fn t_cdf(t: f64, dof: f64) -> f64 {
    crate::base::estimate::t_cdf(t, dof)
}

/// Raises what is wrong with the options of a kernel, named as in the plugin.
#[pyfunction]
pub(super) fn check_options(kernel: &str, options: &Bound<'_, PyAny>) -> PyResult<()> {
    match kernel {
        "fit_events" => check(options, EventConfig::validate),
        "lag_from_rates" => check(options, LagConfig::validate),
        "trends" | "influence" => check(options, |_: &TrendConfig| Ok(())),
        "changes_of_level" | "levels" | "known_steps" => check(options, ChangesConfig::validate),
        "chart" => check(options, ChartConfig::validate),
        "judge" => check(options, JudgeConfig::validate),
        "condition" | "recordings" | "no_change" | "model_setpoints" | "model_scatter" => {
            check(options, ConditionConfig::validate)
        }
        _ => Err(value_error(format!("there is no kernel {kernel} with options"))),
    }
}

fn check<T: serde::de::DeserializeOwned>(
    options: &Bound<'_, PyAny>,
    validate: fn(&T) -> Result<()>,
) -> PyResult<()> {
    let config: T = pythonize::depythonize(options).map_err(value_error)?;
    validate(&config).map_err(value_error)
}
