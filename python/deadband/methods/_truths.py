"""What the reference said last of each switch, with the variance of saying it."""

from __future__ import annotations

import polars as pl

from ._compared import Comparison
from ._results import results, round_of


def truths(comparison: Comparison) -> pl.DataFrame:
    """A row a switch: the mean of its last round of reference tests over its rating, less one.

    Columns `switch_id`, `x`, `variance` (own variances average out over the round, what tests with
    one gauge share does not), `rated_pa`, `tolerance`; sorted by `switch_id`.
    """
    lags, gauges = comparison.known
    switches = comparison.rated
    assert switches is not None
    used = (pl.col("status") == "ok") & (pl.col("method") == comparison.reference)
    parts = []
    for action, event in comparison.events().items():
        found = results(comparison.points, event=event, lags=lags, gauges=gauges).lazy()
        parts.append(
            found.filter(used).join(
                switches.filter(pl.col("action") == action), on="switch_id", how="inner"
            )
        )
    own, rated_pa = pl.col("own_u_pa") ** 2, pl.col("rated_pa")
    return (
        pl.concat(parts)
        # The last is one that is known to be: what has no date stands before.
        .sort("switch_id", "tested_at", "test_id", nulls_last=[True, False, True])
        .with_columns(_round=round_of(comparison.within_days))
        .filter(pl.col("_round") == pl.col("_round").max().over("switch_id"))
        .group_by("switch_id")
        .agg(
            x=(pl.col("value_pa") / rated_pa).mean() - 1.0,
            variance=(own / rated_pa**2).mean() / pl.len()
            + ((pl.col("u_pa") ** 2 - own) / rated_pa**2).mean(),
            rated_pa=rated_pa.first(),
            tolerance=pl.col("tolerance").first(),
        )
        .sort("switch_id")
        .collect()
    )
