"""Time stamps as loggers write them: seconds, clock times, dates."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import polars as pl

from .._errors import InputError
from ._dates import DATE, ORDERS, date_tokens, day_numbers
from ._numbers import Cells, first_true, to_floats

# Seconds as a fraction, so that whole milliseconds and minutes stay exact.
TIME_UNITS = {"s": (1.0, 1.0), "ms": (1.0, 1000.0), "min": (60.0, 1.0), "d": (86_400.0, 1.0)}

_DAY_S = 86_400
# Spreadsheets count days so that this one is 1970-01-01.
_SERIAL_1970 = 25_569
_DAYS = 1e7
_HOUR_S = 3_600
_TIME = (
    r"(?P<h>\d{1,4}):(?P<m>\d{2})(?::(?P<s>\d{2}))?(?:[.,](?P<f>\d{1,12})|:(?P<ms>\d{3}))?"
    r"\s*(?P<half>[AaPp]\.?[Mm]\.?)?"
)
_STAMP = rf"^(?:{DATE}(?:[T,]\s*|\s+))?{_TIME}\s*(?P<zone>Z|[+-]\d{{2}}:?\d{{2}})?$"
_STAMP_LIKE = re.compile(_STAMP, re.ASCII)
_MEND = "write hh:mm:ss, or an ISO date and time, or seconds"

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Clock:
    """The time stamps of one column.

    Attributes
    ----------
    kind
        `elapsed` (numbers), `day` (clock times) or `date` (clock times with dates).
    whole
        Whole seconds: zero for `elapsed`, since the first midnight for `day`, since 1970
        for `date`, there once for each order of day and month that the dates allow.
    part
        The rest of the seconds, NaN where the cell is blank. Apart from `whole` so that a
        difference of two stamps is exact to the fraction.
    """

    kind: Literal["elapsed", "day", "date"]
    whole: dict[str, Ints]
    part: Floats


def looks_like_stamp(cell: str) -> bool:
    """Whether a cell is a clock time, with or without a date.

    Examples
    --------
    >>> [looks_like_stamp(cell) for cell in ("14:03:07.25", "2024-03-15T14:03", "Time", "0.5")]
    [True, True, False, False]
    """
    return _STAMP_LIKE.match(cell.strip()) is not None


def is_clock(cells: Cells) -> bool:
    """Whether a time column holds clock times: its first cell that is not blank has a colon.

    Examples
    --------
    >>> is_clock(Cells("time", pl.Series([None, "14:03:07"]), "a.csv", [2, 3]))
    True
    """
    filled = cells.values.drop_nulls()
    return bool(len(filled)) and ":" in filled[0]


def read_clock(cells: Cells, dates: Cells | None, mark: str, unit: str) -> Clock:
    """The stamps of a time column.

    Parameters
    ----------
    cells
        The time column.
    dates
        A date column beside it, used when the time column holds no dates itself.
    mark
        The decimal mark, for a time column of numbers.
    unit
        `s`, `ms`, `min` or `d`, for a time column of numbers. Days are dates as a spreadsheet
        counts them.

    Raises
    ------
    InputError
        A cell is not a time, or can be read as two different times.

    Examples
    --------
    >>> cells = Cells("time", pl.Series(["23:59:59.5", "00:00:00.5"]), "a.csv", [2, 3])
    >>> clock = read_clock(cells, None, ".", "s")
    >>> clock.kind, (clock.whole[""] + clock.part).tolist()
    ('day', [86399.5, 86400.5])
    """
    if not is_clock(cells):
        over, under = TIME_UNITS[unit]
        numbers = to_floats(cells, mark)
        if unit == "d":
            return _serial(cells, numbers)
        numbers = numbers * over / under
        part = numbers.fill_null(float("nan")).to_numpy()
        return Clock("elapsed", {"": np.zeros(len(part), dtype=np.int64)}, part)
    frame = cells.values.str.extract_groups(_STAMP).struct.unnest()
    frame = frame.with_columns(
        pl.col("h", "m", "s").cast(pl.Int64, strict=False),
        dated=pl.col("date").is_not_null(),
        short=pl.col("s").is_null() & cells.values.is_not_null(),
    )
    minutes_first = _check(cells, frame)
    blank = cells.values.is_null().to_numpy()
    part = ("0." + frame["f"].fill_null(frame["ms"]).fill_null("0")).cast(pl.Float64).to_numpy()
    part = np.where(blank, np.nan, part)
    if minutes_first:
        whole = frame.select(pl.col("h") * 60 + pl.col("m")).to_series().fill_null(0).to_numpy()
        return Clock("day", {"": _unwrap(whole, blank, _HOUR_S)}, part)
    whole = _seconds_of_day(frame)
    source, tokens = cells, frame["date"]
    if dates is not None and not frame["dated"].any():
        source, tokens = dates, date_tokens(dates)
    if tokens.is_null().all():
        return Clock("day", {"": _unwrap(whole, blank, _DAY_S)}, part)
    missing = first_true(tokens.is_null() & cells.values.is_not_null())
    if missing is not None:
        raise source.error(
            "unreadable_cell",
            "there is no date where the other rows have one",
            missing,
            "mend or blank the row",
        )
    days = day_numbers(source, tokens)
    return Clock(
        "date",
        {order: day.fill_null(0).to_numpy() * _DAY_S + whole for order, day in days.items()},
        part,
    )


def _serial(cells: Cells, numbers: pl.Series) -> Clock:
    """Days and their fractions as whole seconds since 1970 and the rest."""
    index = first_true(numbers.abs() > _DAYS)
    if index is not None:
        raise cells.error(
            "unreadable_cell",
            f"{cells.values[index]!r} is no day as a spreadsheet counts them",
            index,
            "state another `time_unit`",
        )
    days = numbers.fill_null(float("nan")).to_numpy()
    known = ~np.isnan(days)
    midnight = np.where(known, np.floor(days), 0.0)
    of_day = np.where(known, (days - midnight) * _DAY_S, 0.0)
    whole = ((midnight - _SERIAL_1970) * _DAY_S + np.floor(of_day)).astype(np.int64)
    part = np.where(known, of_day - np.floor(of_day), np.nan)
    return Clock("date", dict.fromkeys(ORDERS, whole), part)


def _check(cells: Cells, frame: pl.DataFrame) -> bool:
    """Raise at the first cell that is no time; say whether the times are minutes and seconds.

    `03:07.2` is minutes and seconds: no clock writes a fraction of a minute behind a point.
    """
    fraction = frame["f"].is_not_null() | frame["ms"].is_not_null()
    bare = frame["short"] & ~frame["dated"]
    minutes_first = bool((bare & fraction).any())
    bad = cells.values.is_not_null() & frame["m"].is_null()
    bad = bad | (frame["m"] > 59).fill_null(False) | (frame["s"] > 59).fill_null(False)
    bad = bad | (frame["short"] & frame["dated"] & fraction)
    bad = bad | (frame["half"].is_not_null() & ~frame["h"].is_between(1, 12))
    index = first_true(bad)
    if index is not None:
        raise cells.error("unreadable_cell", f"{cells.values[index]!r} is not a time", index, _MEND)
    unclear = ~bare & cells.values.is_not_null() if minutes_first else bare
    index = first_true(unclear)
    if index is not None:
        raise cells.error(
            "ambiguous_time",
            f"{cells.values[index]!r}: hours and minutes cannot be told from minutes and seconds",
            index,
            _MEND,
        )
    return minutes_first


def _seconds_of_day(frame: pl.DataFrame) -> Ints:
    half = pl.col("half").str.slice(0, 1).str.to_lowercase()
    hour = (
        pl.when(half == "p")
        .then(pl.col("h") % 12 + 12)
        .when(half == "a")
        .then(pl.col("h") % 12)
        .otherwise(pl.col("h"))
    )
    zone = pl.col("zone").str.replace(":", "", literal=True)
    sign = pl.when(zone.str.starts_with("-")).then(-1).otherwise(1)
    east = sign * (
        zone.str.slice(1, 2).cast(pl.Int64, strict=False) * _HOUR_S
        + zone.str.slice(3, 2).cast(pl.Int64, strict=False) * 60
    )
    total = hour * _HOUR_S + pl.col("m") * 60 + pl.col("s").fill_null(0) - east.fill_null(0)
    seconds_of_day: Ints = frame.select(total).to_series().fill_null(0).to_numpy()
    return seconds_of_day


def _unwrap(whole: Ints, blank: npt.NDArray[np.bool_], period: int) -> Ints:
    """Times that go back by more than half a period have passed midnight (or the full hour)."""
    result: Ints = whole.copy()
    kept = whole[~blank]
    back = np.diff(kept, prepend=kept[:1]) < -(period // 2)
    result[~blank] = kept + period * np.cumsum(back)
    return result


def seconds(clock: Clock, origin: Clock, file: str, column: str) -> Floats:
    """Stamps in seconds since the first stamp of `origin`; as they stand when they are numbers.

    Parameters
    ----------
    clock
        The stamps.
    origin
        The clock that sets zero: the same one, or that of the other channel's file.
    file
        For the error.
    column
        For the error.

    Raises
    ------
    InputError
        The two clocks cannot be put on one scale, or the order of day and month
        matters and cannot be told.

    Examples
    --------
    >>> cells = Cells("t", pl.Series(["14:03:07.25", "14:03:08.50"]), "a.csv", [2, 3])
    >>> clock = read_clock(cells, None, ".", "s")
    >>> seconds(clock, clock, "a.csv", "t").tolist()
    [0.0, 1.25]
    """
    if clock.kind != origin.kind:
        raise InputError(
            "clocks_differ",
            f"this clock gives {clock.kind} times and the pressure's clock {origin.kind} times",
            file=file,
            column=column,
            advice="export both channels with the same kind of time stamp",
        )
    stamps = np.flatnonzero(~np.isnan(origin.part))
    if clock.kind == "elapsed" or not len(stamps):
        return clock.part
    first = int(stamps[0])
    results: list[Floats] = []
    for order in [order for order in clock.whole if order in origin.whole]:
        whole = clock.whole[order] - origin.whole[order][first]
        if clock.kind == "day" and clock is not origin:
            whole = whole - _whole_days(whole[~np.isnan(clock.part)])
        results.append(whole + (clock.part - origin.part[first]))
    if not results or any(not np.array_equal(r, results[0], equal_nan=True) for r in results):
        raise InputError(
            "ambiguous_time",
            "the order of day and month cannot be told from these dates, and it matters here",
            file=file,
            column=column,
            advice="export ISO dates (2024-03-15)",
        )
    return results[0]


def _whole_days(whole: Ints) -> int:
    """Clock times without a date start within half a day of the other channel's."""
    return _DAY_S * round(float(whole[0]) / _DAY_S) if len(whole) else 0
