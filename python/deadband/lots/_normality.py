"""Whether setpoints within lots are normal."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ._likelihood import Results
from ._posterior import Posterior

Floats = NDArray[np.float64]

_DRAWS: Final = 60
#: Fewer values look normal whatever they are.
_FEWEST: Final = 5
#: More than this the test of Shapiro and Wilk is not made for.
_LARGEST: Final = 5000


class Normality(NamedTuple):
    """Whether values are normal, by Shapiro and Wilk (1965).

    Attributes
    ----------
    statistic
        W, 1 for values that lie as expected of normal ones.
    p_value
        probability of a smaller one where values are normal.
    skewness
        below zero: the long tail is that towards low setpoints.
    n
        values.

    Examples
    --------
    >>> Normality(0.98, 0.4, 0.1, 60).n
    60
    """

    statistic: float
    p_value: float
    skewness: float
    n: int


def normality(
    results: Results, told: Posterior, random: np.random.Generator
) -> tuple[Normality | None, Floats, pl.Series]:
    """Of all residuals, of those of each lot (p-values, nan where too few), and the mean residuals.

    At true means and standard deviations residuals are standard normal, and so they are at a draw
    of what is possible (Johnson 2007, Bayesian Analysis 2, 719): the test is made at many draws,
    and its median told. It seldom says too much, but small lots hide a lot.
    """
    from scipy.stats import shapiro, skew

    lot = results.lot
    which = np.linspace(0, len(told.sd) - 1, _DRAWS).astype(np.int64)
    alone = told.own_centre[which] + np.sqrt(told.own_variance[which]) * random.standard_normal(
        (_DRAWS, told.sd.shape[1])
    )
    spread = np.sqrt(told.sd[which][:, lot] ** 2 + results.variance)
    residuals = (results.value - alone[:, lot]) / spread
    mean = (results.value - told.own_centre.mean(axis=0)[lot]) / spread.mean(axis=0)
    p_values = np.full(told.sd.shape[1], np.nan)
    for j in range(told.sd.shape[1]):
        own = residuals[:, lot == j]
        if own.shape[1] >= _FEWEST and _differ(own):
            p_values[j] = np.median(shapiro(own[:, :_LARGEST], axis=1).pvalue)
    whole: Normality | None = None
    if results.value.size >= _FEWEST and _differ(residuals):
        some = random.permutation(results.value.size)[:_LARGEST]
        tests = shapiro(residuals[:, some], axis=1)
        whole = Normality(
            float(np.median(tests.statistic)),
            float(np.median(tests.pvalue)),
            float(skew(mean)) if np.ptp(mean) > 1e-9 else 0.0,
            results.value.size,
        )
    return whole, p_values, pl.Series("residual", mean)


def _differ(residuals: Floats) -> bool:
    return bool((np.ptp(residuals, axis=1) > 1e-9).all())
