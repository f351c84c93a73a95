"""What a sample says of a variance, of results whose uncertainties are alike or not."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ..methods._results import need_studies

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Normal scores beyond which nothing is left.
SPAN: Final = 8.5
#: Uncertainties that differ by less are alike, and their formula is a closed one.
_ALIKE: Final = 1e-9
#: An uncertainty that is a smaller part of what is told apart is none.
_EXACT: Final = 1e-5
#: Variances at which scores of unlike results are worked out, below those of the tail.
_GRID: Final = 400


@dataclass(frozen=True, kw_only=True)
class Alike:
    """Mean and standard deviation of results that all have the uncertainty `u`.

    `dof * sd**2 / (variance + u**2)` is chi-square, `dof` not always whole. A variance has a normal
    score: that of the chi-square.

    Examples
    --------
    >>> spread = Alike(mean=60.0, sd=2.0, n=10, dof=9.0, u=1.0)
    >>> spread.estimate, round(float(spread.variance(np.array([spread.score(5.0)]))[0]), 6)
    (3.0, 5.0)
    """

    mean: float
    sd: float
    n: int
    dof: float
    u: float = 0.0

    @property
    def estimate(self) -> float:
        """Estimated variance of the true values, not below zero."""
        return max(self.sd**2 - self.u**2, 0.0)

    @property
    def has_floor(self) -> bool:
        """Whether a sample can scatter less than its measurements do."""
        return self.u > 0.0

    @property
    def step(self) -> float:
        """The size of what is told apart."""
        return max(self.sd, self.u)

    def score(self, variance: float) -> float:
        """Normal score of what the sample shows, were this the variance of the true values."""
        whole = variance + self.u**2
        if not whole > 0.0:
            return SPAN
        return float(_scored(np.array([self.dof * self.sd**2 / whole]), self.dof)[0])

    def variance(self, score: Floats) -> Floats:
        """Variance of the true values at each score, not below zero."""
        square = self.dof * self.sd**2 / np.exp(_log_chi2(self.dof)(score))
        found: Floats = np.maximum(square - self.u**2, 0.0)
        return found

    def mean_at(self, variance: Floats) -> tuple[Floats, Floats]:
        """The mean and its variance."""
        return np.full_like(variance, self.mean), (variance + self.u**2) / self.n


@dataclass(frozen=True, kw_only=True)
class Unlike:
    """Results with uncertainties of their own.

    With the weights `w = 1 / (variance + u**2)` the score of the restricted likelihood is
    `T = sum(w**2 (y - mean)**2)`, the mean weighted likewise, within each group. Were this the
    variance, `T` would be a sum of chi-squares of known weights, taken for `E(T) chi2(d) / d` with
    the `d` of its own variance (Satterthwaite 1946), exact where uncertainties are alike. Poor
    results so weigh little in what is known of the spread. Their variance is estimated where
    `T = E(T)`: restricted likelihood.

    Attributes
    ----------
    values, own
        results and their standard uncertainties.
    group
        number of each result's group, from 0.

    Examples
    --------
    >>> values, own = np.array([58.0, 60.0, 62.0]), np.array([0.5, 0.5, 1.5])
    >>> spread = Unlike(values=values, own=own, group=np.zeros(3, dtype=np.intp))
    >>> round(float(spread.variance(np.array([spread.score(3.0)]))[0]), 3)
    3.0
    """

    values: Floats
    own: Floats
    group: NDArray[np.intp]

    @property
    def n(self) -> int:
        """Number of results."""
        return self.values.size

    @cached_property
    def estimate(self) -> float:
        """Estimated variance of the true values, not below zero."""
        need_studies("intervals of lots")
        from scipy.optimize import brentq

        def over(variance: float) -> float:
            t, expected, _ = self._score_of(np.array([variance]))
            return float(t[0] / expected[0]) - 1.0

        least = 1e-9 * self.step**2
        if not over(least) > 0.0:
            return 0.0
        most = least
        while over(most) > 0.0:
            most *= 10.0
        return float(brentq(over, least, most, xtol=1e-12 * most))

    @cached_property
    def has_floor(self) -> bool:
        """Whether a sample can scatter less than its measurements do."""
        return self.score(0.0) < SPAN

    @cached_property
    def step(self) -> float:
        """The size of what is told apart."""
        return max(float(self.values.std()), float(self.own.max()))

    def score(self, variance: float) -> float:
        """Normal score of what the sample shows, were this the variance of the true values."""
        # A greater variance makes no sample look larger, but by what is approximate here.
        return float(self._scores(np.array([0.0, variance])).min())

    def variance(self, score: Floats) -> Floats:
        """Variance of the true values at each score, not below zero."""
        at, offset = self._inverse
        found: Floats = np.exp(at(score)) - offset
        return np.where(score >= self.score(0.0), 0.0, np.maximum(found, 0.0))

    def mean_at(self, variance: Floats) -> tuple[Floats, Floats]:
        """The mean and its variance."""
        weight = self._weights(variance)
        total = weight.sum(axis=1)
        return (weight @ self.values) / total, 1.0 / total

    @cached_property
    def _inverse(self) -> tuple[Any, float]:
        """The logarithm of variance plus an offset as a function of the score."""
        from scipy.interpolate import PchipInterpolator

        own = np.maximum(self.own**2, (_EXACT * self.step) ** 2)
        offset = float(1.0 / (1.0 / own).mean())
        # Far above all uncertainties it is the closed formula; there the tail is as long as it is.
        plain = spread_of(self.values, np.zeros(self.n), self.group)
        tail = plain.variance(np.arange(-SPAN, SPAN, 0.05))
        near = np.exp(np.linspace(math.log(offset), math.log(1e3 * self.step**2), _GRID)) - offset
        variance = np.unique(np.concatenate([[0.0], near[near > 0.0], tail[tail > 0.0]]))
        score = np.minimum.accumulate(self._scores(variance))
        keep = np.append(True, np.diff(score) < -1e-12)
        order = slice(None, None, -1)
        log = np.log(variance[keep] + offset)
        if log.size < 2:
            return (lambda at: np.full_like(at, math.log(offset))), offset
        ends, smooth = score[keep][[-1, 0]], PchipInterpolator(score[keep][order], log[order])
        return (lambda at: smooth(np.clip(at, *ends))), offset

    def _weights(self, variance: Floats) -> Floats:
        least = (_EXACT * self.step) ** 2
        weight: Floats = 1.0 / np.maximum(variance[:, None] + self.own**2, least)
        return weight

    def _scores(self, variance: Floats) -> Floats:
        t, expected, half = self._score_of(variance)
        dof = expected**2 / half
        return _scored(dof * t / expected, dof)

    def _score_of(self, variance: Floats) -> tuple[Floats, Floats, Floats]:
        """`T`, its expectation and half its variance, at each variance of the true values."""
        weights = self._weights(variance)
        t, expected, half = (np.zeros_like(variance) for _ in range(3))
        for group in range(int(self.group.max()) + 1):
            of = self.group == group
            weight, values = weights[:, of], self.values[of] - self.values.mean()
            # Sums over the others, not less one of all: a result that is all but exact outweighs.
            others = 1.0 - np.eye(values.size)
            total = weight.sum(axis=1)
            rest, squares = weight @ others, weight**2 @ others
            mean = (weight @ values) / total
            t += (weight**2 * (values - mean[:, None]) ** 2).sum(axis=1)
            expected += (weight * rest).sum(axis=1) / total
            half += (weight**2 * (rest**2 + squares)).sum(axis=1) / total**2
        return t, expected, half


Spread = Alike | Unlike


def spread_of(values: Floats, own: Floats, group: NDArray[np.intp]) -> Spread:
    """The spread of results within groups, by the closed formula where it holds.

    Examples
    --------
    >>> values, group = np.array([1.0, 3.0, 11.0, 13.0]), np.array([0, 0, 1, 1])
    >>> spread = spread_of(values, np.full(4, 0.1), group)
    >>> round(spread.sd, 6), spread.dof
    (1.414214, 2.0)
    """
    if np.ptp(own) > _ALIKE * own.max():
        return Unlike(values=values, own=own, group=group)
    size = np.bincount(group)
    means = np.bincount(group, weights=values) / size
    dof = float((size - 1).sum())
    square = float(((values - means[group]) ** 2).sum())
    return Alike(
        mean=float(values.mean()), sd=math.sqrt(square / dof), n=values.size, dof=dof,
        u=float(own.mean()),
    )  # fmt: skip


def scores() -> Floats:
    """Normal scores, close enough that the trapezoidal rule over them has no error to speak of."""
    return np.arange(-SPAN, SPAN + 0.025, 0.05)


@lru_cache(maxsize=256)
def _log_chi2(dof: float) -> Any:
    """Logarithm of the quantile of chi-square as a function of the normal score, to 1e-9.

    Its inversion is the only slow part, and the same for all limits of a lot.
    """
    special = need_studies("intervals of lots").special
    from scipy.interpolate import CubicSpline

    score = scores()
    lower = special.gammaincinv(dof / 2.0, special.ndtr(np.minimum(score, 0.0)))
    upper = special.gammainccinv(dof / 2.0, special.ndtr(-np.maximum(score, 0.0)))
    chi2 = 2.0 * np.where(score < 0.0, lower, upper)
    return CubicSpline(score, np.log(np.maximum(chi2, 1e-200)))


def _scored(chi2: Floats, dof: Any) -> Floats:
    """Normal score of each chi-square."""
    special = need_studies("intervals of lots").special
    lower = special.gammainc(dof / 2.0, chi2 / 2.0)
    upper = special.gammaincc(dof / 2.0, chi2 / 2.0)
    score: Floats = np.where(lower < 0.5, special.ndtri(lower), -special.ndtri(upper))
    return score.clip(-SPAN, SPAN)
