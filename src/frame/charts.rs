//! Histories in, control charts out.

use polars::prelude::*;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::histories::{Histories, History};
use super::output::{Cell, Row, failed, struct_of_lists_column};
use super::schema::CHARTS;
use crate::base::error::{not_negative, positive};
use crate::base::{Error, Result, Status};
use crate::drift::charts::{
    AfterSignal, CusumConfig, EwmaConfig, IndividualsConfig, Limits, Process, Side, Signal,
    baseline, cusum, ewma, individuals,
};

/// Which chart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum ChartKind {
    Individuals,
    Ewma,
    Cusum,
}

/// A chart and what it is held against.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ChartConfig {
    kind: ChartKind,
    /// First tests that tell the process in control, where it is not given.
    baseline: usize,
    target_pa: Option<f64>,
    sd_pa: Option<f64>,
    /// Limits in standard deviations: of a test, of the average, of the sums.
    limit: f64,
    /// Weight of the newest test.
    weight: f64,
    /// Allowance of the sums.
    allowance: f64,
    head_start: f64,
    restart: bool,
}

impl ChartConfig {
    const fn after(&self) -> AfterSignal {
        if self.restart { AfterSignal::Restart } else { AfterSignal::Continue }
    }

    pub(crate) const fn ewma(&self) -> EwmaConfig {
        let (lambda, multiplier) = (self.weight, self.limit);
        EwmaConfig { lambda, multiplier, limits: Limits::Exact, after: self.after() }
    }

    pub(crate) const fn cusum(&self) -> CusumConfig {
        let (k, h) = (self.allowance, self.limit);
        CusumConfig { k, h, head_start: self.head_start, after: self.after() }
    }

    pub(crate) const fn kind(&self) -> ChartKind {
        self.kind
    }

    pub(crate) fn validate(&self) -> Result<()> {
        let bad = |what, value, must| Err(Error::BadValue { what, value, must });
        positive("limit", self.limit)?;
        not_negative("allowance", self.allowance)?;
        not_negative("sd_pa", self.sd_pa.unwrap_or(0.0))?;
        if self.target_pa.is_some_and(|target| !target.is_finite()) {
            return bad("target_pa", self.target_pa.unwrap_or_default(), "a finite number");
        }
        if !(self.weight > 0.0 && self.weight <= 1.0) {
            return bad("weight", self.weight, "above 0 and at most 1");
        }
        if !(0.0..1.0).contains(&self.head_start) {
            return bad("head_start", self.head_start, "from 0 to below 1");
        }
        Ok(())
    }
}

/// A row for each test of each history. Inputs: the lists of a history.
pub(super) fn charts(inputs: &[Series], config: &ChartConfig) -> PolarsResult<Series> {
    let histories = Histories::new(inputs)?;
    let rows: Vec<Vec<Row>> = (0..inputs[0].len())
        .into_par_iter()
        .map(|row| {
            let history = histories.row(row);
            rows_of(&history, config).unwrap_or_else(|error| {
                history.values.iter().map(|_| failed(CHARTS, &error)).collect()
            })
        })
        .collect();
    struct_of_lists_column(CHARTS, rows.iter())
}

fn process(history: &History, config: &ChartConfig) -> Result<Process> {
    if let (Some(target), Some(sd)) = (config.target_pa, config.sd_pa) {
        return Ok(Process { target, sd });
    }
    let first = config.baseline.min(history.values.len());
    let told =
        baseline(&history.values[..first], &history.u[..first], &IndividualsConfig::default())?;
    Ok(Process {
        target: config.target_pa.unwrap_or(told.centre.value),
        sd: config.sd_pa.unwrap_or(told.sd),
    })
}

fn rows_of(history: &History, config: &ChartConfig) -> Result<Vec<Row>> {
    let (values, u) = (&history.values, &history.u);
    let process = process(history, config)?;
    let mut rows: Vec<Row> = match config.kind {
        ChartKind::Individuals => {
            let own =
                IndividualsConfig { multiplier: config.limit, ..IndividualsConfig::default() };
            let found = individuals(values, u, &process, &own)?;
            let mut rows: Vec<Row> =
                found.points.iter().map(|p| cells(p.value, None, (p.low, p.high))).collect();
            // The first range is that of the second test.
            for (row, range) in rows.iter_mut().skip(1).zip(&found.ranges) {
                (row[5], row[6]) = (Cell::Float(range.value), Cell::Float(range.high));
            }
            mark(&mut rows, &found.signals);
            for signal in &found.range_signals {
                rows[signal.index][7] = Cell::Bool(true);
            }
            rows
        }
        ChartKind::Ewma => {
            let found = ewma(values, u, &process, &config.ewma())?;
            let mut rows: Vec<Row> =
                found.points.iter().map(|p| cells(p.value, None, (p.low, p.high))).collect();
            mark(&mut rows, &found.signals);
            rows
        }
        ChartKind::Cusum => {
            let found = cusum(values, u, &process, &config.cusum())?;
            let limits = (-config.limit, config.limit);
            let mut rows: Vec<Row> = found
                .upper
                .iter()
                .zip(&found.lower)
                .map(|(upper, lower)| cells(*upper, Some(-lower), limits))
                .collect();
            mark(&mut rows, &found.signals);
            rows
        }
    };
    for row in &mut rows {
        (row[8], row[9]) = (Cell::Float(process.target), Cell::Float(process.sd));
    }
    Ok(rows)
}

fn cells(statistic: f64, lower: Option<f64>, (low, high): (f64, f64)) -> Row {
    let mut row = vec![Cell::Null; CHARTS.len()];
    row[0] = Cell::Float(statistic);
    row[1] = lower.into();
    (row[2], row[3]) = (Cell::Float(low), Cell::Float(high));
    row[7] = Cell::Bool(false);
    row[10] = Cell::Text(Status::Ok.code());
    row
}

fn mark(rows: &mut [Row], signals: &[Signal]) {
    for signal in signals {
        let word = match signal.side {
            Side::Above => "above",
            Side::Below => "below",
        };
        rows[signal.index][4] = Cell::Text(word);
    }
}
