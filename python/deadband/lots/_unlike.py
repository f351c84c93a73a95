"""Lots that are unlike the others of their model: not drawn towards them."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ._likelihood import Results, moments

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: How probable it may be that any of the lots of a model is taken for unlike, if all are alike.
_RISK: Final = 0.01
#: Fewer lots do not tell which of them is unlike.
_FEWEST: Final = 5
#: Of a normal sample, median absolute deviation to standard deviation, and what it is worth of the
#: degrees of freedom (Huber 1981, Robust Statistics, 5.1).
_TO_SD: Final = 1.4826
_WORTH: Final = 0.37


def unlike(results: Results) -> Flags:
    """Whether the mean of each lot lies beyond what the others of its model leave possible.

    A normal model of lots' means rather takes one far lot for one of huge scatter, or all lots for
    different, than it for what it is. So means that are farther from the median of their model than
    Student's t allows, in units of the median absolute deviation and of their own uncertainty,
    stand for themselves.

    Examples
    --------
    >>> lot, none = np.repeat(np.arange(6), 3), np.zeros((18, 0))
    >>> value = 0.001 * lot + np.tile([-0.01, 0.0, 0.01], 6) - 0.5 * (lot == 4)
    >>> of_one = Results(value, np.full(18, 1e-6), none, lot, np.zeros(6, dtype=np.int64))
    >>> unlike(of_one).tolist()
    [False, False, False, False, True, False]
    """
    from scipy.stats import t

    count, mean, squares = moments(results)
    variance = _variance(results, count, squares)
    shared = np.stack(
        [np.bincount(results.lot, one) / count for one in results.shared.T]
        or [np.zeros(count.size)],
        axis=1,
    )
    found = np.zeros(count.size, dtype=np.bool_)
    for model in np.unique(results.model):
        of = results.model == model
        lots = int(of.sum())
        if lots < _FEWEST:
            continue
        away = np.abs(mean[of] - np.median(mean[of]))
        between = (_TO_SD * np.median(away)) ** 2
        gauges = ((shared[of] - np.median(shared[of], axis=0)) ** 2).sum(axis=1)
        spread = np.sqrt(np.maximum(between, variance[of]) + variance[of] + gauges)
        score = away / np.maximum(spread, np.finfo(np.float64).tiny)
        found[of] = lots * 2.0 * t.sf(score, _WORTH * (lots - 1)) < _RISK
    return found


def apart(results: Results, flags: Flags) -> Results:
    """The results with each of these lots as a model of its own."""
    model = results.model.copy()
    model[flags] = model.max() + 1 + np.arange(int(flags.sum()))
    return replace(results, model=model)


def _variance(results: Results, count: NDArray[np.int64], squares: Floats) -> Floats:
    """Of each lot's mean: by its own scatter, but no less than that of the others."""
    several = count > 1
    own = np.where(several, squares / np.maximum(count - 1, 1), 0.0)
    usual = float(np.median(own[several])) if several.any() else 0.0
    measured = np.bincount(results.lot, results.variance) / count
    found: Floats = np.maximum(np.maximum(own, usual), measured) / count
    return found
