"""The manifest of a folder of logger files: `tests.csv`, a row a recording."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import polars as pl

from .._errors import InputError, listed
from ._clock import TIME_UNITS
from ._contact import CONTACT_KINDS
from ._instants import read_instants
from ._numbers import find_mark, to_floats
from ._recording import LoggerFile
from ._sheet import Sheet, read_sheet
from ._sign import DEPRESSIONS, Depression
from ._text import SEPARATORS
from ._units import pascal_per

METHODS = ("ramp", "pinch", "in_service")

REQUIRED = ("test_id", "switch_id", "method", "tested_at", "file", "unit")
OPTIONAL = (
    "gauge_id",
    "operator_id",
    "time_column",
    "pressure_column",
    "contact_column",
    "date_column",
    "contact_kind",
    "contact_file",
    "contact_time_column",
    "called_close",
    "called_open",
    "called_unit",
    "time_unit",
    "decimal",
    "separator",
    "interval_s",
    "depression",
)

_SEPARATOR_NAMES = {
    **{mark: mark for mark in SEPARATORS},
    "\\t": "\t",
    "tab": "\t",
    "comma": ",",
    "semicolon": ";",
    "pipe": "|",
}
_DEPRESSIONS: Mapping[str, Depression] = {name: name for name in DEPRESSIONS}
_DECIMAL_NAMES = {".": ".", ",": ",", "point": ".", "comma": ","}
Row = Mapping[str, "str | None"]
T = TypeVar("T")


@dataclass(frozen=True)
class Manifest:
    """What the manifest says of each recording.

    Attributes
    ----------
    tests
        The tests table without its list columns.
    files
        How each recording is written down, row by row.
    """

    tests: pl.DataFrame
    files: Sequence[LoggerFile]


def read_manifest(path: Path) -> Manifest:
    r"""Read a manifest and check every cell of it; no recording is opened.

    Parameters
    ----------
    path
        The manifest. Files are looked up from its folder.

    Raises
    ------
    SchemaError
        A column is missing.
    InputError
        A cell is missing, unknown or unreadable, or an identifier occurs twice.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "tests.csv"
    >>> _ = path.write_text(
    ...     "test_id,switch_id,method,tested_at,file,unit\na,s1,ramp,2024-03-15 14:03,a.csv,inH2O\n"
    ... )
    >>> manifest = read_manifest(path)
    >>> manifest.tests["tested_at"].to_list()
    [datetime.datetime(2024, 3, 15, 14, 3)]
    >>> manifest.files[0].unit
    'inH2O'
    """
    sheet = read_sheet(path, "tests", REQUIRED, OPTIONAL)
    absent = [
        pl.lit(None, pl.String).alias(name) for name in OPTIONAL if name not in sheet.frame.columns
    ]
    sheet = replace(sheet, frame=sheet.frame.with_columns(*absent))
    sheet.check_ids("test_id")
    rows = sheet.frame.rows(named=True)
    files = [_logger_file(row, line, path) for row, line in zip(rows, sheet.lines, strict=True)]
    instants = read_instants(sheet.cells("tested_at"))
    per_unit = pl.Series(
        [
            pascal_per(
                row["called_unit"] or row["unit"], file=sheet.file, line=line, column="called_unit"
            )
            for row, line in zip(rows, sheet.lines, strict=True)
        ],
        dtype=pl.Float64,
    )
    tests = sheet.frame.select(
        "test_id",
        "switch_id",
        "gauge_id",
        "operator_id",
        "method",
        pl.Series("tested_at", instants, dtype=pl.Datetime("us")),
        (_called(sheet, "called_close") * per_unit).alias("called_close_pa"),
        (_called(sheet, "called_open") * per_unit).alias("called_open_pa"),
    )
    return Manifest(tests, files)


def _logger_file(row: Row, line: int, path: Path) -> LoggerFile:
    file = path.name
    for column in REQUIRED:
        if column not in {"unit", "test_id"} and not row[column]:
            raise InputError(
                "missing_value",
                "the cell is blank",
                file=file,
                line=line,
                column=column,
                advice="fill it in",
            )
    _one_of(row, "method", {name: name for name in METHODS}, line, file)
    unit = row["unit"] or ""
    pascal_per(unit, file=file, line=line)
    name = row["file"] or ""
    contact = row["contact_file"] or (name if row["contact_time_column"] else "")
    roles = ("time", "pressure", "contact", "date")
    return LoggerFile(
        path=_beside(path, name),
        shown=name,
        unit=unit,
        named={role: row[f"{role}_column"] or "" for role in roles},
        contact_kind=_one_of(row, "contact_kind", {k: k for k in CONTACT_KINDS}, line, file),
        contact_path=_beside(path, contact) if contact else None,
        contact_shown=contact,
        contact_time=row["contact_time_column"] or "",
        time_unit=_one_of(row, "time_unit", {k: k for k in TIME_UNITS}, line, file),
        decimal=_one_of(row, "decimal", _DECIMAL_NAMES, line, file),
        separator=_one_of(row, "separator", _SEPARATOR_NAMES, line, file),
        interval_s=_interval(row, contact, line, file),
        depression=_one_of(row, "depression", _DEPRESSIONS, line, file),
    )


def _interval(row: Row, contact: str, line: int, file: str) -> float | None:
    text = row["interval_s"]
    if text is None:
        return None
    try:
        interval = float(text.replace(",", "."))
    except ValueError:
        interval = 0.0
    if not 0.0 < interval < 3600.0:
        raise InputError(
            "unreadable_cell",
            f"{text!r} is no time between two rows",
            file=file,
            line=line,
            column="interval_s",
            advice="write seconds, such as 0.1",
        )
    if contact:
        raise InputError(
            "conflicting_columns",
            "rows can be counted only where both channels share them, and the contact has its own"
            " clock",
            file=file,
            line=line,
            column="interval_s",
            advice="export both channels with fractions of a second",
        )
    return interval


def _beside(manifest: Path, name: str) -> Path:
    """A file named in the manifest; a path written on another system is understood."""
    path = manifest.parent / name
    if "\\" in name and not path.exists():
        return manifest.parent / name.replace("\\", "/")
    return path


def _one_of(row: Row, column: str, known: Mapping[str, T], line: int, file: str) -> T | None:
    given = row[column]
    if not given:
        return None
    if given not in known:
        raise InputError(
            "unknown_option",
            f"{given!r} is not known",
            file=file,
            line=line,
            column=column,
            advice=f"write one of {listed(known)}",
        )
    return known[given]


def _called(sheet: Sheet, column: str) -> pl.Series:
    cells = sheet.cells(column)
    return to_floats(cells, find_mark([cells], None, sheet.separator))
