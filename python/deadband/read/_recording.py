"""One logger recording, from its file to arrays in seconds and pascal."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from .._errors import InputError, listed
from ._clock import Clock, Floats, is_clock, read_clock, seconds
from ._columns import find_columns, stated_pressure_units, stated_time_units
from ._contact import contact_numbers, read_contact, turned_over
from ._layout import Layout, find_layout
from ._numbers import Cells, cleaned, find_mark, to_floats
from ._pace import check_pace, counted
from ._sign import Depression, turned
from ._text import decode, read_bytes, split
from ._units import pascal_per, same_unit


@dataclass(frozen=True)
class LoggerFile:
    """How one recording is written down.

    Attributes
    ----------
    path
        The file with the pressure.
    shown
        Its name in messages.
    unit
        The unit of the pressure.
    named
        Role (`time`, `pressure`, `contact`, `date`) -> column name or position.
    contact_kind
        `volt`, `ohm`, `on_off`, or None: found.
    contact_path
        The file with the contact, when it has its own clock.
    contact_shown
        Its name in messages.
    contact_time
        The contact's time column, when the manifest names it.
    time_unit
        `s`, `ms`, `min`, or None: the one the heading states, else seconds.
    decimal
        The decimal mark, or None: found.
    separator
        The separator, or None: found.
    interval_s
        The time between two rows, s, where the clock is too coarse to tell; None: the clock tells.
    depression
        The sign with which depression was logged, or None: as the rest of the folder.
    """

    path: Path
    shown: str
    unit: str
    named: Mapping[str, str] = field(default_factory=dict)
    contact_kind: str | None = None
    contact_path: Path | None = None
    contact_shown: str = ""
    contact_time: str = ""
    time_unit: str | None = None
    decimal: str | None = None
    separator: str | None = None
    interval_s: float | None = None
    depression: Depression | None = None


@dataclass(frozen=True)
class Recording:
    """The channels of one recording: seconds, pascal, and the contact as numbers.

    `contact_time_s` is None when the contact shares `time_s`; `note` says what may be meant
    otherwise.
    """

    time_s: pl.Series
    pressure_pa: pl.Series
    contact: pl.Series
    contact_time_s: pl.Series | None
    note: str | None = None


@dataclass(frozen=True)
class _Table:
    layout: Layout
    cells: dict[str, Cells]
    mark: str
    clock: Clock
    time_stated: bool


def read_recording(source: LoggerFile, depression: Depression = "positive") -> Recording:
    r"""Read one recording.

    A row without a time is left out; one without a pressure is left out of the pressure channel,
    one without a contact of the contact channel, which then has its own clock.

    Parameters
    ----------
    source
        Where it is and how it is written.
    depression
        The sign with which depression was logged.

    Raises
    ------
    InputError
        The file cannot be read, with the line and column at fault.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "a.csv"
    >>> _ = path.write_text("time;draft;switch\n0,0;0,5;on\n0,1;1,5;\n0,2;2,5;off\n")
    >>> recording = read_recording(LoggerFile(path, "a.csv", "hPa"))
    >>> recording.pressure_pa.to_list(), recording.contact.to_list()
    ([50.0, 150.0, 250.0], [1.0, 0.0])
    >>> recording.contact_time_s.to_list()
    [0.0, 0.2]
    """
    apart = source.contact_path is not None
    roles = ("time", "pressure") if apart else ("time", "pressure", "contact")
    main = _read_table(source, source.path, source.shown, source.named, roles)
    _check_unit(source, main.layout)
    time = _paced(
        seconds(main.clock, main.clock, source.shown, main.layout.name("time")),
        main,
        source.shown,
        source.interval_s,
        whole=not apart,
    )
    pressure = to_floats(main.cells["pressure"], main.mark, suffix=source.unit)
    kept = ~np.isnan(time) & pressure.is_not_null().to_numpy()
    pascal = pressure.filter(pl.Series(kept)) * pascal_per(
        source.unit, file=source.shown, line=None
    )
    if apart:
        named = {**source.named, "time": source.contact_time}
        shown = source.contact_shown
        other = _read_table(source, source.contact_path, shown, named, ("time", "contact"))
        contact_time = _paced(
            seconds(other.clock, main.clock, shown, other.layout.name("time")), other, shown
        )
    else:
        other, contact_time = main, time
    contact = read_contact(other.cells["contact"], source.contact_kind, other.mark)
    answered = ~np.isnan(contact_time) & contact.is_not_null().to_numpy()
    shared = not apart and np.array_equal(kept, answered)
    readings = turned(pascal, source.depression or depression, source.shown)
    states = contact.filter(pl.Series(answered))
    words = other.cells["contact"].values.filter(pl.Series(answered))
    return Recording(
        time_s=pl.Series("time_s", time[kept]),
        pressure_pa=readings,
        contact=states,
        contact_time_s=None if shared else pl.Series("contact_time_s", contact_time[answered]),
        note=_note(time[kept], readings, contact_time[answered], states, words),
    )


def _note(
    time: Floats, readings: pl.Series, contact_time: Floats, states: pl.Series, words: pl.Series
) -> str | None:
    if not len(time) or (np.diff(time) < 0).any():
        return None
    pressure = np.interp(contact_time, time, readings.to_numpy())
    return turned_over(states.to_numpy(), pressure, words)


def _paced(
    times: Floats,
    table: _Table,
    shown: str,
    interval_s: float | None = None,
    *,
    whole: bool = False,
) -> Floats:
    name = table.layout.name("time")
    if interval_s is not None:
        return counted(times, interval_s, file=shown, column=name)
    check_pace(times, stated=table.time_stated, whole=whole, file=shown, column=name)
    return times


def _read_table(
    source: LoggerFile,
    path: Path | None,
    shown: str,
    named: Mapping[str, str],
    roles: Sequence[str],
) -> _Table:
    lines = decode(read_bytes(path or source.path, shown)).split("\n")
    wanted = [*roles, "date"] if named.get("date") else list(roles)
    layout = find_layout(lines, named, wanted, separator=source.separator, file=shown)
    if "date" not in wanted and "date" not in layout.columns:
        layout.columns.update(find_columns(layout.header, {}, ["date"]) or {})
    cells = _read_cells(lines, layout, shown)
    numeric = [] if is_clock(cells["time"]) else [cells["time"]]
    if "pressure" in cells:
        numeric.append(cells["pressure"])
    if "contact" in cells:
        numeric.append(contact_numbers(cells["contact"]))
    mark = find_mark(numeric, source.decimal, layout.separator)
    if not layout.header and layout.separator == "," and not (source.separator or source.decimal):
        _require_points(numeric, shown)
    unit = _time_unit(source, layout, shown)
    clock = read_clock(cells["time"], cells.get("date"), mark, unit or "s")
    return _Table(layout, cells, mark, clock, clock.kind != "elapsed" or unit is not None)


def _read_cells(lines: Sequence[str], layout: Layout, shown: str) -> dict[str, Cells]:
    separator, rows = layout.separator, layout.rows
    numbers = [row + 1 for row in rows]
    width = max(len(layout.header), *(index + 1 for index in layout.columns.values()))
    if layout.header:
        _check_widths(lines, layout, shown)
    names = [f"c{i}" for i in range(width)]
    body = "\n".join([separator.join(names), *(lines[row] for row in rows), ""])
    frame = _parse(body, separator, [names[i] for i in layout.columns.values()], shown)
    if frame.height != len(rows):
        raise InputError(
            "unreadable_file",
            "a quotation mark is not closed on its line, so rows cannot be told apart",
            file=shown,
            advice="mend the quotation marks",
        )
    frame = frame.select(cleaned(pl.all()))
    return {
        role: Cells(layout.name(role), frame[names[index]], shown, numbers)
        for role, index in layout.columns.items()
    }


def _parse(body: str, separator: str, columns: list[str], shown: str) -> pl.DataFrame:
    try:
        return pl.read_csv(
            io.BytesIO(body.encode("utf-8", errors="replace")),
            separator=separator,
            quote_char='"' if '"' in body else None,
            columns=list(dict.fromkeys(columns)),
            infer_schema=False,
            truncate_ragged_lines=True,
        )
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
        raise InputError(
            "unreadable_file",
            f"the table cannot be split into cells ({str(error).splitlines()[0]})",
            file=shown,
            advice="check the separator and the quotation marks",
        ) from None


def _check_widths(lines: Sequence[str], layout: Layout, shown: str) -> None:
    """More cells than names: an unquoted decimal comma, as a rule, and never read as two cells."""
    width = len(layout.header)
    for row in layout.rows:
        if lines[row].count(layout.separator) < width:
            continue
        extra = split(lines[row], layout.separator)[width:]
        if any(extra):
            raise InputError(
                "row_too_long",
                f"the row has {width + len(extra)} cells under {width} names"
                f" ({listed(map(repr, layout.header))})",
                file=shown,
                line=row + 1,
                advice="a decimal comma between commas cannot be told from two cells: export with"
                " semicolons or with decimal points, or state `separator` and `decimal`",
            )


def _require_points(numeric: Sequence[Cells], shown: str) -> None:
    """Without names above them, `1,5` may be two cells or one number: only a point can tell."""
    if any(cells.values.str.contains(".", literal=True).any() for cells in numeric):
        return
    raise InputError(
        "ambiguous_separator",
        "commas stand between whole numbers, without names above them and without a decimal point"
        " anywhere, so a comma may separate cells or mark decimals",
        file=shown,
        advice="state `separator` in the manifest",
    )


def _check_unit(source: LoggerFile, layout: Layout) -> None:
    stated = stated_pressure_units(layout.heading("pressure"))
    if stated and not any(same_unit(unit, source.unit) for unit in stated):
        raise InputError(
            "unit_conflict",
            f"the heading says {listed(stated)} and the manifest says {source.unit}",
            file=source.shown,
            column=layout.name("pressure"),
            advice="correct `unit` in the manifest, or the heading",
        )


def _time_unit(source: LoggerFile, layout: Layout, shown: str) -> str | None:
    """The unit of times that are numbers, as the manifest or the heading says it."""
    stated = stated_time_units(layout.heading("time"))
    given = source.time_unit
    if given is None:
        return stated[0] if stated else None
    if stated and given not in stated:
        raise InputError(
            "unit_conflict",
            f"the heading says {listed(stated)} and the manifest says {given}",
            file=shown,
            column=layout.name("time"),
            advice="correct `time_unit` in the manifest, or the heading",
        )
    return given
