"""The end of a run in plain text."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Any, Final

from .report import sentences, summarise
from .report._tables import Table, method_table, unsafe_table
from .report._words import CAUTION_LINE, spaced, status_words

_UNSAFE_NAMED: Final = 20
_WIDTH: Final = 96


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
        parts.append(f"{unsafe.caption}:\n{grid(_without(unsafe, 'Model', 'Lot', 'Limits'))}{more}")
    if summary.without:
        reasons = [
            wrapped(f"{spaced(status)} ({count:,}): {' '.join(status_words(status))}")
            for status, count in summary.without.items()
        ]
        parts.append("\n".join(["Without a verdict:", *reasons]))
    where = [f"Tables: {shown(str(out))} (Parquet and CSV)"]
    if page is not None:
        where.append(f"Page:   {shown(str(page))}")
    return "\n\n".join([*parts, "\n".join(where), wrapped(CAUTION_LINE, indent="")])


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


def _without(table: Table, *names: str) -> Table:
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
