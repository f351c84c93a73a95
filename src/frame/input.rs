//! Polars columns as slices and options.

use std::borrow::Cow;

use polars::prelude::*;
use pyo3_polars::export::polars_arrow::array::{Array, ListArray, PrimitiveArray};

/// The row of a column of `len` rows; the only row of a literal stands for every one.
fn of_literal(len: usize, index: usize) -> usize {
    if len == 1 { 0 } else { index }
}

/// A column of lists of numbers, one a row, or a literal that stands for every row; its chunks as
/// they came, since they may be most of the memory.
pub(super) struct Lists {
    chunks: Vec<(ListArray<i64>, PrimitiveArray<f64>)>,
    /// First row of each chunk, and the number of rows.
    starts: Vec<usize>,
}

impl Lists {
    /// # Errors
    ///
    /// When the column is no list of 64-bit floats.
    pub(super) fn new(series: &Series) -> PolarsResult<Self> {
        let (mut chunks, mut starts) = (Vec::new(), vec![0]);
        for lists in series.list()?.downcast_iter() {
            let values = lists.values().as_any().downcast_ref::<PrimitiveArray<f64>>();
            let values = values.cloned().ok_or_else(|| {
                polars_err!(SchemaMismatch: "column {}: expected list[f64], found {}", series.name(), series.dtype())
            })?;
            starts.push(starts[starts.len() - 1] + lists.len());
            chunks.push((lists.clone(), values));
        }
        Ok(Self { chunks, starts })
    }

    /// Number of values in all rows.
    pub(super) fn values(&self) -> usize {
        let ends = self.chunks.iter().map(|(lists, _)| lists.offsets().range());
        usize::try_from(ends.sum::<i64>()).unwrap_or(usize::MAX)
    }

    /// The values of row `index`, `None` for a null row. Null values come as `None` inside.
    pub(super) fn row(&self, index: usize) -> Option<Values<'_>> {
        let index = of_literal(self.starts[self.starts.len() - 1], index);
        let chunk = self.starts.partition_point(|&start| start <= index).checked_sub(1)?;
        let (lists, values) = self.chunks.get(chunk)?;
        let index = index - self.starts[chunk];
        if lists.is_null(index) {
            return None;
        }
        let (start, end) = lists.offsets().start_end(index);
        Some(Values { array: values, start, end })
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

    /// The values that are not null.
    pub(super) fn known(&self) -> Vec<f64> {
        (0..self.len()).filter_map(|i| self.get(i)).collect()
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
        return (clock.known().into(), channel.known().into());
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
