"""Intervals of sums, differences and ratios of variance components, from mean squares."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ._results import need_studies

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def modified_large_sample(
    weights: Floats, mean_squares: Floats, dof: Floats, confidence: float
) -> tuple[float, float]:
    """An interval of `sum(weights * expected mean squares)`, not cut at zero.

    Mean squares are independent and each a multiple of chi-square. Exact where all but one weight
    are zero; otherwise the limits of Ting et al. (1990), which are those of Graybill and Wang
    (1980) where no weight is negative.

    Examples
    --------
    >>> low, high = modified_large_sample(
    ...     np.array([1.0, 0.0]), np.array([2.0, 1.0]), np.array([10.0, 5.0]), 0.95
    ... )
    >>> round(low, 4), round(high, 4)
    (0.9764, 6.1596)
    """
    used = (weights != 0.0) & (mean_squares > 0.0)
    part = weights[used] * mean_squares[used]
    nu = dof[used]
    plus, minus = part > 0.0, part < 0.0
    risk = (1.0 - confidence) / 2.0
    centre = float(part.sum())
    below = _squared(part[plus], nu[plus], -part[minus], nu[minus], risk)
    above = _squared(-part[minus], nu[minus], part[plus], nu[plus], risk)
    return centre - float(np.sqrt(below)), centre + float(np.sqrt(above))


def _squared(plus: Floats, nu_plus: Floats, minus: Floats, nu_minus: Floats, risk: float) -> float:
    """The squared distance of the lower limit of `sum(plus) - sum(minus)`."""
    need_studies("intervals of variance components")
    from scipy.special import chdtri, fdtri

    down = 1.0 - nu_plus / chdtri(nu_plus, risk)
    up = nu_minus / chdtri(nu_minus, 1.0 - risk) - 1.0
    total = float(((down * plus) ** 2).sum() + ((up * minus) ** 2).sum())
    for a, g, n in zip(plus, down, nu_plus, strict=True):
        for b, h, m in zip(minus, up, nu_minus, strict=True):
            ratio = float(fdtri(n, m, 1.0 - risk))
            total += float(((ratio - 1.0) ** 2 - (g * ratio) ** 2 - h**2) / ratio * a * b)
    if minus.size and plus.size > 1:
        for i in range(plus.size):
            for j in range(i + 1, plus.size):
                n, m = nu_plus[i], nu_plus[j]
                both = (1.0 - (n + m) / chdtri(n + m, risk)) ** 2 * (n + m) ** 2 / (n * m)
                star = both - down[i] ** 2 * n / m - down[j] ** 2 * m / n
                total += float(star) * plus[i] * plus[j] / (plus.size - 1)
    return max(total, 0.0)
