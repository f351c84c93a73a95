//! Histories in, changes of their level out.

use polars::prelude::*;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::histories::{Histories, LISTS};
use super::input::Lists;
use super::output::{Cell, Row, failed, struct_column, struct_of_lists_column};
use super::schema::{CHANGES, LEVELS, STEPS};
use crate::base::{Estimate, Result, Status, error};
use crate::drift::TrendConfig;
use crate::drift::change_point::{
    Choice, KnownStepsConfig, OneChangeConfig, SeveralChangesConfig, known_steps, one_change,
    several_changes,
};

/// How changes of level are looked for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ChangesConfig {
    /// Whether a change is one on top of a drift.
    pub(crate) beside_drift: bool,
    /// Fewest tests of a level.
    pub(crate) fewest: usize,
    /// Share of histories without a change that get one.
    pub(crate) false_alarm: f64,
    /// Excess between tests.
    pub(crate) line: TrendConfig,
}

impl ChangesConfig {
    pub(crate) fn validate(&self) -> Result<()> {
        if !(self.false_alarm > 0.0 && self.false_alarm < 1.0) {
            let (what, must) = ("false_alarm", "between 0 and 1");
            return Err(error::Error::BadValue { what, value: self.false_alarm, must });
        }
        if self.fewest == 0 {
            let must = "1 or more";
            return Err(error::Error::BadValue { what: "fewest", value: 0.0, must });
        }
        Ok(())
    }
}

/// One row a history: the most probable change and how probable it is.
pub(super) fn one(inputs: &[Series], config: &ChangesConfig) -> PolarsResult<Series> {
    let histories = Histories::new(inputs)?;
    let options = OneChangeConfig {
        beside_drift: config.beside_drift,
        fewest: config.fewest,
        line: config.line,
        ..OneChangeConfig::default()
    };
    let rows: Vec<Row> = (0..inputs[0].len())
        .into_par_iter()
        .map(|row| {
            let history = histories.row(row);
            let found = one_change(&history.times, &history.values, &history.u, &options);
            found.map_or_else(
                |error| failed(CHANGES, &error),
                |found| {
                    let why = &found.explanations;
                    let mut cells = vec![
                        Cell::Float(found.p_value),
                        Cell::Float(found.probability()),
                        Cell::Float(why.none),
                        Cell::Float(why.shift),
                        Cell::Float(why.drift),
                        Cell::Float(why.drift_and_shift),
                        Cell::Float(found.after),
                        Cell::Float(found.before),
                        found.best.tests_before.into(),
                    ];
                    cells.extend(three(found.size));
                    cells.push(Cell::Text(Status::Ok.code()));
                    cells
                },
            )
        })
        .collect();
    struct_column(CHANGES, &rows)
}

fn three(estimate: Estimate) -> [Cell; 3] {
    [estimate.value, estimate.u, estimate.dof].map(Cell::Float)
}

/// A row a level of each history, one at least.
pub(super) fn levels(inputs: &[Series], config: &ChangesConfig) -> PolarsResult<Series> {
    let histories = Histories::new(inputs)?;
    let options = SeveralChangesConfig {
        choice: Choice::FalseAlarm(config.false_alarm),
        fewest: config.fewest,
        line: config.line,
        ..SeveralChangesConfig::default()
    };
    let rows: Vec<Vec<Row>> = (0..inputs[0].len())
        .into_par_iter()
        .map(|row| {
            let history = histories.row(row);
            let found = several_changes(&history.times, &history.values, &history.u, &options);
            let found = match found {
                Ok(found) => found,
                Err(error) => return vec![failed(LEVELS, &error)],
            };
            let each = found.levels.iter().enumerate().map(|(place, level)| {
                let change = place.checked_sub(1).map(|before| &found.changes[before]);
                let mut cells = vec![
                    (place + 1).into(),
                    Cell::Float(level.first),
                    Cell::Float(level.last),
                    level.tests.into(),
                ];
                cells.extend(three(level.level));
                cells.push(change.map(|change| change.size.value).into());
                cells.push(change.map(|change| change.size.u).into());
                cells.push(change.map(|change| change.after).into());
                cells.push(change.map(|change| change.before).into());
                cells.push(found.p_value.into());
                cells.push(Cell::Text(Status::Ok.code()));
                cells
            });
            each.collect()
        })
        .collect();
    struct_of_lists_column(LEVELS, rows.iter())
}

/// A row a known date of each history. Inputs: the lists of a history, then the dates (years).
pub(super) fn steps(inputs: &[Series], config: &ChangesConfig) -> PolarsResult<Series> {
    let histories = Histories::new(inputs)?;
    let dates = Lists::new(&inputs[LISTS])?;
    let options = KnownStepsConfig { beside_drift: config.beside_drift, line: config.line };
    let rows: Vec<Vec<Row>> = (0..inputs[0].len())
        .into_par_iter()
        .map(|row| {
            let history = histories.row(row);
            let own = dates.row(row).map_or_else(Vec::new, |dates| dates.known());
            match known_steps(&history.times, &history.values, &history.u, &own, &options) {
                Err(error) => own
                    .iter()
                    .map(|&date| {
                        let mut cells = failed(STEPS, &error);
                        cells[0] = Cell::Float(date);
                        cells
                    })
                    .collect(),
                Ok(found) => {
                    let slope = |slope: Option<Estimate>| {
                        [slope.map(|slope| slope.value), slope.map(|slope| slope.u)].map(Cell::from)
                    };
                    let step = found.steps.iter().map(|step| {
                        let mut cells = vec![Cell::Float(step.date)];
                        cells.extend(three(step.size));
                        cells.push(Cell::Float(step.p_value));
                        cells.extend(slope(found.slope));
                        cells.extend(slope(found.slope_without));
                        cells.push(Cell::Text(Status::Ok.code()));
                        cells
                    });
                    step.collect()
                }
            }
        })
        .collect();
    struct_of_lists_column(STEPS, rows.iter())
}
