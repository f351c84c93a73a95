//! Tests of one model in, each against the other switches of the model out.

use std::collections::HashMap;

use polars::prelude::*;
use rayon::prelude::*;

use super::finding::{Finding, unknown};
use super::input::{Lists, Values, text_row};
use super::output::{Row, struct_of_lists_column};
use super::schema::CONDITION;
use crate::base::{Error, Estimate, Result, Status};
use crate::condition::{ConditionConfig, Offset, Repeats, Scatter, offsets, scatters};

/// Smallest scatter worth a flag, as a share of the pressure: a tenth of the usual tolerance.
const LEAST_SHARE: f64 = 0.01;

/// What every kernel of a group takes: the model, then lists of switch and status.
struct Group<'a> {
    model: &'a StringChunked,
    switch: &'a ListChunked,
    status: &'a ListChunked,
    numbers: Vec<Lists>,
}

impl<'a> Group<'a> {
    fn new(inputs: &'a [Series], numbers: usize) -> PolarsResult<Self> {
        let numbers = inputs[3..3 + numbers].iter().map(Lists::new);
        Ok(Self {
            model: inputs[0].str()?,
            switch: inputs[1].list()?,
            status: inputs[2].list()?,
            numbers: numbers.collect::<PolarsResult<_>>()?,
        })
    }

    /// A row for each test of each group, by `compare` on switches numbered from 0 and the numbers.
    fn rows<T: Sync + Send>(
        &self,
        kind: &'static str,
        compare: impl Fn(&[usize], &dyn Fn(usize, usize) -> Option<f64>) -> Vec<Result<T>> + Sync,
        finding: impl Fn(&T) -> Finding + Sync,
    ) -> PolarsResult<Vec<Vec<Row>>> {
        let groups = (0..self.switch.len()).into_par_iter().map(|row| {
            let texts = (text_row(self.switch, row)?, text_row(self.status, row)?);
            let (Some(switch), Some(status)) = texts else { return Ok(Vec::new()) };
            let named = self.model.get(row).is_some_and(|model| !model.is_empty());
            if !named {
                let reason = "no model is stated for the switch";
                let one = || unknown(kind, "Pa", Status::MissingValue, reason);
                return Ok((0..switch.len()).map(|_| one()).collect());
            }
            let mut known = HashMap::new();
            // A switch without a name is one of its own.
            let switches: Vec<usize> = switch
                .iter()
                .enumerate()
                .map(|(i, name)| {
                    let next = known.len();
                    *known.entry(name.ok_or(i)).or_insert(next)
                })
                .collect();
            let columns: Vec<Option<Values<'_>>> =
                self.numbers.iter().map(|lists| lists.row(row)).collect();
            let number = |which: usize, i: usize| columns[which].and_then(|values| values.get(i));
            let found = compare(&switches, &number);
            let rows = found.iter().enumerate().map(|(i, found)| match found {
                Ok(found) => finding(found).row(kind, "Pa"),
                Err(error) => {
                    let own = status.get(i).and_then(Status::from_code);
                    let own = own.filter(|status| *status != Status::Ok);
                    let missing = matches!(error, Error::MissingValue { .. });
                    let status = own.filter(|_| missing).unwrap_or(error.status());
                    unknown(kind, "Pa", status, &error.to_string())
                }
            });
            Ok(rows.collect())
        });
        groups.collect()
    }
}

/// Setpoints against the model. Inputs: model; lists of switch, status, value, u and degrees of
/// freedom; whether they are the closings.
pub(super) fn setpoints(inputs: &[Series], config: ConditionConfig) -> PolarsResult<Series> {
    let close = inputs[6].bool()?.get(0).unwrap_or(false);
    let kind = if close { "offset_close" } else { "offset_open" };
    let rows = Group::new(inputs, 3)?.rows(
        kind,
        |switches, number| {
            let point = |i: usize| {
                let (value, u) = number(0, i).zip(number(1, i))?;
                Some(Estimate { value, u, dof: number(2, i).unwrap_or(f64::INFINITY) })
            };
            let tests: Vec<_> = switches.iter().enumerate().map(|(i, &s)| (s, point(i))).collect();
            offsets(&tests, config.alpha)
        },
        |found: &Offset| Finding {
            n: Some(found.n),
            p_value: Some(found.p_value),
            flagged: found.flagged,
            side: Some(found.side),
            sentence: found.sentence(close),
            ..Finding::of(found.offset_pa)
        },
    )?;
    struct_of_lists_column(CONDITION, rows.iter())
}

/// Scatter against the model. Inputs: model; lists of switch, status, variance, known variance,
/// degrees of freedom and level.
pub(super) fn repeats(inputs: &[Series], config: ConditionConfig) -> PolarsResult<Series> {
    let rows = Group::new(inputs, 4)?.rows(
        "scatter",
        |switches, number| {
            let repeats = |i: usize| {
                Some(Repeats {
                    variance: number(0, i)?,
                    known: number(1, i)?,
                    dof: number(2, i).filter(|dof| *dof > 0.0)?,
                    level_pa: number(3, i)?,
                })
            };
            let tests: Vec<_> =
                switches.iter().enumerate().map(|(i, &s)| (s, repeats(i))).collect();
            scatters(&tests, config.alpha, LEAST_SHARE)
        },
        |found: &Scatter| Finding {
            value: Some(found.sd_pa.value),
            u: Some(found.sd_pa.u),
            dof: Some(found.sd_pa.dof),
            low: Some(found.interval_pa.0),
            high: Some(found.interval_pa.1),
            n: Some(found.n),
            p_value: Some(found.p_value),
            flagged: found.flagged,
            side: Some(found.side),
            sentence: found.sentence(),
        },
    )?;
    struct_of_lists_column(CONDITION, rows.iter())
}
