"""How the setpoints of a switch, a lot or any other group move over the years."""

from __future__ import annotations

from typing import Any, Final, Literal

import polars as pl

from ._core import tables
from ._errors import SchemaError, check_option
from ._frames import FrameLike, lazy, like, need_unique, plugin
from .schema import validate_setpoints, validate_switches

_COLUMNS: Final = tuple(name for name, _ in tables()["trends"])
_DATES: Final = {
    "crossing": "crosses_on",
    "crossing_low": "crosses_from",
    "crossing_high": "crosses_to",
}
_YEAR_S: Final = 365.2425 * 86400.0
_EPOCH: Final = pl.datetime(2000, 1, 1)


def drift(
    points: FrameLike,
    by: str = "switch_id",
    *,
    event: Literal["open", "close"] = "open",
    switches: FrameLike | None = None,
) -> Any:
    """The trend of a setpoint over repeat tests, a row a group.

    A straight line through the setpoints against time, weighted by their own uncertainties plus an
    excess variance between tests (restricted likelihood); Theil-Sen slope with a 95 % interval and
    Mann-Kendall's test beside it, which use no uncertainties.

    Parameters
    ----------
    points
        the setpoints table, with `tested_at`.
    by
        the column whose values are the groups.
    event
        which setpoint.
    switches
        the switches table; with it, and `by="switch_id"`, the date at which the line crosses the
        lower limit is forecast.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        `by`, `n_tests`, `slope_pa_year` with `slope_u_pa_year` and `slope_dof`, the line at the
        last test `level_pa` with `level_u_pa` and `level_dof`, `excess_pa` (scatter between tests
        beyond their uncertainties), `sen_pa_year` with its limits, `kendall_tau`, `p_trend`,
        `crosses_on` with the 95 % limits `crosses_from` and `crosses_to` (null: never),
        `p_towards` (probability that the line runs towards the limit), `status`; sorted by `by`.
        Fewer than four tests: `too_few_samples`.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    OptionError
        `event` is neither `open` nor `close`.

    Examples
    --------
    >>> from datetime import datetime
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": ["a", "b", "c", "d"],
    ...         "switch_id": ["s"] * 4,
    ...         "tested_at": [datetime(year, 6, 1) for year in (2021, 2022, 2023, 2024)],
    ...         "close_pa": [None] * 4,
    ...         "close_u_pa": [None] * 4,
    ...         "open_pa": [60.0, 59.1, 57.9, 57.0],
    ...         "open_u_pa": [0.2] * 4,
    ...     }
    ... )
    >>> round(drift(points)["slope_pa_year"][0], 2)
    -1.02
    """
    check_option("event", event, ["open", "close"])
    rows = validate_setpoints(lazy(points, "setpoints"), need=["tested_at"], keep=[by])
    if by not in rows.collect_schema():
        raise SchemaError(
            "missing_column",
            "there is no such column to group by",
            column=by,
            table="setpoints",
            present=rows.collect_schema().names(),
            advice="join it on first",
        )
    value, u = f"{event}_pa", f"{event}_u_pa"
    years = (pl.col("tested_at") - _EPOCH).dt.total_microseconds() / 1e6 / _YEAR_S
    used = pl.all_horizontal(pl.col("tested_at", value, u).is_not_null())
    histories = (
        rows.filter(pl.col(by).is_not_null())
        .with_columns(_years=years)
        .sort(by, "tested_at", "test_id", maintain_order=True)
        .group_by(by, maintain_order=True)
        .agg(pl.col("_years", value, u).filter(used))
    )
    trends = (
        _with_limit(histories, by, switches)
        .select(by, plugin("trends", ["_years", value, u, "_limit"]).alias("_found"))
        .unnest("_found")
        .with_columns(_date(name).alias(date) for name, date in _DATES.items())
        .select(by, *(_DATES.get(name, name) for name in _COLUMNS))
    )
    return like(trends.sort(by), points)


def _with_limit(histories: pl.LazyFrame, by: str, switches: FrameLike | None) -> pl.LazyFrame:
    if switches is None or by != "switch_id":
        return histories.with_columns(_limit=pl.lit(None, dtype=pl.Float64))
    rated = validate_switches(lazy(switches, "switches"))
    need_unique(rated, "switch_id", "switches")
    limit = pl.col("rated_pa") * (1 - pl.col("tolerance"))
    return histories.join(rated.select("switch_id", _limit=limit), on="switch_id", how="left")


def _date(name: str) -> pl.Expr:
    """Years since the epoch as a date; null beyond the calendar of four digits."""
    # The day that holds the instant; a midnight stays its own day when it is rounded down a little.
    days = (pl.col(name) * _YEAR_S / 86400.0 + 1e-6).floor()
    within = pl.when(days.abs() < 2.9e6).then(days).cast(pl.Int64)
    return (_EPOCH + pl.duration(days=within)).cast(pl.Date)
