"""How lots of a model differ, and where draws of their standard deviations are taken from."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ._joint import models_of, together
from ._likelihood import Ints, LotSums, Results, moments, rough_sd, with_shared

Floats = NDArray[np.float64]

#: Standard deviations between lots that are tried, as multiples of what is found roughly.
BETWEEN: Final = np.concatenate([[0.0], np.geomspace(0.02, 30.0, 47)])
#: Rounds in which the guess at the shared errors settles.
_ROUNDS: Final = 3


class Guess(NamedTuple):
    """Where draws are taken from.

    `log` is the logarithm of what is guessed to be each lot's likelihood, (sds, lots): its own
    restricted one, with shared errors of `covariance`, and how its mean stands to the other lots.
    """

    results: Results
    sums: LotSums
    log: Floats
    covariance: Floats


class _Levels(NamedTuple):
    """Lots' means and their variances, (draws, lots), and what they say of the spread between.

    `weight` is `1 / (variance + grid**2)`, (draws, lots, grid), `total` and `value` its sums and
    those of weighted means over the lots of a model, (draws, models, grid), `log` the restricted
    likelihood, (draws, grid).
    """

    mean: Floats
    spread: Floats
    grid: Floats
    weight: Floats
    total: Floats
    value: Floats
    log: Floats


def guess_at(results: Results, sums: LotSums, random: np.random.Generator) -> Guess:
    """The shared errors at the likeliest standard deviation, and the lots' likelihoods there."""
    k = results.shared.shape[1]
    log, covariance = sums.log, np.eye(k)
    guess = Guess(results, sums, log, covariance)
    pooled = _pooled(log)
    if k:
        centre = np.zeros(k)
        for _ in range(_ROUNDS):
            log = with_shared(sums, centre, covariance)
            guess, pooled = Guess(results, sums, log, covariance), _pooled(log)
            between, _ = draw_between(guess, pooled, random)
            precision, pull, _ = together(results, sums, pooled, between)
            inverse = np.linalg.inv(precision[0])
            centre, covariance = (inverse @ pull[0])[-k:], inverse[-k:, -k:]
        guess = Guess(results, sums, with_shared(sums, centre, covariance), covariance)
    return guess._replace(log=guess.log + _beside_others(guess, _levels(guess, pooled)))


def _pooled(log: Floats) -> Ints:
    return np.full((1, log.shape[1]), int(log.sum(axis=1).argmax()))


def _levels(guess: Guess, place: Ints) -> _Levels:
    results, sums = guess.results, guess.sums
    lots = np.arange(place.shape[1])
    total, value = sums.weight[place, lots], sums.value[place, lots]
    mean = value / total
    shared = sums.shared[place, lots] / total[..., None]
    models = models_of(results)
    # What all lots of a model share moves its mean and sets no two of them apart.
    alike = np.einsum("jm,njk->nmk", models / models.sum(axis=0), shared)
    apart = shared - alike[:, results.model]
    spread = np.einsum("njk,kl,njl->nj", apart, guess.covariance, apart, optimize=True)
    grid = BETWEEN * _rough_between(results)
    weight = 1.0 / ((1.0 / total + spread)[:, :, None] + grid**2)
    by_model = np.einsum("njt,jm->nmt", weight, models)
    first = np.einsum("njt,nj,jm->nmt", weight, mean, models, optimize=True)
    second = np.einsum("njt,nj->nt", weight, mean**2)
    log = 0.5 * (
        np.log(weight).sum(axis=1)
        - np.log(by_model).sum(axis=1)
        - (second - (first**2 / by_model).sum(axis=1))
    )
    return _Levels(mean, spread, grid, weight, by_model, first, log)


def _beside_others(guess: Guess, at: _Levels) -> Floats:
    """How probable each lot's mean is beside the others of its model, (sds, lots).

    A lot far from the others may be one that scatters much, or lots may differ much: the spread
    between lots is told by the others alone, at the likeliest standard deviation.
    """
    results, sums = guess.results, guess.sums
    model, mean = results.model, at.mean[0][:, None]
    weight, whole, value = at.weight[0], at.total[0], at.value[0]
    alone = np.bincount(model)[model] == 1
    others = np.where(alone[:, None], 1.0, whole[model] - weight)
    pull = np.where(alone[:, None], 0.0, value[model] - weight * mean)
    # The restricted likelihood without the lot, from that of all lots.
    log = at.log[0] - 0.5 * (
        np.log(weight)
        - np.where(alone[:, None], np.log(weight), np.log(whole[model] / others))
        - weight * mean**2
        + value[model] ** 2 / whole[model]
        - pull**2 / others
    )
    prior = log + np.log(_steps(at.grid))
    prior -= np.logaddexp.reduce(prior, axis=1)[:, None]
    own = sums.value / sums.weight
    square = (1.0 / sums.weight + at.spread[0])[..., None] + at.grid**2 + 1.0 / others
    density = prior - 0.5 * (np.log(square) + (own[..., None] - pull / others) ** 2 / square)
    return np.where(alone, 0.0, np.logaddexp.reduce(density, axis=2))


def _steps(grid: Floats) -> Floats:
    """Widths of the cells of the grid, in which the spread between lots is uniform."""
    steps = np.gradient(grid)
    steps[0] /= 2.0
    return steps


def draw_between(guess: Guess, place: Ints, random: np.random.Generator) -> tuple[Floats, Floats]:
    """The standard deviation between lots for each draw, and the logarithm of the draw's weight."""
    results, sums = guess.results, guess.sums
    lots, draws = np.arange(place.shape[1]), np.arange(len(place))
    found = _levels(guess, place)
    top = found.log.max(axis=1, keepdims=True)
    ends = np.cumsum(np.exp(found.log - top) * _steps(found.grid), axis=1)
    wanted = random.random(len(place)) * ends[:, -1]
    at = np.minimum((ends < wanted[:, None]).sum(axis=1), found.grid.size - 1)
    between = found.grid[at]
    log = np.log(ends[:, -1]) + top[:, 0] - guess.log[place, lots].sum(axis=1)
    if results.shared.shape[1]:
        _, _, log_all = together(results, sums, place, between)
        return between, log + log_all - found.log[draws, at]
    return between, log + sums.log[place, lots].sum(axis=1)


def _rough_between(results: Results) -> float:
    count, mean, _ = moments(results)
    variance = np.bincount(results.lot, results.variance) / count
    models = models_of(results)
    middle = (models.T @ mean) / models.sum(axis=0)
    away = float(((mean - middle[results.model]) ** 2).mean())
    noise = float(((rough_sd(results) ** 2 + variance) / count).mean())
    return float((away + noise) ** 0.5)
