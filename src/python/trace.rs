//! One recording given as `NumPy` arrays.

use ndarray::Array2;
use numpy::{IntoPyArray, PyArray2, PyReadonlyArray1};
use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::{Channel, recording_error};
use crate::base::Result;
use crate::smooth::{EventConfig, Path, fit, fit_at, fit_paths};
use crate::trace::Recording;

fn with_recording<T>(
    [time_s, pressure_pa, contact]: [&Channel<'_>; 3],
    contact_time_s: Option<&Channel<'_>>,
    options: &Bound<'_, PyAny>,
    work: impl FnOnce(&Recording<'_>, &EventConfig) -> Result<T>,
) -> PyResult<T> {
    let config: EventConfig =
        pythonize::depythonize(options).map_err(crate::python::value_error)?;
    let clock = contact_time_s.map(PyReadonlyArray1::as_slice).transpose()?;
    let (time_s, pressure_pa) = (time_s.as_slice()?, pressure_pa.as_slice()?);
    Recording::new(time_s, pressure_pa, contact.as_slice()?, clock)
        .and_then(|recording| work(&recording, &config))
        .map_err(|error| recording_error(&error))
}

/// The smoothed paths of a recording at its readings: rows of stretch, time, value, rate and the
/// variance of the value.
#[pyfunction]
#[pyo3(signature = (time_s, pressure_pa, contact, contact_time_s, options))]
#[allow(clippy::needless_pass_by_value, reason = "arguments from Python are owned")]
pub(super) fn smoothed_paths<'py>(
    py: Python<'py>,
    time_s: Channel<'py>,
    pressure_pa: Channel<'py>,
    contact: Channel<'py>,
    contact_time_s: Option<Channel<'py>>,
    options: Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyArray2<f64>>> {
    let channels = [&time_s, &pressure_pa, &contact];
    let paths = with_recording(channels, contact_time_s.as_ref(), &options, table)?;
    Ok(paths.into_pyarray(py))
}

fn table(recording: &Recording<'_>, config: &EventConfig) -> Result<Array2<f64>> {
    let paths = fit_paths(recording, config)?;
    let mut rows: Vec<[f64; 5]> = Vec::new();
    for (stretch, path) in paths.iter().enumerate() {
        let states = path.times().iter().filter_map(|&t| path.at(t).map(|state| (t, state)));
        rows.extend(states.map(|(t, s)| [stretch as f64, t, s.value, s.rate, s.var_value]));
    }
    Ok(Array2::from(rows))
}

/// One smoothed path through readings: `lambda`, `variance`, `log_likelihood` and `states`, rows
/// of value, rate, their variances and covariance at the instants `at`.
///
/// `lambda` absent: found by restricted likelihood.
#[pyfunction]
#[pyo3(signature = (time_s, readings, at, ratio))]
#[allow(clippy::needless_pass_by_value, reason = "arguments from Python are owned")]
pub(super) fn smooth_path<'py>(
    py: Python<'py>,
    time_s: Channel<'py>,
    readings: Channel<'py>,
    at: Channel<'py>,
    ratio: Option<f64>,
) -> PyResult<Bound<'py, PyDict>> {
    let (time, y) = (time_s.as_slice()?, readings.as_slice()?);
    Recording::new(time, y, time, None).map_err(|error| recording_error(&error))?;
    let whole = 0..time.len();
    let all = std::slice::from_ref(&whole);
    let found = ratio.map_or_else(|| fit(time, y, all), |ratio| fit_at(time, y, all, ratio));
    let path = Path::new(time, y, found.lambda, found.variance);
    let path = path.map_err(|error| recording_error(&error))?;
    let states = at.as_slice()?.iter().map(|&t| {
        let nothing = [f64::NAN; 5];
        path.at(t).map_or(nothing, |s| [s.value, s.rate, s.var_value, s.cov, s.var_rate])
    });
    let dict = PyDict::new(py);
    dict.set_item("lambda", found.lambda)?;
    dict.set_item("variance", found.variance)?;
    dict.set_item("log_likelihood", found.log_likelihood)?;
    dict.set_item("states", Array2::from(states.collect::<Vec<_>>()).into_pyarray(py))?;
    Ok(dict)
}
