"""What the last tests of each switch say of it, over its rating, and what their gauges share."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final, NamedTuple

import polars as pl

from .._columns import need_columns
from .._frames import FrameLike, lazy, need_unique
from .._history import Setpoint
from ..methods._results import round_of
from ..schema import validate_switches
from ._last_tests import EVENTS, PARTS, counted_tests, is_judged, unjudged_switches

#: Over the rating, squared: no test is better than that, so that no weight is infinite.
_LEAST: Final = 1e-18


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
    given = need_columns(
        lazy(switches, "switches"), [by], "switches", "add it, or group by another"
    )
    known = validate_switches(given, keep=[by])
    need_unique(known, "switch_id", "switches")
    model = pl.lit(None, pl.String) if by == "model" else pl.col("model").cast(pl.String)
    return known.select(
        "switch_id", "action", "rated_pa", "tolerance", "removed_on",
        _lot=pl.col(by).cast(pl.String), _model=model,
        _of_model=pl.col("model").cast(pl.String), _of_lot=pl.col("lot").cast(pl.String),
        _judged=is_judged(),
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
    weigh by their own variances. Which tests count: `counted_tests`.
    """
    tests = counted_tests(points, switches, event=event, methods=methods, known=known, at=at)
    state = tests.group_by("switch_id").agg(
        pl.col("state", "_maybe").first(),
        _closed_on=pl.col("tested_at").filter("_closed").last().dt.date(),
    )
    last = (
        tests.filter(pl.col("value").is_not_null() & (pl.col("state") == "tested"))
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
    unjudged = unjudged_switches(points, switches, methods, at).with_columns(
        _state=pl.lit("bad_rating")
    )
    rated = pl.lit(event) if event else pl.col("action").replace_strict(EVENTS, default=None)
    stuck = pl.col("state") == "stuck"
    table = (
        switches.with_columns(_event=rated)
        .join(state, on="switch_id", how="left")
        .join(found, on="switch_id", how="left")
        .join(unjudged, on="switch_id", how="left")
        .with_columns(
            state=pl.coalesce("state", "_state", pl.lit("not_tested")),
            _maybe=pl.col("_maybe").fill_null(value=False),
            _first_on=pl.when(stuck).then("_closed_on").otherwise("_first_on"),
            _last_on=pl.when(stuck).then("_closed_on").otherwise(pl.col("_at").dt.date()),
        )
        .drop("_closed_on", "_state")
        .sort("switch_id")
    )
    return LastRound(table.collect(), _shared(last).collect())


def _shared(last: pl.LazyFrame) -> pl.LazyFrame:
    """What one unit of each error adds to the mean of a switch's tests."""
    parts = [
        last.filter((pl.col(column) != 0.0) & pl.col("gauge_id").is_not_null())
        .group_by("switch_id", "gauge_id")
        .agg(by=(pl.col("_weight") * pl.col(column) / pl.col("rated_pa")).sum())
        .select("switch_id", source=pl.lit(f"{kind} of ") + pl.col("gauge_id"), by="by")
        for kind, column in PARTS.items()
    ]
    return pl.concat(parts).sort("switch_id", "source")
