//! Recordings in, events out.

use polars::prelude::*;
use rayon::prelude::*;

use super::input::{Lists, Scalars, without_nulls};
use super::output::{Cell, struct_of_lists_column};
use super::schema::EVENTS;
use crate::base::{Result, Status};
use crate::smooth::{AtEvent, Event, EventConfig, GaugeLag, fit_events};
use crate::trace::Recording;

/// Readings from which on a call is shared among threads: a table in many pieces comes in as many
/// calls, which Polars runs side by side itself.
const MANY: usize = 1 << 19;

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
    let fit = |i: usize| {
        let (Some(time), Some(pressure), Some(contact)) =
            (time.row(i), pressure.row(i), contact.row(i))
        else {
            return Err(Status::MissingValue);
        };
        let own_clock = contact_time.row(i);
        if own_clock.is_none() && contact.len() != time.len() {
            return Err(Status::LengthMismatch);
        }
        let (clock, readings) = without_nulls(time, pressure);
        let (contact_clock, states) = without_nulls(own_clock.unwrap_or(time), contact);
        let shared = own_clock.is_none() && is_same(&contact_clock, &clock);
        let contact_clock = (!shared).then_some(&*contact_clock);
        Recording::new(&clock, &readings, &states, contact_clock)
            .and_then(|recording| fit_events(&recording, &of_row(i), lag_of(&lags, i)?))
            .map_err(|error| error.status())
    };
    let rows = 0..inputs[0].len();
    let found: Vec<Found> = if time.values() > MANY {
        rows.into_par_iter().map(fit).collect()
    } else {
        rows.map(fit).collect()
    };
    struct_of_lists_column(EVENTS, found.iter().map(rows_of))
}

/// What is stated of the gauge's lag. A negative mean lag is a contact meter slower than the gauge: it
/// stays with the setpoint.
///
/// # Errors
///
/// [`Error::BadValue`](crate::base::Error::BadValue) for parts or a mean lag that cannot be.
fn lag_of(lags: &[Scalars], row: usize) -> Result<Option<GaugeLag>> {
    let [mean, dead, constant, u] = [0, 1, 2, 3].map(|which| lags[which].get(row));
    let lag = match (mean, dead.zip(constant)) {
        (_, Some((dead_time_s, time_constant_s))) => {
            let time_constant_u_s = u.unwrap_or(0.0);
            GaugeLag::Parts { dead_time_s, time_constant_s, time_constant_u_s }
        }
        (Some(lag_s), None) if lag_s < 0.0 && lag_s.is_finite() => return Ok(None),
        (Some(lag_s), None) => GaugeLag::Mean { lag_s },
        (None, None) => return Ok(None),
    };
    lag.validate().map(|()| Some(lag))
}

/// A clock that was handed on as it is need not be read again.
fn is_same(one: &[f64], other: &[f64]) -> bool {
    std::ptr::eq(one, other) || one == other
}

/// Events of one recording, or why there are none.
type Found = std::result::Result<Vec<Event>, Status>;

type EventRow = [Cell; EVENTS.len()];

fn rows_of(found: &Found) -> Vec<EventRow> {
    match found {
        Ok(events) => events.iter().map(row_of).collect(),
        Err(status) => vec![blank(*status)],
    }
}

/// A row of nothing but its status.
fn blank(status: Status) -> EventRow {
    let mut row = EventRow::default();
    row[EVENTS.len() - 1] = Cell::Text(status.code());
    row
}

fn row_of(event: &Event) -> EventRow {
    let change = &event.change;
    let mut row = match &event.at {
        Ok(at) => pressure_cells(at),
        Err(error) => blank(error.status()),
    };
    row[0] = Cell::Int(change.cycle);
    row[1] = Cell::Text(if change.close { "close" } else { "open" });
    row[2] = Cell::Float(change.time_s());
    row[3] = Cell::Float(change.width_s());
    row[10] = Cell::Int(change.bounces);
    row
}

/// What is known of the pressure at an event; the cells of its change are left out.
fn pressure_cells(at: &AtEvent) -> EventRow {
    let signal = &at.signal;
    [
        Cell::Null,
        Cell::Null,
        Cell::Null,
        Cell::Null,
        Cell::Float(at.reading_pa),
        Cell::Float(signal.value),
        Cell::Float(signal.rate),
        Cell::Float(signal.var_value),
        Cell::Float(signal.cov),
        Cell::Float(signal.var_rate),
        Cell::Null,
        Cell::Text(at.model.code()),
        Cell::Bool(at.lag_applied),
        at.noise_pa.into(),
        at.step_pa.into(),
        Cell::Float(at.var_common),
        Cell::Float(at.clock_u_s),
        Cell::Float(at.shift_pa),
        Cell::Bool(at.corner),
        Cell::Bool(at.sudden),
        Cell::Text(Status::Ok.code()),
    ]
}
