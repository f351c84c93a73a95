"""The rated event of each test: its setpoint against its rating."""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from .._coverage import expanded
from ._frame import collected

JUDGED: Final = (
    "deadband_dof", "p_unsafe", "p_nuisance", "verdict", "verdict_status", "limit_low_pa",
    "limit_high_pa", "unsafe_side",
)  # fmt: skip
NOT_STATED: Final = "not stated"
RATING: Final = ("rated_pa", "action", "tolerance")


def with_rating(points: Any, switches: Any) -> pl.DataFrame:
    """Every row of `points` with its switch's rating and the numbers of the rated event.

    Keeps the columns of a verdict where they are present. Adds `rated_pa`, `action`,
    `tolerance`, `rated_event` (`open` where the action is `fall`, `close` where it is `rise`),
    `value_pa`, `u_pa`, `dof`, `expanded_pa` (95 %), and `deviation_pct`, `expanded_pct`,
    `tolerance_pct`, all in % of the rating. Rows without a rating or a number keep nulls.

    Raises
    ------
    SchemaError
        A column is missing.
    """
    table = collected(points, "setpoints", keep=JUDGED)
    ratings = (
        collected(switches, "switches")
        .select("switch_id", *RATING)
        .unique("switch_id", keep="first", maintain_order=True)
    )
    joined = table.with_columns(pl.col("method").fill_null(NOT_STATED)).join(
        ratings, on="switch_id", how="left", maintain_order="left"
    )
    falls, rises = pl.col("action") == "fall", pl.col("action") == "rise"

    def of_rated(suffix: str) -> pl.Expr:
        return pl.when(falls).then(f"open{suffix}").when(rises).then(f"close{suffix}")

    numbers = joined.with_columns(
        pl.when(falls).then(pl.lit("open")).when(rises).then(pl.lit("close")).alias("rated_event"),
        of_rated("_pa").cast(pl.Float64).alias("value_pa"),
        of_rated("_u_pa").cast(pl.Float64).alias("u_pa"),
        of_rated("_dof").cast(pl.Float64).alias("dof"),
    )
    usable = pl.col("rated_pa") > 0.0
    return numbers.with_columns(
        expanded(numbers["u_pa"], numbers["dof"]).alias("expanded_pa")
    ).with_columns(
        pl.when(usable)
        .then(100.0 * (pl.col("value_pa") / pl.col("rated_pa") - 1.0))
        .alias("deviation_pct"),
        pl.when(usable)
        .then(100.0 * pl.col("expanded_pa") / pl.col("rated_pa"))
        .alias("expanded_pct"),
        (100.0 * pl.col("tolerance")).cast(pl.Float64).alias("tolerance_pct"),
    )


def rated(points: Any, switches: Any) -> pl.DataFrame:
    """`with_rating`, without the rows that have no deviation to show."""
    return with_rating(points, switches).filter(pl.col("deviation_pct").is_finite())
