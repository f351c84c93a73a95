"""Small tables kept by hand: the manifest, the switches, the gauges."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from .._errors import InputError, SchemaError, listed
from ._numbers import Cells, clean
from ._text import SEPARATORS, decode, is_remark, read_bytes, split

# How alike two names are (0 to 1) when one is taken for a slip of the other, and endings that are
# forgotten.
_NEAR = 0.85
_SHORT = re.compile(r"_(?:id|s|pa)$")


@dataclass(frozen=True)
class Sheet:
    """A CSV table as it stands: every cell a string, blank cells null.

    Attributes
    ----------
    table
        The table it holds, for errors.
    file
        Its name, for errors.
    frame
        The cells.
    lines
        The line of each row in the file, the first line being 1.
    separator
        What stands between the cells.
    """

    table: str
    file: str
    frame: pl.DataFrame
    lines: Sequence[int]
    separator: str = ","

    def cells(self, column: str) -> Cells:
        """One column, with what an error about it needs.

        Examples
        --------
        >>> sheet = Sheet("gauges", "g.csv", pl.DataFrame({"gauge_id": ["g1"]}), [2])
        >>> sheet.cells("gauge_id").values.to_list()
        ['g1']
        """
        return Cells(column, self.frame[column], self.file, self.lines)

    def check_ids(self, column: str) -> None:
        """Raise unless every row has an id of its own.

        Examples
        --------
        >>> twice = Sheet("gauges", "g.csv", pl.DataFrame({"gauge_id": ["g1", "g1"]}), [2, 3])
        >>> twice.check_ids("gauge_id")
        Traceback (most recent call last):
            ...
        deadband._errors.InputError: g.csv, line 3, column gauge_id: 'g1' stands in line 2 ...
        """
        seen: dict[str, int] = {}
        for value, line in zip(self.frame[column].to_list(), self.lines, strict=True):
            if value is None:
                raise InputError(
                    "missing_value",
                    "the row has no identifier",
                    file=self.file,
                    line=line,
                    column=column,
                    advice="fill it in, or remove the row",
                )
            if value in seen:
                raise InputError(
                    "duplicate_id",
                    f"{value!r} stands in line {seen[value]} already",
                    file=self.file,
                    line=line,
                    column=column,
                    advice="give each row an identifier of its own",
                )
            seen[value] = line


def read_sheet(path: Path, table: str, required: Sequence[str], known: Sequence[str]) -> Sheet:
    r"""Read a CSV table that is kept by hand.

    The first line that is neither blank nor a comment holds the names. The separator is the one by
    which most of the known names are found. Below the names there are no comments, since an
    identifier may start with `#`; rows without any cell are left out.

    Parameters
    ----------
    path
        The file.
    table
        The table it holds, for errors.
    required
        Columns that must be there.
    known
        Columns that may be there; others are ignored.

    Raises
    ------
    SchemaError
        A required column is missing, one occurs twice, or a name is almost that of a column that
        is absent.
    InputError
        The file cannot be read, or a row has more cells than there are names.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "gauges.csv"
    >>> _ = path.write_text("\ufeffgauge_id;lag_s\ng1;0,4\n;\n", encoding="utf-8")
    >>> read_sheet(path, "gauges", ["gauge_id"], ["lag_s"]).frame.rows()
    [('g1', '0,4')]
    """
    file = path.name
    lines = decode(read_bytes(path, file)).split("\n")
    top = next((index for index, line in enumerate(lines) if not is_remark(line)), None)
    if top is None:
        raise InputError(
            "unreadable_file", "the file is empty", file=file, advice=f"write the {table} into it"
        )
    wanted = {*required, *known}
    splits = {mark: split(lines[top], mark) for mark in SEPARATORS}
    separator = max(splits, key=lambda mark: len(wanted.intersection(splits[mark])))
    header = splits[separator]
    _check_header(header, table, required, wanted, file)
    _check_spelling(header, table, wanted, file)
    rows, numbers = [], []
    for index in range(top + 1, len(lines)):
        cells = split(lines[index], separator)
        if any(cells[len(header) :]):
            raise InputError(
                "row_too_long",
                f"the row has {len(cells)} cells under {len(header)} names",
                file=file,
                line=index + 1,
                advice="put cells that hold a separator into quotation marks;"
                " write numbers with a decimal point where commas separate cells",
            )
        if any(cells):
            rows.append((cells + [""] * len(header))[: len(header)])
            numbers.append(index + 1)
    series = [
        clean(pl.Series(name, [row[place] for row in rows], dtype=pl.String))
        for place, name in enumerate(header)
        if name in wanted
    ]
    return Sheet(table, file, pl.DataFrame(series), numbers, separator)


def _check_spelling(header: Sequence[str], table: str, wanted: set[str], file: str) -> None:
    """Raise where a name is almost that of a column that is absent: it would be passed over."""
    absent = {_bare(name): name for name in wanted.difference(header)}
    short = {bare.rpartition("_")[0]: name for bare, name in absent.items() if _SHORT.search(bare)}
    for name in header:
        bare = _bare(name)
        if name in wanted or not bare:
            continue
        near = difflib.get_close_matches(bare, absent, n=1, cutoff=_NEAR)
        meant = absent[near[0]] if near else short.get(bare)
        if meant is not None:
            raise SchemaError(
                "misspelt_column",
                f"there is no such column, but there is {name!r}",
                column=meant,
                table=table,
                present=header,
                file=file,
                advice=f"name it {meant}, or something less like it if it holds something else",
            )


def _bare(name: str) -> str:
    return re.sub(r"[\s-]+", "_", name.strip().casefold())


def _check_header(
    header: Sequence[str], table: str, required: Sequence[str], wanted: set[str], file: str
) -> None:
    missing = [name for name in required if name not in header]
    if missing:
        also = f" (missing too: {listed(missing[1:])})" if missing[1:] else ""
        raise SchemaError(
            "missing_column",
            f"there is no such column{also}",
            column=missing[0],
            table=table,
            present=header,
            file=file,
            advice="add it; the first line that is not a comment holds the names",
        )
    twice = [name for name in header if name in wanted and header.count(name) > 1]
    if twice:
        raise SchemaError(
            "duplicate_column",
            "the name occurs more than once",
            column=twice[0],
            table=table,
            present=header,
            file=file,
            advice="keep one of them",
        )
