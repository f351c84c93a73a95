"""Variance components by restricted maximum likelihood, for any nested or crossed groups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ._results import need_studies

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Codes = NDArray[np.intp]

#: What is left when every group is taken out.
RESIDUAL: Final = "residual"

# Logarithms of a component over the residual; beyond, rounding takes what the residual leaves.
_LOWEST, _HIGHEST = -24.0, 20.0
_NONE: Final = 1e-5  # of the residual: a component below is none
_SMALL: Final = 1e-2  # where a component starts again
_SLOPE: Final = 1e-6  # of the criterion, beyond rounding


@dataclass(frozen=True)
class Reml:
    """What restricted maximum likelihood found.

    Attributes
    ----------
    variance
        of each group's effects, in the order of the groups, and of the residual last.
    covariance
        of these, from the expected information.
    mean, u_mean
        the general mean and its standard uncertainty.
    criterion
        minus twice the restricted log-likelihood, with all its constants.

    Examples
    --------
    >>> codes = [np.array([0, 0, 1, 1, 2, 2])]
    >>> found = reml(np.array([1.0, 1.2, 2.0, 2.2, 3.1, 2.9]), codes)
    >>> np.round(found.variance, 4).tolist()
    [0.8933, 0.02]
    """

    variance: Floats
    covariance: Floats
    mean: float
    u_mean: float
    criterion: float


@dataclass(frozen=True)
class _Sums:
    """All that the likelihood needs of the data: sums over levels of the groups."""

    cross: Floats  # Z'Z
    counts: Floats  # Z'1
    totals: Floats  # Z'y
    squares: float  # y'y, y about its mean
    results: int
    groups: tuple[slice, ...]

    @classmethod
    def of(cls, values: Floats, codes: Sequence[Codes]) -> _Sums:
        levels = [int(code.max()) + 1 for code in codes]
        ends = np.cumsum([0, *levels]).tolist()
        groups = tuple(slice(a, b) for a, b in pairwise(ends))
        cross = np.zeros((ends[-1], ends[-1]))
        for of, one in zip(groups, codes, strict=True):
            for to, other in zip(groups, codes, strict=True):
                np.add.at(cross[of, to], (one, other), 1.0)
        ones = np.ones_like(values)
        counts, totals = (
            np.concatenate([np.bincount(code, of) for code in codes]) for of in (ones, values)
        )
        return cls(cross, counts, totals, float(values @ values), values.size, groups)


@dataclass(frozen=True)
class _Point:
    """The likelihood and its parts where the components are `ratio` times the residual."""

    criterion: float
    gradient: Floats  # by the ratios
    projected: Floats  # Z'PZ, P for a residual of one
    residual: float
    mean: float
    u_mean: float


def _at(sums: _Sums, ratio: Floats) -> _Point:
    from scipy.linalg import solve_triangular

    n, q = sums.results, sums.counts.size
    root = np.concatenate(
        [np.full(g.stop - g.start, np.sqrt(r)) for g, r in zip(sums.groups, ratio, strict=True)]
    )
    factor = np.linalg.cholesky(np.eye(q) + root[:, None] * sums.cross * root)
    plain = np.column_stack([sums.cross, sums.counts, sums.totals])
    half = solve_triangular(factor, root[:, None] * plain, lower=True, check_finite=False)
    taken = half.T @ half  # what the groups' effects take out of each product
    of_mean = n - taken[q, q]
    mean = float(sums.totals[sums.groups[0]].sum() - taken[q, q + 1]) / of_mean
    spread = sums.squares - taken[q + 1, q + 1] - mean**2 * of_mean
    once = sums.counts - taken[:q, q]
    projected = sums.cross - taken[:q, :q] - np.outer(once, once) / of_mean
    scores = sums.totals - taken[:q, q + 1] - once * mean
    residual = max(spread, 1e-300) / (n - 1)
    gradient = np.array(
        [np.trace(projected[g, g]) - float(scores[g] @ scores[g]) / residual for g in sums.groups]
    )
    determinant = 2.0 * float(np.log(np.diag(factor)).sum())
    criterion = determinant + np.log(of_mean) + (n - 1) * (1.0 + np.log(2.0 * np.pi * residual))
    u_mean = float(np.sqrt(residual / of_mean))
    return _Point(float(criterion), gradient, projected, residual, float(mean), u_mean)


def reml(values: Floats, codes: Sequence[Codes], guess: Floats | None = None) -> Reml:
    """Variance components of `y = mean + sum of the groups' effects + residual`, none below zero.

    Minus twice the restricted log-likelihood, profiled over mean and residual, is minimised over
    the ratios of the components to the residual (L-BFGS-B on their logarithms, with the exact
    gradient). A ratio that runs to zero is zero, unless the likelihood rises from there. Only sums
    over the groups' levels are needed (Woodbury's identity), so the cost is that of the number of
    levels. Source: Patterson and Thompson (1971); Bates et al. (2015), section 3, for the
    criterion.

    Parameters
    ----------
    values
        results, not all explained by the groups.
    codes
        for each group, the level of each result, from 0 without gaps.
    guess
        components to start from, the residual last.

    Examples
    --------
    >>> codes = [np.array([0, 0, 1, 1, 2, 2])]
    >>> float(reml(np.array([1.0, 2.0, 1.5, 1.4, 2.0, 1.1]), codes).variance[0])
    0.0
    """
    need_studies("reml")
    centre = float(values.mean())
    scale = float(values.std()) or 1.0
    sums = _Sums.of((values - centre) / scale, codes)
    # The likelihood may have two tops, so more than one start.
    starts = [np.ones(len(codes)), np.full(len(codes), 0.01)]
    if guess is not None:
        starts.append(np.maximum(guess[:-1] / guess[-1], _SMALL))
    ratio = min((_search(sums, start) for start in starts), key=lambda at: _at(sums, at).criterion)
    for _ in codes:
        ratio = np.where(ratio > _NONE, ratio, 0.0)
        # Logarithms do not come back from near zero by themselves.
        rising = (ratio == 0.0) & (_at(sums, ratio).gradient < -_SLOPE)
        ratio = _search(sums, np.where(rising, _SMALL, ratio))
        if not rising.any():
            break
    ratio = np.where(ratio > _NONE, ratio, 0.0)
    point = _at(sums, ratio)
    unit = point.residual * scale**2
    spread = 2.0 * unit**2 * np.linalg.pinv(_information(sums, point, ratio), hermitian=True)
    return Reml(
        variance=np.append(ratio, 1.0) * unit,
        covariance=spread.astype(np.float64),
        mean=centre + scale * point.mean,
        u_mean=scale * point.u_mean,
        criterion=point.criterion + 2.0 * (values.size - 1) * float(np.log(scale)),
    )


def _search(sums: _Sums, start: Floats) -> Floats:
    """The likeliest ratios from a start; those that start at zero stay there."""
    from scipy.optimize import minimize

    active = np.flatnonzero(start > 0.0)
    if not active.size:
        return start

    def cost(logs: Floats) -> tuple[float, Floats]:
        ratio = np.zeros(start.size)
        ratio[active] = np.exp(logs)
        point = _at(sums, ratio)
        return point.criterion, point.gradient[active] * ratio[active]

    found = minimize(
        cost, np.clip(np.log(start[active]), _LOWEST, _HIGHEST), jac=True, method="L-BFGS-B",
        bounds=[(_LOWEST, _HIGHEST)] * active.size,
        options={"ftol": 1e-13, "gtol": 1e-8, "maxiter": 200},
    )  # fmt: skip
    ratio = np.zeros(start.size)
    ratio[active] = np.exp(found.x)
    return ratio


def _information(sums: _Sums, point: _Point, ratio: Floats) -> Floats:
    """Traces of P V_i P V_j for a residual of one; by P V P = P, all from Z'PZ."""
    count = len(sums.groups)
    whole = np.empty((count + 1, count + 1))
    for k, of in enumerate(sums.groups):
        for m, to in enumerate(sums.groups):
            whole[k, m] = float((point.projected[of, to] ** 2).sum())
    traces = np.array([float(np.trace(point.projected[g, g])) for g in sums.groups])
    last = traces - whole[:count, :count] @ ratio
    whole[:count, count] = whole[count, :count] = last
    whole[count, count] = sums.results - 1 - float(ratio @ traces) - float(ratio @ last)
    return whole


def coded(labels: Mapping[str, Sequence[Any]]) -> list[Codes]:
    """The levels of each group as numbers from 0 without gaps.

    Examples
    --------
    >>> [code.tolist() for code in coded({"day": ["b", "a", "b"]})]
    [[1, 0, 1]]
    """
    return [
        np.unique(np.asarray(list(one)), return_inverse=True)[1].ravel() for one in labels.values()
    ]
