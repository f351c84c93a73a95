//! The paths of a recording's stretches, by the model that its display calls for.

use std::ops::Range;

use super::coarse::{fit_between, is_coarse};
use super::model::Model;
use super::path::Path;
use super::search::fit_blocks;
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
    /// Fits paths to the stretches of readings whose display has the given step, if any; only
    /// between the first and the last of the instants (s, ascending) that lie in a stretch, if any are
    /// given.
    pub(super) fn fit(
        time: &'a [f64],
        pressure: &'a [f64],
        stretches: &[Range<usize>],
        step: Option<f64>,
        instants: Option<&[f64]>,
    ) -> Result<Self> {
        if stretches.is_empty() {
            return Ok(Self { each: Vec::new(), model: Model::Smooth, noise_pa: None });
        }
        let white = fit_blocks(time, pressure, stretches);
        let within = |range: &Range<usize>| {
            let (start, end) = (time[range.start], time[range.end - 1]);
            instants.map_or((start, end), |instants| {
                let first = instants.partition_point(|&t| t < start);
                let inside = &instants[first..instants.partition_point(|&t| t <= end).max(first)];
                // None: the path is not asked for.
                inside.first().zip(inside.last()).map_or((end, start), |(from, to)| (*from, *to))
            })
        };
        let kept: Vec<(f64, f64)> = stretches.iter().map(within).collect();
        let coarse = step
            .filter(|&step| is_coarse(pressure, stretches, step, &white))
            .and_then(|step| fit_between(time, pressure, (stretches, &kept), step, &white));
        if let Some(coarse) = coarse {
            return Ok(Self { each: coarse.paths, model: Model::Interval, noise_pa: None });
        }
        let each =
            Path::through_all(time, pressure, (stretches, &kept), (white.lambda, white.variance))?;
        Ok(Self { each, model: Model::Smooth, noise_pa: Some(white.variance.sqrt()) })
    }
}
