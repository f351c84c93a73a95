//! Lines and limits in, dates of their crossing out.

use polars::prelude::*;
use rayon::prelude::*;

use super::histories::outlook_code;
use super::input::Scalars;
use super::output::{Cell, Row, failed, struct_column};
use super::schema::CROSSINGS;
use crate::base::{Error, Estimate, Result, Status};
use crate::drift::{Course, CrossingConfig, Limit, crossing};

/// One row a line. Inputs: date of the level (years), level and slope with their uncertainties and
/// covariance, degrees of freedom, limit, whether it is an upper one (1), now and until (years).
pub(super) fn crossings(inputs: &[Series]) -> PolarsResult<Series> {
    let numbers = inputs.iter().map(Scalars::new).collect::<PolarsResult<Vec<_>>>()?;
    let rows: Vec<Row> = (0..inputs[0].len())
        .into_par_iter()
        .map(|row| {
            let number = |which: usize| numbers[which].get(row);
            row_of(&number).unwrap_or_else(|error| failed(CROSSINGS, &error))
        })
        .collect();
    struct_column(CROSSINGS, &rows)
}

fn row_of(number: &dyn Fn(usize) -> Option<f64>) -> Result<Row> {
    let needed =
        |which: usize, what: &'static str| number(which).ok_or(Error::MissingValue { what });
    let dof = number(6).unwrap_or(f64::INFINITY);
    let level = Estimate { value: needed(1, "level")?, u: needed(2, "level_u")?, dof };
    let slope = Estimate { value: needed(3, "slope")?, u: needed(4, "slope_u")?, dof };
    let course = Course::of(needed(0, "origin")?, level, slope, number(5).unwrap_or(0.0))?;
    let bound = needed(7, "limit")?;
    let upper = number(8) == Some(1.0);
    let limit = if upper { Limit::Upper(bound) } else { Limit::Lower(bound) };
    let now = needed(9, "now")?;
    let until = number(10).unwrap_or(f64::INFINITY);
    let found =
        crossing(course, limit, &CrossingConfig { until, ..CrossingConfig::from_now(now) })?;
    let out = until.is_finite().then(|| {
        let below = course.at(until).probability_below(bound);
        if upper { 1.0 - below } else { below }
    });
    Ok(vec![
        Cell::Float(found.p_now),
        out.into(),
        Cell::Float(found.p_towards),
        Cell::Text(outlook_code(found.outlook, "already_out")),
        found.at.into(),
        found.low.into(),
        found.high.into(),
        Cell::Text(Status::Ok.code()),
    ])
}
