//! Rows of cells made into Polars columns of a table's schema.

use polars::prelude::*;
use pyo3_polars::export::polars_arrow::array::ListArray;
use pyo3_polars::export::polars_arrow::offset::OffsetsBuffer;

use super::schema::{Columns, Kind};
use crate::base::{Error, Status};

/// One value of a row.
#[derive(Debug, Clone, Default)]
pub(super) enum Cell {
    #[default]
    Null,
    Float(f64),
    Int(i32),
    Bool(bool),
    Text(&'static str),
    Owned(String),
}

impl From<Option<f64>> for Cell {
    fn from(value: Option<f64>) -> Self {
        value.map_or(Self::Null, Self::Float)
    }
}

impl From<usize> for Cell {
    fn from(value: usize) -> Self {
        i32::try_from(value).map_or(Self::Null, Self::Int)
    }
}

/// A row: a cell for every column of the table, in its order.
pub(super) type Row = Vec<Cell>;

/// A row of nulls but for its status, which is the column `status` or ends in it.
pub(super) fn failed(columns: Columns, error: &Error) -> Row {
    with_status(columns, error.status())
}

/// A row of nulls with the given status.
pub(super) fn with_status(columns: Columns, status: Status) -> Row {
    let cell = |&(name, _): &(&str, Kind)| {
        if name.ends_with("status") { Cell::Text(status.code()) } else { Cell::Null }
    };
    columns.iter().map(cell).collect()
}

/// A struct column with one row for each row of the input.
pub(super) fn struct_column(columns: Columns, rows: &[Row]) -> PolarsResult<Series> {
    let series = flat(columns, &rows.iter().collect::<Vec<_>>());
    Ok(StructChunked::from_series("".into(), rows.len(), series.iter())?.into_series())
}

/// A struct of list columns with any number of rows for each row of the input.
pub(super) fn struct_of_lists_column(
    columns: Columns,
    groups: &[Vec<Row>],
) -> PolarsResult<Series> {
    let rows: Vec<&Row> = groups.iter().flatten().collect();
    let lengths = groups.iter().map(Vec::len);
    let offsets = OffsetsBuffer::try_from(
        std::iter::once(0_i64)
            .chain(lengths.scan(0_i64, |end, length| {
                *end += i64::try_from(length).unwrap_or(0);
                Some(*end)
            }))
            .collect::<Vec<_>>(),
    )?;
    let lists = flat(columns, &rows).into_iter().map(|values| {
        let name = values.name().clone();
        let values = values.rechunk().chunks()[0].clone();
        let dtype = ListArray::<i64>::default_datatype(values.dtype().clone());
        let list = ListArray::<i64>::try_new(dtype, offsets.clone(), values, None)?;
        Ok(ListChunked::with_chunk(name, list).into_series())
    });
    let lists = lists.collect::<PolarsResult<Vec<Series>>>()?;
    Ok(StructChunked::from_series("".into(), groups.len(), lists.iter())?.into_series())
}

/// One series for each column, filled row by row: rows are wide, and column by column each cell would
/// be fetched from memory anew.
fn flat(columns: Columns, rows: &[&Row]) -> Vec<Series> {
    let mut builders: Vec<Builder> =
        columns.iter().map(|&(name, kind)| Builder::new(name, kind, rows.len())).collect();
    for row in rows {
        for (builder, cell) in builders.iter_mut().zip(row.iter()) {
            builder.append(cell);
        }
    }
    builders.into_iter().map(Builder::finish).collect()
}

/// A column that is being filled; a cell of another kind is null.
enum Builder {
    Float(PrimitiveChunkedBuilder<Float64Type>),
    Int(PrimitiveChunkedBuilder<Int32Type>),
    Bool(BooleanChunkedBuilder),
    Text(StringChunkedBuilder),
}

impl Builder {
    fn new(name: &str, kind: Kind, rows: usize) -> Self {
        let name: PlSmallStr = name.into();
        match kind {
            Kind::Float => Self::Float(PrimitiveChunkedBuilder::new(name, rows)),
            Kind::Int => Self::Int(PrimitiveChunkedBuilder::new(name, rows)),
            Kind::Bool => Self::Bool(BooleanChunkedBuilder::new(name, rows)),
            Kind::Text => Self::Text(StringChunkedBuilder::new(name, rows)),
        }
    }

    fn append(&mut self, cell: &Cell) {
        match (self, cell) {
            (Self::Float(column), Cell::Float(value)) => column.append_value(*value),
            (Self::Int(column), Cell::Int(value)) => column.append_value(*value),
            (Self::Bool(column), Cell::Bool(value)) => column.append_value(*value),
            (Self::Text(column), Cell::Text(value)) => column.append_value(value),
            (Self::Text(column), Cell::Owned(value)) => column.append_value(value),
            (Self::Float(column), _) => column.append_null(),
            (Self::Int(column), _) => column.append_null(),
            (Self::Bool(column), _) => column.append_null(),
            (Self::Text(column), _) => column.append_null(),
        }
    }

    fn finish(self) -> Series {
        match self {
            Self::Float(column) => column.finish().into_series(),
            Self::Int(column) => column.finish().into_series(),
            Self::Bool(column) => column.finish().into_series(),
            Self::Text(column) => column.finish().into_series(),
        }
    }
}
