"""When the level of a history jumped: a replaced gauge or part is not drift."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal

import polars as pl

from ._columns import need_columns
from ._core import tables
from ._errors import DeadbandError, SchemaError, check_flag, check_number
from ._frames import FrameLike, lazy, like, plugin
from ._history import (
    LISTS,
    Setpoint,
    date_of,
    histories,
    status_of,
    trend_options,
    years,
)

Excess = Literal["moments", "likelihood", "none"]

_DATED: Final = {
    "changes": ("change_after", "change_before"),
    "levels": ("level_first", "level_last", "step_after", "step_before"),
    "steps": ("step",),
}


def changes(
    points: FrameLike,
    by: str = "switch_id",
    *,
    event: Setpoint = "open",
    methods: Sequence[str] = ("ramp",),
    beside_drift: bool = False,
    excess: Excess = "moments",
) -> Any:
    """The most probable jump of each history's level, and how probable it is, a row a group.

    Four explanations are weighed by their integrated likelihoods, equally probable beforehand: a
    steady level, one shift of it, a straight drift, and both. Tests have their own uncertainties
    and an excess between them. The p-value is that of the largest gain of likelihood over all
    places, by simulation.

    Parameters
    ----------
    points
        the setpoints table, with `tested_at`.
    by
        the column whose values are the groups.
    event
        which setpoint.
    methods
        methods whose tests are used.
    beside_drift
        whether the p-value is that of a shift on top of a drift.
    excess
        as in `drift`.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        `by`, `p_value`, `p_change` (a shift, with or without drift), `p_steady`, `p_shift`,
        `p_drift`, `p_drift_and_shift` (they add up to 1); `change_after` and `change_before`, the
        dates of the tests between which it lies with 95 % probability; `tests_before` the most
        probable place; `size_pa` with `size_u_pa` and `size_dof`; `status`: `too_few_samples`
        under five tests; `duplicate_id` where tests were left out because their `test_id` stands
        twice: the numbers are those of the others, if there are any. Sorted by `by`.

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
    ...         "test_id": [f"t{i}" for i in range(8)],
    ...         "switch_id": ["s"] * 8,
    ...         "tested_at": [datetime(2016 + i, 6, 1) for i in range(8)],
    ...         "close_pa": [None] * 8,
    ...         "close_u_pa": [None] * 8,
    ...         "open_pa": [60.1, 59.9, 60.0, 60.2, 57.6, 57.3, 57.5, 57.4],
    ...         "open_u_pa": [0.2] * 8,
    ...     }
    ... )
    >>> found = changes(points)
    >>> found.select("change_after", "change_before", "tests_before").row(0)
    (datetime.date(2019, 6, 1), datetime.date(2020, 6, 1), 4)
    """
    options = _options(excess, beside_drift=beside_drift)
    rows = histories(points, by, event, methods, (None, None))
    found = (
        rows.select(
            by, "_test", "_doubled", plugin("changes_of_level", LISTS, options).alias("_found")
        )
        .unnest("_found")
        .with_columns(*_dates("changes"), status_of())
        .drop("_test", "_doubled")
    )
    return like(found.sort(by), points)


def levels(
    points: FrameLike,
    by: str = "switch_id",
    *,
    event: Setpoint = "open",
    methods: Sequence[str] = ("ramp",),
    false_alarm: float = 0.05,
    excess: Excess = "moments",
) -> Any:
    """Histories divided into levels between jumps, a row a level.

    For every number of jumps the division of greatest likelihood (dynamic programming); their
    number so that `false_alarm` of histories without a jump get any. A drift is not allowed for: it
    comes out as a stair, so ask `changes` first.

    Parameters
    ----------
    points, by, event, methods, excess
        as in `changes`.
    false_alarm
        share of steady histories that are divided.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        `by`, `level` from 1, `level_first` and `level_last` (dates), `n_tests`, `level_pa` with
        `level_u_pa` and `level_dof`; the jump to it from the level before: `step_pa`, `step_u_pa`,
        95 % between `step_after` and `step_before`; `p_value` of there being any jump; `status` as
        in `changes`.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    OptionError
        an unknown event, method or excess.
    DeadbandError
        `false_alarm` is no share.

    Examples
    --------
    >>> from datetime import datetime
    >>> values = [60.1, 59.9, 60.0, 60.2, 57.6, 57.3, 57.5, 57.4, 61.1, 61.4, 61.2, 61.0]
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": [f"t{i:02}" for i in range(12)],
    ...         "switch_id": ["s"] * 12,
    ...         "tested_at": [datetime(2012 + i, 6, 1) for i in range(12)],
    ...         "close_pa": [None] * 12,
    ...         "close_u_pa": [None] * 12,
    ...         "open_pa": values,
    ...         "open_u_pa": [0.2] * 12,
    ...     }
    ... )
    >>> levels(points).select("level", pl.col("level_pa").round(2)).rows()
    [(1, 60.05), (2, 57.45), (3, 61.18)]
    """
    options = _options(excess, false_alarm=false_alarm)
    rows = histories(points, by, event, methods, (None, None))
    return like(_exploded(rows, by, "levels", options), points)


def known_steps(
    points: FrameLike,
    dates: FrameLike,
    by: str = "switch_id",
    *,
    event: Setpoint = "open",
    methods: Sequence[str] = ("ramp",),
    beside_drift: bool = True,
    excess: Excess = "moments",
) -> Any:
    """Whether levels step at dates known beforehand, and the drift beside them, a row a date.

    Weighted least squares with a step at each date of the group. A date that was chosen after a
    look at the values has no such p-value: see `changes`.

    Parameters
    ----------
    points, by, event, methods, excess
        as in `changes`.
    dates
        a table of `by` and `on` (a date or an instant): when a gauge or a part was replaced.
    beside_drift
        whether a straight drift is allowed for.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        `by`, `step` (the date), `step_pa` with `step_u_pa` and `step_dof`, `p_value`; the drift
        with the steps, `slope_pa_year` with its uncertainty, and without them,
        `slope_without_pa_year`; `status` as in `changes`.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    OptionError
        an unknown event, method or excess.

    Examples
    --------
    >>> from datetime import date, datetime
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": [f"t{i}" for i in range(8)],
    ...         "switch_id": ["s"] * 8,
    ...         "tested_at": [datetime(2016 + i, 6, 1) for i in range(8)],
    ...         "close_pa": [None] * 8,
    ...         "close_u_pa": [None] * 8,
    ...         "open_pa": [60.1, 59.9, 60.0, 60.2, 58.9, 59.1, 58.8, 59.0],
    ...         "open_u_pa": [0.2] * 8,
    ...     }
    ... )
    >>> replaced = pl.DataFrame({"switch_id": ["s"], "on": [date(2020, 1, 1)]})
    >>> found = known_steps(points, replaced)
    >>> found.select(pl.col("step_pa").round(1), pl.col("p_value") < 0.01).row(0)
    (-1.2, True)
    """
    options = _options(excess, beside_drift=beside_drift)
    rows = histories(points, by, event, methods, (None, None))
    when = _known(dates, by)
    joined = rows.with_columns(pl.col(by).cast(pl.String).alias("_by")).join(
        when, on="_by", how="inner", maintain_order="left"
    )
    return like(_exploded(joined, by, "known_steps", options, ["_on"]), points)


def _options(
    excess: str, *, beside_drift: bool = False, false_alarm: float = 0.05
) -> dict[str, Any]:
    if not 0.0 < check_number("false_alarm", false_alarm) < 1.0:
        raise DeadbandError(
            "bad_option", f"false_alarm is {false_alarm}", location="option false_alarm",
            advice="give a share between 0 and 1",
        )  # fmt: skip
    return {
        "beside_drift": check_flag("beside_drift", beside_drift),
        "fewest": 2,
        "false_alarm": false_alarm,
        "line": trend_options(excess),
    }


def _exploded(
    rows: pl.LazyFrame, by: str, kernel: str, options: dict[str, Any], more: Sequence[str] = ()
) -> pl.LazyFrame:
    table = kernel.removeprefix("known_")
    names = [name for name, _ in tables()[table]]
    return (
        rows.select(
            by, "_test", "_doubled", plugin(kernel, [*LISTS, *more], options).alias("_found")
        )
        .unnest("_found")
        .explode(names)
        .with_columns(*_dates(table), status_of())
        .drop("_test", "_doubled")
        .sort(by, maintain_order=True)
    )


def _dates(table: str) -> list[pl.Expr]:
    return [date_of(pl.col(name)).alias(name) for name in _DATED[table]]


def _known(dates: FrameLike, by: str) -> pl.LazyFrame:
    given = lazy(dates, "dates")
    found = given.collect_schema()
    need_columns(given, (by, "on"), "dates", f"give a table of {by} and on")
    for name, usable, advice in (
        (by, not found[by].is_nested(), "give the values of the column of the setpoints table"),
        ("on", isinstance(found["on"], (pl.Date, pl.Datetime)), "give dates or instants"),
    ):
        if not usable:
            raise SchemaError(
                "wrong_type", f"it is {found[name]}", column=name, table="dates",
                present=found.names(), advice=advice,
            )  # fmt: skip
    return (
        given.select(_by=pl.col(by).cast(pl.String), _on=pl.col("on").cast(pl.Datetime("us")))
        .drop_nulls()
        .with_columns(_on=years("_on"))
        .sort("_by", "_on")
        .group_by("_by", maintain_order=True)
        .agg("_on")
    )
