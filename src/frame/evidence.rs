//! Events of a test in, evidence about the switch's condition out.

use polars::prelude::*;
use rayon::prelude::*;

use super::input::{Lists, text_row, without_nulls};
use super::output::{Cell, Row, struct_of_lists_column};
use super::schema::CONDITION;
use crate::base::Status;
use crate::condition::{
    Change, ChatterConfig, HoldConfig, LeakConfig, Side, StickingConfig, chatter, holds, leak,
    sticking,
};

/// Sticking and chatter of a test. Inputs: lists of event, then of cycle, pressure, its standard
/// uncertainty, bounces and bracket width.
pub(super) fn evidence(inputs: &[Series]) -> PolarsResult<Series> {
    let event = inputs[0].list()?;
    let numbers = inputs[1..6].iter().map(Lists::new).collect::<PolarsResult<Vec<_>>>()?;
    let rows = (0..inputs[0].len())
        .into_par_iter()
        .map(|row| {
            let Some(event) = text_row(event, row)? else { return Ok(Vec::new()) };
            let number = |which: usize, i: usize| numbers[which].row(row).and_then(|v| v.get(i));
            let change = |i: usize| {
                #[expect(clippy::cast_possible_truncation, reason = "counts of one recording")]
                let count = |value: f64| value as i32;
                Some(Change {
                    close: event.get(i)? == "close",
                    cycle: count(number(0, i)?),
                    pressure_pa: number(1, i)?,
                    u_pa: number(2, i)?,
                    bounces: count(number(3, i)?),
                    time_width_s: number(4, i)?,
                })
            };
            Ok(of_changes(&(0..event.len()).filter_map(change).collect::<Vec<_>>()))
        })
        .collect::<PolarsResult<Vec<_>>>()?;
    struct_of_lists_column(CONDITION, &rows)
}

fn of_changes(changes: &[Change]) -> Vec<Row> {
    let mut rows = Vec::new();
    for (close, kind) in [(true, "sticking_close"), (false, "sticking_open")] {
        if let Ok(found) = sticking(changes, close, &StickingConfig::default()) {
            let (value, u) = (found.shift.value, found.shift.u);
            let p = Some(found.p_value);
            let judged = (found.flagged, found.side);
            rows.push(finding(kind, value, Some(u), "Pa", p, judged, found.sentence()));
        }
    }
    if let Ok(found) = chatter(changes, &ChatterConfig::default()) {
        let judged = (found.flagged, found.side);
        rows.push(finding(
            "chatter",
            found.rate,
            None,
            "bounces a change",
            None,
            judged,
            found.sentence(),
        ));
    }
    rows
}

/// Leak-down during the holds of a recording. Inputs: time and pressure.
pub(super) fn leaks(inputs: &[Series]) -> PolarsResult<Series> {
    let (time, pressure) = (Lists::new(&inputs[0])?, Lists::new(&inputs[1])?);
    let rows: Vec<Vec<Row>> = (0..inputs[0].len())
        .into_par_iter()
        .map(|row| {
            let Some((time, pressure)) = time.row(row).zip(pressure.row(row)) else {
                return Vec::new();
            };
            let (time, pressure) = without_nulls(time, pressure);
            of_holds(&time, &pressure)
        })
        .collect();
    struct_of_lists_column(CONDITION, &rows)
}

/// The hold that lost most, if the recording has one.
fn of_holds(time: &[f64], pressure: &[f64]) -> Vec<Row> {
    let resolution_pa = crate::trace::step::display_step(pressure).unwrap_or(0.0);
    let config = LeakConfig { resolution_pa, ..LeakConfig::default() };
    let found = holds(time, pressure, &HoldConfig::default()).unwrap_or_default();
    let leaks = found
        .into_iter()
        .filter_map(|range| leak(&time[range.clone()], &pressure[range], &config).ok());
    let worst = leaks.max_by(|a, b| {
        (a.flagged, a.loss_per_min)
            .partial_cmp(&(b.flagged, b.loss_per_min))
            .unwrap_or(std::cmp::Ordering::Equal)
    });
    worst
        .into_iter()
        .map(|found| {
            let rate = found.rate_pa_s;
            let judged = (found.flagged, found.side);
            finding("leak", rate.value, Some(rate.u), "Pa/s", None, judged, found.sentence())
        })
        .collect()
}

fn finding(
    kind: &'static str,
    value: f64,
    u: Option<f64>,
    unit: &'static str,
    p_value: Option<f64>,
    (flagged, side): (bool, Side),
    sentence: String,
) -> Row {
    vec![
        Cell::Text(kind),
        Cell::Float(value),
        u.into(),
        Cell::Text(unit),
        p_value.into(),
        Cell::Bool(flagged),
        Cell::Text(side.code()),
        Cell::Owned(sentence),
        Cell::Text(Status::Ok.code()),
    ]
}
