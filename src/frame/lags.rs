//! Events of a gauge in, its lag out.

use polars::prelude::*;
use rayon::prelude::*;

use super::input::{Lists, text_row};
use super::output::{Cell, Row, failed, struct_column};
use super::points::state;
use super::schema::LAGS;
use crate::base::{Result, Status};
use crate::lag::{Lag, LagConfig, RateEvent, from_rates};

/// One row a gauge. Inputs: lists of switch, test, event, then of pressure, rate, their variances
/// and covariance and the bracket's width.
pub(super) fn lags(inputs: &[Series], config: &LagConfig) -> PolarsResult<Series> {
    config.validate().map_err(|error| polars_err!(InvalidOperation: "{error}"))?;
    let texts = [inputs[0].list()?, inputs[1].list()?, inputs[2].list()?];
    let numbers: Vec<Lists> =
        inputs[3..9].iter().map(Lists::new).collect::<PolarsResult<Vec<_>>>()?;
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

fn row_of(found: Result<Lag>, n_events: usize) -> Row {
    match found {
        Ok(lag) => vec![
            Cell::Float(lag.lag_s.value),
            Cell::Float(lag.lag_s.u),
            Cell::Float(lag.lag_s.dof),
            lag.n_events.into(),
            Cell::Null,
            Cell::Null,
            Cell::Text("rates"),
            Cell::Float(lag.repeatability_pa),
            Cell::Float(lag.between_tests_pa),
            Cell::Text(Status::Ok.code()),
        ],
        Err(error) => {
            let mut row = failed(LAGS, &error);
            row[3] = n_events.into();
            row[6] = Cell::Text("rates");
            row
        }
    }
}
