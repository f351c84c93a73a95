"""Where the table starts in a logger's file, and how its cells are separated."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from .._errors import InputError, listed
from ._clock import looks_like_stamp
from ._columns import find_columns, is_position
from ._numbers import BLANK_WORDS, looks_like_number
from ._text import SEPARATORS, is_remark, shown_separator, split

# How far down a header is looked for, how many lines of units and remarks may follow it, and how
# many lines of closing words may follow the table.
_HEAD_LINES = 1000
_UNIT_LINES = 3
_FOOT_LINES = 20
_READING = re.compile(r"[+-]?[.,]?\d", re.ASCII)


@dataclass(frozen=True)
class Layout:
    """The table in a file.

    Attributes
    ----------
    separator
        What stands between the cells.
    header
        The column names; empty when there are none.
    columns
        Role -> position.
    units
        The lines between the names and the first row, as cells.
    rows
        The numbers of the lines that hold the rows, the file's first line being 0.
    top
        The number of the line with the names, or of the first row when there are none.
    """

    separator: str
    header: list[str]
    columns: dict[str, int]
    rows: list[int]
    top: int
    units: list[list[str]] = field(default_factory=list)

    def heading(self, role: str) -> list[str]:
        """The name of a column and what stands in the lines of units below it."""
        index = self.columns[role]
        cells = [self.header, *self.units]
        return [row[index] for row in cells if index < len(row)]

    def name(self, role: str) -> str:
        """The name of a column, or its position when it has none."""
        index = self.columns[role]
        return self.header[index] if index < len(self.header) else f"#{index + 1}"


def find_layout(
    lines: Sequence[str],
    named: Mapping[str, str],
    wanted: Sequence[str],
    *,
    separator: str | None,
    file: str,
) -> Layout:
    """Find the table that holds the wanted columns.

    The header is the first line that holds every wanted column exactly once and is followed by
    values; lines before it are skipped. When no line is one, a comment may be it. Columns given by
    position (`#2`) need no header: the table starts at the first line with values there.

    Parameters
    ----------
    lines
        The lines of the file.
    named
        Role -> the name or position that the manifest gives.
    wanted
        The roles that must be there (`time` and one of `pressure`, `contact` at least).
    separator
        The separator stated by the user; None finds it.
    file
        For errors.

    Raises
    ------
    InputError
        No such table, or more than one separator fits.

    Examples
    --------
    >>> text = ["Serial 12", "time;draft", "s;Pa", "0,0;1,5", "0,1;1,7"]
    >>> layout = find_layout(text, {}, ["time", "pressure"], separator=None, file="a.csv")
    >>> layout.separator, layout.columns, layout.rows, layout.units
    (';', {'time': 0, 'pressure': 1}, [3, 4], [['s', 'Pa']])
    """
    search = _Search(lines, named, wanted, (separator,) if separator else SEPARATORS, file)
    for heads in (search.usable, search.remarks):
        layout = search.through(heads)
        if layout is not None:
            return layout
    if not search.usable:
        raise InputError(
            "empty_file",
            "the file holds nothing but comments"
            if any(map(str.strip, lines))
            else "the file is empty",
            file=file,
            advice="copy the recording from the logger again",
        )
    sought = listed(f"{role} {named[role]!r}" if named.get(role) else role for role in wanted)
    found = listed(_guess_header(lines, search.usable, search.separators))
    raise search.ambiguous or InputError(
        "column_not_found",
        f"no line names these columns with values below them: {sought}",
        file=file,
        advice="name the columns in the manifest (`time_column`, `pressure_column`,"
        f" `contact_column`); columns found: {found}",
    )


class _Search:
    """The search for a header; keeps the first reason why a line could not be one."""

    def __init__(
        self,
        lines: Sequence[str],
        named: Mapping[str, str],
        wanted: Sequence[str],
        separators: Sequence[str],
        file: str,
    ) -> None:
        self.lines = lines
        self.named = named
        self.wanted = wanted
        self.separators = separators
        self.file = file
        self.usable = [i for i, line in enumerate(lines) if not is_remark(line)]
        self.remarks = [i for i, line in enumerate(lines[:_HEAD_LINES]) if is_remark(line)]
        self.bare = all(is_position(named.get(role, "")) for role in wanted)
        self.ambiguous: InputError | None = None

    def through(self, heads: Sequence[int]) -> Layout | None:
        """The layout whose header is one of these lines."""
        without_rows: Layout | None = None
        for index in heads[:_HEAD_LINES]:
            layouts = [
                layout for mark in self.separators if (layout := self.at(index, mark)) is not None
            ]
            fits = [layout for layout in layouts if layout.rows]
            if len(fits) > 1:
                raise InputError(
                    "ambiguous_separator",
                    "the line can be split at "
                    + " and at ".join(shown_separator(layout.separator) for layout in fits),
                    file=self.file,
                    line=index + 1,
                    advice="state it in the manifest (`separator`)",
                )
            if fits:
                return _without_foot(self.lines, fits[0])
            if layouts and without_rows is None:
                without_rows = layouts[0]
        if without_rows is None:
            return None
        below = self.usable[bisect_right(self.usable, without_rows.top) :]
        return replace(without_rows, rows=_unread(self.lines, below, without_rows))

    def at(self, index: int, mark: str) -> Layout | None:
        """The layout that has its header (or without names its first row) on this line."""
        line = self.lines[index].lstrip("#/ ")
        if mark not in line:
            return None
        cells = split(line, mark)
        try:
            columns = find_columns(cells, self.named, self.wanted)
        except InputError as error:
            self.ambiguous = self.ambiguous or InputError(
                error.kind,
                error.message,
                file=self.file,
                line=index + 1,
                column=error.column,
                advice=error.advice,
            )
            return None
        if columns is None:
            return None
        place = bisect_right(self.usable, index)
        if not self.bare:
            head = Layout(mark, cells, columns, [], index)
            return _with_rows(self.lines, self.usable[place:], head)
        if self.usable[place - 1 : place] == [index] and _has_values(cells, columns):
            return Layout(mark, [], columns, self.usable[place - 1 :], index)
        return None


def _with_rows(lines: Sequence[str], below: list[int], head: Layout) -> Layout:
    """The layout with its rows, if any line shortly below the header is one."""
    units: list[list[str]] = []
    for skipped, index in enumerate(below[: _UNIT_LINES + 1]):
        cells = split(lines[index], head.separator)
        time = _cell(cells, head.columns["time"])
        if _is_time(time) or (_is_blank(time) and _has_reading(cells, head.columns)):
            return replace(head, rows=below[skipped:], units=units)
        units.append(cells)
    return head


def _unread(lines: Sequence[str], below: list[int], layout: Layout) -> list[int]:
    """Lines below a header that are not values: remarks when few and without digits, else rows."""
    few = below[: _UNIT_LINES + 1]
    times = [_cell(split(lines[i], layout.separator), layout.columns["time"]) for i in few]
    digits = any(char.isdigit() for cell in times for char in cell)
    return below if digits or len(few) > _UNIT_LINES else []


def _has_reading(cells: Sequence[str], columns: Mapping[str, int]) -> bool:
    return "pressure" in columns and (_READING.match(_cell(cells, columns["pressure"])) is not None)


def _has_values(cells: Sequence[str], columns: Mapping[str, int]) -> bool:
    """Whether a line below no names can be the first row: a time, and a reading if one is due."""
    return _is_time(_cell(cells, columns["time"])) and (
        "pressure" not in columns or _has_reading(cells, columns)
    )


def _cell(cells: Sequence[str], index: int) -> str:
    return cells[index] if index < len(cells) else ""


def _is_time(cell: str) -> bool:
    return looks_like_number(cell) or looks_like_stamp(cell)


def _is_blank(cell: str) -> bool:
    return cell.lower() in BLANK_WORDS


def _without_foot(lines: Sequence[str], layout: Layout) -> Layout:
    """Leave out closing words below the table, and a last line that was never finished."""
    rows = list(layout.rows)
    time = layout.columns["time"]
    # Text that ends in a line end has an empty last line: a last row without one may be cut off.
    unfinished = bool(rows) and rows[-1] == len(lines) - 1
    if unfinished and len(split(lines[rows[-1]], layout.separator)) < len(layout.header):
        rows.pop()
    kept = list(rows)
    while kept and len(rows) - len(kept) <= _FOOT_LINES:
        cell = _cell(split(lines[kept[-1]], layout.separator), time)
        if _is_blank(cell) or _is_time(cell):
            rows = kept
            break
        kept.pop()
    return replace(layout, rows=rows)


def _guess_header(
    lines: Sequence[str], usable: Sequence[int], candidates: Sequence[str]
) -> list[str]:
    """The line above the first one with two numbers: what a person would take for the names."""
    for before, index in pairwise(usable[:_HEAD_LINES]):
        for mark in candidates:
            names, cells = split(lines[before], mark), split(lines[index], mark)
            values = sum(_is_time(cell) for cell in cells)
            if len(names) > 1 and len(cells) > 1 and values > 1 and not all(map(_is_time, names)):
                return [repr(name) for name in names if name]
    return []
