"""What the last tests of each switch say of it, over its rating, and what their gauges share."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final, NamedTuple

import polars as pl

from .._errors import SchemaError
from .._frames import FrameLike, lazy, need_unique
from .._history import Setpoint, can_be_rated, is_followed, stands_once, with_own_u
from ..methods._results import round_of
from ..schema import validate_setpoints, validate_switches

EVENTS: Final[dict[str, Setpoint]] = {"fall": "open", "rise": "close"}
#: Over the rating, squared: no test is better than that, so that no weight is infinite.
_LEAST: Final = 1e-18
_PARTS: Final = {"calibration": "_calibration_u", "lag": "_lag_u"}


class LastRound(NamedTuple):
    """Switches with a result, and what tests share.

    Attributes
    ----------
    switches
        a row a switch of the register, sorted by `switch_id`: its columns, `x` (setpoint over
        rating, less one), `variance` (without what gauges share), `n_tests`, `state`: `tested`,
        `stuck`, `no_setpoint`, `bad_rating`, `not_tested`; `_maybe`, whether its last test leaves
        open that it stayed closed; `_first_on`, `_last_on`, days of the tests that count.
    shared
        a row for each switch and shared error: `switch_id`, `source`, `by`.

    Examples
    --------
    >>> LastRound(pl.DataFrame(), pl.DataFrame()).shared.height
    0
    """

    switches: pl.DataFrame
    shared: pl.DataFrame


def register(switches: FrameLike, by: str) -> pl.LazyFrame:
    """The switches with the column that makes the lots, under the name `_lot`, and `_model`.

    Examples
    --------
    >>> table = pl.DataFrame({"switch_id": ["a"], "lot": ["l"], "rated_pa": 60.0, "action": "fall"})
    >>> register(table, "lot").select("_lot", "_model").collect().rows()
    [('l', None)]
    """
    given = lazy(switches, "switches")
    if by not in given.collect_schema().names():
        raise SchemaError(
            "missing_column", "there is no such column to group by", column=by, table="switches",
            present=given.collect_schema().names(), advice="add it, or group by another",
        )  # fmt: skip
    known = validate_switches(given, keep=[by])
    need_unique(known, "switch_id", "switches")
    usable = can_be_rated() & pl.col("action").is_in(list(EVENTS))
    model = pl.lit(None, pl.String) if by == "model" else pl.col("model").cast(pl.String)
    return known.select(
        "switch_id", "action", "rated_pa", "tolerance", "removed_on",
        _lot=pl.col(by).cast(pl.String), _model=model,
        _of_model=pl.col("model").cast(pl.String), _of_lot=pl.col("lot").cast(pl.String),
        _rated=usable.fill_null(value=False),
    )  # fmt: skip


def last_round(
    points: FrameLike,
    switches: pl.LazyFrame,
    *,
    event: Setpoint | None,
    methods: Sequence[str],
    at: date | None,
    within_days: float,
    known: tuple[FrameLike | None, FrameLike | None],
) -> LastRound:
    """The weighted mean of the last round of each switch.

    `switches` are those of `register`, `known` the lags and the gauges tables. Tests of a round
    weigh by their own variances.
    """
    parts = [
        _of_event(points, event or rated, methods, known).join(
            switches.filter((pl.col("action") == action) & pl.col("_rated")), on="switch_id"
        )
        for action, rated in EVENTS.items()
    ]
    tests = pl.concat(parts)
    if at is not None:
        tests = tests.filter(pl.col("tested_at").dt.date() <= at)
    tests = tests.sort("switch_id", "tested_at", "test_id", nulls_last=[True, False, True])
    state = tests.group_by("switch_id").agg(
        pl.col("_stuck", "_maybe").last(),
        n_rows=pl.len().cast(pl.Int32),
        _stuck_on=pl.col("tested_at").last().dt.date(),
    )
    last = (
        tests.filter(pl.col("value").is_not_null())
        .with_columns(_round=round_of(within_days))
        .filter(pl.col("_round") == pl.col("_round").max().over("switch_id"))
        .with_columns(
            x=pl.col("value") / pl.col("rated_pa") - 1.0,
            _own=(pl.col("_u") / pl.col("rated_pa")) ** 2,
        )
        .with_columns(_weight=1.0 / (pl.col("_own") + _LEAST))
        .with_columns(_weight=pl.col("_weight") / pl.col("_weight").sum().over("switch_id"))
        .collect()
        .lazy()
    )
    found = last.group_by("switch_id").agg(
        x=(pl.col("_weight") * pl.col("x")).sum(),
        variance=(pl.col("_weight") ** 2 * pl.col("_own")).sum(),
        n_tests=pl.len().cast(pl.Int32),
        _at=pl.col("tested_at").max(),
        _first_on=pl.col("tested_at").min().dt.date(),
    )
    unrated = _unrated(points, switches, methods, at)
    rated = pl.lit(event) if event else pl.col("action").replace_strict(EVENTS, default=None)
    table = (
        switches.with_columns(_event=rated)
        .join(state, on="switch_id", how="left")
        .join(found, on="switch_id", how="left")
        .join(unrated, on="switch_id", how="left")
        .with_columns(
            state=pl.when(pl.col("_stuck"))
            .then(pl.lit("stuck"))
            .when(pl.col("x").is_not_null())
            .then(pl.lit("tested"))
            .when(pl.col("n_rows").is_not_null())
            .then(pl.lit("no_setpoint"))
            .when(pl.col("_unrated"))
            .then(pl.lit("bad_rating"))
            .otherwise(pl.lit("not_tested")),
            _maybe=pl.col("_maybe").fill_null(value=False),
            _first_on=pl.when("_stuck").then("_stuck_on").otherwise("_first_on"),
            _last_on=pl.when("_stuck").then("_stuck_on").otherwise(pl.col("_at").dt.date()),
        )
        .drop("_stuck", "_stuck_on", "_unrated", "n_rows")
        .sort("switch_id")
    )
    return LastRound(table.collect(), _shared(last).collect())


def _unrated(
    points: FrameLike, switches: pl.LazyFrame, methods: Sequence[str], at: date | None
) -> pl.LazyFrame:
    """Switches that were tested though the register has no rating or action to judge them by."""
    rows = validate_setpoints(lazy(points, "setpoints")).filter(is_followed(methods))
    if at is not None:
        rows = rows.filter(pl.col("tested_at").dt.date() <= at)
    return (
        rows.select("switch_id")
        .unique()
        .join(switches.filter(~pl.col("_rated")).select("switch_id"), on="switch_id")
        .with_columns(_unrated=pl.lit(True))
    )


def _of_event(
    points: FrameLike,
    event: Setpoint,
    methods: Sequence[str],
    known: tuple[FrameLike | None, FrameLike | None],
) -> pl.LazyFrame:
    """Tests of the methods: `value` and `_u` in Pa, null where there is no result to use.

    `_stuck`: it stayed closed; `_maybe`: nothing says whether it did.
    """
    given = lazy(points, "setpoints")
    rows = validate_setpoints(given, keep=["verdict"])
    if "verdict" not in given.collect_schema().names():
        rows = rows.with_columns(verdict=pl.lit(None, pl.String))
    rows = with_own_u(rows, known, event)
    value, u = pl.col(f"{event}_pa"), pl.col(f"{event}_u_pa")
    usable = value.is_finite() & u.is_finite() & (u >= 0.0) & pl.col("_u").is_finite()
    silent = ~value.is_finite().fill_null(value=False)
    says = silent & (pl.col("verdict").cast(pl.String) == "does_not_conform").fill_null(value=False)
    same = ("switch_id", "test_id")
    untold = pl.col("verdict").is_null().all()
    # Of two rows with one id neither is surely right: the switch was tested without a result. But
    # it stayed closed where both say so, and where one does that is not ruled out.
    return rows.with_columns(
        value=pl.when(stands_once() & usable).then(value),
        _stuck=says.all().over(same),
        _maybe=(says.any().over(same) & ~says.all().over(same)) | (silent & untold),
    ).filter(is_followed(methods)).select(
        "switch_id", "test_id", "tested_at", "gauge_id", "_u", *_PARTS.values(), "value", "_stuck",
        "_maybe",
    )  # fmt: skip


def _shared(last: pl.LazyFrame) -> pl.LazyFrame:
    """What one unit of each error adds to the mean of a switch's tests."""
    parts = [
        last.filter((pl.col(column) != 0.0) & pl.col("gauge_id").is_not_null())
        .group_by("switch_id", "gauge_id")
        .agg(by=(pl.col("_weight") * pl.col(column) / pl.col("rated_pa")).sum())
        .select("switch_id", source=pl.lit(f"{kind} of ") + pl.col("gauge_id"), by="by")
        for kind, column in _PARTS.items()
    ]
    return pl.concat(parts).sort("switch_id", "source")
