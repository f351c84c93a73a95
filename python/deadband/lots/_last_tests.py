"""Which tests of a switch count: the one rule of all that is said of lots."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final

import polars as pl

from .._frames import FrameLike, lazy
from .._history import Setpoint, can_be_rated, is_followed, stands_once, with_own_u
from ..schema import validate_setpoints

#: The setpoint that a rating is about.
EVENTS: Final[dict[str, Setpoint]] = {"fall": "open", "rise": "close"}
#: What an error of lag and of calibration adds to a test.
PARTS: Final = {"calibration": "_calibration_u", "lag": "_lag_u"}


def is_judged() -> pl.Expr:
    """Whether a switch has a rating, a tolerance and an action to judge its tests by.

    Examples
    --------
    >>> table = pl.DataFrame({"rated_pa": [60.0, 60.0], "tolerance": 0.1, "action": ["fall", None]})
    >>> table.select(is_judged()).to_series().to_list()
    [True, False]
    """
    return (can_be_rated() & pl.col("action").is_in(list(EVENTS))).fill_null(value=False)


def counted_tests(
    points: FrameLike,
    switches: pl.LazyFrame,
    *,
    event: Setpoint | None,
    methods: Sequence[str],
    known: tuple[FrameLike | None, FrameLike | None],
    at: date | None = None,
    newest: bool = True,
) -> pl.LazyFrame:
    """The tests of switches that can be judged, in order, and what they say of their switch.

    Setpoints are those of `methods`; but whether a switch stayed closed is told by every test, as
    no lag or bias of a method touches that. A test tells that its switch stayed closed (below its
    lower limit, where every row of its `test_id` is without the rated setpoint and
    `does_not_conform`), or that it opened (every row has the rated setpoint). Of two rows with one
    id neither is surely right, so they give no setpoint; but what both say is told. What tells
    neither, as a recording that could not be read, takes nothing from an earlier test. A switch is
    `stuck` where the last test that tells says so. Else it is `tested` by setpoints later than the
    last time that it stayed closed, and has `no_setpoint` where there are none.

    `switches` are a row a switch: `switch_id`, `action`, `rated_pa`, `_judged`, and what is to be
    carried along. `known` are the lags and the gauges tables. `newest` False: the order of time
    turned round, so that the first tests count.

    Columns beside these: `test_id`, `tested_at`, `gauge_id`, `_event`, `value` (Pa, null where it
    is none that counts), `_all_u`, `_u` (Pa, with and without what gauges share), `PARTS`,
    `_closed`, and the same in all rows of a switch: `state` and `_maybe`, whether it may have
    stayed closed since: two rows of one test contradict each other, or no test has a verdict; or it
    stayed closed and opened on the last day of tests, or stayed closed on a day that is not known.
    """
    rows = _told(points, switches, methods).collect().lazy()
    tests = pl.concat(
        _of_event(rows, event or rated, known).join(
            switches.filter((pl.col("action") == action) & pl.col("_judged")), on="switch_id"
        )
        for action, rated in EVENTS.items()
    )
    if at is not None:
        # That a switch stayed closed on a day that is not known may have been before.
        closed = pl.col("_closed") & pl.col("tested_at").is_null()
        tests = tests.filter((pl.col("tested_at").dt.date() <= at) | closed)
    # Tests without a date are the last to count, whichever way.
    tests = tests.sort(
        "switch_id", "tested_at", "test_id", descending=[False, not newest, not newest],
        nulls_last=[True, False, newest],
    )  # fmt: skip
    # What is made of it more than once is not to be sorted each time.
    return _counted(tests).drop("_opened", "_followed", "_order").collect().lazy()


def unjudged_switches(
    points: FrameLike, switches: pl.LazyFrame, methods: Sequence[str], at: date | None
) -> pl.LazyFrame:
    """`switch_id` of those that were tested though nothing is there to judge them by."""
    rows = validate_setpoints(lazy(points, "setpoints")).filter(is_followed(methods))
    if at is not None:
        rows = rows.filter(pl.col("tested_at").dt.date() <= at)
    unjudged = switches.filter(~pl.col("_judged")).select("switch_id")
    return rows.select("switch_id").unique().join(unjudged, on="switch_id")


def _told(points: FrameLike, switches: pl.LazyFrame, methods: Sequence[str]) -> pl.LazyFrame:
    """The setpoints of the methods with what each test says: `_closed`, `_opened`, `_maybe`."""
    given = lazy(points, "setpoints")
    rows = validate_setpoints(given, keep=["verdict"])
    if "verdict" not in given.collect_schema().names():
        rows = rows.with_columns(verdict=pl.lit(None, pl.String))
    action = switches.select("switch_id", _action="action")
    # What a verdict is about is the rated setpoint, whichever is asked for.
    rated = pl.coalesce(
        pl.when(pl.col("_action") == action).then(pl.col(f"{event}_pa").is_finite())
        for action, event in EVENTS.items()
    )
    has = rated.fill_null(value=False)
    says = ~has & (pl.col("verdict").cast(pl.String) == "does_not_conform").fill_null(value=False)
    untold = pl.col("verdict").is_null().all()
    closed = says.all().over("test_id")
    return (
        rows.join(action, on="switch_id", how="left", maintain_order="left")
        .with_columns(
            _closed=closed,
            _opened=has.all().over("test_id"),
            _maybe=(says.any().over("test_id") & ~closed) | (~has & untold),
            _counts=stands_once() & is_followed(methods),
            _followed=is_followed(methods),
        )
        .filter(
            pl.col("_followed") | pl.col("_closed") | pl.col("_opened") | says.any().over("test_id")
        )
    )


def _of_event(
    rows: pl.LazyFrame, event: Setpoint, known: tuple[FrameLike | None, FrameLike | None]
) -> pl.LazyFrame:
    value, u = pl.col(f"{event}_pa"), pl.col(f"{event}_u_pa")
    usable = value.is_finite() & u.is_finite() & (u >= 0.0) & pl.col("_u").is_finite()
    return with_own_u(rows, known, event).select(
        "switch_id", "test_id", "tested_at", "gauge_id", "_u", *PARTS.values(), "_closed",
        "_opened", "_maybe", "_followed", _event=pl.lit(event), _all_u=u,
        value=pl.when(pl.col("_counts") & usable & ~pl.col("_closed")).then(value),
    )  # fmt: skip


def _counted(tests: pl.LazyFrame) -> pl.LazyFrame:
    """What the tests say of their switch; rows in the order in which they are to count."""

    def last(which: pl.Expr) -> pl.Expr:
        return pl.col("_order").filter(which).max().over("switch_id").fill_null(-1)

    opened = (pl.col("_opened") | pl.col("value").is_not_null()) & ~pl.col("_closed")
    tests = tests.with_columns(_order=pl.int_range(pl.len(), dtype=pl.Int64).over("switch_id"))
    closed_at, told_at = last(pl.col("_closed")), last(opened | pl.col("_closed"))
    day = pl.col("tested_at").dt.date()
    # What a later test tells of it says more than two of one day.
    last_day = day.filter(opened | pl.col("_closed")).max().over("switch_id")
    both = (opened & (day == last_day)).any().over("switch_id") & (
        pl.col("_closed") & (day == last_day)
    ).any().over("switch_id")
    some_day = (pl.col("_closed") & pl.col("tested_at").is_null()).any().over("switch_id")
    tests = tests.with_columns(
        value=pl.when(pl.col("_order") > closed_at).then("value"),
        _stuck=(closed_at == told_at) & (closed_at >= 0),
        _maybe=(pl.col("_maybe") & (pl.col("_order") > told_at)).any().over("switch_id")
        | both.fill_null(value=False)
        | some_day,
    )
    known = pl.col("value").is_not_null().any().over("switch_id")
    tests = tests.with_columns(
        state=pl.when("_stuck")
        .then(pl.lit("stuck"))
        .when(known)
        .then(pl.lit("tested"))
        .when(pl.col("_followed").any().over("switch_id"))
        .then(pl.lit("no_setpoint")),
        _maybe=pl.col("_maybe") & ~pl.col("_stuck"),
    )
    # A switch that opened by other methods alone was not tested.
    return tests.filter(pl.col("state").is_not_null()).drop("_stuck")
