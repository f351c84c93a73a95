//! The growth of a fleet.

use numpy::{PyReadonlyArray1, ToPyArray};
use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::{Channel, recording_error};
use crate::base::Estimate;
use crate::drift::growth::{
    Comparison, Effect, Growth, GrowthConfig, GrowthData, SharedError, compare, grow,
};

/// A fitted growth of a fleet.
#[pyclass(frozen, module = "deadband._core")]
pub(super) struct FleetGrowth {
    growth: Growth,
    data: GrowthData,
}

/// Levels of each test, how many there are, and whether they differ in slope.
type PyEffect<'py> = (PyReadonlyArray1<'py, u32>, u32, bool);

/// Gauge of each test, how many there are, and what one unit of its error adds to the test.
type PyShared<'py> = (PyReadonlyArray1<'py, u32>, u32, Channel<'py>);

/// Fits the growth of a fleet whose tests are sorted by switch.
#[pyfunction]
#[pyo3(signature = (years, value, u, switch, effects, shared, options))]
#[allow(
    clippy::needless_pass_by_value,
    clippy::too_many_arguments,
    reason = "arguments from Python are owned, and are its columns"
)]
pub(super) fn fit_growth<'py>(
    py: Python<'py>,
    years: Channel<'py>,
    value: Channel<'py>,
    u: Channel<'py>,
    switch: PyReadonlyArray1<'py, u64>,
    effects: Vec<PyEffect<'py>>,
    shared: Vec<PyShared<'py>>,
    options: Bound<'py, PyAny>,
) -> PyResult<FleetGrowth> {
    let config: GrowthConfig = pythonize::depythonize(&options).map_err(super::value_error)?;
    let effects: Vec<Effect> = effects
        .iter()
        .map(|(level, levels, slope)| {
            Ok(Effect { level: level.as_slice()?.to_vec(), levels: *levels, slope: *slope })
        })
        .collect::<PyResult<_>>()?;
    let shared: Vec<SharedError> = shared
        .iter()
        .map(|(source, sources, by)| {
            let (source, by) = (source.as_slice()?.to_vec(), by.as_slice()?.to_vec());
            Ok(SharedError { source, sources: *sources, by })
        })
        .collect::<PyResult<_>>()?;
    let (years, value) = (years.as_slice()?, value.as_slice()?);
    let (u, switch) = (u.as_slice()?, switch.as_slice()?);
    let found = py.detach(|| {
        let data = GrowthData::new(years, value, u, switch, &effects)?.sharing(&shared)?;
        let growth = grow(&data, &config)?;
        Ok(FleetGrowth { growth, data })
    });
    found.map_err(|error| recording_error(&error))
}

#[pymethods]
impl FleetGrowth {
    /// What was found, without the lines of the switches.
    fn found<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let growth = &self.growth;
        let dict = PyDict::new(py);
        let rows = |of: &[Estimate]| -> Vec<(f64, f64, f64)> {
            of.iter().map(|one| (one.value, one.u, one.dof)).collect()
        };
        let of = &growth.components;
        dict.set_item("fixed", rows(&growth.fixed))?;
        dict.set_item("shared", rows(&growth.shared))?;
        dict.set_item("components", [of.level, of.covariance, of.slope, of.excess])?;
        dict.set_item("components_u", growth.components_u)?;
        let covariance: Vec<Vec<f64>> =
            growth.covariance.row_iter().map(|row| row.iter().copied().collect()).collect();
        dict.set_item("covariance", covariance)?;
        dict.set_item("log_likelihood", growth.log_likelihood)?;
        dict.set_item("n_components", growth.n_components)?;
        Ok(dict)
    }

    /// Columns of the switches' lines, in the order of the switches.
    fn lines<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let lines = py.detach(|| self.growth.lines(&self.data));
        let lines = lines.map_err(|error| recording_error(&error))?;
        let dict = PyDict::new(py);
        let put = |name: &str, of: fn(&crate::drift::growth::SwitchLine) -> f64| {
            let column: Vec<f64> = lines.iter().map(of).collect();
            dict.set_item(name, column.to_pyarray(py))
        };
        put("level", |line| line.level)?;
        put("slope", |line| line.slope)?;
        put("level_variance", |line| line.level_variance)?;
        put("covariance", |line| line.covariance)?;
        put("slope_variance", |line| line.slope_variance)?;
        put("slope_shrinkage", |line| line.slope_shrinkage)?;
        Ok(dict)
    }

    /// Statistic, parameters more and p-value of this model against a smaller one within it.
    fn compare(&self, smaller: &Self) -> PyResult<(f64, usize, f64)> {
        let found = compare(&self.growth, &smaller.growth);
        let Comparison { statistic, more, p_value } =
            found.map_err(|error| recording_error(&error))?;
        Ok((statistic, more, p_value))
    }
}
