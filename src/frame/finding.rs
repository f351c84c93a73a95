//! A finding as a row of the condition table.

use super::output::{Cell, Row};
use crate::base::{Estimate, Status};
use crate::condition::Side;

/// What a row of the condition table says, but for its kind and unit.
#[derive(Default)]
pub(super) struct Finding {
    pub(super) value: Option<f64>,
    pub(super) u: Option<f64>,
    pub(super) dof: Option<f64>,
    /// 95 % interval of the value, or the range that the kind documents.
    pub(super) low: Option<f64>,
    pub(super) high: Option<f64>,
    pub(super) n: Option<usize>,
    pub(super) p_value: Option<f64>,
    pub(super) flagged: bool,
    pub(super) side: Option<Side>,
    pub(super) sentence: String,
}

impl Finding {
    /// Value, uncertainty, degrees of freedom and the 95 % interval.
    pub(super) fn of(estimate: Estimate) -> Self {
        let (low, high) = estimate.interval(0.95);
        Self {
            value: Some(estimate.value),
            u: Some(estimate.u),
            dof: Some(estimate.dof),
            low: Some(low),
            high: Some(high),
            ..Self::default()
        }
    }

    pub(super) fn row(self, kind: &'static str, unit: &'static str) -> Row {
        // A number that leaves the range of double precision is none.
        let finite = |value: Option<f64>| Cell::from(value.filter(|v| v.is_finite()));
        vec![
            Cell::Text(kind),
            finite(self.value),
            finite(self.u),
            self.dof.into(),
            finite(self.low),
            finite(self.high),
            Cell::Text(unit),
            self.n.map_or(Cell::Null, Cell::from),
            finite(self.p_value),
            Cell::Bool(self.flagged),
            Cell::Text(self.side.unwrap_or(Side::None).code()),
            Cell::Owned(self.sentence),
            Cell::Text(Status::Ok.code()),
        ]
    }
}

/// A row for what could not be looked at: not flagged, with the reason.
pub(super) fn unknown(kind: &'static str, unit: &'static str, status: Status, reason: &str) -> Row {
    let mut row = Finding { sentence: format!("Not judged: {reason}."), ..Finding::default() }
        .row(kind, unit);
    if let Some(last) = row.last_mut() {
        *last = Cell::Text(status.code());
    }
    row
}
