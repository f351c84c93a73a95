//! The paths of a recording's stretches, by the model that its display calls for.

use std::ops::Range;

use super::coarse::{fit_coarse, is_coarse};
use super::events::Model;
use super::path::Path;
use super::search::fit;
use crate::base::Result;

/// Paths of all stretches, which share noise and unsteadiness.
#[derive(Debug)]
pub(super) struct Paths<'a> {
    pub(super) each: Vec<Path<'a>>,
    pub(super) model: Model,
    /// Standard deviation of one reading's noise, rounding included, where that is white.
    pub(super) noise_pa: Option<f64>,
}

impl<'a> Paths<'a> {
    /// Fits paths to the stretches of readings whose display has the given step, if any.
    pub(super) fn fit(
        time: &'a [f64],
        pressure: &'a [f64],
        stretches: &[Range<usize>],
        step: Option<f64>,
    ) -> Result<Self> {
        if stretches.is_empty() {
            return Ok(Self { each: Vec::new(), model: Model::Smooth, noise_pa: None });
        }
        let white = fit(time, pressure, stretches);
        let coarse = step
            .filter(|&step| is_coarse(pressure, stretches, step, &white))
            .and_then(|step| fit_coarse(time, pressure, stretches, step, &white));
        if let Some(coarse) = coarse {
            return Ok(Self { each: coarse.paths, model: Model::Interval, noise_pa: None });
        }
        let path = |range: &Range<usize>| {
            Path::new(&time[range.clone()], &pressure[range.clone()], white.lambda, white.variance)
        };
        let each = stretches.iter().map(path).collect::<Result<_>>()?;
        Ok(Self { each, model: Model::Smooth, noise_pa: Some(white.variance.sqrt()) })
    }
}
