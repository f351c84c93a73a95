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
    mean: float
    u_mean: float
    criterion: float
    _sums: _Sums

    @property
    def covariance(self) -> Floats:
        """Of the components, from the expected information."""
        unit = float(self.variance[-1])
        found = _information(self._sums, self.variance[:-1] / unit)
        return np.asarray(2.0 * unit**2 * np.linalg.pinv(found, hermitian=True))


@dataclass(frozen=True)
class _Sums:
    """All that the likelihood needs of the data: sums over levels of the groups.

    The group with the most levels stands apart: no two of its levels share a result, so that it is
    taken out level by level, and only the others need a matrix.
    """

    own: Floats  # results of each level of the large group
    beside: Floats  # results that its levels share with those of the others
    cross: Floats  # those that levels of the others share
    totals: tuple[Floats, Floats]  # sums of y, of the large group and of the others
    squares: float  # y'y, y about its mean
    results: int
    groups: tuple[slice | None, ...]  # places of each group's levels among the others

    @classmethod
    def of(cls, values: Floats, codes: Sequence[Codes]) -> _Sums:
        levels = [int(code.max()) + 1 for code in codes]
        large = int(np.argmax(levels))
        others = [k for k in range(len(codes)) if k != large]
        ends = np.cumsum([0, *(levels[k] for k in others)]).tolist()
        places = dict(zip(others, (slice(a, b) for a, b in pairwise(ends)), strict=True))
        cross, beside = np.zeros((ends[-1], ends[-1])), np.zeros((levels[large], ends[-1]))
        for k, of in places.items():
            np.add.at(beside[:, of], (codes[large], codes[k]), 1.0)
            for m, to in places.items():
                np.add.at(cross[of, to], (codes[k], codes[m]), 1.0)
        totals = [np.asarray(np.bincount(codes[k], values), np.float64) for k in (large, *others)]
        return cls(
            np.bincount(codes[large]).astype(np.float64), beside, cross,
            (totals[0], np.concatenate([np.empty(0), *totals[1:]])),
            float(values @ values), values.size, tuple(places.get(k) for k in range(len(codes))),
        )  # fmt: skip

    @property
    def counts(self) -> Floats:
        """Results of each level of the others."""
        return np.asarray(self.beside.sum(axis=0))

    def split(self, ratio: Floats) -> tuple[float, Floats]:
        """The large group's ratio, and the roots of the others', a number a level."""
        first = next(k for k, of in enumerate(self.groups) if of is None)
        roots = np.zeros(self.cross.shape[0])
        for of, one in zip(self.groups, ratio, strict=True):
            if of is not None:
                roots[of] = np.sqrt(one)
        return float(ratio[first]), roots


@dataclass(frozen=True)
class _Point:
    """The likelihood and its parts where the components are `ratio` times the residual."""

    criterion: float
    gradient: Floats  # by the ratios
    traces: Floats  # of Z'PZ of each group, P for a residual of one
    residual: float
    mean: float
    u_mean: float


@dataclass(frozen=True)
class _Taken:
    """Half of what the groups' effects take out of each product: its square is that."""

    determinant: float
    large: tuple[Floats, Floats]  # columns of the large group: their own row, and the others
    others: tuple[Floats, Floats]  # columns of the others: rows of the large group, and the others
    counts: tuple[Floats, Floats]
    totals: tuple[Floats, Floats]

    @classmethod
    def of(cls, sums: _Sums, ratio: Floats) -> _Taken:
        from scipy.linalg import solve_triangular

        first, roots = sums.split(ratio)
        whole = 1.0 + first * sums.own
        share = first / whole
        # The large group taken out of the others' levels (Woodbury).
        thinned = sums.beside / whole[:, None]
        rest = sums.cross - first * sums.beside.T @ thinned
        inner = np.eye(roots.size) + roots[:, None] * rest * roots
        factor = np.linalg.cholesky(inner) if roots.size else inner

        def half(columns: Floats) -> Floats:
            scaled = roots[:, None] * columns
            if not roots.size:
                return scaled
            solved = solve_triangular(factor, scaled, lower=True, check_finite=False)
            return np.asarray(solved)

        counts = sums.counts - sums.beside.T @ (share * sums.own)
        totals = sums.totals[1] - sums.beside.T @ (share * sums.totals[0])
        both = half(np.column_stack([counts, totals]))
        own = np.sqrt(share)
        determinant = float(np.log(whole).sum() + 2.0 * np.log(np.diag(factor)).sum())
        return cls(
            determinant=determinant,
            large=(own * sums.own, half(thinned.T)),
            others=(own[:, None] * sums.beside, half(rest)),
            counts=(own * sums.own, both[:, 0]),
            totals=(own * sums.totals[0], both[:, 1]),
        )


def _at(sums: _Sums, ratio: Floats) -> _Point:
    n, taken = sums.results, _Taken.of(sums, ratio)
    of_mean = n - _square(taken.counts)
    both = sum(float(a @ b) for a, b in zip(taken.counts, taken.totals, strict=True))
    mean = (float(sums.totals[0].sum()) - both) / of_mean
    spread = sums.squares - _square(taken.totals) - mean**2 * of_mean
    residual = max(spread, 1e-300) / (n - 1)
    once, scores, inside = _by_level(sums, taken, mean)
    kept = [a - b**2 / of_mean for a, b in zip(inside, once, strict=True)]
    traces, squares = (
        np.array([float((of[0] if place is None else of[1][place]).sum()) for place in sums.groups])
        for of in (kept, [score**2 for score in scores])
    )
    criterion = taken.determinant + np.log(of_mean)
    criterion += (n - 1) * (1.0 + np.log(2.0 * np.pi * residual))
    u_mean = float(np.sqrt(residual / of_mean))
    gradient = traces - squares / residual
    return _Point(float(criterion), gradient, traces, residual, float(mean), u_mean)


def _square(halves: tuple[Floats, Floats]) -> float:
    return float(sum((one**2).sum() for one in halves))


def _by_level(
    sums: _Sums, taken: _Taken, mean: float
) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Of each level: Z'V1, the score Z'P y, and the diagonal of Z'VZ, V for a residual of one."""

    def apart(of: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
        large = taken.large[0] * of[0] + taken.large[1].T @ of[1]
        others = taken.others[0].T @ of[0] + taken.others[1].T @ of[1]
        return large, others

    counts, totals = apart(taken.counts), apart(taken.totals)
    once = (sums.own - counts[0], sums.counts - counts[1])
    scores = tuple(sums.totals[k] - totals[k] - once[k] * mean for k in (0, 1))
    inside = (
        sums.own - taken.large[0] ** 2 - (taken.large[1] ** 2).sum(0),
        np.diag(sums.cross) - (taken.others[0] ** 2).sum(0) - (taken.others[1] ** 2).sum(0),
    )
    return once, (scores[0], scores[1]), inside


def reml(values: Floats, codes: Sequence[Codes], guess: Floats | None = None) -> Reml:
    """Variance components of `y = mean + sum of the groups' effects + residual`, none below zero.

    Minus twice the restricted log-likelihood, profiled over mean and residual, is minimised over
    the ratios of the components to the residual (L-BFGS-B on their logarithms, with the exact
    gradient). A ratio that runs to zero is zero, unless the likelihood rises from there. Only sums
    over the groups' levels are needed (Woodbury's identity), and the group with the most levels,
    such as the cells of a crossed study, is taken out level by level: the cost is the number of its
    levels times the square of the number of all others. Source: Patterson and Thompson (1971);
    Bates et al. (2015), section 3, for the criterion.

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
    return Reml(
        variance=np.append(ratio, 1.0) * unit,
        mean=centre + scale * point.mean,
        u_mean=scale * point.u_mean,
        criterion=point.criterion + 2.0 * (values.size - 1) * float(np.log(scale)),
        _sums=sums,
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


def _information(sums: _Sums, ratio: Floats) -> Floats:
    """Traces of P V_i P V_j for a residual of one; by P V P = P, all from Z'PZ."""
    taken = _Taken.of(sums, ratio)
    once, _, _ = _by_level(sums, taken, 0.0)
    of_mean = sums.results - _square(taken.counts)
    edge = sums.own.size
    corner = sums.beside - taken.large[0][:, None] * taken.others[0]
    large = np.diag(sums.own - taken.large[0] ** 2)
    projected = np.block(
        [[large, corner], [corner.T, sums.cross - taken.others[0].T @ taken.others[0]]]
    )
    below = np.hstack([taken.large[1], taken.others[1]])
    whole_once = np.concatenate(once)
    projected -= below.T @ below + np.outer(whole_once, whole_once) / of_mean
    places = [
        slice(0, edge) if of is None else slice(edge + of.start, edge + of.stop)
        for of in sums.groups
    ]
    count = len(places)
    whole = np.empty((count + 1, count + 1))
    for k, of in enumerate(places):
        for m, to in enumerate(places):
            whole[k, m] = float((projected[of, to] ** 2).sum())
    traces = np.array([float(np.trace(projected[of, of])) for of in places])
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
