"""What a chi-square says of a variance, of results whose uncertainties are alike or not."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Uncertainties that differ by less are alike, and their formula is a closed one.
_ALIKE: Final = 1e-9


@dataclass(frozen=True, kw_only=True)
class Alike:
    """Mean and standard deviation of results that all have the uncertainty `u`.

    `dof * sd**2 / (variance + u**2)` is chi-square, `dof` not always whole.

    Examples
    --------
    >>> spread = Alike(mean=60.0, sd=2.0, n=10, dof=9.0, u=1.0)
    >>> float(spread.variance(np.array(9.0))), float(spread.chi2(3.0))
    (3.0, 9.0)
    """

    mean: float
    sd: float
    n: int
    dof: float
    u: float = 0.0

    @property
    def has_floor(self) -> bool:
        """Whether a sample can scatter less than its measurements do."""
        return self.u > 0.0

    @property
    def step(self) -> float:
        """The size of what is told apart."""
        return max(self.sd, self.u)

    def chi2(self, variance: float) -> float:
        """The chi-square at which the true values have this variance."""
        whole = variance + self.u**2
        return self.dof * self.sd**2 / whole if whole > 0.0 else math.inf

    def variance(self, chi2: Floats) -> Floats:
        """Variance of the true values, not below zero."""
        found: Floats = np.maximum(self.dof * self.sd**2 / chi2 - self.u**2, 0.0)
        return found

    def mean_at(self, variance: Floats) -> tuple[Floats, Floats]:
        """The mean and its variance."""
        return np.full_like(variance, self.mean), (variance + self.u**2) / self.n


@dataclass(frozen=True, kw_only=True)
class Unlike:
    """Results with uncertainties of their own.

    `Q(variance) = sum((y - mean)**2 / (variance + u**2))`, the mean weighted likewise, within each
    group, is chi-square with as many degrees of freedom as results less groups (Paule & Mandel
    1982; as a generalized pivot Iyer, Wang & Mathew 2004). It falls with the variance, so that each
    chi-square has one.

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
    >>> variance = spread.variance(np.array([2.0]))
    >>> round(spread.chi2(float(variance[0])), 9)
    2.0
    """

    values: Floats
    own: Floats
    group: NDArray[np.intp]

    @property
    def n(self) -> int:
        """Number of results."""
        return self.values.size

    @property
    def dof(self) -> float:
        """Results less groups."""
        return float(self.n - 1 - self.group.max())

    @property
    def has_floor(self) -> bool:
        """Whether a sample can scatter less than its measurements do."""
        return bool((self.own > 0.0).all())

    @property
    def step(self) -> float:
        """The size of what is told apart."""
        return max(float(self.values.std()), float(self.own.max()))

    def chi2(self, variance: float) -> float:
        """The chi-square at which the true values have this variance."""
        if variance <= 0.0 and not self.has_floor:
            return math.inf
        return float(self._q(np.array([variance]))[0][0])

    def variance(self, chi2: Floats) -> Floats:
        """Variance of the true values, not below zero."""
        flat = np.asarray(chi2, dtype=np.float64).ravel()
        found = np.zeros_like(flat)
        open_ = np.flatnonzero(flat < self.chi2(0.0))
        goal = flat[open_]
        # 1 / Q is all but straight in the variance: Newton's steps hardly miss.
        mean_square = float((self.own**2).mean())
        means = np.bincount(self.group, weights=self.values) / np.bincount(self.group)
        total = float(((self.values - means[self.group]) ** 2).sum())
        if not total > 0.0:
            return found.reshape(np.shape(chi2))
        at = np.maximum(total / goal - mean_square, 1e-3 * mean_square)
        for _ in range(60):
            q, slope = self._q(at)
            step = (1.0 / goal - 1.0 / q) * q**2 / -slope
            new = np.maximum(at + step, 0.1 * at)
            near = bool((np.abs(new - at) <= 1e-13 * at).all())
            at = new
            if near:
                break
        found[open_] = at
        return found.reshape(np.shape(chi2))

    def mean_at(self, variance: Floats) -> tuple[Floats, Floats]:
        """The mean and its variance."""
        weight = 1.0 / np.maximum(variance[:, None] + self.own**2, 1e-300)
        total = weight.sum(axis=1)
        # Of exact results that are alike the mean is known, but for what numbers can tell.
        return (weight @ self.values) / total, np.maximum(1.0 / total, (1e-9 * self.step) ** 2)

    def _q(self, variance: Floats) -> tuple[Floats, Floats]:
        """The sum of weighted squares at each variance, and its derivative."""
        whole = np.maximum(variance[:, None] + self.own**2, 1e-300)
        q, slope = np.zeros_like(variance), np.zeros_like(variance)
        for group in range(int(self.group.max()) + 1):
            of = self.group == group
            weight, values = 1.0 / whole[:, of], self.values[of]
            mean = (weight @ values) / weight.sum(axis=1)
            square = weight * (values - mean[:, None]) ** 2
            q += square.sum(axis=1)
            # The weighted mean is where the sum is least: its own shift adds nothing.
            slope -= (square * weight).sum(axis=1)
        return q, slope


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
