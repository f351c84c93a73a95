"""Dates in logger files: which orders of day and month they allow."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date

import polars as pl

from ._numbers import Cells

DATE = (
    r"(?P<date>\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.](?:\d{4}|\d{2})"
    r"|\d{1,2}[- ][A-Za-z]{3}[- ]\d{4})"
)
_DATE_CELL = rf"^{DATE}(?:[T\s].*)?$"
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_EPOCH = date(1970, 1, 1).toordinal()
# Days and months exchanged move a date by at least this much, and no test takes so long.
_SPREAD_DAYS = 28


def date_tokens(cells: Cells) -> pl.Series:
    """The date at the start of each cell, null where there is none.

    Examples
    --------
    >>> date_tokens(Cells("date", pl.Series(["15.03.2024", "n"]), "a.csv", [2, 3])).to_list()
    ['15.03.2024', None]
    """
    return cells.values.str.extract_groups(_DATE_CELL).struct.field("date")


def day_numbers(source: Cells, tokens: pl.Series) -> dict[str, pl.Series]:
    """Days since 1970-01-01, once for each order of day and month that the dates allow.

    An order that would spread the recording over a month is left out when another does not.

    Parameters
    ----------
    source
        The column the dates came from, for the error.
    tokens
        A date a sample, null where the sample is left out.

    Raises
    ------
    InputError
        No order makes all of them dates.

    Examples
    --------
    >>> cells = Cells("date", pl.Series(["03/04/2024", "04/04/2024"]), "a.csv", [2, 3])
    >>> {order: days.to_list() for order, days in day_numbers(cells, cells.values).items()}
    {'day first': [19816, 19817]}
    """
    distinct = tokens.unique(maintain_order=True).drop_nulls().to_list()
    spreads: dict[str, int] = {}
    orders: dict[str, pl.Series] = {}
    for order, reader in ORDERS.items():
        days = {token: reader(re.split(r"[-/. ]", token)) for token in distinct}
        known = [day for day in days.values() if day is not None]
        if known and len(known) == len(distinct):
            spreads[order] = max(known) - min(known)
            orders[order] = tokens.replace_strict(days, default=None, return_dtype=pl.Int64)
    if not orders:
        raise source.error(
            "unreadable_cell",
            f"{distinct[0]!r} and the dates below it are not dates in one order of day and month",
            None,
            "write dates as 2024-03-15",
        )
    short = [order for order, days in spreads.items() if days < _SPREAD_DAYS]
    return {order: orders[order] for order in (short or orders)}


def _ordinal(year: str, month: str, day: str) -> int | None:
    number = int(year) if len(year) == 4 else 2000 + int(year)
    if month.isalpha():
        if month.lower() not in _MONTHS:
            return None
        month = str(_MONTHS.index(month.lower()) + 1)
    try:
        return date(number, int(month), int(day)).toordinal() - _EPOCH
    except ValueError:
        return None


def _year_first(parts: list[str]) -> int | None:
    if parts[1].isalpha() or len(parts[2]) == 4:
        return None
    return _ordinal(parts[0], parts[1], parts[2])


def _day_first(parts: list[str]) -> int | None:
    return None if len(parts[0]) == 4 else _ordinal(parts[2], parts[1], parts[0])


def _month_first(parts: list[str]) -> int | None:
    if len(parts[0]) == 4 or parts[1].isalpha():
        return None
    return _ordinal(parts[2], parts[0], parts[1])


ORDERS: dict[str, Callable[[list[str]], int | None]] = {
    "year first": _year_first,
    "day first": _day_first,
    "month first": _month_first,
}
