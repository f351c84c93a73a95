//! Polars columns as slices and options.

use std::borrow::Cow;

use polars::prelude::*;
use pyo3_polars::export::polars_arrow::array::{Array, ListArray, PrimitiveArray};

/// The row of a column of `len` rows; the only row of a literal stands for every one.
fn of_literal(len: usize, index: usize) -> usize {
    if len == 1 { 0 } else { index }
}

/// A column of lists of numbers, one a row, or a literal that stands for every row.
pub(super) struct Lists {
    lists: ListArray<i64>,
    values: PrimitiveArray<f64>,
}

impl Lists {
    /// # Errors
    ///
    /// When the column is no list of 64-bit floats.
    pub(super) fn new(series: &Series) -> PolarsResult<Self> {
        let lists = series.list()?.rechunk().downcast_as_array().clone();
        let values = lists.values().as_any().downcast_ref::<PrimitiveArray<f64>>();
        let values = values.cloned().ok_or_else(|| {
            polars_err!(SchemaMismatch: "column {}: expected list[f64], found {}", series.name(), series.dtype())
        })?;
        Ok(Self { lists, values })
    }

    /// The values of row `index`, `None` for a null row. Null values come as `None` inside.
    pub(super) fn row(&self, index: usize) -> Option<Values<'_>> {
        let index = of_literal(self.lists.len(), index);
        if self.lists.is_null(index) {
            return None;
        }
        let (start, end) = self.lists.offsets().start_end(index);
        Some(Values { array: &self.values, start, end })
    }
}

/// The values of one row of a list column.
#[derive(Clone, Copy)]
pub(super) struct Values<'a> {
    array: &'a PrimitiveArray<f64>,
    start: usize,
    end: usize,
}

impl<'a> Values<'a> {
    pub(super) fn len(&self) -> usize {
        self.end - self.start
    }

    pub(super) fn get(&self, index: usize) -> Option<f64> {
        self.array.get(self.start + index)
    }

    /// The values as a slice where none is null.
    fn slice(&self) -> Option<&'a [f64]> {
        let whole = match self.array.validity() {
            None => true,
            Some(valid) => (self.start..self.end).all(|index| valid.get_bit(index)),
        };
        whole.then(|| &self.array.values().as_slice()[self.start..self.end])
    }
}

/// Two channels of one clock with the samples left out in which either is null.
///
/// Channels of unequal length are handed on as they are, for the kernel to tell.
pub(super) fn without_nulls<'a>(
    clock: Values<'a>,
    channel: Values<'a>,
) -> (Cow<'a, [f64]>, Cow<'a, [f64]>) {
    if let (Some(clock), Some(channel)) = (clock.slice(), channel.slice()) {
        return (clock.into(), channel.into());
    }
    if clock.len() != channel.len() {
        let whole = |values: Values<'_>| (0..values.len()).filter_map(|i| values.get(i)).collect();
        return (whole(clock), whole(channel));
    }
    let pairs = (0..clock.len()).filter_map(|i| clock.get(i).zip(channel.get(i)));
    let (clock, channel): (Vec<f64>, Vec<f64>) = pairs.unzip();
    (clock.into(), channel.into())
}

/// A column of numbers, one a row, or a literal that stands for every row.
pub(super) struct Scalars(Float64Chunked);

impl Scalars {
    pub(super) fn new(series: &Series) -> PolarsResult<Self> {
        Ok(Self(series.f64()?.clone()))
    }

    pub(super) fn get(&self, index: usize) -> Option<f64> {
        self.0.get(of_literal(self.0.len(), index))
    }
}

/// A row of a column of lists of texts, or of a literal that stands for every row.
pub(super) fn text_row(lists: &ListChunked, index: usize) -> PolarsResult<Option<StringChunked>> {
    lists
        .get_as_series(of_literal(lists.len(), index))
        .map(|series| series.str().cloned())
        .transpose()
}
