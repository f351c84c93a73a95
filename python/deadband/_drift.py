"""How the setpoints of a switch, a lot or any other group move over the years."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal

import polars as pl

from ._core import tables
from ._coverage import coverage_factors
from ._frames import FrameLike, lazy, like, need_unique, plugin
from ._history import (
    LISTS,
    Setpoint,
    can_be_rated,
    date_of,
    histories,
    status_of,
    trend_options,
    with_doubled,
)
from .schema import validate_switches

_COLUMNS: Final = tuple(name for name, _ in tables()["trends"])
_DATES: Final = {
    "crossing": "crosses_on",
    "crossing_low": "crosses_from",
    "crossing_high": "crosses_to",
}
#: What a history that is too short to tell a yearly rate does not say.
_RATE: Final = ("slope_pa_year", "slope_u_pa_year", "slope_dof", "sen_pa_year", "sen_low_pa_year",
                "sen_high_pa_year", "p_towards", *_DATES)  # fmt: skip
_SHORT_YEARS: Final = 1.0
#: Half the width of the tolerance where no rating is given; common practice, no source.
_TOLERANCE: Final = 0.10


def drift(
    points: FrameLike,
    by: str = "switch_id",
    *,
    event: Setpoint = "open",
    methods: Sequence[str] = ("ramp",),
    switches: FrameLike | None = None,
    lags: FrameLike | None = None,
    gauges: FrameLike | None = None,
    excess: Literal["moments", "likelihood", "none"] = "moments",
) -> Any:
    """The trend of a setpoint over repeat tests, a row a group.

    A straight line through the setpoints against time, weighted by their own uncertainties plus an
    excess variance between tests; Theil-Sen slope with a 95 % interval and Mann-Kendall's test
    beside it, which use no uncertainties.

    Tests with one gauge share the errors of its lag and of its calibration. With `lags` and
    `gauges` these are taken out of each test's own uncertainty and put into the line as errors in
    common: a history made with one gauge has a steeper claim to its slope, one whose gauge was
    replaced a weaker one.

    A pinch, a test in service and a slow ramp err differently, so that a change of method looks
    like a drift, or hides one: by default only slow ramps are followed, and `n_left_out` says how
    many tests of other methods there are. Within a group that states no method all are one method.

    Parameters
    ----------
    points
        the setpoints table, with `tested_at`.
    by
        the column whose values are the groups.
    event
        which setpoint.
    methods
        methods whose tests are used: `ramp`, `pinch`, `in_service`. Several are put on one line as
        if they agreed.
    switches
        the switches table; with it, and `by="switch_id"`, the date at which the line crosses the
        lower limit is forecast.
    lags, gauges
        the lags and gauges tables, for what tests with one gauge have in common: those with which
        `setpoints` made the points. Where a test's uncertainty is too small to hold what is stated
        of its gauge, none of that gauge's tests is taken to hold it.
    excess
        how the excess is estimated: by `moments` (Paule and Mandel 1982) or by restricted
        `likelihood` (Patterson and Thompson 1971); `none`: there is none.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        `by`, `n_tests`, `slope_pa_year` with `slope_u_pa_year` and `slope_dof`, the line at the
        last test `level_pa` with `level_u_pa` and `level_dof`, `excess_pa` (scatter between tests
        beyond their uncertainties), `sen_pa_year` with its limits, `kendall_tau`, `p_trend`;
        `p_below` (probability that the line is below the lower limit at the last test), `outlook`,
        `crosses_on` with the 95 % limits `crosses_from` and `crosses_to`, `p_towards` (probability
        that the line runs towards the limit); `status`, `n_left_out` and `span_years` (from the
        first test used to the last); sorted by `by`.

        `outlook` is `already_below` (no date is forecast, `crosses_on` and `crosses_from` are null;
        `crosses_to` is when the whole interval will be below, null if it is), `crosses` (the line
        reaches the limit on `crosses_on`), `may_cross` (only the edge of its interval does) or
        `never`. A date that is null otherwise is never.

        Fewer than four tests, or all of one instant: `too_few_samples`. Within less than a year,
        and a yearly rate whose 95 % interval is wider to either side than the tolerance (without a
        rating: 10 % of the level): `span_too_short`, and rates, dates and `p_towards` are null.

        A rating that cannot be (not above zero, a tolerance that is no share between 0 and 1): the
        line is there, outlook and dates are null, `bad_value`. Tests left out because their
        `test_id` stands twice: the numbers are those of the others, `duplicate_id`, unless these
        have a status of their own.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    OptionError
        `event` is neither `open` nor `close`, or `methods` names none or an unknown method.

    Examples
    --------
    >>> from datetime import datetime
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": ["a", "b", "c", "d", "e"],
    ...         "switch_id": ["s"] * 5,
    ...         "method": ["ramp"] * 4 + ["pinch"],
    ...         "tested_at": [datetime(year, 6, 1) for year in (2021, 2022, 2023, 2024, 2025)],
    ...         "close_pa": [None] * 5,
    ...         "close_u_pa": [None] * 5,
    ...         "open_pa": [60.0, 59.1, 57.9, 57.0, 47.0],
    ...         "open_u_pa": [0.2] * 5,
    ...     }
    ... )
    >>> found = drift(points)
    >>> round(found["slope_pa_year"][0], 2), found["n_left_out"][0]
    (-1.02, 1)
    """
    options = trend_options(excess)
    rows = histories(points, by, event, methods, (lags, gauges))
    trends = (
        _with_limit(rows, by, switches)
        .with_columns(plugin("trends", [*LISTS, "_limit"], options).alias("_found"))
        .unnest("_found")
        .with_columns(_without_rate())
        .with_columns(date_of(pl.col(name)).alias(date) for name, date in _DATES.items())
        .select(by, *(_DATES.get(name, name) for name in _COLUMNS), "n_left_out", "span_years")
    )
    return like(trends.sort(by), points)


def influence(
    points: FrameLike,
    by: str = "switch_id",
    *,
    event: Setpoint = "open",
    methods: Sequence[str] = ("ramp",),
    lags: FrameLike | None = None,
    gauges: FrameLike | None = None,
    excess: Literal["moments", "likelihood", "none"] = "moments",
) -> Any:
    """Each test of a history against the line through the others, a row a test.

    The p-value is averaged over what the excess between tests may be by the others (restricted
    likelihood), unless there is none: few tests often show no excess where there is one, and the
    surest of them would be blamed for it. Of histories of 8 tests in which nothing is off 5 % or
    fewer are flagged; up to 7 % where the excess is two or three times the uncertainties.

    Few tests find little, and no flag does not mean that none is off: one in the middle that is off
    by 5 of its uncertainties, without an excess, is found in none of the histories of 5 tests, 59 %
    of those of 8 and 81 % of those of 12; by 10, in 51 %, 99.9 % and all (2000 simulated each).

    Parameters
    ----------
    points, by, event, methods, lags, gauges, excess
        as in `drift`.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        `by`, `test_id`, `residual_pa` (test minus line), `leverage` (how far the test pulls the
        line to itself, 0 to 1), `deviation` (test minus forecast from the others, in standard
        uncertainties of that) with `deviation_dof`, `p_value` (Bonferroni over the history) and
        `outlier` at 5 %; `status`, `too_few_samples` under five tests. Sorted by `by` and date. A
        test whose `test_id` stands twice is left out and has `duplicate_id`.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    OptionError
        an unknown event, method or excess.

    Examples
    --------
    >>> from datetime import datetime
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": [f"t{i}" for i in range(7)],
    ...         "switch_id": ["s"] * 7,
    ...         "tested_at": [datetime(2018 + i, 6, 1) for i in range(7)],
    ...         "close_pa": [None] * 7,
    ...         "close_u_pa": [None] * 7,
    ...         "open_pa": [60.1, 59.6, 59.2, 52.0, 58.1, 57.5, 57.1],
    ...         "open_u_pa": [0.2] * 7,
    ...     }
    ... )
    >>> influence(points).filter(pl.col("outlier"))["test_id"].to_list()
    ['t3']
    """
    rows = histories(points, by, event, methods, (lags, gauges))
    names = [name for name, _ in tables()["influence"]]
    kernel = plugin("influence", LISTS, trend_options(excess))
    found = (
        rows.filter(pl.col("_test").list.len() > 0)
        .select(by, "_test", "_years", kernel.alias("_found"))
        .unnest("_found")
        .explode("_test", "_years", *names)
        .rename({"_test": "test_id"})
    )
    return like(with_doubled(found, rows, by), points)


def _with_limit(histories: pl.LazyFrame, by: str, switches: FrameLike | None) -> pl.LazyFrame:
    nothing = pl.lit(None, dtype=pl.Float64)
    if switches is None or by != "switch_id":
        return histories.with_columns(_limit=nothing, _width=nothing, _bad_rating=False)
    rated = validate_switches(lazy(switches, "switches"), keep_nan=True)
    need_unique(rated, "switch_id", "switches")
    width = pl.col("rated_pa") * pl.col("tolerance")
    stated = rated.select(
        "switch_id",
        _limit=pl.when(can_be_rated()).then(pl.col("rated_pa") - width),
        _width=pl.when(can_be_rated()).then(width),
        _bad_rating=~can_be_rated(),
    )
    return histories.join(stated, on="switch_id", how="left")


def _without_rate() -> list[pl.Expr]:
    """Takes back what a few days cannot say about years, and says what is wrong with a history."""
    allowed = pl.coalesce("_width", _TOLERANCE * pl.col("level_pa").abs())
    factor = pl.col("slope_dof").map_batches(
        coverage_factors, return_dtype=pl.Float64, is_elementwise=True
    )
    half = pl.col("slope_u_pa_year") * factor
    short = (pl.col("span_years") < _SHORT_YEARS) & (half > allowed)
    short = short.fill_null(value=False)
    below = pl.col("outlook") == "already_below"
    unrated = (pl.col("status") == "ok") & pl.col("_bad_rating")
    status = (
        pl.when(short)
        .then(pl.lit("span_too_short"))
        .when(unrated)
        .then(pl.lit("bad_value"))
        .otherwise("status")
    )
    return [pl.when(~short).then(name).alias(name) for name in _RATE] + [
        pl.when(~short | below).then("outlook").alias("outlook"),
        status_of(status),
    ]
