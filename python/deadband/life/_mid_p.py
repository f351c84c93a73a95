"""Limits of a share from two beta distributions, each with half the weight."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..methods._results import need_studies

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_HALVINGS = 44


def mid_p(
    low_a: Floats, low_b: Floats, high_a: Floats, high_b: Floats, confidence: float
) -> tuple[Floats, Floats]:
    """Quantiles of the equal mixture of `Beta(low_a, low_b)` and `Beta(high_a, high_b)`.

    For `x` of `n` these are the mid-p limits of a share, with `Beta(x, n-x+1)` and `Beta(x+1, n-x)`
    (Fay, Brittain and Proschan 2013). A first parameter of 0 puts its half at 0, a second at 1.

    Examples
    --------
    >>> one = np.array([1.0])
    >>> low, high = mid_p(10.0 * one, one, one, 0.0 * one, 0.95)  # 10 of 10
    >>> round(float(low[0]), 3), float(high[0])
    (0.741, 1.0)
    """
    btdtr = need_studies("life").special.betainc
    risk = (1.0 - confidence) / 2.0

    def below(x: Floats, a: Floats, b: Floats) -> Floats:
        inside = (a > 0.0) & (b > 0.0)
        made = btdtr(np.where(inside, a, 1.0), np.where(inside, b, 1.0), x)
        return np.where(a <= 0.0, 1.0, np.where(b <= 0.0, 0.0, made))

    ends = []
    for share in (risk, 1.0 - risk):
        low, high = np.zeros_like(low_a), np.ones_like(low_a)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            more = 0.5 * (below(middle, low_a, low_b) + below(middle, high_a, high_b)) < share
            low, high = np.where(more, middle, low), np.where(more, high, middle)
        ends.append(high)
    # Halving stops short of the very end.
    return np.where(ends[0] < 1e-12, 0.0, ends[0]), np.where(ends[1] > 1.0 - 1e-12, 1.0, ends[1])


def beta_of(mean: Floats, square: Floats) -> tuple[Floats, Floats]:
    """The beta distribution with this mean and mean square; one value only where they leave none.

    Examples
    --------
    >>> a, b = beta_of(np.array([2.0 / 3.0]), np.array([0.5]))
    >>> float(a[0].round(9)), float(b[0].round(9))
    (2.0, 1.0)
    """
    spread = square - mean**2
    with np.errstate(all="ignore"):
        size = mean * (1.0 - mean) / spread - 1.0
    a, b = mean * size, (1.0 - mean) * size
    none = (mean <= 0.0) | (mean >= 1.0) | (spread <= 0.0)
    return np.where(none, (mean > 0.0).astype(float), a), np.where(none, (mean <= 0.0) * 1.0, b)
