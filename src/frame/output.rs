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
    let mut table = Table::new(columns, rows.len());
    for row in rows {
        table.append(row);
    }
    let series: Vec<Series> = table.finish().collect();
    Ok(StructChunked::from_series("".into(), rows.len(), series.iter())?.into_series())
}

/// A struct of list columns with any number of rows for each row of the input.
pub(super) fn struct_of_lists_column<Group>(
    columns: Columns,
    groups: impl ExactSizeIterator<Item = Group>,
) -> PolarsResult<Series>
where
    Group: IntoIterator<Item: AsRef<[Cell]>>,
{
    let mut table = Table::new(columns, 0);
    let count = groups.len();
    let (mut end, mut ends) = (0, Vec::with_capacity(count + 1));
    ends.push(end);
    for group in groups {
        for row in group {
            table.append(row.as_ref());
            end += 1;
        }
        ends.push(end);
    }
    let offsets = OffsetsBuffer::try_from(ends)?;
    let lists = table.finish().map(|values| {
        let name = values.name().clone();
        let values = values.rechunk().chunks()[0].clone();
        let dtype = ListArray::<i64>::default_datatype(values.dtype().clone());
        let list = ListArray::<i64>::try_new(dtype, offsets.clone(), values, None)?;
        Ok(ListChunked::with_chunk(name, list).into_series())
    });
    let lists = lists.collect::<PolarsResult<Vec<Series>>>()?;
    Ok(StructChunked::from_series("".into(), count, lists.iter())?.into_series())
}

/// Columns that are filled row by row: rows are wide, and column by column each cell would be fetched
/// from memory anew.
struct Table(Vec<Builder>);

impl Table {
    fn new(columns: Columns, rows: usize) -> Self {
        Self(columns.iter().map(|&(name, kind)| Builder::new(name, kind, rows)).collect())
    }

    fn append(&mut self, row: &[Cell]) {
        for (builder, cell) in self.0.iter_mut().zip(row) {
            builder.append(cell);
        }
    }

    fn finish(self) -> impl Iterator<Item = Series> {
        self.0.into_iter().map(Builder::finish)
    }
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
