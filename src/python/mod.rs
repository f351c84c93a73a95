//! Python objects in and out.

mod charts;
mod facts;
mod growth;
mod lags;
mod simulate;
mod trace;

use numpy::PyReadonlyArray1;
use pyo3::exceptions::PyValueError;
use pyo3::prelude::*;

use crate::base::Error;

/// A channel of a recording.
type Channel<'py> = PyReadonlyArray1<'py, f64>;

/// A `ValueError` with this message.
pub(super) fn value_error(error: impl std::fmt::Display) -> PyErr {
    PyValueError::new_err(error.to_string())
}

/// A `ValueError` whose arguments are the message and the status code.
fn recording_error(error: &Error) -> PyErr {
    PyValueError::new_err((error.to_string(), error.status().code()))
}

/// The compiled part of `deadband`: everything that runs once a sample, a test or a switch.
#[pymodule]
fn _core(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add("__version__", env!("CARGO_PKG_VERSION"))?;
    module.add_function(wrap_pyfunction!(facts::units, module)?)?;
    module.add_function(wrap_pyfunction!(facts::statuses, module)?)?;
    module.add_function(wrap_pyfunction!(facts::tables, module)?)?;
    module.add_function(wrap_pyfunction!(facts::t_cdf, module)?)?;
    module.add_function(wrap_pyfunction!(facts::t_quantile, module)?)?;
    module.add_function(wrap_pyfunction!(facts::check_options, module)?)?;
    module.add_function(wrap_pyfunction!(charts::chart_run_length, module)?)?;
    module.add_function(wrap_pyfunction!(charts::chart_limit, module)?)?;
    module.add_class::<growth::FleetGrowth>()?;
    module.add_function(wrap_pyfunction!(growth::fit_growth, module)?)?;
    module.add_function(wrap_pyfunction!(lags::lag_from_step, module)?)?;
    module.add_function(wrap_pyfunction!(lags::lag_from_reference, module)?)?;
    module.add_function(wrap_pyfunction!(trace::smooth_path, module)?)?;
    module.add_function(wrap_pyfunction!(trace::smoothed_paths, module)?)?;
    module.add_function(wrap_pyfunction!(simulate::simulate, module)?)
}
