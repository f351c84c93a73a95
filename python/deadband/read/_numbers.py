"""Numbers as loggers write them: with a decimal point or a decimal comma, never guessed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from .._errors import InputError

# Words that stand for a cell without a value.
BLANK_WORDS = ("", "-", "--", "---", "----", "-----", "nan", "na", "n/a", "#n/a", "null", "none")

_MARKED = r"^[+-]?[\d.,]*[.,][\d.,]*(?:[eE][+-]?\d+)?$"
_GROUPED = r"^[+-]?[1-9]\d{0,2}(?:[.,]\d{3})+$"
_NUMBER_LIKE = re.compile(r"[+-]?[\d.,]*\d[\d.,]*(?:[eE][+-]?\d+)?")

# The number by which instruments say "over range" or "not a number" (SCPI-1999, from memory).
OVER_RANGE = 9.9e37
NOT_A_NUMBER = 9.91e37


@dataclass(frozen=True)
class Cells:
    """One column of a text file: its cells, trimmed, blanks as null, and where they came from."""

    name: str
    values: pl.Series
    file: str
    lines: Sequence[int]

    def error(self, kind: str, message: str, index: int | None, advice: str) -> InputError:
        """An error that names this column and, given an index, the line of that cell."""
        line = None if index is None else self.lines[index]
        return InputError(kind, message, file=self.file, line=line, column=self.name, advice=advice)


def clean(raw: pl.Series) -> pl.Series:
    """Cells without the blanks around them; words for "no value" become null.

    Examples
    --------
    >>> clean(pl.Series([" 1.5 ", "", "NaN", "---", "OL"])).to_list()
    ['1.5', None, None, None, 'OL']
    """
    return raw.to_frame().select(cleaned(pl.col(raw.name))).to_series()


def cleaned(raw: pl.Expr) -> pl.Expr:
    """`clean` as an expression, for all columns of a table at once.

    Examples
    --------
    >>> pl.select(cleaned(pl.lit(" NaN "))).to_series().to_list()
    [None]
    """
    text = raw.str.strip_chars().str.replace_all("−", "-", literal=True)
    return pl.when(~text.str.to_lowercase().is_in(BLANK_WORDS)).then(text)


def first_true(mask: pl.Series) -> int | None:
    """The index of the first true value, or None.

    Examples
    --------
    >>> first_true(pl.Series([False, None, True])), first_true(pl.Series([False]))
    (2, None)
    """
    known = mask.fill_null(False)
    return known.arg_max() if known.any() else None


def looks_like_number(cell: str) -> bool:
    """Whether a cell holds digits and marks only, whatever the marks mean.

    Examples
    --------
    >>> [looks_like_number(cell) for cell in ("-0,5", "1.2E-3", "1.234,5", "Pa", "14:03")]
    [True, True, True, False, False]
    """
    return _NUMBER_LIKE.fullmatch(cell.strip().replace("−", "-")) is not None


def find_mark(columns: Sequence[Cells], given: str | None, separator: str) -> str:
    """The decimal mark of a file: the one given, or the one its numbers prove.

    A comma is taken for a decimal comma only when some cell cannot be read with a thousands
    separator (`0,5`, `12,34`, `1234,5`); the same for a point that stands in only some of a
    column's cells. Otherwise `12,500` could be twelve and a half or twelve thousand five hundred.

    Parameters
    ----------
    columns
        The numeric columns that share the mark.
    given
        The mark stated by the user, if any.
    separator
        What stands between the cells.

    Returns
    -------
    str
        `"."` or `","`.

    Raises
    ------
    InputError
        Both marks occur, or the mark cannot be told.

    Examples
    --------
    >>> cells = Cells("draft", pl.Series(["0,5", "12,500"]), "a.csv", [2, 3])
    >>> find_mark([cells], None, ";")
    ','
    """
    if given is not None:
        return given
    if separator == "," and not any(_has(cells, ",") for cells in columns):
        return "."
    found: dict[str, tuple[Cells, int]] = {}
    for cells in columns:
        for mark in (".", ","):
            hits = _marked(cells.values, mark)
            if hits is not None:
                found.setdefault(mark, (cells, hits))
    if len(found) == 2:
        cells, index = found[","]
        raise cells.error(
            "ambiguous_decimal",
            f"{cells.values[index]!r}: the numbers of this file have both commas and points",
            index,
            "export without thousands separators, with one decimal mark",
        )
    if not found:
        return "."
    mark = next(iter(found))
    if mark == "," or separator != ",":
        _require_proof(columns, mark, found[mark])
    return mark


def _has(cells: Cells, text: str) -> bool:
    return bool(cells.values.str.contains(text, literal=True).any())


def _marked(values: pl.Series, mark: str) -> int | None:
    """The first cell that is a number with this mark in it."""
    return first_true(values.str.contains(mark, literal=True) & values.str.contains(_MARKED))


def _require_proof(columns: Sequence[Cells], mark: str, first: tuple[Cells, int]) -> None:
    for cells in columns:
        values = cells.values.drop_nulls()
        marked = values.filter(
            values.str.contains(mark, literal=True) & values.str.contains(_MARKED)
        )
        if marked.is_empty():
            continue
        grouped = marked.str.contains(_GROUPED)
        if not grouped.all():
            return
        plain = values.str.contains(r"^[+-]?\d+$")
        if mark == "." and not plain.any():
            return
    cells, index = first
    raise cells.error(
        "ambiguous_decimal",
        f"{cells.values[index]!r} can be read with a decimal mark or with a thousands separator",
        index,
        "state the decimal mark (`decimal`: . or ,)",
    )


def to_floats(cells: Cells, mark: str, *, suffix: str = "") -> pl.Series:
    """The numbers of a column; blank cells stay null.

    Parameters
    ----------
    cells
        The column.
    mark
        The decimal mark, `"."` or `","`.
    suffix
        A unit that may stand behind each number.

    Returns
    -------
    polars.Series
        Float64, of the same length.

    Raises
    ------
    InputError
        A cell is not a number, is not finite, or says "over range".

    Examples
    --------
    >>> cells = Cells("draft", pl.Series(["0,5", None, "12,25 Pa"]), "a.csv", [2, 3, 4])
    >>> to_floats(cells, ",", suffix="Pa").to_list()
    [0.5, None, 12.25]
    """
    text = cells.values
    if suffix and text.str.contains(suffix, literal=True).any():
        text = text.str.strip_suffix(suffix).str.strip_chars()
    numbers = floats_or_null(text, mark)
    if numbers.null_count() == text.null_count() and not is_huge(numbers):
        return numbers
    bad = (numbers.is_null() & cells.values.is_not_null()) | (numbers.abs() >= OVER_RANGE)
    bad = bad.fill_null(False) & (numbers != NOT_A_NUMBER).fill_null(True)
    index = first_true(bad)
    if index is not None:
        wrong = "says that the instrument was over range"
        if numbers[index] is None:
            wrong = f"is not a number with the decimal mark {mark!r}"
        raise cells.error(
            "unreadable_cell",
            f"{cells.values[index]!r} {wrong}",
            index,
            "mend or blank the cell; a blank cell leaves the sample out",
        )
    if numbers.is_in([NOT_A_NUMBER]).any():
        numbers = numbers.replace(NOT_A_NUMBER, None)
    return numbers


def floats_or_null(text: pl.Series, mark: str) -> pl.Series:
    """Cells as finite numbers where they are numbers with this decimal mark, null elsewhere.

    Examples
    --------
    >>> floats_or_null(pl.Series(["1.5", "1,5", "1e999", "x"]), ".").to_list()
    [1.5, None, None, None]
    """
    points = text
    if mark == ",":
        point = pl.col("text").str.contains(".", literal=True)
        comma = pl.col("text").str.replace(",", ".", literal=True)
        points = text.rename("text").to_frame().select(pl.when(~point).then(comma)).to_series()
    numbers: pl.Series = points.cast(pl.Float64, strict=False).rename(text.name)
    if numbers.is_finite().sum() == len(numbers) - numbers.null_count():
        return numbers
    value = pl.col("value")
    finite = numbers.to_frame("value").select(pl.when(value.is_finite()).then(value))
    return finite.to_series().rename(text.name)


def is_huge(numbers: pl.Series) -> bool:
    """Whether a number stands for "over range".

    Examples
    --------
    >>> is_huge(pl.Series([0.5, 9.9e37])), is_huge(pl.Series([0.5, None]))
    (True, False)
    """
    low, high = numbers.min(), numbers.max()
    return (isinstance(high, float) and high >= OVER_RANGE) or (
        isinstance(low, float) and low <= -OVER_RANGE
    )
