//! Events of a gauge in, its lag out.

use polars::prelude::*;
use rayon::prelude::*;

use super::input::{Lists, Scalars, text_row};
use super::output::{Cell, Row, struct_column};
use super::points::state;
use super::schema::LAGS;
use crate::base::{Error, Estimate, Result, Status};
use crate::lag::response::split;
use crate::lag::{Behind, Lag, LagConfig, RateEvent, Route, combine, from_rates};

/// One row a gauge. Inputs: lists of switch, test, event, then of pressure, rate, their variances
/// and covariance, the bracket's width and the clock's uncertainty.
pub(super) fn lags(inputs: &[Series], config: &LagConfig) -> PolarsResult<Series> {
    config.validate().map_err(|error| polars_err!(InvalidOperation: "{error}"))?;
    let texts = [inputs[0].list()?, inputs[1].list()?, inputs[2].list()?];
    let numbers: Vec<Lists> =
        inputs[3..10].iter().map(Lists::new).collect::<PolarsResult<Vec<_>>>()?;
    let gauges: Vec<Vec<RateEvent>> = (0..inputs[0].len())
        .map(|i| gauge(texts.map(|list| text_row(list, i)), &numbers, i))
        .collect::<PolarsResult<_>>()?;
    let rows: Vec<Row> =
        gauges.par_iter().map(|events| row_of(from_rates(events, config), events.len())).collect();
    struct_column(LAGS, &rows)
}

fn gauge(
    texts: [PolarsResult<Option<StringChunked>>; 3],
    numbers: &[Lists],
    row: usize,
) -> PolarsResult<Vec<RateEvent>> {
    let [switch, test, event] = texts;
    let (Some(switch), Some(test), Some(event)) = (switch?, test?, event?) else {
        return Ok(Vec::new());
    };
    let (switches, tests) = (ranks(&switch), ranks(&test));
    let number = |which: usize, i: usize| {
        numbers[which].row(row).and_then(|values| values.get(i)).unwrap_or(f64::NAN)
    };
    let events = (0..switch.len()).map(|i| RateEvent {
        group: 2 * switches[i] + u64::from(event.get(i) == Some("close")),
        test: tests[i],
        signal: state(&|which| number(which, i)),
        width_s: number(5, i),
        clock_u_s: number(6, i),
    });
    Ok(events.collect())
}

/// Position of each text among the distinct ones, the same whatever their order.
fn ranks(texts: &StringChunked) -> Vec<u64> {
    let mut distinct: Vec<Option<&str>> = texts.iter().collect();
    distinct.sort_unstable();
    distinct.dedup();
    texts.iter().map(|text| distinct.partition_point(|&other| other < text) as u64).collect()
}

/// Cells of a row by their names; the others are null.
fn row_with(cells: &[(&str, Cell)]) -> Row {
    let cell = |&(name, _): &(&str, _)| {
        cells.iter().find(|(given, _)| *given == name).map_or(Cell::Null, |(_, cell)| cell.clone())
    };
    LAGS.iter().map(cell).collect()
}

fn refused(error: &Error) -> [(&'static str, Cell); 2] {
    let code = error.status().code();
    [("reason", Cell::Owned(error.to_string())), ("status", Cell::Text(code))]
}

fn row_of(found: Result<Lag>, n_events: usize) -> Row {
    let mut cells =
        vec![("source", Cell::Text("rates")), ("behind", Cell::Text(Behind::Contact.code()))];
    match found {
        Ok(lag) => cells.extend([
            ("lag_s", Cell::Float(lag.lag_s.value)),
            ("lag_u_s", Cell::Float(lag.lag_s.u)),
            ("dof", Cell::Float(lag.lag_s.dof)),
            ("n_events", lag.n_events.into()),
            ("repeatability_pa", Cell::Float(lag.repeatability_pa)),
            ("between_tests_pa", Cell::Float(lag.between_tests_pa)),
            ("status", Cell::Text(Status::Ok.code())),
        ]),
        Err(error) => {
            cells.push(("n_events", n_events.into()));
            cells.extend(refused(&error));
        }
    }
    row_with(&cells)
}

/// One row a gauge. Inputs: lists of lag, its uncertainty and degrees of freedom, time constant and
/// its uncertainty, a list of what each is behind, then the delay of the contact meter, its
/// uncertainty and degrees of freedom.
fn combined(inputs: &[Series]) -> PolarsResult<Series> {
    let numbers: Vec<Lists> = inputs[..5].iter().map(Lists::new).collect::<PolarsResult<_>>()?;
    let behind = inputs[5].list()?;
    let delay: Vec<Scalars> = inputs[6..9].iter().map(Scalars::new).collect::<PolarsResult<_>>()?;
    let rows: Vec<Row> = (0..inputs[0].len())
        .map(|row| {
            let behind = text_row(behind, row)?;
            let of = |which: usize, i: usize| numbers[which].row(row).and_then(|list| list.get(i));
            let estimate = |[value, u, dof]: [Option<f64>; 3]| {
                let (value, u) = value.zip(u)?;
                Some(Estimate { value, u, dof: dof.unwrap_or(f64::INFINITY) })
            };
            let routes = behind.iter().flat_map(|texts| texts.iter().enumerate());
            let routes: Vec<Route> = routes
                .filter_map(|(i, code)| {
                    Some(Route {
                        lag_s: estimate([of(0, i), of(1, i), of(2, i)])?,
                        time_constant_s: estimate([of(3, i), of(4, i), of(2, i)]),
                        behind: code.and_then(Behind::from_code).unwrap_or(Behind::Pressure),
                    })
                })
                .collect();
            let delay = estimate([0, 1, 2].map(|which| delay[which].get(row)));
            Ok(combined_row(&routes, delay))
        })
        .collect::<PolarsResult<_>>()?;
    struct_column(LAGS, &rows)
}

fn combined_row(routes: &[Route], delay: Option<Estimate>) -> Row {
    let source = ("source", Cell::Text("pooled"));
    let found = match combine(routes, delay) {
        Ok(found) => found,
        Err(_) if routes.is_empty() => {
            let cure = "give a lags table with a lag of this gauge, or state it";
            let error = Error::LagUnidentified { reason: "no route tells it", cure };
            return row_with(&[&[source][..], &refused(&error)].concat());
        }
        Err(error) => return row_with(&[&[source][..], &refused(&error)].concat()),
    };
    let lag = found.lag_s.mean;
    let parts = split(Some(lag), found.dead_time_s, found.time_constant_s);
    let part = |of: fn(&(Estimate, Estimate)) -> f64| parts.as_ref().map(of).into();
    row_with(&[
        source,
        ("lag_s", Cell::Float(lag.value)),
        ("lag_u_s", Cell::Float(lag.u)),
        ("dof", Cell::Float(lag.dof)),
        ("dead_time_s", part(|(dead, _)| dead.value)),
        ("dead_time_u_s", part(|(dead, _)| dead.u)),
        ("time_constant_s", part(|(_, constant)| constant.value)),
        ("time_constant_u_s", part(|(_, constant)| constant.u)),
        ("behind", Cell::Text(found.behind.code())),
        ("n_routes", found.n_routes.into()),
        ("q", Cell::Float(found.lag_s.q)),
        ("p_consistent", Cell::Float(found.lag_s.p_consistent)),
        ("between_routes_s", Cell::Float(found.lag_s.between)),
        ("status", Cell::Text(Status::Ok.code())),
    ])
}

mod plugin {
    #![allow(unsafe_code, reason = "the macro exports C functions")]
    #![allow(
        clippy::needless_pass_by_value,
        clippy::unnecessary_wraps,
        reason = "the macro fixes the signatures"
    )]

    use polars::prelude::*;
    use pyo3_polars::derive::polars_expr;

    use crate::frame::schema::{LAGS, struct_of};

    fn lags_type(_: &[Field]) -> PolarsResult<Field> {
        Ok(Field::new("lags".into(), struct_of(LAGS)))
    }

    #[polars_expr(output_type_func=lags_type)]
    fn combine_lags(inputs: &[Series]) -> PolarsResult<Series> {
        super::combined(inputs)
    }
}
