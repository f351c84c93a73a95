"""How well each test repeats, and each test against the other switches of its model."""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from ._core import tables
from ._frames import plugin

_COLUMNS: Final = tuple(name for name, _ in tables()["condition"])
_KEY: Final = ("test_id", "switch_id")
_MODEL: Final = ("model", "rated_pa", "action", "method")
#: Tests of several cycles that it takes to know a repeatability beforehand.
_FEWEST: Final = 5


def repeats(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Scatter of the changes of every test, and what the frame says of it beforehand.

    The first change of each direction is left out: whether it sticks is a question of its own, and
    a fleet that sticks after rest would otherwise look as if it repeated badly.

    Parameters
    ----------
    rows
        events with `_u`, their own standard uncertainty, and `_applied`.

    Returns
    -------
    polars.LazyFrame
        A row a test: `method`, `_status`, `_variance` (about the mean of each direction, pooled),
        `_known` (what measuring makes of it), `_dof`, `_level`, `_prior` (a standard deviation, Pa:
        the median over the tests relative to the pressure; null from fewer than five).
    """
    value, square = pl.col("pressure_pa"), pl.col("_u") ** 2
    usable = value.is_not_null() & square.is_not_null()
    kinds = {"close": pl.col("event") == "close", "open": pl.col("event") == "open"}
    # A list is added up in its order; how a group is, depends on how the engine finds it.
    told = (
        rows.sort("test_id", "time_s", "event", "switch_id", maintain_order=True)
        .group_by(*_KEY, maintain_order=True)
        .agg(
            pl.col("method").first(),
            pl.col("status").filter(pl.col("status") != "ok").first().alias("_status"),
            pl.col("_applied").filter(usable).all().alias("_out"),
            *(
                number.filter(usable & kind).slice(1).alias(f"_{prefix}{name}")
                for prefix, number in (("", value), ("v_", square))
                for name, kind in kinds.items()
            ),
        )
    )
    dof = {name: (pl.col(f"_{name}").list.len().cast(pl.Float64) - 1).clip(0) for name in kinds}
    total = dof["close"] + dof["open"]
    variance = sum((_part(f"_{name}", dof[name], "var") for name in kinds), pl.lit(0.0)) / total
    known = sum((_part(f"_v_{name}", dof[name], "mean") for name in kinds), pl.lit(0.0)) / total
    level = pl.max_horizontal(pl.col(f"_{name}").list.mean().abs() for name in kinds)
    told = told.select(
        *_KEY,
        "method",
        # A lag that is still in makes scatter of uneven rates.
        _status=pl.when("_out").then("_status").otherwise(pl.lit("lag_unidentified")),
        _variance=pl.when(total > 0).then(variance),
        _known=pl.when(total > 0).then(known),
        _dof=pl.when((total > 0) & pl.col("_out")).then(total),
        _level=level,
    )
    nu, size = pl.col("_dof"), pl.col("_level") ** 2
    # The median of chi-squared over its degrees of freedom (Wilson and Hilferty).
    typical = (pl.col("_variance") / (1 - 2 / (9 * nu)) ** 3 - pl.col("_known")) / size
    pooled = told.filter((nu >= 2) & (size > 0)).select(
        _relative=pl.max_horizontal(
            typical.median(), 0.01 * (pl.col("_known") / size).median()
        ).sqrt(),
        _tests=pl.len(),
    )
    enough = (pl.col("_tests") >= _FEWEST) & (pl.col("_relative") > 0)
    return told.join(pooled, how="cross").select(
        pl.exclude("_relative", "_tests"),
        _prior=pl.when(enough).then(pl.col("_relative") * pl.col("_level")),
    )


def _part(column: str, dof: pl.Expr, how: str) -> pl.Expr:
    lists = pl.col(column).list
    number = lists.var(ddof=1) if how == "var" else lists.mean()
    return pl.when(dof > 0).then(number * dof).otherwise(0.0)


def against_the_model(
    known: pl.LazyFrame, points: pl.LazyFrame | None, rated: pl.LazyFrame, options: dict[str, Any]
) -> list[pl.LazyFrame]:
    """Rows of `scatter`, and of `offset_close` and `offset_open` where there are setpoints.

    Parameters
    ----------
    known
        as `repeats` gives it.
    points, rated
        setpoints and switches.
    options
        of the kernels.
    """
    parts = [
        _compared(
            known.with_columns(status=pl.col("_status").fill_null("ok")),
            rated,
            ["_variance", "_known", "_dof", "_level"],
            lambda columns: plugin("model_scatter", columns, options),
        )
    ]
    if points is None:
        return parts
    for event in ("close", "open"):
        closing = pl.lit(event == "close")

        def kernel(columns: list[str], closing: pl.Expr = closing) -> pl.Expr:
            return plugin("model_setpoints", [*columns, closing], options)

        numbers = [f"{event}_pa", f"{event}_u_pa", f"{event}_dof"]
        parts.append(_compared(points, rated, numbers, kernel))
    return parts


def _compared(
    tests: pl.LazyFrame, rated: pl.LazyFrame, numbers: list[str], kernel: Any
) -> pl.LazyFrame:
    models = rated.select("switch_id", "model", "rated_pa", "action")
    inputs = ["model", "switch_id", "status", *numbers]
    return (
        tests.select(*_KEY, "method", pl.col("status").fill_null("ok"), *numbers)
        .join(models, on="switch_id", how="left")
        .sort("test_id", "switch_id", maintain_order=True)
        .group_by(*_MODEL, maintain_order=True)
        .agg(*_KEY, "status", *numbers)
        .select(*_KEY, kernel(inputs).alias("_found"))
        .unnest("_found")
        .explode(*_KEY, *_COLUMNS)
        .filter(pl.col("kind").is_not_null())
    )
