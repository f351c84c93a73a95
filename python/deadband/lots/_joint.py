"""All lots together: normal given the standard deviations, errors that gauges share included."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ._likelihood import Ints, LotSums, Results

Floats = NDArray[np.float64]


def models_of(results: Results) -> Floats:
    """Which lot is of which model, (lots, models)."""
    found: Floats = np.eye(int(results.model.max()) + 1)[results.model]
    return found


def together(
    results: Results, sums: LotSums, place: Ints, between: Floats
) -> tuple[Floats, Floats, Floats]:
    """Precision and pull of the models' means and the shared errors; the log likelihood of all."""
    lots = np.arange(place.shape[1])
    models = models_of(results)
    total, value = sums.weight[place, lots], sums.value[place, lots]
    square = between[:, None] ** 2
    less = 1.0 / (1.0 + square * total)
    gain = square * less
    c, cy = sums.shared[place, lots], sums.shared_value[place, lots]
    m, k = models.shape[1], c.shape[2]
    precision = np.zeros((len(place), m + k, m + k))
    pull = np.zeros((len(place), m + k))
    each = np.arange(m)
    precision[:, each, each] = (total * less) @ models
    cross = np.einsum("njk,nj,jm->nmk", c, less, models, optimize=True)
    precision[:, :m, m:] = cross
    precision[:, m:, :m] = cross.transpose(0, 2, 1)
    own = sums.shared_square[place, lots].sum(axis=1)
    precision[:, m:, m:] = own - np.einsum("njk,njl,nj->nkl", c, c, gain, optimize=True) + np.eye(k)
    pull[:, :m] = (value * less) @ models
    pull[:, m:] = cy.sum(axis=1) - np.einsum("njk,nj->nk", c, gain * value)
    rest = sums.square[place, lots] - gain * value**2
    # Of the restricted likelihood of each lot all but its own mean.
    alone = sums.square[place, lots] - value**2 / total
    logs = sums.log[place, lots] + 0.5 * (np.log(total) + alone)
    solved = np.linalg.solve(precision, pull[..., None])[..., 0]
    log = logs.sum(axis=1) + 0.5 * (
        np.log(less).sum(axis=1)
        - np.linalg.slogdet(precision)[1]
        - rest.sum(axis=1)
        + (pull * solved).sum(axis=1)
    )
    return precision, pull, log


def means_of(
    results: Results, sums: LotSums, place: Ints, between: Floats, random: np.random.Generator
) -> tuple[Floats, ...]:
    """Normal distributions of the lots' means, with their models' and from their own tests.

    With them draws of the models' means and of the shared errors.
    """
    lots = np.arange(place.shape[1])
    models = models_of(results)
    precision, pull, _ = together(results, sums, place, between)
    middle = np.linalg.solve(precision, pull[..., None])[..., 0]
    root = np.linalg.cholesky(precision)
    noise = random.standard_normal((*middle.shape, 1))
    drawn = middle + np.linalg.solve(root.transpose(0, 2, 1), noise)[..., 0]
    m = models.shape[1]
    total, value = sums.weight[place, lots], sums.value[place, lots]
    c = sums.shared[place, lots]
    left = value - np.einsum("njk,nk->nj", c, drawn[:, m:])
    square = between[:, None] ** 2
    less = 1.0 / (1.0 + square * total)
    centre = (square * left + drawn[:, :m] @ models.T) * less
    gauge_variance = ((c / total[..., None]) ** 2).sum(axis=2)
    variance: Floats = 1.0 / total
    return centre, square * less, value / total, variance, gauge_variance, np.asarray(drawn)
