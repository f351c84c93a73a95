"""The last results of switches, carried along their lines to another date."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import polars as pl

from .._growth import Growth
from .._history import YEAR_S
from ._last_round import LastRound


def carried(found: LastRound, growth: Growth, day: date) -> LastRound:
    """`found` at `day`: each result moved by its switch's slope, and less sure for that.

    The slope of a switch is what `growth` found, drawn towards its fleet's; what is open of the
    fleet's own slope is an error that all its switches share. That the last test had a part in the
    slope is left out of account. A switch without a line keeps its result where it was tested on
    the day, and has none otherwise.
    """
    whole = growth.groups
    keys = [name for name in ("model", "lot") if name in whole.columns]
    common = whole["slope_u_pa_year"].max()
    assert isinstance(common, float)
    lines = growth.switches.select("switch_id", "slope_pa_year", "slope_u_pa_year")
    years = (pl.lit(day) - pl.col("_at").dt.date()).dt.total_days() * 86400.0 / YEAR_S
    moved = pl.col("_years") != 0.0
    step = pl.col("_years") * pl.col("slope_pa_year") / pl.col("rated_pa")
    own = (pl.col("slope_u_pa_year") ** 2 - common**2).clip(0.0)
    table = (
        found.switches.join(lines, on="switch_id", how="left")
        .with_columns(_years=years)
        .with_columns(
            x=pl.when(moved).then(pl.col("x") + step).otherwise("x"),
            variance=pl.when(moved)
            .then(pl.col("variance") + (pl.col("_years") / pl.col("rated_pa")) ** 2 * own)
            .otherwise("variance"),
            _by=pl.when(moved).then(pl.col("_years") * common / pl.col("rated_pa")),
        )
    )
    lost = (pl.col("state") == "tested") & pl.col("x").is_null()
    table = table.with_columns(
        state=pl.when(lost).then(pl.lit("no_setpoint")).otherwise("state")
    ).sort("switch_id")
    slope = table.filter(pl.col("_by").is_not_null() & pl.col("x").is_not_null()).select(
        "switch_id", source=_fleet(keys), by="_by"
    )
    return LastRound(
        table.drop("slope_pa_year", "slope_u_pa_year", "_years", "_by"),
        pl.concat([found.shared, slope]).sort("switch_id", "source"),
    )


def _fleet(keys: Sequence[str]) -> pl.Expr:
    """The group of which a switch has its mean slope."""
    parts = [pl.col(f"_{key}").fill_null("none") for key in keys]
    return pl.concat_str([pl.lit("slope of "), *parts], separator="")
