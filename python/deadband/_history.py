"""Tests of a switch as points of a history: which of them count, and when they were."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

import polars as pl

from ._errors import OptionError, check_option

Setpoint = Literal["open", "close"]

YEAR_S: Final = 365.2425 * 86400.0
EPOCH: Final = pl.datetime(2000, 1, 1)
METHODS: Final = ("ramp", "pinch", "in_service")


def years(column: str = "tested_at") -> pl.Expr:
    """Instants as years from the start of 2000.

    Examples
    --------
    >>> from datetime import datetime
    >>> tests = pl.DataFrame({"tested_at": [datetime(2010, 1, 1)]})
    >>> round(tests.select(years()).item(), 2)
    10.0
    """
    return (pl.col(column) - EPOCH).dt.total_microseconds() / 1e6 / YEAR_S


def date_of(year: pl.Expr) -> pl.Expr:
    """Years from the start of 2000 as a date; null beyond the calendar of four digits.

    Examples
    --------
    >>> pl.select(date_of(pl.lit(20.001))).item()
    datetime.date(2020, 1, 1)
    """
    # The day that holds the instant; a midnight stays its own day when it is rounded down a little.
    days = (year * YEAR_S / 86400.0 + 1e-6).floor()
    within = pl.when(days.abs() < 2.9e6).then(days).cast(pl.Int64)
    return (EPOCH + pl.duration(days=within)).cast(pl.Date)


def check_methods(methods: Sequence[str]) -> None:
    """Raise `OptionError` unless `methods` is a list of known methods.

    Examples
    --------
    >>> check_methods(["ramp"])
    """
    if isinstance(methods, str) or not methods:
        raise OptionError("methods", repr(methods), ["a list of methods", '["ramp"]'])
    for method in methods:
        check_option("methods", method, METHODS)
