//! Constants of the core, so that Python has no second table of them.

use std::collections::BTreeMap;

use pyo3::prelude::*;

use crate::base::Status;
use crate::base::unit::Unit;
use crate::frame::schema::TABLES;

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
