//! Recordings in, events out.

use polars::prelude::*;
use rayon::prelude::*;

use super::input::{Lists, Scalars, without_nulls};
use super::output::{Cell, Row, failed, struct_of_lists_column, with_status};
use super::schema::EVENTS;
use crate::base::{Result, Status};
use crate::smooth::{AtEvent, Event, EventConfig, GaugeLag, fit_events};
use crate::trace::Recording;

/// Events of every recording; at least one row for each, so that none is lost. Inputs: time,
/// pressure, contact and its clock, then mean lag, dead time, time constant of the gauge and its
/// uncertainty, and the stated step of its display.
pub(super) fn events(inputs: &[Series], config: &EventConfig) -> PolarsResult<Series> {
    let [time, pressure, contact, contact_time] = [0, 1, 2, 3].map(|i| Lists::new(&inputs[i]));
    let (time, pressure, contact, contact_time) = (time?, pressure?, contact?, contact_time?);
    let lags: Vec<Scalars> = inputs[4..8].iter().map(Scalars::new).collect::<PolarsResult<_>>()?;
    let steps = Scalars::new(&inputs[8])?;
    config.validate().map_err(|error| polars_err!(InvalidOperation: "{error}"))?;
    // A step that can be none is passed over, as a lag that can be none is.
    let stated = |row: usize| steps.get(row).filter(|step| step.is_finite() && *step > 0.0);
    let of_row = |row: usize| EventConfig {
        resolution_pa: stated(row).or(config.resolution_pa),
        ..config.clone()
    };
    let rows: Vec<Vec<Row>> = (0..inputs[0].len())
        .into_par_iter()
        .map(|i| {
            let (Some(time), Some(pressure), Some(contact)) =
                (time.row(i), pressure.row(i), contact.row(i))
            else {
                return vec![with_status(EVENTS, Status::MissingValue)];
            };
            let own_clock = contact_time.row(i);
            if own_clock.is_none() && contact.len() != time.len() {
                return vec![with_status(EVENTS, Status::LengthMismatch)];
            }
            let (clock, readings) = without_nulls(time, pressure);
            let (contact_clock, states) = without_nulls(own_clock.unwrap_or(time), contact);
            let shared = own_clock.is_none() && contact_clock == clock;
            let contact_clock = (!shared).then_some(&*contact_clock);
            let found = Recording::new(&clock, &readings, &states, contact_clock)
                .and_then(|recording| fit_events(&recording, &of_row(i), lag_of(&lags, i)));
            rows_of(found)
        })
        .collect();
    struct_of_lists_column(EVENTS, &rows)
}

/// A negative mean lag is a contact meter slower than the gauge: it stays with the setpoint.
fn lag_of(lags: &[Scalars], row: usize) -> Option<GaugeLag> {
    let parts = lags[1].get(row).zip(lags[2].get(row));
    parts
        .map(|(dead_time_s, time_constant_s)| GaugeLag::Parts {
            dead_time_s,
            time_constant_s,
            time_constant_u_s: lags[3].get(row).unwrap_or(0.0),
        })
        .or_else(|| lags[0].get(row).map(|lag_s| GaugeLag::Mean { lag_s }))
        .filter(|lag| lag.validate().is_ok())
}

fn rows_of(found: Result<Vec<Event>>) -> Vec<Row> {
    match found {
        Ok(events) => events.iter().map(row_of).collect(),
        Err(error) => vec![failed(EVENTS, &error)],
    }
}

fn row_of(event: &Event) -> Row {
    let change = &event.change;
    let mut row = Vec::with_capacity(EVENTS.len());
    row.extend([
        Cell::Int(change.cycle),
        Cell::Text(if change.close { "close" } else { "open" }),
        Cell::Float(change.time_s()),
        Cell::Float(change.width_s()),
    ]);
    match &event.at {
        Ok(at) => row.extend(pressure_cells(at, change.bounces)),
        Err(error) => {
            row.extend(failed(EVENTS, error).into_iter().skip(row.len()));
            row[10] = Cell::Int(change.bounces);
        }
    }
    row
}

fn pressure_cells(at: &AtEvent, bounces: i32) -> [Cell; 16] {
    let signal = &at.signal;
    [
        Cell::Float(at.reading_pa),
        Cell::Float(signal.value),
        Cell::Float(signal.rate),
        Cell::Float(signal.var_value),
        Cell::Float(signal.cov),
        Cell::Float(signal.var_rate),
        Cell::Int(bounces),
        Cell::Text(at.model.code()),
        Cell::Bool(at.lag_applied),
        at.noise_pa.into(),
        at.step_pa.into(),
        Cell::Float(at.var_common),
        Cell::Float(at.shift_pa),
        Cell::Bool(at.corner),
        Cell::Bool(at.sudden),
        Cell::Text(Status::Ok.code()),
    ]
}
