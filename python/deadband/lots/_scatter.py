"""How the standard deviations of lots within models, and of models, lie about each other."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ._between import Guess
from ._joint import models_of
from ._likelihood import Ints

Floats = NDArray[np.float64]

#: Nodes of the spread of log standard deviations between the lots of a model. Its prior is that of
#: Rayleigh, which stays off zero: lots are never quite alike, and to take them for it is the
#: dangerous error.
SPREADS: Final = np.array([0.02, 0.1, 0.2, 0.3, 0.4, 0.55, 0.75, 1.0])
_SPREAD_MODE: Final = 0.5
#: The same between models, which may be built by different makers.
_OF_MODELS: Final = np.array([0.02, 0.2, 0.4, 0.6, 0.8, 1.1, 1.5, 2.0])
_OF_MODELS_MODE: Final = 0.7


class Scatter(NamedTuple):
    """What the lots say of the level of their standard deviations and how these lie about it.

    On the grid of standard deviations: `of_lots` their distribution about the level of their model,
    (spreads, levels, sds), `likelihood` of each lot, (sds, lots), `of_models` that of the models'
    levels about the level of all, (spreads of models, levels, levels), `by_model` what the lots of
    each model say of its level, (spreads, levels, models), and `weight` of each node (spread of
    models, spread, level), flattened. A single model is its own level: `of_models` is empty.
    """

    of_lots: Floats
    likelihood: Floats
    of_models: Floats
    by_model: Floats
    weight: Floats


class Sds(NamedTuple):
    """Draws: the place on the grid of each lot's standard deviation and of its model's level.

    `place` and `level` are (draws, lots), `spread` (draws,) places among `SPREADS`.
    """

    place: Ints
    level: Ints
    spread: Ints


def scatter(guess: Guess) -> Scatter:
    """The weights of the nodes, all lots together."""
    sd = guess.sums.sd
    of_lots = _about(np.log(sd), SPREADS)
    likelihood = np.exp(guess.log - guess.log.max(axis=0))
    each = np.log(np.maximum(of_lots @ likelihood, 1e-300))
    log = each @ models_of(guess.results)
    top = log.max(axis=1, keepdims=True)
    by_model = np.exp(log - top)
    if by_model.shape[2] == 1:
        of_models = np.empty((0, sd.size, sd.size))
        whole = log[None, :, :, 0].copy()
    else:
        of_models = _about(np.log(sd), _OF_MODELS)
        mixed = np.einsum("alk,wkm->awlm", of_models, by_model, optimize=True)
        whole = (np.log(np.maximum(mixed, 1e-300)) + top).sum(axis=3)
        whole += _prior(_OF_MODELS, _OF_MODELS_MODE)[:, None, None]
    # Jeffreys' prior of a standard deviation that is seen through a variance.
    whole += np.log(sd**2 / (sd**2 + guess.results.variance.mean()))
    whole += _prior(SPREADS, _SPREAD_MODE)[:, None]
    weight = np.exp(whole - whole.max()).ravel()
    return Scatter(of_lots, likelihood, of_models, by_model, weight / weight.sum())


def draw_sds(guess: Guess, found: Scatter, at: Ints, random: np.random.Generator) -> Sds:
    """Standard deviations of lots given the nodes of the draws, in order, which is then lost."""
    model = guess.results.model
    spreads, levels, _ = found.of_lots.shape
    node, level = np.divmod(at, levels)
    spread = node % spreads
    by_model = np.empty((at.size, found.by_model.shape[2]), dtype=np.int64)
    by_model[:] = level[:, None]
    if len(found.of_models):
        for pair in np.unique(node):
            rows = np.flatnonzero(node == pair)
            a, w = divmod(int(pair), spreads)
            for m in range(by_model.shape[1]):
                ends = np.cumsum(found.of_models[a] * found.by_model[w, :, m], axis=1)[level[rows]]
                wanted = random.random((rows.size, 1)) * ends[:, -1:]
                by_model[rows, m] = np.minimum((ends < wanted).sum(axis=1), levels - 1)
    place = np.empty((at.size, model.size), dtype=np.int64)
    for m in range(by_model.shape[1]):
        lots = np.flatnonzero(model == m)
        place[:, lots] = _places(found, spread * levels + by_model[:, m], lots, random)
    whole = np.column_stack([place, by_model[:, model], spread])
    random.shuffle(whole)
    return Sds(whole[:, : model.size], whole[:, model.size : -1], whole[:, -1])


def _places(found: Scatter, at: Ints, lots: Ints, random: np.random.Generator) -> Ints:
    """The places of the lots of a model, `at` spread and level of the model in each draw."""
    prior = found.of_lots.reshape(-1, found.of_lots.shape[2])
    likelihood = found.likelihood[:, lots]
    order = np.argsort(at, kind="stable")
    drawn = np.empty((at.size, lots.size), dtype=np.int64)
    for node, start, count in zip(
        *np.unique(at[order], return_index=True, return_counts=True), strict=True
    ):
        ends = np.cumsum(prior[node][:, None] * likelihood, axis=0)
        wanted = random.random((count, lots.size)) * ends[-1]
        for lot in range(lots.size):
            drawn[start : start + count, lot] = np.searchsorted(ends[:, lot], wanted[:, lot])
    place = np.empty_like(drawn)
    place[order] = np.minimum(drawn, len(likelihood) - 1)
    return place


def _about(log_sd: Floats, spreads: Floats) -> Floats:
    """Distribution of log standard deviations about each level, (spreads, levels, sds)."""
    distance = (log_sd - log_sd[:, None]) / np.maximum(spreads, 0.01)[:, None, None]
    weight = np.exp(-0.5 * distance**2)
    found: Floats = weight / weight.sum(axis=2, keepdims=True)
    return found


def _prior(spreads: Floats, mode: float) -> Floats:
    """Logarithm of the weights of nodes of a spread, after Rayleigh."""
    found: Floats = np.log(np.gradient(spreads) * spreads) - 0.5 * (spreads / mode) ** 2
    return found
