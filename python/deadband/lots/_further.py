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
    sd = np.sqrt((told.sd**2).mean(axis=0))
    # The mean of a lot's own tests: n of them have the variance w / n.
    each = told.own_variance.mean(axis=0) * told.tested
    z = quantile(told.shape, found.level)
    one = each + 0.5 * (z * each / sd) ** 2
    called = 1 + int((verdict == "exceeds").sum())
    wanted = np.where(margin > 0.0, fdr * called / verdict.size, fdr)
    aim = (margin / ndtri(1.0 - np.minimum(wanted, fdr))) ** 2 - shared
    limited = aim <= 0.0
    with np.errstate(divide="ignore"):
        more = np.ceil(one * (1.0 / np.where(limited, np.nan, aim) - 1.0 / (square - shared)))
    return np.clip(more, 1.0, _MOST), limited
