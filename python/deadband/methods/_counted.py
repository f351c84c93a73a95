"""What a method did to the switches of its rounds, the reference's mean taken for the truth."""

from __future__ import annotations

from typing import Any, Final

import polars as pl

_CELLS: Final = (
    "bad_unsafe", "bad_nuisance", "passed_unsafe", "passed_nuisance", "condemned_unsafe",
    "condemned_nuisance",
)  # fmt: skip
COUNTED: Final = tuple(f"counted_{cell}" for cell in _CELLS)


def counted(rounds: pl.DataFrame, guard: pl.Expr, confidence: float) -> dict[str, Any]:
    """Results of the method in each cell, and their shares with Wilson's interval.

    `rounds` as `_compared.compared` gives them, `guard` the width of the guard band over the
    rating. Results of one switch are alike: the interval is that of as many trials as there are
    switches (Wilson 1927).
    """
    from statsmodels.stats.proportion import proportion_confint

    keys = ["switch_id", "round"]
    truth = (
        rounds.filter(pl.col("side") == "reference").group_by(keys).agg(x=pl.col("relative").mean())
    )
    low, high = -pl.col("tolerance"), pl.col("tolerance")
    x, y = pl.col("x"), pl.col("relative")
    # A guard band wider than half the tolerance leaves its middle, which nothing hits.
    band = pl.min_horizontal(guard, pl.col("tolerance"))
    below, above = y < low + band, y > high - band
    good, passed = x.is_between(low, high), ~(below | above)
    cells = (x < low, x > high, (x < low) & passed, (x > high) & passed, good & below,
             good & above & ~below)  # fmt: skip
    told = rounds.filter(pl.col("side") == "method").join(truth, on=keys)
    counts = told.select(
        cell.sum().alias(name) for name, cell in zip(COUNTED, cells, strict=True)
    ).row(0)
    n, switches = told.height, told["switch_id"].n_unique()
    found: dict[str, Any] = dict(zip(COUNTED, counts, strict=True))
    for name, count in zip(_CELLS, counts, strict=True):
        share = count / n
        ends = proportion_confint(share * switches, switches, 1.0 - confidence, "wilson")
        column = f"counted_p_{name}"
        found |= {column: share, f"{column}_low": float(ends[0]), f"{column}_high": float(ends[1])}
    return found
