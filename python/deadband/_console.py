"""The end of a run in plain text."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Any, Final

import polars as pl

from .report import sentences, summarise
from .report._summary import findings_in_words
from .report._tables import Table, method_table, unsafe_table
from .report._words import CAUTION_LINE, spaced, status_words

_UNSAFE_NAMED: Final = 20
_WIDTH: Final = 96
# Reasons printed for a status, and tests named for each.
_REASONS: Final = 5
_TESTS: Final = 3


def text_of(verdicts: Any, switches: Any, *, unit: str, out: Path, page: Path | None) -> str:
    """What the command prints when it is done: counts, the unsafe tests, reasons, where it all is.

    Parameters
    ----------
    verdicts, switches
        The tables.
    unit
        Unit of pressure to print in.
    out
        The folder of results.
    page
        The page, if one was written.
    """
    summary = summarise(verdicts)
    parts = [sentences(summary)[0], grid(method_table(summary))]
    unsafe = unsafe_table(verdicts, switches, unit, _UNSAFE_NAMED)
    if unsafe.rows:
        left = unsafe.total - len(unsafe.rows)
        more = f"\n  and {left:,} more in {unsafe.file}.csv" if left else ""
        parts.append(
            f"{unsafe.caption}:\n{grid(without_columns(unsafe, 'Model', 'Lot', 'Limits'))}{more}"
        )
    if summary.without:
        parts.append("\n".join(["Without a verdict:", *without_verdict(verdicts)]))
    signs = findings_in_words(verdicts)
    if signs is not None:
        parts.append(wrapped(f"{signs} See condition.csv.", indent=""))
    where = [f"Tables: {shown(str(out))} (Parquet and CSV)"]
    if page is not None:
        where.append(f"Page:   {shown(str(page))}")
    return "\n\n".join([*parts, "\n".join(where), wrapped(CAUTION_LINE, indent="")])


def without_verdict(verdicts: Any) -> list[str]:
    """Lines that say why tests have no verdict, by status, the most frequent one first.

    What is known of single tests is said; the words of the status speak for the rest.

    Examples
    --------
    >>> verdicts = pl.DataFrame(
    ...     {
    ...         "test_id": ["t1"],
    ...         "verdict": [None],
    ...         "status": ["missing_value"],
    ...         "reason": ["t1.csv: the file is empty"],
    ...     }
    ... )
    >>> without_verdict(verdicts)
    ['  missing value (1):', '    t1: t1.csv: the file is empty']
    """
    table = verdicts.lazy().filter(pl.col("verdict").is_null()).collect()
    if "reason" not in table.columns:
        table = table.with_columns(reason=pl.lit(None, dtype=pl.String))
    lines: list[str] = []
    grouped = table.group_by("status").len().sort(["len", "status"], descending=[True, False])
    for status, count in grouped.iter_rows():
        rows = table.filter(pl.col("status").eq_missing(pl.lit(status, dtype=pl.String)))
        told = (
            rows.filter(pl.col("reason").is_not_null())
            .group_by("reason")
            .agg(pl.col("test_id").sort())
            .sort(
                pl.col("test_id").list.len(),
                pl.col("test_id").list.first(),
                descending=[True, False],
            )
        )
        silent = rows["reason"].null_count()
        words = f" {' '.join(status_words(status))}" if silent else ""
        lines.append(wrapped(f"{spaced(status)} ({count:,}):{words}"))
        lines.extend(
            wrapped(f"{_some(ids)}: {reason}", indent="    ")
            for reason, ids in told.head(_REASONS).iter_rows()
        )
        if told.height > _REASONS:
            lines.append(f"    and {told.height - _REASONS:,} more reasons in verdicts.csv")
    return lines


def _some(ids: Sequence[str | None]) -> str:
    named = ", ".join(name or "no id" for name in ids[:_TESTS])
    return named + (f" and {len(ids) - _TESTS:,} more" if len(ids) > _TESTS else "")


def grid(table: Table) -> str:
    """A table in columns, with its headings.

    Examples
    --------
    >>> from .report._tables import Column, cells
    >>> columns = (Column("Gauge"), Column("Lag / s", kind="number"))
    >>> print(grid(Table("", columns, [cells("g1", "0.4")], 1, "lags")))
      Gauge  Lag / s
      g1         0.4
    """
    numbers = {place for place, column in enumerate(table.columns) if column.kind == "number"}
    head = tuple(column.name for column in table.columns)
    rows = [tuple(cell.text for cell in row) for row in table.rows]
    return "\n".join(aligned([head, *rows], numbers))


def aligned(rows: Sequence[Sequence[str]], numbers: Collection[int] = ()) -> list[str]:
    """Lines with the cells below each other, the columns of `numbers` set to the right.

    Examples
    --------
    >>> aligned([("a", "1"), ("bcd", "22")], numbers={1})
    ['  a     1', '  bcd  22']
    """
    clean = [[shown(cell) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*clean, strict=True)]
    return [
        "  "
        + "  ".join(
            cell.rjust(width) if place in numbers else cell.ljust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in clean
    ]


def shown(text: str) -> str:
    r"""The text without what a terminal would obey.

    Examples
    --------
    >>> shown("T-1\x1b[2J\n")
    'T-1?[2J?'
    """
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def wrapped(text: str, indent: str = "  ") -> str:
    """The text in lines that fit a terminal, the second and later ones set in.

    Examples
    --------
    >>> wrapped("no event (2): The contact never changed.")
    '  no event (2): The contact never changed.'
    """
    return textwrap.fill(
        shown(text), _WIDTH, initial_indent=indent, subsequent_indent=indent + "  "
    )


def without_columns(table: Table, *names: str) -> Table:
    keep = [
        place for place, column in enumerate(table.columns) if not column.name.startswith(names)
    ]
    return Table(
        table.caption,
        tuple(table.columns[place] for place in keep),
        [tuple(row[place] for place in keep) for row in table.rows],
        table.total,
        table.file,
    )
