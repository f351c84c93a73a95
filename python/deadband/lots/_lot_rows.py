"""Counts and numbers of each lot."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ._columns import COUNTED, DATES
from ._posterior import Posterior, summary
from ._shape import NORMAL, Shape
from .proportion import proportion_interval

Floats = NDArray[np.float64]


class Tolerances(NamedTuple):
    """Tolerances that there are, and their shares of each lot's tested switches, (lots, kinds).

    Examples
    --------
    >>> Tolerances(np.array([0.1]), np.array([[1.0]])).share.shape
    (1, 1)
    """

    tolerance: Floats
    share: Floats

    def fractions(self, mean: Floats, sd: Floats, shape: Shape = NORMAL) -> tuple[Floats, Floats]:
        """Unsafe and nuisance fraction of lots of this shape, lots along the last axis."""
        unsafe, nuisance = np.zeros((2, *np.broadcast(mean, sd).shape))
        for tolerance, share in zip(self.tolerance.tolist(), self.share.T, strict=True):
            unsafe += share * shape.below((-tolerance - mean) / sd)
            nuisance += share * shape.above((tolerance - mean) / sd)
        return unsafe, nuisance


def tolerances_of(tested: pl.DataFrame) -> Tolerances:
    """The tolerances of lots; `tested` in their order."""
    kinds = np.unique(tested["tolerance"].to_numpy())
    lot = tested.select(pl.struct("_model", "_lot").rle_id()).to_series().to_numpy()
    share = np.zeros((int(lot.max()) + 1 if lot.size else 0, kinds.size))
    np.add.at(share, (lot, np.searchsorted(kinds, tested["tolerance"].to_numpy())), 1.0)
    return Tolerances(kinds, share / share.sum(axis=1, keepdims=True))


def counts(switches: pl.DataFrame) -> pl.DataFrame:
    """A row a lot: how many switches, in which state, and how many beyond their limits."""
    tested, state = pl.col("state") == "tested", pl.col("state")
    stuck = state == "stuck"
    table = (
        switches.group_by("_model", "_lot")
        .agg(
            n_switches=pl.len(),
            n_in_service=pl.col("removed_on").is_null().sum(),
            n_tested=tested.sum(),
            n_no_setpoint=(state == "no_setpoint").sum(),
            n_stuck=stuck.sum(),
            n_maybe_stuck=(pl.col("_maybe") & ~stuck).sum(),
            n_bad_rating=(state == "bad_rating").sum(),
            n_tests=pl.col("n_tests").filter(tested).sum(),
            counted_unsafe=((tested & (pl.col("x") < -pl.col("tolerance"))) | stuck).sum(),
            counted_nuisance=(tested & (pl.col("x") > pl.col("tolerance"))).sum(),
            first_tested_on=pl.col("_first_on").filter(tested | stuck).min(),
            last_tested_on=pl.col("_last_on").filter(tested | stuck).max(),
        )
        .sort("_model", "_lot", nulls_last=[False, True])
        .with_columns(pl.exclude("_model", "_lot", *DATES).cast(pl.Int32))
    )
    return table.with_columns(
        column
        for name in COUNTED
        for column in _shares(
            table[name], table["n_tested"] + table["n_stuck"], name.replace("counted", "counted_p")
        )
    )


def _shares(count: pl.Series, trials: pl.Series, name: str) -> list[pl.Series]:
    rows = [
        (None, None, None) if not n else (x / n, *proportion_interval(x, n, method="wilson"))
        for x, n in zip(count.to_list(), trials.to_list(), strict=True)
    ]
    return [
        pl.Series(f"{name}{end}", [row[i] for row in rows], pl.Float64)
        for i, end in enumerate(("", "_low", "_high"))
    ]


def lot_rows(told: Posterior, tolerances: Tolerances, confidence: float) -> dict[str, Floats]:
    """Numbers of the lots that have results, by column."""
    found: dict[str, Floats] = {"raw_mean": told.own_centre.mean(axis=0)}
    found["raw_mean_u"] = np.sqrt(told.own_left.mean(axis=0) + told.own_centre.var(axis=0))
    unsafe, nuisance = tolerances.fractions(told.mean, told.sd, told.shape)
    drawn = {
        "mean": told.mean,
        "sd": told.sd,
        "fraction_unsafe": unsafe,
        "fraction_nuisance": nuisance,
        "fraction_outside": unsafe + nuisance,
    }
    for name, draws in drawn.items():
        found[name], u, found[f"{name}_low"], found[f"{name}_high"] = summary(draws, confidence)
        if name in {"mean", "sd"}:
            found[f"{name}_u"] = u
    found["gauge_u"] = np.sqrt(told.gauge_variance.mean(axis=0))
    found["shrinkage"] = 1.0 - (told.variance / told.own_variance).mean(axis=0)
    return found
