//! The lag of one gauge from its recording of a step, or of one pressure with a reference.

use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::{Channel, recording_error};
use crate::base::{Error, Estimate, Result, Status};
use crate::lag::response::split;
use crate::lag::{Behind, ReferenceConfig, Response, StepConfig, from_reference, from_step};

/// Cells of the lags table found from readings around a step.
#[pyfunction]
#[pyo3(signature = (time_s, pressure_pa, options))]
#[allow(clippy::needless_pass_by_value, reason = "arguments from Python are owned")]
pub(super) fn lag_from_step<'py>(
    py: Python<'py>,
    time_s: Channel<'py>,
    pressure_pa: Channel<'py>,
    options: Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyDict>> {
    let config: StepConfig = pythonize::depythonize(&options).map_err(super::value_error)?;
    let (time, y) = (time_s.as_slice()?, pressure_pa.as_slice()?);
    row(py, "step", py.detach(|| from_step(time, y, &config)))
}

/// Cells of the lags table found from the readings of a gauge and of a reference.
#[pyfunction]
#[pyo3(signature = (time_s, pressure_pa, reference_time_s, reference_pa, options))]
#[allow(clippy::needless_pass_by_value, reason = "arguments from Python are owned")]
pub(super) fn lag_from_reference<'py>(
    py: Python<'py>,
    time_s: Channel<'py>,
    pressure_pa: Channel<'py>,
    reference_time_s: Channel<'py>,
    reference_pa: Channel<'py>,
    options: Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyDict>> {
    let config: ReferenceConfig = pythonize::depythonize(&options).map_err(super::value_error)?;
    let (time, y) = (time_s.as_slice()?, pressure_pa.as_slice()?);
    let (own, x) = (reference_time_s.as_slice()?, reference_pa.as_slice()?);
    row(py, "reference", py.detach(|| from_reference(time, y, own, x, &config)))
}

/// A lag that cannot be told is a row with its reason; whatever else is wrong is raised, message
/// and status code as its arguments.
fn row<'py>(
    py: Python<'py>,
    source: &str,
    found: Result<Response>,
) -> PyResult<Bound<'py, PyDict>> {
    let dict = PyDict::new(py);
    dict.set_item("source", source)?;
    dict.set_item("behind", Behind::Pressure.code())?;
    match found {
        Ok(response) => fill(&dict, &response)?,
        Err(error @ Error::LagUnidentified { .. }) => {
            dict.set_item("reason", error.to_string())?;
            dict.set_item("status", error.status().code())?;
        }
        Err(error) => return Err(recording_error(&error)),
    }
    Ok(dict)
}

const NO_START: &str = "the start of the step is not known, so that only the time constant is told";

fn fill(dict: &Bound<'_, PyDict>, response: &Response) -> PyResult<()> {
    let put = |name: &str, estimate: Option<Estimate>| {
        dict.set_item(format!("{name}_s"), estimate.map(|found| found.value))?;
        dict.set_item(format!("{name}_u_s"), estimate.map(|found| found.u))
    };
    put("lag", response.lag_s)?;
    dict.set_item("hold_s", response.hold_s)?;
    if let Some(lag) = response.lag_s {
        let parts = split(Some(lag), response.dead_time_s, response.time_constant_s);
        put("dead_time", parts.map(|(dead, _)| dead))?;
        put("time_constant", parts.map(|(_, constant)| constant))?;
        dict.set_item("dof", lag.dof)?;
        return dict.set_item("status", Status::Ok.code());
    }
    put("time_constant", response.time_constant_s)?;
    dict.set_item("reason", NO_START)?;
    dict.set_item("status", Status::LagUnidentified.code())
}
