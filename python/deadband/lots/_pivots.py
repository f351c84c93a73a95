"""Mean and standard deviation of true values as generalized pivotal quantities."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

from ..methods._results import need_studies
from ._spread import SPAN, Alike, Spread, scores

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    _Nodes = tuple[Floats, Floats, Floats, Floats]

#: Nodes of the Gauss-Legendre rule. With 150 the one-sided factors agree with the noncentral t
#: distribution to ten digits.
_NODES: Final = 150


@dataclass(frozen=True, kw_only=True)
class Pivots:
    """What `n` results say of the mean and the standard deviation of the true values.

    The variance of the true values is the pivot that a chi-square leaves (see `_spread`), for
    results that are alike `sd**2 * dof / chi2(dof) - u**2`, and not below zero; the mean is the
    pivot `mean + Z * sqrt((variance + u**2) / n + common_u**2)`, `Z` standard normal. Without `u`
    and `common_u` what follows for one limit is exact (noncentral t). Weerahandi (1993);
    Krishnamoorthy & Mathew (2009), Statistical Tolerance Regions, chapters 1 and 2.

    Attributes
    ----------
    spread
        the results.
    common_u
        standard uncertainty of an error that all of them share.

    Examples
    --------
    >>> pivots = Pivots.of(60.0, 2.0, n=10)
    >>> round(pivots.p_mean_below(lambda sd: 60.0 + 0.0 * sd), 6)
    0.5
    """

    spread: Spread
    common_u: float = 0.0

    @classmethod
    def of(
        cls,
        mean: float,
        sd: float,
        *,
        n: int,
        dof: float | None = None,
        u: float = 0.0,
        common_u: float = 0.0,
    ) -> Pivots:
        """Pivots from mean and standard deviation of `n` results; `dof` None: `n - 1`."""
        nu = n - 1.0 if dof is None else dof
        return cls(spread=Alike(mean=mean, sd=sd, n=n, dof=nu, u=u), common_u=common_u)

    @property
    def mean(self) -> float:
        """Estimate of the mean."""
        return self._estimate[0]

    @property
    def sd(self) -> float:
        """Estimate of the standard deviation of the true values (restricted likelihood)."""
        return self._estimate[1]

    @cached_property
    def _estimate(self) -> tuple[float, float]:
        variance = self.spread.estimate
        return float(self.spread.mean_at(np.array([variance]))[0][0]), math.sqrt(variance)

    def p_mean_below(self, edge: Callable[[Floats], Floats]) -> float:
        """Probability that the mean lies below `edge`, a function of the standard deviation."""
        ndtr = need_studies("intervals of lots").special.ndtr
        sd, mean, mean_u, weight = self._all
        return float((weight * ndtr((edge(sd) - mean) / mean_u)).sum())

    def p_mean_between(
        self, edges: Callable[[Floats], tuple[Floats, Floats]], sd_most: float
    ) -> float:
        """Probability that the mean lies between two `edges`, which meet at `sd_most` at last."""
        ndtr = need_studies("intervals of lots").special.ndtr
        sd, mean, mean_u, weight = self._nodes(self.spread.score(sd_most**2))
        low, high = edges(sd)
        share = ndtr((high - mean) / mean_u) - ndtr((low - mean) / mean_u)
        return float((weight * np.maximum(share, 0.0)).sum())

    def p_within(self, middle: float, half_width: float, outside: float) -> float:
        """Probability that at most `outside` of the true values lie that far off the middle."""
        special = need_studies("intervals of lots").special
        if outside >= 1.0:
            return 1.0

        def edges(sd: Floats) -> tuple[Floats, Floats]:
            shift = _largest_shift(sd, half_width, outside)
            return middle - shift, middle + shift

        return self.p_mean_between(edges, -half_width / float(special.ndtri(0.5 * outside)))

    def sd_quantile(self, probability: float) -> float:
        """A quantile of the standard deviation of the true values; exact without `u`."""
        score = -float(need_studies("intervals of lots").special.ndtri(probability))
        return math.sqrt(float(self.spread.variance(np.array([score]))[0]))

    @cached_property
    def _all(self) -> _Nodes:
        if self.spread.has_floor:
            return self._nodes(-SPAN)
        # Nothing begins or ends: the trapezoidal rule has no error that doubles could show.
        score = scores()
        weight = np.exp(-0.5 * score**2)
        return self._spreads(score, weight / weight.sum())

    @cached_property
    def _none_left(self) -> float:
        """The normal score of the chi-square above which the variance is the measurement's."""
        return self.spread.score(0.0) if self.spread.has_floor else SPAN

    def _nodes(self, start: float) -> _Nodes:
        """Spread of the true values, mean with its uncertainty, and weight, from a score on."""
        special = need_studies("intervals of lots").special
        end = self._none_left
        angle, part = _rule()
        # Where a spread begins or ends, roots begin; the sine takes them away at either end.
        score = start + max(end - start, 0.0) * np.sin(angle) ** 2
        weight = part * max(end - start, 0.0) * np.sin(2.0 * angle)
        weight = weight * np.exp(-0.5 * score**2) / math.sqrt(2.0 * math.pi)
        # All chi-squares above leave nothing to the true values: one node for them together.
        rest = float(special.ndtr(-max(start, end))) if self.spread.has_floor else 0.0
        return self._spreads(np.append(score, SPAN), np.append(weight, rest))

    def _spreads(self, score: Floats, weight: Floats) -> _Nodes:
        variance = self.spread.variance(score)
        mean, square = self.spread.mean_at(variance)
        return np.sqrt(variance), mean, np.sqrt(square + self.common_u**2), weight


@lru_cache(maxsize=1)
def _rule() -> tuple[Floats, Floats]:
    """Angles from 0 to a right angle, and their parts of it."""
    node, part = np.polynomial.legendre.leggauss(_NODES)
    return 0.25 * math.pi * (node + 1.0), 0.25 * math.pi * part


def _largest_shift(sd: Floats, half_width: float, outside: float) -> Floats:
    """How far a mean may lie off the middle, so that no more than `outside` is that far off it."""
    special = need_studies("intervals of lots").special
    wide = half_width / np.maximum(sd, 1e-10 * half_width + 1e-300)
    low, high = np.zeros_like(wide), np.maximum(wide + float(special.ndtri(outside)), 0.0)
    at = high
    # Newton's steps, which come from above where less than half is outside; a bracket for the rest.
    for _ in range(14):
        near, far = at - wide, -at - wide
        excess = special.ndtr(near) + special.ndtr(far) - outside
        low, high = np.where(excess <= 0.0, at, low), np.where(excess > 0.0, at, high)
        slope = (np.exp(-0.5 * near**2) - np.exp(-0.5 * far**2)) / math.sqrt(2.0 * math.pi)
        new = at - excess / np.maximum(slope, 1e-300)
        new = np.where((new >= low) & (new <= high), new, 0.5 * (low + high))
        near_enough = bool((np.abs(new - at) <= 1e-12 * (1.0 + at)).all())
        at = new
        if near_enough:
            break
    return np.where(sd > 1e-10 * half_width, at * sd, half_width)


def crossing(rising: Callable[[float], float], level: float, start: float, step: float) -> float:
    """Where a rising function reaches `level`; infinite where it does not.

    Examples
    --------
    >>> round(crossing(lambda x: x**3, 8.0, 0.0, 0.5), 9)
    2.0
    >>> crossing(lambda x: 0.1, 0.5, 0.0, 1.0)
    inf
    """
    need_studies("intervals of lots")
    from scipy.optimize import brentq

    way = 1.0 if rising(start) < level else -1.0
    near, far = start, start + way * step
    while way * (rising(far) - level) < 0.0:
        step *= 2.0
        if step > 1e15:
            return way * math.inf
        near, far = far, far + way * step
    low, high = sorted((near, far))
    return float(brentq(lambda x: rising(x) - level, low, high, xtol=1e-13, rtol=1e-12))
