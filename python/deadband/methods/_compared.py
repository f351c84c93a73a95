"""Rounds of a method beside the reference, scaled to each switch's rating."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal

import polars as pl

from .._errors import OptionError, check_option
from .._frames import FrameLike, lazy, need_unique
from .._history import METHODS, Setpoint, can_be_rated
from ..schema import validate_setpoints, validate_switches
from ._results import results, rounds

Scale = Literal["relative", "absolute"]
Reading = Literal["fitted", "called", "reading"]

VALUES: Final = ("fitted", "called", "reading")
_GROUPS: Final = ("method", "operator_id")
_EVENTS: Final[dict[str, Setpoint]] = {"fall": "open", "rise": "close"}
_SIDES: Final = ("method", "reference")


def groups_of(by: str | Sequence[str]) -> list[str]:
    """The columns to group by, `method` always the first of them.

    Examples
    --------
    >>> groups_of("operator_id")
    ['method', 'operator_id']
    """
    named = [by] if isinstance(by, str) else list(by)
    for name in named:
        check_option("by", name, _GROUPS)
    return [name for name in _GROUPS if name == "method" or name in named]


def rated_switches(switches: FrameLike) -> pl.LazyFrame:
    """Switches whose rating, tolerance and action make limits.

    Examples
    --------
    >>> table = pl.DataFrame({"switch_id": ["a", "b"], "rated_pa": [60.0, 0.0], "action": "fall"})
    >>> rated_switches(table).collect().rows()
    [('a', 60.0, 0.1, 'fall')]
    """
    known = validate_switches(lazy(switches, "switches"))
    need_unique(known, "switch_id", "switches")
    return known.filter(can_be_rated() & pl.col("action").is_in(list(_EVENTS))).select(
        "switch_id", "rated_pa", "tolerance", "action"
    )


def as_read(points: FrameLike, event: Setpoint) -> pl.LazyFrame:
    """The setpoints without their lag correction: what the gauge showed at the change.

    `lag_correction_pa` belongs to the open setpoint, and to the close one only where there is no
    open one; other close setpoints become null.

    Examples
    --------
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": ["t"], "switch_id": ["s"], "open_pa": [59.0], "open_u_pa": [0.2],
    ...         "close_pa": [64.0], "close_u_pa": [0.2], "lag_correction_pa": [-4.0],
    ...     }
    ... )  # fmt: skip
    >>> as_read(points, "open").select("open_pa").collect().item()
    63.0
    """
    rows = validate_setpoints(lazy(points, "setpoints"), need=["lag_correction_pa"])
    raw = pl.col(f"{event}_pa") - pl.col("lag_correction_pa")
    if event == "close":
        raw = pl.when(pl.col("open_pa").is_null()).then(raw)
    return rows.with_columns(raw.alias(f"{event}_pa"))


def compared(
    points: FrameLike,
    switches: pl.LazyFrame | None,
    method: str,
    *,
    reference: str,
    event: Setpoint | None,
    value: Reading,
    tests: FrameLike | None,
    within_days: float,
    known: tuple[FrameLike | None, FrameLike | None],
) -> pl.DataFrame:
    """`rounds` with the rating joined on; without an event each switch's rated one.

    Adds `rated_pa`, `tolerance`, `relative` (value over rating, less one) where there are switches.
    Where method and reference are one, each test is a round: its value beside its fitted one.
    """
    if event is None:
        assert switches is not None
        parts = [
            _compared(
                points, switches.filter(pl.col("action") == action), method, reference, one,
                value, tests, within_days, known,
            )
            for action, one in _EVENTS.items()
        ]  # fmt: skip
        return pl.concat(parts).sort("switch_id", "round", "side", "test_id")
    return _compared(points, switches, method, reference, event, value, tests, within_days, known)


def _compared(
    points: FrameLike,
    switches: pl.LazyFrame | None,
    method: str,
    reference: str,
    event: Setpoint,
    value: Reading,
    tests: FrameLike | None,
    within_days: float,
    known: tuple[FrameLike | None, FrameLike | None],
) -> pl.DataFrame:
    lags, gauges = known
    rows = validate_setpoints(lazy(points, "setpoints"))
    read: Literal["fitted", "called"] = "called" if value == "called" else "fitted"
    other = rows
    if value == "reading":
        other = as_read(points, event)
    if method == reference:
        found = _same_tests(rows, other, method, event, read, tests, known)
    else:
        if value == "reading":
            of = pl.col("method") == method
            rows = pl.concat([other.filter(of), rows.filter(of.not_().fill_null(value=True))])
        found = rounds(
            rows, method, reference, event=event, value=read, tests=tests,
            within_days=within_days, lags=lags, gauges=gauges,
        )  # fmt: skip
    if switches is None:
        return found
    ratings = switches.select("switch_id", "rated_pa", "tolerance").collect()
    return found.join(ratings, on="switch_id", how="inner", maintain_order="left").with_columns(
        relative=pl.col("value_pa") / pl.col("rated_pa") - 1.0
    )


def _same_tests(
    rows: pl.LazyFrame,
    other: pl.LazyFrame,
    method: str,
    event: Setpoint,
    read: Literal["fitted", "called"],
    tests: FrameLike | None,
    known: tuple[FrameLike | None, FrameLike | None],
) -> pl.DataFrame:
    lags, gauges = known
    sides: list[Any] = [(other, read), (rows, "fitted")]
    told = [
        results(frame, tests, event=event, value=which, lags=lags, gauges=gauges)
        .filter((pl.col("status") == "ok") & (pl.col("method") == method))
        .filter(pl.col("switch_id").is_not_null())
        .drop("status")
        .with_columns(side=pl.lit(side))
        for (frame, which), side in zip(sides, _SIDES, strict=True)
    ]
    number = pl.col("test_id").rank("dense").over("switch_id").cast(pl.Int32) - 1
    return (
        pl.concat(told)
        .filter(pl.len().over("test_id") == 2)
        .with_columns(round=number)
        .select(*told[0].columns[:-1], "side", "round")
        .select(pl.exclude("side", "round"), "round", "side")
        .sort("switch_id", "round", "side", "test_id")
    )


def of_group(rows: pl.DataFrame, operator: str | None, *, single: bool) -> pl.DataFrame:
    """Rounds of one operator against the reference of anyone; all of them unless `single`.

    Examples
    --------
    >>> rows = pl.DataFrame(
    ...     {
    ...         "switch_id": ["s"] * 3, "round": [0] * 3, "operator_id": ["a", "b", "a"],
    ...         "side": ["method", "method", "reference"],
    ...     }
    ... )  # fmt: skip
    >>> of_group(rows, "b", single=True).rows()
    [('s', 0, 'b', 'method'), ('s', 0, 'a', 'reference')]
    """
    if not single:
        return rows
    own = pl.col("operator_id").eq_missing(pl.lit(operator, dtype=pl.String))
    kept = rows.filter((pl.col("side") == "reference") | own)
    return kept.filter(pl.col("side").n_unique().over("switch_id", "round") == 2)


def operators(rows: pl.DataFrame, keys: Sequence[str]) -> list[str | None]:
    """Who made the method's results; one None where operators are not set apart.

    Examples
    --------
    >>> operators(pl.DataFrame({"side": ["method"], "operator_id": ["a"]}), ["method"])
    [None]
    """
    if "operator_id" not in keys:
        return [None]
    found: list[str | None] = (
        rows.filter(pl.col("side") == "method")["operator_id"].unique().sort().to_list()
    )
    return found or [None]


def check_comparison(reference: str, within_days: float, methods: Sequence[str] | None) -> None:
    """Raise `OptionError` where no comparison can be made with these options.

    Examples
    --------
    >>> check_comparison("ramp", 30.0, None)
    """
    check_option("reference", reference, METHODS)
    if not (isinstance(within_days, int | float) and within_days > 0.0):
        raise OptionError("within_days", within_days, ["a number of days above 0"])
    for method in methods or ():
        check_option("methods", method, METHODS)


def check_confidence(confidence: float) -> None:
    """Raise `OptionError` unless it is a probability between 0 and 1.

    Examples
    --------
    >>> check_confidence(0.95)
    """
    if not (isinstance(confidence, int | float) and 0.0 < confidence < 1.0):
        raise OptionError("confidence", confidence, ["a probability between 0 and 1"])
