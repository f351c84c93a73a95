//! Setpoints and ratings in, verdicts out.

use polars::prelude::*;
use rayon::prelude::*;

use super::input::Scalars;
use super::output::{Cell, Row, failed, struct_column};
use super::schema::VERDICTS;
use crate::base::{Error, Estimate, Result, Status};
use crate::verdict::{Action, JudgeConfig, Judgement, Limits, judge};

/// One row a test. Inputs: action, then close and open with u and dof, rating, tolerance.
pub(super) fn verdicts(inputs: &[Series], config: &JudgeConfig) -> PolarsResult<Series> {
    config.validate().map_err(|error| polars_err!(InvalidOperation: "{error}"))?;
    let action = inputs[0].str()?;
    let numbers: Vec<Scalars> =
        inputs[1..9].iter().map(Scalars::new).collect::<PolarsResult<Vec<_>>>()?;
    let rows: Vec<Row> = (0..inputs[0].len())
        .into_par_iter()
        .map(|row| {
            let number = |which: usize| numbers[which].get(row);
            match one(action.get(row), &number, config) {
                Ok(found) => row_of(&found, config),
                Err(error) => failed(VERDICTS, &error),
            }
        })
        .collect();
    struct_column(VERDICTS, &rows)
}

fn one(
    action: Option<&str>,
    number: &dyn Fn(usize) -> Option<f64>,
    config: &JudgeConfig,
) -> Result<Judgement> {
    let what = "action, which is fall or rise,";
    let action = action.and_then(Action::from_code).ok_or(Error::MissingValue { what })?;
    let rated = number(6).ok_or(Error::MissingValue { what: "rated_pa" })?;
    let tolerance = number(7).ok_or(Error::MissingValue { what: "tolerance" })?;
    let limits = Limits::of_rating(rated, tolerance)?;
    let estimate = |first: usize| {
        let (value, u) = number(first).zip(number(first + 1))?;
        Some(Estimate { value, u, dof: number(first + 2).unwrap_or(f64::INFINITY) })
    };
    judge(estimate(0), estimate(3), action, limits, config)
}

fn row_of(found: &Judgement, config: &JudgeConfig) -> Row {
    vec![
        Cell::Float(found.p_conform),
        found.p_conform_other.into(),
        Cell::Float(found.p_unsafe),
        Cell::Float(found.p_nuisance),
        Cell::Text(found.verdict.code()),
        Cell::Float(found.limits.low),
        Cell::Float(found.limits.high),
        Cell::Owned(config.rule()),
        Cell::Text(Status::Ok.code()),
    ]
}
