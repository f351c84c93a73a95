"""What the tests of each lot say at each standard deviation within it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Standard deviations within a lot that are tried, as multiples of what is found roughly, and the
#: step from one to the next.
_LEAST, _MOST = 0.02, 12.0
_STEP: Final = math.log(_MOST / _LEAST) / 89
#: Where lots scatter less than this part of what is found roughly, finer ones are tried: one gross
#: error must not hide how little the others scatter. Finer than the last no lot is.
_PART: Final = 0.25
_FINER: Final = 1e-6
#: Lots of fewer results tell nothing of how little they scatter.
_FEWEST: Final = 4
#: Over the rating: no two setpoints are told apart that are closer.
_FINEST: Final = 1e-7


@dataclass(frozen=True)
class Results:
    """A result a switch over its rating, less one, in order of model and lot.

    Attributes
    ----------
    value, variance
        of each switch; the variance without what tests with one gauge share.
    shared
        what one unit of each shared error adds, (switches, errors).
    lot
        place of each switch's lot, from 0, rising.
    model
        place of each lot's model, from 0, rising.
    """

    value: Floats
    variance: Floats
    shared: Floats
    lot: Ints
    model: Ints


@dataclass(frozen=True)
class LotSums:
    """Sums over the switches of each lot, weighted by `1 / (sd**2 + variance)`, (sds, lots).

    `weight`, `value`, `square` are the sums of the weights, of weighted values and squares;
    `shared` (sds, lots, errors), `shared_value` and `shared_square` (sds, lots, errors, errors)
    those of the shared errors; `log` the logarithm of the restricted likelihood.
    """

    sd: Floats
    weight: Floats
    value: Floats
    square: Floats
    shared: Floats
    shared_value: Floats
    shared_square: Floats
    log: Floats


def moments(results: Results) -> tuple[Ints, Floats, Floats]:
    """Of each lot the number of results, their mean, and the sum of squares about it."""
    count = np.bincount(results.lot)
    mean = np.bincount(results.lot, results.value) / count
    away = results.value - mean[results.lot]
    squares = np.bincount(results.lot, np.square(away)).astype(np.float64)
    return count.astype(np.int64), mean, squares


def rough_sd(results: Results) -> float:
    """The pooled standard deviation within lots, measurement included."""
    count, _, squares = moments(results)
    free = max(results.value.size - count.size, 1)
    return max(float((squares.sum() / free) ** 0.5), _FINEST)


def lot_sums(results: Results) -> LotSums:
    """The sums of all lots on the grid of standard deviations."""
    rough = rough_sd(results)
    finer = float(np.clip(_least_sd(results) / (_PART * rough), _FINER, 1.0))
    # Below, sums of squares are nothing but rounding.
    least = max(_LEAST * finer * rough, _FINEST * max(float(np.abs(results.value).max()), 1.0))
    most = _MOST * max(rough, least)
    count = max(round(math.log(most / least) / _STEP), 1) + 1
    return sums_at(results, np.geomspace(least, most, count))


def _least_sd(results: Results) -> float:
    """The standard deviation of the lot that scatters least, measurement included."""
    count, _, squares = moments(results)
    told = count >= _FEWEST
    if not told.any():
        return math.inf
    return float(np.sqrt(squares[told] / (count[told] - 1)).min())


def sums_at(results: Results, sd: Floats) -> LotSums:
    """The sums of all lots at these standard deviations."""
    weight = 1.0 / (sd[:, None] ** 2 + results.variance)
    first = np.flatnonzero(np.diff(results.lot, prepend=-1))

    def summed(of: Floats) -> Floats:
        return np.add.reduceat(of, first, axis=1)

    y = results.value
    total, value, square = summed(weight), summed(weight * y), summed(weight * y**2)
    c = results.shared
    errors = range(c.shape[1])
    shape = (*total.shape, c.shape[1])
    shared, shared_value = np.empty(shape), np.empty(shape)
    shared_square = np.empty((*shape, c.shape[1]))
    for k in errors:
        shared[:, :, k] = summed(weight * c[:, k])
        shared_value[:, :, k] = summed(weight * (c[:, k] * y))
        for m in range(k + 1):
            shared_square[:, :, k, m] = shared_square[:, :, m, k] = summed(
                weight * (c[:, k] * c[:, m])
            )
    logs = summed(np.log(weight)) - np.log(total) - np.maximum(square - value**2 / total, 0.0)
    return LotSums(sd, total, value, square, shared, shared_value, shared_square, 0.5 * logs)


def with_shared(sums: LotSums, centre: Floats, covariance: Floats) -> Floats:
    """`log` where the shared errors are `N(centre, covariance)`, of each lot by itself."""
    known = np.linalg.inv(covariance)
    c, total = sums.shared, sums.weight[..., None]
    precision = sums.shared_square - c[..., :, None] * (c / total)[..., None, :] + known
    pull = sums.shared_value - c * (sums.value[..., None] / total) + known @ centre
    solved = np.linalg.solve(precision, pull[..., None])[..., 0]
    found: Floats = sums.log + 0.5 * ((pull * solved).sum(axis=2) - np.linalg.slogdet(precision)[1])
    return found
