"""What switches and gauges have in common: tables with a row a thing, where a row may be bad."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from .._errors import InputError, SchemaError, listed
from ..schema import TABLES, validate
from ._numbers import Cells, find_mark, first_true, floats_or_null
from ._parquet import is_parquet
from ._sheet import Sheet, read_sheet
from ._status import Place, Rule, with_status
from ._units import pascal_per, units

_PERCENT = r"\s*%$"
_TRUE = ("true", "yes", "1")
_FALSE = ("false", "no", "0")
_UNREAD: Mapping[pl.DataType, str] = {
    pl.Float64(): "is not a number; write one with a single decimal mark",
    pl.Boolean(): "is neither yes nor no; write one of the two",
    pl.Date(): "is not a date; write 2024-03-15",
    pl.String(): "cannot be used",
}
_DAY = r"^(\d{4}-\d{2}-\d{2})(?:[T ].*)?$"


def find_register(path: str | os.PathLike[str], table: str) -> Path:
    """The file of a table: the path itself, or `TABLE.parquet` or `TABLE.csv` in that folder.

    Raises
    ------
    InputError
        There is no such file.

    Examples
    --------
    >>> find_register("lost.csv", "gauges")
    Traceback (most recent call last):
        ...
    deadband._errors.InputError: lost.csv: there is no such file or folder; check the path
    """
    place = Path(path)
    if place.is_file():
        return place
    if not place.is_dir():
        raise InputError(
            "file_not_found",
            "there is no such file or folder",
            file=str(place),
            advice="check the path",
        )
    for suffix in (".parquet", ".csv"):
        if (place / (table + suffix)).is_file():
            return place / (table + suffix)
    raise InputError(
        "nothing_found",
        f"the folder holds neither {table}.parquet nor {table}.csv",
        file=str(place),
        advice="name the file",
    )


@dataclass
class Register:
    """A table on its way from cells to values; remembers which cells could not be used.

    Attributes
    ----------
    sheet
        The cells.
    decimal
        The decimal mark, or None: found.
    columns
        The columns read so far.
    unread
        For each of them, why the cell of a row could not be used; null where it could.
    sources
        For each of them, its name in the file where that is another.
    """

    sheet: Sheet
    decimal: str | None = None
    columns: dict[str, pl.Series] = field(default_factory=dict)
    unread: dict[str, pl.Series] = field(default_factory=dict)
    sources: dict[str, str] = field(default_factory=dict)

    def text(self, *names: str) -> None:
        """Read columns of words; absent ones are left out."""
        for name in names:
            if name in self.sheet.frame.columns:
                self._store(name, self.sheet.frame[name], pl.String())

    def lower(self, name: str) -> None:
        """Read a column of fixed words, letter case aside."""
        self._store(name, self.sheet.frame[name].str.to_lowercase(), pl.String())

    def truth(self, name: str) -> None:
        """Read a column of yes and no."""
        if name in self.sheet.frame.columns:
            word = self.sheet.frame[name].str.to_lowercase()
            known = word.is_in([*_TRUE, *_FALSE])
            self._store(
                name, pl.select(pl.when(known).then(word.is_in(_TRUE))).to_series(), pl.Boolean()
            )

    def days(self, *names: str) -> None:
        """Read columns of ISO dates."""
        for name in names:
            if name in self.sheet.frame.columns:
                day = self.sheet.frame[name].str.extract(_DAY)
                self._store(name, day.str.to_date("%Y-%m-%d", strict=False), pl.Date())

    def numbers(self, *names: str) -> None:
        """Read columns of numbers; `10 %` is 0.1."""
        for name in names:
            if name in self.sheet.frame.columns:
                self._store(name, self._number(name), pl.Float64())

    def pascals(self, name: str) -> None:
        """Read a pressure: `NAME_pa`, or `NAME` in the unit of the row."""
        present = self.sheet.frame.columns
        if f"{name}_pa" in present and name in present:
            raise self._schema_error(
                "conflicting_columns",
                f"there is a column {name} too",
                f"{name}_pa",
                "keep one of the two",
            )
        if f"{name}_pa" in present:
            self.numbers(f"{name}_pa")
            return
        if name not in present:
            raise self._schema_error(
                "missing_column",
                f"there is neither this column nor {name}",
                f"{name}_pa",
                f"add {name}_pa in pascal, or {name} with a column unit",
            )
        if "unit" not in present:
            raise self._schema_error(
                "missing_column",
                f"{name} has no unit, and a unit is never guessed",
                "unit",
                f"add it: one of {listed(units())}",
            )
        filled = self.sheet.frame[name].is_not_null().to_list()
        factors = [
            pascal_per(unit or "", file=self.sheet.file, line=line) if there else None
            for unit, line, there in zip(
                self.sheet.frame["unit"].to_list(), self.sheet.lines, filled, strict=True
            )
        ]
        value = self._number(name) * pl.Series(factors, dtype=pl.Float64)
        self._store(f"{name}_pa", value, pl.Float64(), source=name)

    def frame(self) -> tuple[pl.DataFrame, pl.Series]:
        """The values, and for each row why one of its cells could not be used."""
        table = pl.DataFrame(list(self.columns.values()))
        nothing = pl.Series([None] * table.height, dtype=pl.String)
        return table, pl.select(pl.coalesce(nothing, *self.unread.values())).to_series()

    def place(self) -> Place:
        """Where the rows and the values stand in the file."""
        names = {name: self.sources.get(name, name) for name in self.columns}
        return Place(self._rows(), {k: (name, self.sheet.frame[name]) for k, name in names.items()})

    def _rows(self) -> pl.Series:
        return pl.Series(
            [f"{self.sheet.file}, line {line}" for line in self.sheet.lines], dtype=pl.String
        )

    def _number(self, name: str) -> pl.Series:
        cells = self.sheet.frame[name]
        bare = Cells(name, cells.str.replace(_PERCENT, ""), self.sheet.file, self.sheet.lines)
        mark = find_mark([bare], self.decimal, self.sheet.separator)
        value = floats_or_null(bare.values, mark)
        percent = cells.str.contains(_PERCENT)
        return pl.select(pl.when(percent).then(value / 100).otherwise(value)).to_series()

    def _store(
        self, name: str, value: pl.Series, dtype: pl.DataType, source: str | None = None
    ) -> None:
        cells = self.sheet.frame[source or name]
        bad = value.is_null() & cells.is_not_null()
        first = first_true(bad)
        # One bad cell is a bad row; a column of them is a misunderstanding about the column.
        if first is not None and bad.sum() > 1 and bad.sum() == cells.is_not_null().sum():
            raise self.sheet.cells(source or name).error(
                "unreadable_cell",
                f"{cells[first]!r} cannot be read as {dtype}, and neither can any other cell of"
                " the column",
                first,
                "write numbers with one decimal mark, dates as 2024-03-15, yes or no in words",
            )
        self.columns[name] = value.cast(dtype).rename(name)
        self.sources[name] = source or name
        said = pl.format(
            f"{{}}, column {source or name}: '{{}}' {_UNREAD[dtype]}", self._rows(), cells
        )
        self.unread[name] = pl.select(pl.when(bad).then(said)).to_series()

    def _schema_error(self, kind: str, message: str, column: str, advice: str) -> SchemaError:
        return SchemaError(
            kind,
            message,
            column=column,
            table=self.sheet.table,
            present=self.sheet.frame.columns,
            file=self.sheet.file,
            advice=advice,
        )


def open_sheet(path: Path, table: str, required: Sequence[str], also: Sequence[str]) -> Sheet:
    """The CSV file of a table, its ids checked.

    Raises
    ------
    SchemaError, InputError
        As `read_sheet`; an id is missing or occurs twice.

    Examples
    --------
    >>> open_sheet(Path("lost.csv"), "gauges", ["gauge_id"], [])
    Traceback (most recent call last):
        ...
    deadband._errors.InputError: lost.csv: there is no such file; ...
    """
    written = [name for name in TABLES[table] if name not in {"status", "reason"}]
    sheet = read_sheet(path, table, required, [*written, *also])
    sheet.check_ids(required[0])
    return sheet


def open_parquet(path: Path, table: str) -> pl.DataFrame:
    """The Parquet file of a table, its columns and ids checked.

    Raises
    ------
    SchemaError
        A column is missing or has a type that cannot be used.
    InputError
        The file cannot be read, or an id is missing or occurs twice.

    Examples
    --------
    >>> open_parquet(Path("lost.parquet"), "gauges")
    Traceback (most recent call last):
        ...
    deadband._errors.InputError: lost.parquet: this is not a Parquet file that can be read; ...
    """
    try:
        frame = validate(pl.scan_parquet(path, glob=False), table).collect()
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError):
        raise InputError(
            "unreadable_file",
            "this is not a Parquet file that can be read",
            file=path.name,
            advice="write it again",
        ) from None
    key = next(iter(TABLES[table]))
    Sheet(table, path.name, frame.select(key), range(1, frame.height + 1)).check_ids(key)
    return frame


def read_parquet(path: Path, table: str, rules: Mapping[str, Rule]) -> pl.DataFrame:
    """The Parquet file of a table with a status a row.

    Raises
    ------
    SchemaError, InputError
        As `open_parquet`.

    Examples
    --------
    >>> read_parquet(Path("lost.parquet"), "gauges", {})
    Traceback (most recent call last):
        ...
    deadband._errors.InputError: lost.parquet: this is not a Parquet file that can be read; ...
    """
    frame = open_parquet(path, table)
    rows = pl.Series(
        [f"{path.name}, row {row + 1}" for row in range(frame.height)], dtype=pl.String
    )
    unread = pl.Series([None] * frame.height, dtype=pl.String)
    return with_status(frame, unread, table, rules, Place(rows, {}))


def is_sheet(path: Path) -> bool:
    """Whether a file is to be read as CSV.

    Examples
    --------
    >>> is_sheet(Path("gauges.csv")), is_sheet(Path("gauges.parquet"))
    (True, False)
    """
    return not is_parquet(path)
