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
from ..schema import validate_switches
from ._results import Value, gap_of, results, rounds

Scale = Literal["relative", "absolute"]
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
    """Switches with `usable`: whether their rating, tolerance and action make limits.

    Examples
    --------
    >>> table = pl.DataFrame({"switch_id": ["a", "b"], "rated_pa": [60.0, 0.0], "action": "fall"})
    >>> rated_switches(table).collect().rows()
    [('a', 60.0, 0.1, 'fall', True), ('b', 0.0, 0.1, 'fall', False)]
    """
    known = validate_switches(lazy(switches, "switches"))
    need_unique(known, "switch_id", "switches")
    usable = can_be_rated() & pl.col("action").is_in(list(EVENTS))
    return known.select(
        "switch_id", "rated_pa", "tolerance", "action", usable=usable.fill_null(value=False)
    )


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
    value: Value
    tests: FrameLike | None
    within_days: float
    known: tuple[FrameLike | None, FrameLike | None]

    def events(self) -> dict[str, Setpoint]:
        """By action of the switches that there are, the event that is compared."""
        if self.switches is None:
            return {}
        there = set(self.switches.filter("usable").collect()["action"]) or set(EVENTS)
        return {name: self.event or of for name, of in EVENTS.items() if name in there}

    @property
    def rated(self) -> pl.LazyFrame | None:
        """Those of the switches whose rating, tolerance and action make limits."""
        return None if self.switches is None else self.switches.filter("usable").drop("usable")

    def pairs(self, method: str | None) -> pl.DataFrame:
        """`rounds`, with `rated_pa`, `tolerance` and `relative` (value over rating, less one).

        The latter are there where `switches` are. Where method and reference are one, each test is
        a round: its value beside its fitted one.
        """
        if method not in METHODS:
            return self.pairs(next(name for name in METHODS if name != self.reference)).clear()
        if self.event is not None:
            return self._of_event(method, self.event, self.rated)
        assert self.rated is not None
        parts = [
            self._of_event(method, event, self.rated.filter(pl.col("action") == action))
            for action, event in self.events().items()
        ]
        return pl.concat(parts).sort("switch_id", "round", "side", "test_id")

    def _of_event(
        self, method: str, event: Setpoint, switches: pl.LazyFrame | None
    ) -> pl.DataFrame:
        lags, gauges = self.known
        if method == self.reference:
            found = self._same_tests(method, event)
        else:
            found = rounds(
                self.points, method, self.reference, event=event, value=self.value,
                tests=self.tests, within_days=self.within_days, lags=lags, gauges=gauges,
            )  # fmt: skip
        if switches is None:
            return found
        ratings = switches.select("switch_id", "rated_pa", "tolerance").collect()
        return found.join(ratings, on="switch_id", how="inner", maintain_order="left").with_columns(
            relative=pl.col("value_pa") / pl.col("rated_pa") - 1.0
        )

    def _same_tests(self, method: str, event: Setpoint) -> pl.DataFrame:
        sides: tuple[tuple[Value, str], ...] = ((self.value, "method"), ("fitted", "reference"))
        told = [
            self._results(event, which)
            .filter((pl.col("status") == "ok") & (pl.col("method") == method))
            .filter(pl.col("switch_id").is_not_null())
            .drop("status")
            .with_columns(side=pl.lit(side))
            for which, side in sides
        ]
        number = pl.col("test_id").rank("dense").over("switch_id").cast(pl.Int32) - 1
        return (
            pl.concat(told)
            .filter(pl.len().over("test_id") == 2)
            .with_columns(round=number)
            .sort("switch_id", "round", "side", "test_id")
        )

    def _results(self, event: Setpoint, value: Value) -> pl.DataFrame:
        lags, gauges = self.known
        return results(self.points, self.tests, event=event, value=value, lags=lags, gauges=gauges)

    def own(self) -> pl.DataFrame:
        """Every test with what became of it, before any reference is looked for.

        A row a test and event: `method`, `operator_id`, `switch_id`, `why`: null where it has a
        value and its switch what it needs, else `missing_value`, `unknown_switch` or `bad_value`.
        """
        told = [
            self._results(event, self.value).with_columns(_event=pl.lit(event))
            for event in ([self.event] if self.event else self.events().values())
        ]
        rows = pl.concat(told).select("method", "operator_id", "switch_id", "status", "_event")
        none = pl.when(pl.col("status") != "ok").then(pl.lit("missing_value"))
        if self.switches is None:
            return rows.with_columns(why=none)
        known = self.switches.with_columns(_known=pl.lit(value=True)).collect()
        joined = rows.join(known, on="switch_id", how="left", maintain_order="left")
        if self.event is None:
            # A switch has a setpoint at either event, and a rating of one of them.
            other = pl.col("action").replace_strict(EVENTS, default=None) != pl.col("_event")
            joined = joined.filter(~other.fill_null(value=False))
        return joined.with_columns(
            why=none.when(pl.col("_known").is_null())
            .then(pl.lit("unknown_switch"))
            .when(~pl.col("usable"))
            .then(pl.lit("bad_value"))
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


def tests_of(
    own: pl.DataFrame, method: str | None, operator: str | None, *, single: bool
) -> pl.DataFrame:  # fmt: skip
    """The tests of a method, and of one operator if `single`.

    Examples
    --------
    >>> own = pl.DataFrame({"method": ["ramp", "pinch"], "operator_id": ["a", "a"]})
    >>> tests_of(own, "pinch", "b", single=True).height
    0
    """
    theirs = own.filter(pl.col("method").eq_missing(pl.lit(method, dtype=pl.String)))
    if not single:
        return theirs
    return theirs.filter(pl.col("operator_id").eq_missing(pl.lit(operator, dtype=pl.String)))


def operators(own: pl.DataFrame, method: str | None, keys: Sequence[str]) -> list[str | None]:
    """Who made the method's tests; one None where operators are not set apart, or nobody did.

    Examples
    --------
    >>> operators(pl.DataFrame({"method": ["ramp"], "operator_id": ["a"]}), "ramp", ["method"])
    [None]
    """
    if "operator_id" not in keys:
        return [None]
    found: list[str | None] = (
        tests_of(own, method, None, single=False)["operator_id"].unique().sort().to_list()
    )
    return found or [None]


def asked_for(
    methods: Sequence[str] | None, own: pl.DataFrame, reference: str, value: Value
) -> list[str | None]:
    """The methods to compare: those asked for, or all that tests were made by.

    The reference is no method of its own fitted values. A method that is not known, or not stated,
    is listed too, as its tests are somewhere.

    Examples
    --------
    >>> own = pl.DataFrame({"method": ["ramp", "Pinch", "pinch", None]})
    >>> asked_for(None, own, "ramp", "fitted")
    ['pinch', 'Pinch', None]
    """
    there = own["method"].unique().sort(nulls_last=True).to_list()
    known = [name for name in METHODS if name in there]
    unknown = [name for name in there if name not in METHODS]
    chosen: Sequence[str | None] = [*known, *unknown] if methods is None else methods
    return [name for name in chosen if name != reference or value != "fitted"]


def left_out(own: pl.DataFrame, n_switches: int) -> int:
    """Switches with a value by the method that are in no number; `n_switches` are.

    Examples
    --------
    >>> own = pl.DataFrame(
    ...     {"switch_id": ["a", "b", "c"], "why": [None, "bad_value", "missing_value"]}
    ... )
    >>> left_out(own, 1)
    1
    """
    told = own.filter(pl.col("why").ne_missing(pl.lit("missing_value")))
    return told["switch_id"].drop_nulls().n_unique() - n_switches


def why_none(own: pl.DataFrame, method: str | None) -> str:
    """Why nothing of these tests by a method stands beside a reference.

    Examples
    --------
    >>> why_none(pl.DataFrame({"why": ["bad_value", "unknown_switch", "bad_value"]}), "pinch")
    'bad_value'
    >>> why_none(pl.DataFrame({"why": []}), "pinch"), why_none(pl.DataFrame({"why": [1]}), "Pinch")
    ('no_tests', 'unknown_method')
    """
    if method not in METHODS:
        return "unknown_method"
    if not own.height:
        return "no_tests"
    if own["why"].null_count():
        return "no_reference"
    # The nearest to a comparison tells what is to be mended first.
    said = set(own["why"])
    return next(one for one in ("bad_value", "unknown_switch", "missing_value") if one in said)


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
