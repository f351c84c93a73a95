"""Rounds of a method beside the reference, scaled to each switch's rating."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import polars as pl

from .._columns import check_columns
from .._errors import check_list, check_option
from .._frames import FrameLike, lazy, need_unique
from .._history import METHODS, Setpoint, can_be_rated
from ..schema import validate_setpoints, validate_switches
from ._results import gap_of, results, rounds

Scale = Literal["relative", "absolute"]
Reading = Literal["fitted", "called", "reading"]

VALUES: Final = ("fitted", "called", "reading")
_GROUPS: Final = ("method", "operator_id")
EVENTS: Final[dict[str, Setpoint]] = {"fall": "open", "rise": "close"}


def groups_of(by: str | Sequence[str]) -> list[str]:
    """The columns to group by, `method` always the first of them.

    Examples
    --------
    >>> groups_of("operator_id")
    ['method', 'operator_id']
    """
    named = check_columns("by", by, _GROUPS)
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
    return known.filter(can_be_rated() & pl.col("action").is_in(list(EVENTS))).select(
        "switch_id", "rated_pa", "tolerance", "action"
    )


def as_read(points: FrameLike, event: Setpoint) -> pl.LazyFrame:
    """The setpoints without their lag correction: what the gauge showed at the change.

    `lag_correction_pa` belongs to the open setpoint, and to the close one only where there is no
    open one; other close setpoints become null, and those of pinches: a fall that is fitted behind
    its lag bends, and lag times rate is not what the display was off by.

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
    bent = pl.col("method").eq_missing(pl.lit("pinch"))
    return rows.with_columns(pl.when(~bent).then(raw).alias(f"{event}_pa"))


@dataclass(frozen=True)
class Comparison:
    """What is compared with what: results of a method with those of the reference.

    `known` are the lags and the gauges tables. Without an event it is each switch's rated one, and
    `switches` (of `rated_switches`) are needed.

    Examples
    --------
    >>> Comparison(pl.DataFrame(), None, "ramp", "open", "fitted", None, 30.0, (None, None)).event
    'open'
    """

    points: FrameLike
    switches: pl.LazyFrame | None
    reference: str
    event: Setpoint | None
    value: Reading
    tests: FrameLike | None
    within_days: float
    known: tuple[FrameLike | None, FrameLike | None]

    def pairs(self, method: str) -> pl.DataFrame:
        """`rounds`, with `rated_pa`, `tolerance` and `relative` (value over rating, less one).

        The latter are there where `switches` are. Where method and reference are one, each test is
        a round: its value beside its fitted one.
        """
        if self.event is not None:
            return self._of_event(method, self.event, self.switches)
        assert self.switches is not None
        parts = [
            self._of_event(method, event, self.switches.filter(pl.col("action") == action))
            for action, event in EVENTS.items()
        ]
        return pl.concat(parts).sort("switch_id", "round", "side", "test_id")

    def _of_event(
        self, method: str, event: Setpoint, switches: pl.LazyFrame | None
    ) -> pl.DataFrame:
        rows = validate_setpoints(lazy(self.points, "setpoints"))
        other = as_read(self.points, event) if self.value == "reading" else rows
        read: Literal["fitted", "called"] = "called" if self.value == "called" else "fitted"
        lags, gauges = self.known
        if method == self.reference:
            found = self._same_tests(other, method, event, read)
        else:
            of = pl.col("method").eq_missing(pl.lit(method))
            found = rounds(
                pl.concat([other.filter(of), rows.filter(~of)]), method, self.reference,
                event=event, value=read, tests=self.tests, within_days=self.within_days,
                lags=lags, gauges=gauges,
            )  # fmt: skip
        if switches is None:
            return found
        ratings = switches.select("switch_id", "rated_pa", "tolerance").collect()
        return found.join(ratings, on="switch_id", how="inner", maintain_order="left").with_columns(
            relative=pl.col("value_pa") / pl.col("rated_pa") - 1.0
        )

    def _same_tests(
        self, other: pl.LazyFrame, method: str, event: Setpoint, read: Literal["fitted", "called"]
    ) -> pl.DataFrame:
        lags, gauges = self.known
        sides: tuple[tuple[FrameLike, Literal["fitted", "called"], str], ...] = (
            (other, read, "method"),
            (self.points, "fitted", "reference"),
        )
        told = [
            results(frame, self.tests, event=event, value=which, lags=lags, gauges=gauges)
            .filter((pl.col("status") == "ok") & (pl.col("method") == method))
            .filter(pl.col("switch_id").is_not_null())
            .drop("status")
            .with_columns(side=pl.lit(side))
            for frame, which, side in sides
        ]
        number = pl.col("test_id").rank("dense").over("switch_id").cast(pl.Int32) - 1
        return (
            pl.concat(told)
            .filter(pl.len().over("test_id") == 2)
            .with_columns(round=number)
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
    gap_of(within_days)
    chosen = METHODS if methods is None else methods
    check_list("methods", chosen, '["pinch"]')
    for method in chosen:
        check_option("methods", method, METHODS)
