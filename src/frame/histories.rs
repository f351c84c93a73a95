//! Histories of setpoints in, trends out.

use polars::prelude::*;
use rayon::prelude::*;

use super::input::{Lists, Scalars};
use super::output::{Cell, Row, failed, struct_column};
use super::schema::TRENDS;
use crate::base::{Estimate, Result, Status};
use crate::drift::{
    Crossing, CrossingConfig, Limit, MannKendall, Null, Outlook, TheilSen, TheilSenConfig, Trend,
    TrendConfig, crossing, mann_kendall, theil_sen, weighted_trend,
};

/// One row a history. Inputs: lists of times (years), values and their standard uncertainties
/// (Pa), then the lower limit (Pa), which may be null.
pub(super) fn trends(inputs: &[Series]) -> PolarsResult<Series> {
    let lists = inputs[..3].iter().map(Lists::new).collect::<PolarsResult<Vec<_>>>()?;
    let limit = Scalars::new(&inputs[3])?;
    let rows: Vec<Row> = (0..inputs[0].len())
        .into_par_iter()
        .map(|row| {
            let [times, values, u] = [0, 1, 2].map(|which| {
                let values = lists[which].row(row);
                values.map_or_else(Vec::new, |v| (0..v.len()).filter_map(|i| v.get(i)).collect())
            });
            row_of(&times, &values, &u, limit.get(row)).unwrap_or_else(|error| {
                let mut cells = failed(TRENDS, &error);
                cells[0] = values.len().into();
                cells
            })
        })
        .collect();
    struct_column(TRENDS, &rows)
}

fn row_of(times: &[f64], values: &[f64], u: &[f64], limit: Option<f64>) -> Result<Row> {
    let trend = weighted_trend(times, values, u, &[], &TrendConfig::default())?;
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
