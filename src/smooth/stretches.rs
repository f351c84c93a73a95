//! The paths of a recording's stretches, by the model that its display calls for.

use std::ops::Range;

use super::coarse::{fit_coarse, is_coarse};
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
        let coarse = step
            .filter(|&step| is_coarse(pressure, stretches, step, &white))
            .and_then(|step| fit_coarse(time, pressure, stretches, step, &white));
        if let Some(coarse) = coarse {
            return Ok(Self { each: coarse.paths, model: Model::Interval, noise_pa: None });
        }
        let within = |range: &Range<usize>| {
            let (start, end) = (time[range.start], time[range.end - 1]);
            let (from, to) = instants.map_or((start, end), |instants| {
                let first = instants.partition_point(|&t| t < start);
                let inside = &instants[first..instants.partition_point(|&t| t <= end).max(first)];
                // None: the path is not asked for.
                inside.first().zip(inside.last()).map_or((end, start), |(from, to)| (*from, *to))
            });
            (range.clone(), (from, to))
        };
        let kept: Vec<_> = stretches.iter().map(within).collect();
        let each = Path::through_all(time, pressure, &kept, (white.lambda, white.variance))?;
        Ok(Self { each, model: Model::Smooth, noise_pa: Some(white.variance.sqrt()) })
    }
}
