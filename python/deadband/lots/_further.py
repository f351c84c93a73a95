"""How many more tests would settle a lot."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ._exceed import Exceeds
from ._shape import quantile

Floats = NDArray[np.float64]

#: As many as a column of counts can hold, nearly.
_MOST: Final = 1e9
#: More tests than that are no advice.
MANY: Final = 300
#: Numbers of further tests that are tried where there is no formula.
_TRIED: Final = np.unique(np.concatenate([np.arange(1, 400), np.geomspace(400, 1e6, 200)]).round())


def further_tests(
    found: Exceeds, verdict: NDArray[Any], fdr: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """Further switches to be tested, and whether what the gauges share forbids any number of them.

    The margin `m - edge` has now the variance `u2`, of which the gauges' part `h` stays. A switch
    of test variance `v` tells it to within `w + z**2 w**2 / (2 s**2)`, `w = s**2 + v` and `z` the
    quantile of the fraction (the mean, and the standard deviation that moves the edge). So many are
    needed that the margin as found is so many times what is left of it as the verdict wants: to
    exceed, the quantile of `1 - fdr (k + 1) / lots` with the `k` lots called so far (Benjamini and
    Hochberg's step), to be within, that of `1 - fdr`. nan where none are enough.
    """
    from scipy.special import ndtri

    told = found.told
    margin, square = found.margin.mean(axis=0), found.margin.var(axis=0, ddof=1)
    shared = np.minimum(told.gauge_variance.mean(axis=0), 0.999 * square)
    called = 1 + int((verdict == "exceeds").sum())
    wanted = np.where(margin > 0.0, fdr * called / verdict.size, fdr)
    aim = (margin / ndtri(1.0 - np.minimum(wanted, fdr))) ** 2 - shared
    limited = aim <= 0.0
    with np.errstate(divide="ignore"):
        more = np.ceil(
            _of_one(found) * (1.0 / np.where(limited, np.nan, aim) - 1.0 / (square - shared))
        )
    return np.clip(more, 1.0, _MOST), limited


def own_tests(found: Exceeds, fdr: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Further switches after which a lot that is within by its model is so by its own tests too.

    Its own tests have the margin `o` of variance `u2`, and are worth `n = c / (u2 - h)` switches,
    `c` and `h` as in `further_tests`. The next `k` will lie where the model says, at the margin
    `m`: so many are needed that `(n o + k m) / (n + k)` is as far below zero as the quantile of
    `1 - fdr` of what is then left, `c / (n + k) + h`. nan where a million are not enough.
    """
    from scipy.special import ndtri

    told = found.told
    own = found.own_margin
    shared = told.gauge_variance.mean(axis=0)
    square = own.var(axis=0, ddof=1) + told.own_left.mean(axis=0)
    square = np.maximum(square - shared, 1e-3 * square)
    one, next_margin = _of_one(found), found.margin.mean(axis=0)
    worth, more = one / square, _TRIED[:, None]
    margin = (worth * own.mean(axis=0) + more * next_margin) / (worth + more)
    z = float(ndtri(1.0 - fdr))
    enough = margin <= -z * np.sqrt(one / (worth + more) + shared)
    first = np.where(enough.any(axis=0), _TRIED[enough.argmax(axis=0)], np.nan)
    return first, next_margin + z * np.sqrt(shared) >= 0.0


def good_tests(counted: Floats, trials: Floats, fraction: float, fdr: float) -> Floats:
    """Further tests, all of them good, after which the counts alone no longer speak against a lot.

    The fewest with which `Beta(counted + 1/2, trials - counted + 1/2)`, Jeffreys' prior and what
    was counted, leaves no more than `fdr` above `fraction`; nan where more than `MANY` are needed.

    Examples
    --------
    >>> good_tests(np.array([0, 1, 2]), np.array([10, 10, 10]), 0.05, 0.05).tolist()
    [28.0, 67.0, 99.0]
    """
    from scipy.stats import beta

    more = np.arange(MANY + 1)[:, None]
    left = beta.sf(fraction, counted + 0.5, trials + more - counted + 0.5)
    enough = left <= fdr
    return np.where(enough.any(axis=0), enough.argmax(axis=0), np.nan)


def _of_one(found: Exceeds) -> Floats:
    """What one more switch leaves open of the margin, as a variance."""
    told = found.told
    sd = np.sqrt((told.sd**2).mean(axis=0))
    # The mean of a lot's own tests: n of them have the variance w / n.
    each = told.own_variance.mean(axis=0) * told.tested
    z = quantile(told.shape, found.level)
    found_one: Floats = each + 0.5 * (z * each / sd) ** 2
    return found_one
