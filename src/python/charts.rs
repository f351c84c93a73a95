//! How long a control chart runs before it signals.

use pyo3::prelude::*;

use super::recording_error;
use crate::base::{Error, Result};
use crate::drift::charts::{
    EwmaConfig, Sided, Start, cusum_arl, cusum_limit, ewma_multiplier, ewma_run_length,
};
use crate::frame::charts::{ChartConfig, ChartKind};

/// Mean run length of a chart whose tests are shifted by so many standard deviations of one test, with
/// standard deviation and quantiles where the distribution is known: not that of two sums together.
#[pyfunction]
#[pyo3(signature = (options, shift, probabilities))]
#[allow(clippy::needless_pass_by_value, reason = "arguments from Python are owned")]
pub(super) fn chart_run_length(
    py: Python<'_>,
    options: Bound<'_, PyAny>,
    shift: f64,
    probabilities: Vec<f64>,
) -> PyResult<(f64, Option<f64>, Vec<Option<f64>>)> {
    let config: ChartConfig = pythonize::depythonize(&options).map_err(super::value_error)?;
    let found = py.detach(|| {
        config.validate()?;
        let lambda = match config.kind() {
            ChartKind::Cusum => {
                let mean = cusum_arl(&config.cusum(), shift, Sided::Both)?;
                return Ok((mean, None, vec![None; probabilities.len()]));
            }
            ChartKind::Ewma => config.ewma().lambda,
            // Single tests are an average of weight one.
            ChartKind::Individuals => 1.0,
        };
        let run = ewma_run_length(&EwmaConfig { lambda, ..config.ewma() }, shift, Start::Target)?;
        let quantiles = probabilities.iter().map(|&p| run.quantile(p).map(Some));
        Ok((run.mean(), Some(run.sd()), quantiles.collect::<Result<_>>()?))
    });
    found.map_err(|error: Error| recording_error(&error))
}

/// The limit at which a chart in control runs so long on average.
#[pyfunction]
#[pyo3(signature = (options, wanted))]
#[allow(clippy::needless_pass_by_value, reason = "arguments from Python are owned")]
pub(super) fn chart_limit(py: Python<'_>, options: Bound<'_, PyAny>, wanted: f64) -> PyResult<f64> {
    let config: ChartConfig = pythonize::depythonize(&options).map_err(super::value_error)?;
    let found = py.detach(|| {
        config.validate()?;
        match config.kind() {
            ChartKind::Cusum => cusum_limit(&config.cusum(), wanted, Sided::Both),
            ChartKind::Ewma => ewma_multiplier(&config.ewma(), wanted),
            ChartKind::Individuals => {
                ewma_multiplier(&EwmaConfig { lambda: 1.0, ..config.ewma() }, wanted)
            }
        }
    });
    found.map_err(|error: Error| recording_error(&error))
}
