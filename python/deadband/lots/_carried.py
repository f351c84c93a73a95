"""The last results of switches, carried along their lines to another date."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final

import polars as pl

from .._errors import OptionError
from .._growth import Growth
from .._history import YEAR_S
from ._last_round import LastRound

_LINE: Final = ("slope_pa_year", "slope_u_pa_year", "_common")


def growths(growth: object) -> list[Growth]:
    """What `growth` found, of no more than one line for each setpoint.

    Examples
    --------
    >>> growths(None)
    []
    """
    allowed = ["what growth found, or a list with one of the open and one of the close setpoint"]
    if growth is None:
        return []
    if isinstance(growth, Growth):
        return [growth]
    if isinstance(growth, str) or not isinstance(growth, Sequence):
        raise OptionError("growth", type(growth).__name__, allowed)
    lines = [one for one in growth if isinstance(one, Growth)]
    if len(lines) < len(growth):
        raise OptionError("growth", [type(one).__name__ for one in growth], allowed)
    if len({one.event for one in lines}) < len(lines):
        raise OptionError("growth", "two of one setpoint", allowed)
    return lines


def carried(found: LastRound, growth: Sequence[Growth], day: date) -> LastRound:
    """`found` at `day`: each result moved by its switch's slope, and less sure for that.

    The slope of a switch is what `growth` found of the setpoint that is judged, drawn towards its
    fleet's; what is open of the fleet's own slope is an error that its switches share. That the
    last test had a part in the slope is left out of account. A switch without a line keeps its
    result if it was tested on the day, and has none otherwise.
    """
    lines = pl.concat([_lines(one, found.switches) for one in growth])
    years = (pl.lit(day) - pl.col("_at").dt.date()).dt.total_days() * 86400.0 / YEAR_S
    moved, of_rated = pl.col("_years") != 0.0, pl.col("_years") / pl.col("rated_pa")
    own = (pl.col("slope_u_pa_year") ** 2 - pl.col("_common") ** 2).clip(0.0)
    table = (
        found.switches.join(lines, on=["switch_id", "_event"], how="left")
        .with_columns(_years=years)
        .with_columns(
            x=pl.when(moved).then(pl.col("x") + of_rated * pl.col("slope_pa_year")).otherwise("x"),
            variance=pl.when(moved)
            .then(pl.col("variance") + of_rated**2 * own)
            .otherwise("variance"),
            _by=pl.when(moved).then(of_rated * pl.col("_common")),
        )
    )
    lost = (pl.col("state") == "tested") & pl.col("x").is_null()
    table = table.with_columns(
        state=pl.when(lost).then(pl.lit("no_setpoint")).otherwise("state")
    ).sort("switch_id")
    slope = table.filter((pl.col("_by") != 0.0) & pl.col("x").is_not_null()).select(
        "switch_id", source="_source", by="_by"
    )
    return LastRound(
        table.drop(*_LINE, "_source", "_years", "_by"),
        pl.concat([found.shared, slope]).sort("switch_id", "source"),
    )


def _lines(growth: Growth, switches: pl.DataFrame) -> pl.DataFrame:
    """The slope of each switch, that of its group's mean, and the group."""
    groups = growth.groups
    keys = [name for name in ("model", "lot") if name in groups.columns]
    source = pl.concat_str(
        [pl.lit(f"slope of {growth.event}"), *(pl.col(f"_of_{key}") for key in keys)],
        separator=" ", ignore_nulls=True,
    )  # fmt: skip
    named = groups.select(
        *(pl.col(key).cast(pl.String).alias(f"_of_{key}") for key in keys),
        _common="slope_u_pa_year",
    )
    known = switches.select("switch_id", *(f"_of_{key}" for key in keys))
    joined = (
        known.join(named, on=[f"_of_{key}" for key in keys], how="inner")
        if keys
        else known.join(named, how="cross")
    )
    return (
        growth.switches.select("switch_id", "slope_pa_year", "slope_u_pa_year")
        .join(joined, on="switch_id", how="inner")
        .select(
            "switch_id", "slope_pa_year", "slope_u_pa_year", "_common", _source=source,
            _event=pl.lit(growth.event),
        )
    )  # fmt: skip
