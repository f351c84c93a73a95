//! Histories of setpoints in, trends and each test's place in them out.

use polars::prelude::*;
use rayon::prelude::*;

use super::input::{Lists, Scalars};
use super::output::{Cell, Row, failed, struct_column, struct_of_lists_column};
use super::schema::{INFLUENCE, TRENDS};
use crate::base::{Estimate, Result, Status};
use crate::drift::{
    Crossing, CrossingConfig, Limit, MannKendall, Null, OutlierConfig, Outlook, Shared, TheilSen,
    TheilSenConfig, Trend, TrendConfig, crossing, mann_kendall, outliers, theil_sen,
    weighted_trend,
};

/// A history as it comes in: lists of times (years), values and their own standard uncertainties (Pa),
/// the number of each test's gauge, and what the errors of its lag and of its calibration, which the
/// tests of a gauge share, add to each (Pa; signed, since a lag errs with the rate).
pub(super) struct Histories(Vec<Lists>);

/// Lists that make a history.
pub(super) const LISTS: usize = 6;

pub(super) struct History {
    pub(super) times: Vec<f64>,
    pub(super) values: Vec<f64>,
    pub(super) u: Vec<f64>,
    gauge: Vec<usize>,
    common: [Vec<f64>; 2],
}

impl Histories {
    pub(super) fn new(inputs: &[Series]) -> PolarsResult<Self> {
        inputs[..LISTS].iter().map(Lists::new).collect::<PolarsResult<_>>().map(Self)
    }

    pub(super) fn row(&self, row: usize) -> History {
        let list = |which: usize| -> Vec<f64> {
            self.0[which].row(row).map_or_else(Vec::new, |values| values.known())
        };
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a number of it"
        )]
        let gauge = list(3).into_iter().map(|number| number as usize).collect();
        let (times, values, u) = (list(0), list(1), list(2));
        History { times, values, u, gauge, common: [list(4), list(5)] }
    }
}

impl History {
    /// Common errors, where there are any.
    fn shared(&self) -> Vec<Shared<'_>> {
        let of = self.common.iter().filter(|u| u.iter().any(|u| *u != 0.0));
        of.map(|u| Shared { group: &self.gauge, u }).collect()
    }
}

/// One row a history. Inputs: the lists of a history, then the lower limit (Pa), which may be null.
pub(super) fn trends(inputs: &[Series], config: &TrendConfig) -> PolarsResult<Series> {
    let histories = Histories::new(inputs)?;
    let limit = Scalars::new(&inputs[LISTS])?;
    let rows: Vec<Row> = (0..inputs[0].len())
        .into_par_iter()
        .map(|row| {
            let history = histories.row(row);
            row_of(&history, limit.get(row), config).unwrap_or_else(|error| {
                let mut cells = failed(TRENDS, &error);
                cells[0] = history.values.len().into();
                cells
            })
        })
        .collect();
    struct_column(TRENDS, &rows)
}

/// A row for each test of each history, as many as there are values. Inputs: the lists of a history.
pub(super) fn influence(inputs: &[Series], config: &TrendConfig) -> PolarsResult<Series> {
    let histories = Histories::new(inputs)?;
    let rows: Vec<Vec<Row>> = (0..inputs[0].len())
        .into_par_iter()
        .map(|row| {
            let history = histories.row(row);
            tests_of(&history, config).unwrap_or_else(|error| {
                history.values.iter().map(|_| failed(INFLUENCE, &error)).collect()
            })
        })
        .collect();
    struct_of_lists_column(INFLUENCE, rows.iter())
}

fn tests_of(history: &History, config: &TrendConfig) -> Result<Vec<Row>> {
    let History { times, values, u, .. } = history;
    let shared = history.shared();
    let trend = weighted_trend(times, values, u, &shared, config)?;
    let options = OutlierConfig { trend: *config, ..OutlierConfig::default() };
    let found = outliers(times, values, u, &shared, &options)?;
    let rows = found.iter().enumerate().map(|(test, outlier)| {
        vec![
            Cell::Float(trend.residuals[test]),
            Cell::Float(trend.leverage[test]),
            Cell::Float(outlier.deviation),
            Cell::Float(outlier.dof),
            Cell::Float(outlier.p_value),
            Cell::Bool(outlier.flagged),
            Cell::Text(Status::Ok.code()),
        ]
    });
    Ok(rows.collect())
}

fn row_of(history: &History, limit: Option<f64>, config: &TrendConfig) -> Result<Row> {
    let History { times, values, u, .. } = history;
    let trend = weighted_trend(times, values, u, &history.shared(), config)?;
    let last = times.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let sen = theil_sen(times, values, &TheilSenConfig::default()).ok();
    let test = mann_kendall(values, Some(times), Null::Auto).ok();
    let forecast = limit
        .map(|limit| crossing(&trend, Limit::Lower(limit), &CrossingConfig::from_now(last)))
        .transpose()?;
    Ok(cells(&trend, last, trend.at(last), sen, test, forecast))
}

fn cells(
    trend: &Trend,
    last: f64,
    level: Estimate,
    sen: Option<TheilSen>,
    test: Option<MannKendall>,
    forecast: Option<Crossing>,
) -> Row {
    // What has happened before the last test is no forecast, and has no date.
    let ahead = forecast.filter(|crossing| crossing.outlook != Outlook::AlreadyOut);
    let later = forecast.and_then(|crossing| crossing.high).filter(|&high| high > last);
    vec![
        trend.n.into(),
        Cell::Float(trend.slope.value),
        Cell::Float(trend.slope.u),
        Cell::Float(trend.slope.dof),
        Cell::Float(level.value),
        Cell::Float(level.u),
        Cell::Float(level.dof),
        Cell::Float(trend.excess_variance.max(0.0).sqrt()),
        sen.map(|sen| sen.slope).into(),
        sen.and_then(|sen| sen.low).into(),
        sen.and_then(|sen| sen.high).into(),
        test.map(|test| test.tau).into(),
        test.map(|test| test.p_value).into(),
        forecast.map(|crossing| crossing.p_now).into(),
        forecast.map_or(Cell::Null, |crossing| {
            Cell::Text(outlook_code(crossing.outlook, "already_below"))
        }),
        ahead.and_then(|crossing| crossing.at).into(),
        ahead.and_then(|crossing| crossing.low).into(),
        later.into(),
        forecast.map(|crossing| crossing.p_towards).into(),
        Cell::Text(Status::Ok.code()),
    ]
}

/// The word for an outlook; what is out already is named by the side of the limit.
pub(super) const fn outlook_code(outlook: Outlook, already: &'static str) -> &'static str {
    match outlook {
        Outlook::AlreadyOut => already,
        Outlook::Crosses => "crosses",
        Outlook::MayCross => "may_cross",
        Outlook::Never => "never",
    }
}
