"""Depression logged as negative numbers."""

from __future__ import annotations

from typing import Literal

import polars as pl

from .._errors import InputError

Depression = Literal["positive", "negative"]
DEPRESSIONS: tuple[Depression, ...] = ("positive", "negative")

# A recording is taken to be of the wrong sign when its lowest reading lies this many times further
# from zero than its highest, in more than a step or two of noise about zero.
_LOPSIDED = 2.0
_DISTINCT = 4


def looks_negative(pressure_pa: pl.Series) -> bool:
    """Whether the large readings of a recording are the negative ones.

    True when the lowest reading lies more than twice as far from zero as the highest and at least
    four different readings are negative, so that noise about zero does not count.

    Parameters
    ----------
    pressure_pa
        The readings, Pa.

    Examples
    --------
    >>> looks_negative(pl.Series([0.0, -20.0, -40.0, -60.0, -30.0]))
    True
    >>> looks_negative(pl.Series([2.5, 0.0, -2.5, -5.0]))
    False
    """
    low, high = pressure_pa.min(), pressure_pa.max()
    if not isinstance(low, float) or not isinstance(high, float):
        return False
    lopsided = -low > _LOPSIDED * max(high, 0.0)
    return lopsided and pressure_pa.filter(pressure_pa < 0).n_unique() >= _DISTINCT


def turned(pressure_pa: pl.Series, depression: Depression, file: str) -> pl.Series:
    """The readings with depression as a positive number.

    Raises
    ------
    InputError
        The recording looks as if the other sign was meant.

    Examples
    --------
    >>> turned(pl.Series([0.0, -20.0]), "negative", "a.csv").to_list()
    [0.0, 20.0]
    """
    result = pressure_pa
    if depression == "negative":
        result = pl.select(_opposite(pl.lit(pressure_pa))).to_series().rename(pressure_pa.name)
    if looks_negative(result):
        low, high = (float(result.to_numpy().min()), float(result.to_numpy().max()))
        other = "positive" if depression == "negative" else "negative"
        raise InputError(
            "wrong_sign",
            f"the readings run from {low:.6g} to {high:.6g} Pa, so most of them"
            f" have the wrong sign where depression is {depression}",
            file=file,
            advice=f"if depression was logged as {other} numbers here, write {other} in the column"
            f" `depression` of the manifest; if everywhere, read with depression={other!r}"
            f" (on the command line --depression {other})",
        )
    return result


def _opposite(value: pl.Expr) -> pl.Expr:
    """Zero stays zero: a table holds no negative zeros."""
    return pl.when(value == 0).then(0.0).otherwise(-value)


def flip_depression(tests: pl.LazyFrame) -> pl.LazyFrame:
    """Recordings logged with depression as negative numbers, with depression as positive ones.

    Every reading changes its sign. A called value is made positive: operators write it down with
    and without the minus sign.

    Parameters
    ----------
    tests
        The tests table, or any frame with its column `pressure_pa` (list, Pa).

    Returns
    -------
    polars.LazyFrame
        The frame with `pressure_pa` (and `called_close_pa`, `called_open_pa`, where they are)
        turned.

    Examples
    --------
    >>> frame = pl.LazyFrame({"test_id": ["a"], "pressure_pa": [[0.0, -60.0]]})
    >>> flip_depression(frame).collect()["pressure_pa"].to_list()
    [[0.0, 60.0]]
    """
    called = [
        name
        for name in ("called_close_pa", "called_open_pa")
        if name in tests.collect_schema().names()
    ]
    return tests.with_columns(
        pl.col("pressure_pa").list.eval(_opposite(pl.element())), pl.col(called).abs()
    )


def wrong_signs(tests: pl.LazyFrame) -> pl.LazyFrame:
    """The recordings whose large readings are negative, which `flip_depression` would turn.

    Reading logger files makes this check by itself; a Parquet file is not looked into when it is
    opened, so the check is here to be called.

    Parameters
    ----------
    tests
        The tests table (`test_id`, `pressure_pa`).

    Returns
    -------
    polars.LazyFrame
        `test_id`, `lowest_pa`, `highest_pa`, a row for each suspect recording.

    Examples
    --------
    >>> frame = pl.LazyFrame(
    ...     {"test_id": ["a", "b"], "pressure_pa": [[0.0, -20.0, -40.0, -60.0, -80.0], [0.0, 60.0]]}
    ... )
    >>> wrong_signs(frame).collect()["test_id"].to_list()
    ['a']
    """
    readings = pl.col("pressure_pa")
    low, high = readings.list.min(), readings.list.max()
    negatives = readings.list.eval(pl.element().filter(pl.element() < 0).n_unique()).list.first()
    return tests.filter(
        (-low > _LOPSIDED * pl.max_horizontal(high, pl.lit(0.0))) & (negatives >= _DISTINCT)
    ).select("test_id", low.alias("lowest_pa"), high.alias("highest_pa"))
