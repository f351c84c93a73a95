//! Simulated recordings as `NumPy` arrays.

use numpy::IntoPyArray;
use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::value_error;
use crate::simulate::{Simulated, Stand, TrueEvent, record_all};

/// Records every stand (a mapping of the fields of [`Stand`]) with its seed, on all threads.
///
/// Gives a dict a recording: `time_s`, `pressure_pa`, `contact`, `contact_time_s` (or None),
/// `called_close_pa`, `called_open_pa` (or None) and `truth`, a dict of columns.
#[pyfunction]
#[allow(clippy::needless_pass_by_value, reason = "arguments from Python are owned")]
pub(super) fn simulate<'py>(
    py: Python<'py>,
    stands: Vec<Bound<'py, PyAny>>,
    seeds: Vec<u64>,
) -> PyResult<Vec<Bound<'py, PyDict>>> {
    let plan = plan(&stands, &seeds)?;
    let recordings = py.detach(|| record_all(&plan));
    let written = recordings.into_iter().enumerate().map(|(i, recording)| {
        let whole = recording.map_err(|error| value_error(format!("recording {i}: {error}")))?;
        recording_dict(py, whole)
    });
    written.collect()
}

fn plan(stands: &[Bound<'_, PyAny>], seeds: &[u64]) -> PyResult<Vec<(Stand, u64)>> {
    if stands.len() != seeds.len() {
        let (n, m) = (stands.len(), seeds.len());
        return Err(value_error(format!("{n} stands and {m} seeds; give one seed a stand")));
    }
    let read = |(i, (stand, &seed)): (usize, (&Bound<'_, PyAny>, &u64))| {
        let stand: Stand = pythonize::depythonize(stand)
            .map_err(|error| value_error(format!("recording {i}: {error}")))?;
        Ok((stand, seed))
    };
    stands.iter().zip(seeds).enumerate().map(read).collect()
}

fn recording_dict(py: Python<'_>, recording: Simulated) -> PyResult<Bound<'_, PyDict>> {
    let dict = PyDict::new(py);
    dict.set_item("time_s", recording.time_s.into_pyarray(py))?;
    dict.set_item("pressure_pa", recording.pressure_pa.into_pyarray(py))?;
    dict.set_item("contact", recording.contact.into_pyarray(py))?;
    dict.set_item("contact_time_s", recording.contact_time_s.map(|t| t.into_pyarray(py)))?;
    dict.set_item("called_close_pa", recording.called_close_pa)?;
    dict.set_item("called_open_pa", recording.called_open_pa)?;
    dict.set_item("truth", truth_dict(py, &recording.truth)?)?;
    Ok(dict)
}

type Column = fn(&TrueEvent) -> f64;

fn truth_dict<'py>(py: Python<'py>, truth: &[TrueEvent]) -> PyResult<Bound<'py, PyDict>> {
    let dict = PyDict::new(py);
    let close: Vec<bool> = truth.iter().map(|event| event.close).collect();
    dict.set_item("close", close.into_pyarray(py))?;
    let columns: [(&str, Column); 5] = [
        ("time_s", |event| event.time_s),
        ("pressure_pa", |event| event.pressure_pa),
        ("threshold_pa", |event| event.threshold_pa),
        ("rate_pa_s", |event| event.rate_pa_s),
        ("signal_pa", |event| event.signal_pa),
    ];
    for (name, column) in columns {
        dict.set_item(name, truth.iter().map(column).collect::<Vec<f64>>().into_pyarray(py))?;
    }
    Ok(dict)
}
