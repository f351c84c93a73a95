"""Days and instants as people write them into a table kept by hand."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, timezone

from ._dates import DATE, ORDERS
from ._numbers import Cells

_INSTANT = re.compile(
    rf"{DATE}(?:(?:T|,?\s+)(?P<h>\d{{1,2}}):(?P<m>\d{{2}})(?::(?P<s>\d{{2}})(?:[.,](?P<f>\d{{1,6}}))?)?"
    r"\s*(?P<zone>Z|[+-]\d{2}:?\d{2})?)?",
    re.ASCII,
)
_EPOCH = datetime(1970, 1, 1, tzinfo=timezone.utc)
_ADVICE = "write 2024-03-15 or 2024-03-15 14:03:07"


def read_instants(cells: Cells) -> list[datetime]:
    """The instants of a column, with an offset from UTC turned into UTC, without a zone.

    `15.03.2024` and `3/15/2024` are taken where one order of day and month fits the whole column;
    ISO dates need no such proof.

    Parameters
    ----------
    cells
        The column; no cell may be blank.

    Raises
    ------
    InputError
        A cell is no date, or the order of day and month cannot be told.

    Examples
    --------
    >>> import polars as pl
    >>> column = pl.Series(["15.03.2024 14:03", "01.04.2024"])
    >>> read_instants(Cells("tested_at", column, "tests.csv", [2, 3]))
    [datetime.datetime(2024, 3, 15, 14, 3), datetime.datetime(2024, 4, 1, 0, 0)]
    """
    matches = [_INSTANT.fullmatch(text or "") for text in cells.values.to_list()]
    order = _order(
        cells,
        {
            index: match["date"]
            for index, match in enumerate(matches)
            if match and not _is_iso(match["date"])
        },
    )
    instants = []
    for index, match in enumerate(matches):
        day = None
        if match:
            reader = ORDERS["year first" if _is_iso(match["date"]) else order]
            day = reader(re.split(r"[-/. ]", match["date"]))
        moment = _moment(day, match) if match and day is not None else None
        if moment is None:
            raise cells.error(
                "unreadable_cell", f"{cells.values[index]!r} is not a date", index, _ADVICE
            )
        instants.append(moment)
    return instants


def _is_iso(date: str) -> bool:
    return date[:4].isdigit()


def _order(cells: Cells, dates: dict[int, str]) -> str:
    """The one order of day and month that makes dates of all of them."""
    fitting: dict[tuple[int | None, ...], str] = {}
    for name, reader in ORDERS.items():
        days = [reader(re.split(r"[-/. ]", date)) for date in dates.values()]
        if None not in days:
            fitting.setdefault(tuple(days), name)
    if len(fitting) > 1:
        index, date = next(iter(dates.items()))
        raise cells.error(
            "ambiguous_time",
            f"{date!r}: the order of day, month and year cannot be told from these dates",
            index,
            _ADVICE,
        )
    return next(iter(fitting.values()), "day first")


def _moment(day: int, match: re.Match[str]) -> datetime | None:
    hour, minute, second = (int(match[part] or 0) for part in ("h", "m", "s"))
    if hour > 23 or minute > 59 or second > 59:
        return None
    try:
        moment = _EPOCH + timedelta(
            days=day,
            hours=hour,
            minutes=minute,
            seconds=second,
            microseconds=int((match["f"] or "").ljust(6, "0")),
        )
        return (moment - _offset(match["zone"])).replace(tzinfo=None)
    except OverflowError:
        return None


def _offset(zone: str | None) -> timedelta:
    if zone in {None, "Z"}:
        return timedelta()
    digits = str(zone)[1:].replace(":", "")
    east = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
    return -east if str(zone).startswith("-") else east
