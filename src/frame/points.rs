//! Events of a test in, setpoints and budget out.

use polars::prelude::*;
use rayon::prelude::*;

use super::input::{Lists, Scalars, text_row};
use super::output::{Cell, Row, struct_column, struct_of_lists_column, with_status};
use super::schema::{BUDGET, SETPOINTS};
use crate::base::{Estimate, Status};
use crate::setpoint::{Budget, GaugeSpec, Pressing, Repeatability, SetpointConfig, Setpoints, fit};
use crate::smooth::State;

/// Columns of the events of a test, then what is known of its gauge and of the repeatability.
struct Inputs<'a> {
    event: &'a ListChunked,
    status: &'a ListChunked,
    numbers: Vec<Lists>,
    scalars: Vec<Scalars>,
}

/// Number columns of the events: pressure, rate, variances, width, noise, step, lag applied, variance
/// in common, sudden, shift of the bracket, corner.
const NUMBERS: usize = 13;

/// The first of them, up to the width, that every event with a pressure needs.
const NEEDED: usize = 6;

impl<'a> Inputs<'a> {
    fn new(inputs: &'a [Series]) -> PolarsResult<Self> {
        let numbers = inputs[2..2 + NUMBERS].iter().map(Lists::new);
        let scalars = inputs[2 + NUMBERS..].iter().map(Scalars::new);
        Ok(Self {
            event: inputs[0].list()?,
            status: inputs[1].list()?,
            numbers: numbers.collect::<PolarsResult<_>>()?,
            scalars: scalars.collect::<PolarsResult<_>>()?,
        })
    }

    /// The events with a pressure, and the first status that is not `ok`.
    fn events(&self, row: usize) -> PolarsResult<(Vec<Pressing>, Option<Status>)> {
        let texts = (text_row(self.event, row)?, text_row(self.status, row)?);
        let (Some(event), Some(status)) = texts else {
            return Ok((Vec::new(), Some(Status::NoEvent)));
        };
        let number =
            |which: usize, i: usize| self.numbers[which].row(row).and_then(|values| values.get(i));
        let fitted = (0..event.len()).filter(|&i| number(0, i).is_some());
        // A mean lag added to a sudden change afterwards gives a wrong number with a small u.
        let too_fast = |i: usize| number(10, i) == Some(1.0) && number(8, i) != Some(1.0);
        let (fast, usable): (Vec<usize>, Vec<usize>) = fitted.partition(|&i| too_fast(i));
        let events = usable.iter().map(|&i| {
            let needed = |which: usize| number(which, i).unwrap_or(f64::NAN);
            Pressing {
                close: event.get(i) == Some("close"),
                signal: state(&needed),
                width_s: needed(5),
                noise_pa: number(6, i),
                step_pa: number(7, i),
                lag_applied: number(8, i) == Some(1.0),
                var_common: number(9, i).unwrap_or(0.0),
                shift_pa: number(11, i).unwrap_or(0.0),
                corner: number(12, i) == Some(1.0),
            }
        });
        // A pressure without all of its covariance has no weight among the others.
        let whole = |i: usize| (0..NEEDED).all(|which| number(which, i).is_some());
        if !usable.iter().all(|&i| whole(i)) {
            return Ok((Vec::new(), Some(Status::MissingValue)));
        }
        let fault = status.iter().flatten().find(|&code| code != Status::Ok.code());
        let fault = fault.and_then(Status::from_code);
        let unusable = (!fast.is_empty()).then_some(Status::LagUnidentified);
        Ok((events.collect(), unusable.or(fault)))
    }

    fn fit(&self, row: usize) -> PolarsResult<Result<Setpoints, Status>> {
        let (events, fault) = self.events(row)?;
        if events.is_empty() {
            return Ok(Err(fault.unwrap_or(Status::NoEvent)));
        }
        let scalar = |which: usize| self.scalars[which].get(row);
        let Some((value, u)) = scalar(0).zip(scalar(1)) else {
            return Ok(Err(Status::LagUnidentified));
        };
        let lag = Estimate { value, u, dof: scalar(2).unwrap_or(f64::INFINITY) };
        let gauge = GaugeSpec {
            resolution_pa: scalar(3),
            accuracy_rel: scalar(4),
            accuracy_abs_pa: scalar(5),
        };
        let known = scalar(6).zip(scalar(7));
        let repeatability = known.map(|(sd_pa, dof)| Repeatability { sd_pa, dof });
        let found = fit(&events, lag, &gauge, &SetpointConfig { repeatability, brackets: None });
        Ok(found.map_err(|error| error.status()))
    }

    fn all(&self) -> PolarsResult<Vec<Result<Setpoints, Status>>> {
        (0..self.event.len()).into_par_iter().map(|row| self.fit(row)).collect()
    }
}

/// Value, rate and their covariance, from the first five columns of numbers.
pub(super) fn state(column: &dyn Fn(usize) -> f64) -> State {
    State {
        value: column(0),
        rate: column(1),
        var_value: column(2),
        cov: column(3),
        var_rate: column(4),
    }
}

/// One row a test.
pub(super) fn setpoints(inputs: &[Series]) -> PolarsResult<Series> {
    let found = Inputs::new(inputs)?.all()?;
    let rows: Vec<Row> = found
        .iter()
        .map(|found| match found {
            Ok(setpoints) => row_of(setpoints),
            Err(status) => with_status(SETPOINTS, *status),
        })
        .collect();
    struct_column(SETPOINTS, &rows)
}

/// The lines of every budget of a test.
pub(super) fn budgets(inputs: &[Series]) -> PolarsResult<Series> {
    let found = Inputs::new(inputs)?.all()?;
    let rows: Vec<Vec<Row>> =
        found.iter().map(|found| found.as_ref().map_or_else(|_| Vec::new(), lines_of)).collect();
    struct_of_lists_column(BUDGET, rows.iter())
}

fn row_of(found: &Setpoints) -> Row {
    let three = |estimate: Option<Estimate>| {
        [estimate.map(|e| e.value), estimate.map(|e| e.u), estimate.map(|e| e.dof)].map(Cell::from)
    };
    let mut row = Vec::with_capacity(SETPOINTS.len());
    row.extend(three(found.close));
    row.extend(three(found.open));
    row.extend(three(found.deadband));
    row.extend([
        Cell::Float(found.repeatability_pa),
        found.n_close.into(),
        found.n_open.into(),
        Cell::Float(found.lag_correction_pa),
        Cell::Text(found.bracket_model.code()),
        Cell::Text(Status::Ok.code()),
        Cell::Float(found.excess.squares),
        Cell::Float(found.excess.dof),
        Cell::Float(found.excess.known),
        Cell::Float(found.excess.bracket),
    ]);
    row
}

fn lines_of(found: &Setpoints) -> Vec<Row> {
    let lines = |quantity: &'static str, budget: &Option<Budget>| -> Vec<Row> {
        let lines = budget.iter().flat_map(|budget| &budget.lines);
        let cells = lines.map(|line| {
            vec![
                Cell::Text(quantity),
                Cell::Text(line.source.code()),
                Cell::Float(line.u_pa),
                Cell::Float(line.dof),
            ]
        });
        cells.collect()
    };
    let quantities = ["close", "open", "deadband"];
    quantities
        .into_iter()
        .zip(&found.budgets)
        .flat_map(|(name, budget)| lines(name, budget))
        .collect()
}
