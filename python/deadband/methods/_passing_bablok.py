"""A straight line through points with errors in both coordinates, by ranks."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .._coverage import coverage_factor
from .._errors import DeadbandError
from ._line import Line, checked_points, no_line
from ._results import need_studies

Array = NDArray[Any]

_MANY: Final = 10
#: Slopes of so many points take 0.4 GB.
_MOST: Final = 10_000


def passing_bablok(x: Any, y: Any, *, confidence: float = 0.95) -> Line:
    """The line of Passing and Bablok: the shifted median of the slopes of all pairs of points.

    Of the `N` slopes of pairs of points in order of size those below -1 are counted (`K`); the
    slope is the median moved up by `K`, the intercept the median of `y - slope x`. Pairs of
    identical points and slopes of exactly -1 are left out; pairs of one `x` have infinite slopes.
    The interval of the slope is from rank `K + M` to `K + N + 1 - M`, `M = (N + 1 - w) / 2` to the
    next integer (below ten points to the lower one) with `w` the normal quantile times
    `sqrt(n (n - 1) (2 n + 5) / 18)`. The authors take for the intercept what the ends of the slope
    leave; as the level of the points is uncertain too, the rank interval of their median residual
    is added here, as the root of the sum of squares. No distribution is assumed; both coordinates'
    errors are to be alike but for the factor `slope`, and the line to rise.

    Parameters
    ----------
    x, y
        coordinates of the points, 10,000 at most: the slopes of so many take 0.4 GB.
    confidence
        of the intervals.

    Returns
    -------
    Line
        `kind` is `passing_bablok`; `linear_p` is the probability of a run of points on one side of
        the line as long as this, if they lie along one (the authors' cusum test: of straight lines
        it calls 1 % of those of 20 points bent at the 5 % level, 9 % of those of 50 and more).
        Points that lack a number are left out (`n`). Without a line all numbers are None and
        `status` is `too_few_samples` (under three points), or `zero_spread` (no slope, or none that
        is finite or rises).

    Raises
    ------
    OptionError
        a confidence out of range, or arrays of different lengths.
    DeadbandError
        more than 10,000 points.

    References
    ----------
    Passing and Bablok 1983, J. Clin. Chem. Clin. Biochem. 21, 709.

    Examples
    --------
    >>> found = passing_bablok([1.0, 2.0, 3.0, 4.0, 5.0], [1.1, 1.9, 3.2, 3.9, 9.0])
    >>> round(found.slope, 3), round(found.intercept, 3)
    (1.175, -0.325)
    """
    at, value = checked_points(confidence, x=x, y=y)
    n = at.size
    if n > _MOST:
        raise DeadbandError(
            "too_many_points", f"{n} points have {n * (n - 1) // 2} slopes, more than are held",
            location="option x", advice=f"give at most {_MOST} points, or take deming",
        )  # fmt: skip
    if n < 3:
        return no_line("passing_bablok", n, "too_few_samples")
    slopes = _slopes(at, value)
    shift = int((slopes < -1.0).sum())
    if not slopes.size or shift + slopes.size // 2 >= slopes.size:
        return no_line("passing_bablok", n, "zero_spread")
    middle = (slopes.size - 1) / 2.0 + shift
    slope = float((slopes[int(np.floor(middle))] + slopes[int(np.ceil(middle))]) / 2.0)
    if not np.isfinite(slope):
        return no_line("passing_bablok", n, "zero_spread")
    low, high = _ends(slopes, shift, n, confidence)
    intercept = float(np.median(value - slope * at))
    below, above = _level(value - intercept - slope * at, confidence)
    return Line(
        kind="passing_bablok", n=n, status="ok", intercept=intercept, slope=slope,
        intercept_low=intercept - float(np.hypot(intercept - _median(value, at, high), below)),
        intercept_high=intercept + float(np.hypot(_median(value, at, low) - intercept, above)),
        slope_low=low, slope_high=high, linear_p=_linear(at, value, intercept, slope),
    )  # fmt: skip


def _slopes(x: Array, y: Array) -> Array:
    # Point by point: all pairs at once would take ten times the memory of their slopes.
    slopes = np.empty(x.size * (x.size - 1) // 2)
    end = 0
    for first in range(x.size - 1):
        run, rise = x[first + 1 :] - x[first], y[first + 1 :] - y[first]
        apart = (run != 0.0) | (rise != 0.0)
        with np.errstate(divide="ignore"):
            # Without the sum a run of minus zero would turn the sign of an infinite slope.
            found = rise[apart] / (run[apart] + 0.0)
        found = found[found != -1.0]
        slopes[end : end + found.size] = found
        end += found.size
    slopes = slopes[:end]
    slopes.sort()
    return slopes


def _ends(slopes: Array, shift: int, n: int, confidence: float) -> tuple[float, float]:
    wide = coverage_factor(np.inf, confidence) * (n * (n - 1) * (2 * n + 5) / 18.0) ** 0.5
    rank = (slopes.size + 1.0 - wide) / 2.0
    # A rank is a large step where pairs are few: the nearest one covers 92 % with eight points.
    first = max(round(rank) if n >= _MANY else int(np.floor(rank)), 0)
    low, high = first + shift - 1, slopes.size - first + shift
    return (
        float(slopes[low]) if first else -np.inf,
        float(slopes[high]) if first and high < slopes.size else np.inf,
    )


def _level(left: Array, confidence: float) -> tuple[float, float]:
    """How far below and above their median the rank interval of the residuals reaches."""
    need_studies("passing_bablok")
    from scipy.special import bdtr

    ordered = np.sort(left)
    ranks = np.arange(ordered.size // 2)
    outside = bdtr(ranks.astype(float), ordered.size, 0.5)
    # The widest there is where even that is less than asked for.
    rank = max(int((outside <= (1.0 - confidence) / 2.0).sum()) - 1, 0)
    return float(-ordered[rank]), float(ordered[-1 - rank])


def _median(y: Array, x: Array, slope: float) -> float:
    return float(np.median(y - slope * x)) if np.isfinite(slope) else -np.copysign(np.inf, slope)


def _cusum(x: Array, y: Array, intercept: float, slope: float) -> tuple[float, int, int]:
    """The largest sum of the signs along the line, and how many points lie above and below."""
    left = y - intercept - slope * x
    above, below = int((left > 0.0).sum()), int((left < 0.0).sum())
    if not above or not below:
        return 0.0, above, below
    score = np.where(left > 0.0, (below / above) ** 0.5, -((above / below) ** 0.5))
    score[left == 0.0] = 0.0
    along = slope * (y - intercept) + x
    return float(np.abs(np.cumsum(score[np.argsort(along, kind="stable")])).max()), above, below


def _linear(x: Array, y: Array, intercept: float, slope: float) -> float:
    need_studies("passing_bablok")
    from scipy.special import kolmogorov

    largest, _, below = _cusum(x, y, intercept, slope)
    return float(kolmogorov(largest / (below + 1.0) ** 0.5))
