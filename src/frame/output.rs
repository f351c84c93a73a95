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

/// One series for each column.
fn flat(columns: Columns, rows: &[&Row]) -> Vec<Series> {
    columns
        .iter()
        .enumerate()
        .map(|(index, &(name, kind))| {
            let cells = rows.iter().map(|row| &row[index]);
            let name: PlSmallStr = name.into();
            match kind {
                Kind::Float => {
                    Float64Chunked::from_iter_options(name, cells.map(float)).into_series()
                }
                Kind::Int => Int32Chunked::from_iter_options(name, cells.map(int)).into_series(),
                Kind::Bool => {
                    BooleanChunked::from_iter_options(name, cells.map(bool)).into_series()
                }
                Kind::Text => StringChunked::from_iter_options(name, cells.map(text)).into_series(),
            }
        })
        .collect()
}

fn float(cell: &Cell) -> Option<f64> {
    if let Cell::Float(value) = cell { Some(*value) } else { None }
}

fn int(cell: &Cell) -> Option<i32> {
    if let Cell::Int(value) = cell { Some(*value) } else { None }
}

fn bool(cell: &Cell) -> Option<bool> {
    if let Cell::Bool(value) = cell { Some(*value) } else { None }
}

fn text(cell: &Cell) -> Option<&str> {
    match cell {
        Cell::Text(value) => Some(value),
        Cell::Owned(value) => Some(value),
        _ => None,
    }
}
