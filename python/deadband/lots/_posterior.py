"""Lots within models: what their tests leave possible, by quadrature and independent draws."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ._between import BETWEEN, Guess, draw_between, guess_at
from ._joint import means_of
from ._likelihood import Ints, Results, lot_sums
from ._shape import NORMAL, Shape

Floats = NDArray[np.float64]

#: Nodes of the spread of log standard deviations between lots. Its prior is that of Rayleigh, which
#: stays off zero: lots are never quite alike, and to take them for it is the dangerous error.
_SPREADS: Final = np.array([0.02, 0.1, 0.2, 0.3, 0.4, 0.55, 0.75, 1.0])
_SPREAD_MODE: Final = 0.5
#: Elements of the largest array.
_BLOCK: Final = 4_000_000
#: Draws made for one that is kept, where gauges tie lots together: weights choose among them.
_TRIES: Final = 2
#: Where fewer draws than this share weigh anything, more of them are made.
_ENOUGH: Final = 0.25
_MORE: Final = 12


class Drawn(NamedTuple):
    """What draws of another shape are worth, (lots,).

    Attributes
    ----------
    effective, own_effective
        draws that weigh as much, with the model and from a lot's own tests.
    log_evidence
        natural logarithm of how much better the lot's tests agree with the shape than with a normal
        one.

    Examples
    --------
    >>> Drawn(np.array([900.0]), np.array([3000.0]), np.array([0.3])).log_evidence.tolist()
    [0.3]
    """

    effective: Floats
    own_effective: Floats
    log_evidence: Floats


@dataclass(frozen=True)
class Posterior:
    """Draws of what the lots can be, (draws, lots).

    Attributes
    ----------
    sd
        within each lot.
    centre, variance
        normal distribution of each lot's mean given all else of the draw, drawn towards its model.
    own_sd, own_centre, own_variance
        the same from the lot's own tests alone, errors that these share left out.
    gauge_variance
        what the errors add that the lot's tests share.
    mean
        a draw of the lot's mean.
    model_mean
        of each lot's model, (draws, lots).
    between
        standard deviation between lots, (draws,).
    level, spread
        mean and standard deviation of the logarithms of the lots' standard deviations, (draws,).
    gauges
        errors that tests share, in their own standard deviations, (draws, errors).
    tested
        results of each lot, (lots,).
    effective
        draws that weigh as much.
    shape
        of the scatter within lots.
    drawn
        None where it is normal; else `centre` and `own_centre` are means drawn, without variances.
    """

    sd: Floats
    centre: Floats
    variance: Floats
    own_sd: Floats
    own_centre: Floats
    own_variance: Floats
    gauge_variance: Floats
    mean: Floats
    model_mean: Floats
    between: Floats
    level: Floats
    spread: Floats
    gauges: Floats
    tested: Ints
    effective: float
    shape: Shape = NORMAL
    drawn: Drawn | None = None

    @property
    def own_left(self) -> Floats:
        """Variance of each lot's mean about `own_centre`, errors that its tests share included."""
        if self.drawn is None:
            return self.own_variance + self.gauge_variance
        return np.zeros_like(self.own_centre)


def posterior(results: Results, draws: int, random: np.random.Generator) -> Posterior:
    """Draws of the normal model of lots within models.

    Values of lot `j` are `N(m_j, s_j**2 + v_i)`, means `m_j ~ N(M, t**2)` about their model's,
    `ln s_j ~ N(ln s, w**2)`. `s`, `w` and all `s_j` are drawn from the restricted likelihoods of
    the lots on a grid, each beside the others, `t` from that of the lots' means, and importance
    weights make of these what all tests together say, errors shared between lots included. No
    chain: draws are independent.
    """
    sums = lot_sums(results)
    guess = guess_at(results, sums, random)
    hyper = _hyper(guess)
    tries = _TRIES if results.shared.shape[1] else 1
    place, node, between, weight = _drawn(guess, hyper, tries * draws, random)
    if effective(weight) < _ENOUGH * draws:
        place, node, between, weight = _drawn(guess, hyper, _MORE * draws, random)
    kept = systematic(weight, draws, random)
    size = _block(results)
    kept_parts = [
        means_of(results, sums, place[kept[a : a + size]], between[kept[a : a + size]], random)
        for a in range(0, draws, size)
    ]
    centre, variance, own, own_variance, gauge_variance, drawn = (
        np.vstack([part[i] for part in kept_parts]) for i in range(6)
    )
    mean = centre + np.sqrt(variance) * random.standard_normal(centre.shape)
    sd, models = sums.sd[place[kept]], int(results.model[-1]) + 1
    spread, level = np.divmod(node[kept], sums.sd.size)
    return Posterior(
        sd=sd, centre=centre, variance=variance, own_sd=sd, own_centre=own,
        own_variance=own_variance, gauge_variance=gauge_variance, mean=mean,
        model_mean=drawn[:, results.model], between=between[kept], level=np.log(sums.sd)[level],
        spread=_SPREADS[spread], gauges=drawn[:, models:], tested=np.bincount(results.lot),
        effective=effective(weight),
    )  # fmt: skip


def effective(weight: Floats) -> float:
    """So many draws of equal weight tell as much (Kish 1965)."""
    return 1.0 / float((weight**2).sum())


def _drawn(
    guess: Guess, hyper: Floats, count: int, random: np.random.Generator
) -> tuple[Ints, Ints, Floats, Floats]:
    """Standard deviations within lots, as places on the grid, and between them, with weights.

    With them the node of level and spread that each draw is of.
    """
    place, node = _within(guess, systematic(hyper, count, random), random)
    size = _block(guess.results)
    parts = [
        draw_between(guess, place[start : start + size], random) for start in range(0, count, size)
    ]
    log = np.concatenate([part[1] for part in parts])
    weight = np.exp(log - log.max())
    return place, node, np.concatenate([part[0] for part in parts]), weight / weight.sum()


def _block(results: Results) -> int:
    """Draws that are worked on at once."""
    errors = 1 + results.shared.shape[1]
    return max(int(_BLOCK / results.model.size / max(BETWEEN.size, errors**2)), 16)


def _hyper(guess: Guess) -> Floats:
    """Weights of the nodes of level and spread of the standard deviations, flattened."""
    sd = guess.sums.sd
    prior = _of_sds(np.log(sd))
    likelihood = np.exp(guess.log - guess.log.max(axis=0))
    log = np.log(np.maximum(prior @ likelihood, 1e-300)).sum(axis=2)
    # Jeffreys' prior of a standard deviation that is seen through a variance.
    log += np.log(sd**2 / (sd**2 + guess.results.variance.mean()))
    rayleigh = np.log(_SPREADS) - 0.5 * (_SPREADS / _SPREAD_MODE) ** 2
    log += (np.log(np.gradient(_SPREADS)) + rayleigh)[:, None]
    weight = np.exp(log - log.max()).ravel()
    found: Floats = weight / weight.sum()
    return found


def _of_sds(log_sd: Floats) -> Floats:
    """Distribution of a lot's standard deviation given level and spread, (spreads, levels, sds)."""
    distance = (log_sd - log_sd[:, None]) / np.maximum(_SPREADS, 0.01)[:, None, None]
    weight = np.exp(-0.5 * distance**2)
    found: Floats = weight / weight.sum(axis=2, keepdims=True)
    return found


def systematic(weight: Floats, count: int, random: np.random.Generator) -> Ints:
    """Places drawn with these weights, evenly spread, in order."""
    steps = (np.arange(count) + random.random()) / count
    ends = np.cumsum(weight)
    found: Ints = np.minimum(np.searchsorted(ends / ends[-1], steps), weight.size - 1)
    return found


def _within(guess: Guess, at: Ints, random: np.random.Generator) -> tuple[Ints, Ints]:
    """Place of each lot's standard deviation on the grid, (draws, lots), and node, in no order."""
    sd = guess.sums.sd
    prior = _of_sds(np.log(sd)).reshape(-1, sd.size)
    likelihood = np.exp(guess.log - guess.log.max(axis=0))
    lots = likelihood.shape[1]
    found = np.empty((at.size, lots + 1), dtype=np.int64)
    found[:, lots] = at
    for node, start, count in zip(
        *np.unique(at, return_index=True, return_counts=True), strict=True
    ):
        ends = np.cumsum(prior[node][:, None] * likelihood, axis=0)
        wanted = random.random((count, ends.shape[1])) * ends[-1]
        for lot in range(lots):
            found[start : start + count, lot] = np.searchsorted(ends[:, lot], wanted[:, lot])
    np.minimum(found[:, :lots], sd.size - 1, out=found[:, :lots])
    random.shuffle(found)
    return found[:, :lots], found[:, lots]


def summary(draws: Any, confidence: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Mean, standard deviation and equal-tailed interval of draws, over the first axis."""
    tail = 0.5 * (1.0 - confidence)
    low, high = np.quantile(draws, [tail, 1.0 - tail], axis=0)
    return draws.mean(axis=0), draws.std(axis=0, ddof=1), low, high
