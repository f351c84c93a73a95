//! How long a control chart runs before it signals.

use pyo3::prelude::*;

use super::recording_error;
use crate::base::{Error, Result};
use crate::drift::charts::{
    CusumConfig, EwmaConfig, RunLength, Sided, Start, cusum_arl, cusum_limit, cusum_run_length,
    ewma_multiplier, ewma_run_length,
};
use crate::frame::charts::{ChartConfig, ChartKind};

/// Mean, standard deviation and quantiles of the run length of a chart whose tests are shifted by so
/// many standard deviations of one test.
#[pyfunction]
#[pyo3(signature = (options, shift, probabilities))]
#[allow(clippy::needless_pass_by_value, reason = "arguments from Python are owned")]
pub(super) fn chart_run_length(
    py: Python<'_>,
    options: Bound<'_, PyAny>,
    shift: f64,
    probabilities: Vec<f64>,
) -> PyResult<(f64, f64, Vec<f64>)> {
    let config: ChartConfig = pythonize::depythonize(&options).map_err(super::value_error)?;
    let found = py.detach(|| {
        config.validate()?;
        let mut run = run_length(&config, shift)?;
        if matches!(config.kind(), ChartKind::Cusum) {
            run.0 = cusum_arl(&config.cusum(), shift, Sided::Both)?;
        }
        let quantiles =
            probabilities.iter().map(|&p| run.1.quantile(p)).collect::<Result<Vec<f64>>>()?;
        Ok((run.0, run.1.sd(), quantiles))
    });
    found.map_err(|error: Error| recording_error(&error))
}

fn run_length(config: &ChartConfig, shift: f64) -> Result<(f64, RunLength)> {
    let run = match config.kind() {
        ChartKind::Cusum => cusum_run_length(&config.cusum(), shift)?,
        ChartKind::Ewma => ewma_run_length(&config.ewma(), shift, Start::Target)?,
        // Single tests are an average of weight one.
        ChartKind::Individuals => {
            ewma_run_length(&EwmaConfig { lambda: 1.0, ..config.ewma() }, shift, Start::Target)?
        }
    };
    Ok((run.mean(), run))
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
            ChartKind::Cusum => {
                let own: CusumConfig = config.cusum();
                cusum_limit(&own, wanted, Sided::Both)
            }
            ChartKind::Ewma => ewma_multiplier(&config.ewma(), wanted),
            ChartKind::Individuals => {
                ewma_multiplier(&EwmaConfig { lambda: 1.0, ..config.ewma() }, wanted)
            }
        }
    });
    found.map_err(|error: Error| recording_error(&error))
}
