"""Lots within models: what their tests leave possible, by quadrature and independent draws."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ._between import BETWEEN, Guess, draw_between, guess_at
from ._joint import means_of
from ._likelihood import Ints, Results, lot_sums
from ._scatter import SPREADS, Scatter, Sds, draw_sds, scatter
from ._shape import NORMAL, Shape

Floats = NDArray[np.float64]

#: Elements of the largest array.
_BLOCK: Final = 4_000_000
#: Draws made for one that is kept, where gauges tie lots together: weights choose among them.
_TRIES: Final = 2
#: Fewer draws that weigh anything tell nothing.
FEWEST: Final = 100.0
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
        mean and standard deviation of the logarithms of the standard deviations of the lots of a
        model, (draws, lots) and (draws,).
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
    `ln s_j ~ N(ln s, w**2)` about their model's, `ln s ~ N(ln S, W**2)` about that of all models.
    These and all `s_j` are drawn from the restricted likelihoods of the lots on a grid, each beside
    the others, `t` from that of the lots' means, and importance weights make of these what all
    tests together say, errors shared between lots included. No chain: draws are independent.
    """
    sums = lot_sums(results)
    guess = guess_at(results, sums, random)
    found = scatter(guess)
    tries = _TRIES if results.shared.shape[1] else 1
    sds, between, weight = _drawn(guess, found, tries * draws, random)
    if effective(weight) < _ENOUGH * draws:
        sds, between, weight = _drawn(guess, found, _MORE * draws, random)
    kept = systematic(weight, draws, random)
    size = _block(results)
    kept_parts = [
        means_of(results, sums, sds.place[kept[a : a + size]], between[kept[a : a + size]], random)
        for a in range(0, draws, size)
    ]
    centre, variance, own, own_variance, gauge_variance, drawn = (
        np.vstack([part[i] for part in kept_parts]) for i in range(6)
    )
    mean = centre + np.sqrt(variance) * random.standard_normal(centre.shape)
    sd, models = sums.sd[sds.place[kept]], int(results.model.max()) + 1
    return Posterior(
        sd=sd, centre=centre, variance=variance, own_sd=sd, own_centre=own,
        own_variance=own_variance, gauge_variance=gauge_variance, mean=mean,
        model_mean=drawn[:, results.model], between=between[kept],
        level=np.log(sums.sd)[sds.level[kept]], spread=SPREADS[sds.spread[kept]],
        gauges=drawn[:, models:], tested=np.bincount(results.lot), effective=effective(weight),
    )  # fmt: skip


def effective(weight: Floats) -> float:
    """So many draws of equal weight tell as much (Kish 1965)."""
    return 1.0 / float((weight**2).sum())


def _drawn(
    guess: Guess, found: Scatter, count: int, random: np.random.Generator
) -> tuple[Sds, Floats, Floats]:
    """Standard deviations within lots and between them, with weights."""
    sds = draw_sds(guess, found, systematic(found.weight, count, random), random)
    size = _block(guess.results)
    parts = [
        draw_between(guess, sds.place[start : start + size], random)
        for start in range(0, count, size)
    ]
    log = np.concatenate([part[1] for part in parts])
    weight = np.exp(log - log.max())
    return sds, np.concatenate([part[0] for part in parts]), weight / weight.sum()


def _block(results: Results) -> int:
    """Draws that are worked on at once."""
    errors = 1 + results.shared.shape[1]
    return max(int(_BLOCK / results.model.size / max(BETWEEN.size, errors**2)), 16)


def systematic(weight: Floats, count: int, random: np.random.Generator) -> Ints:
    """Places drawn with these weights, evenly spread, in order."""
    steps = (np.arange(count) + random.random()) / count
    ends = np.cumsum(weight)
    found: Ints = np.minimum(np.searchsorted(ends / ends[-1], steps), weight.size - 1)
    return found


def summary(draws: Any, confidence: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Mean, standard deviation and equal-tailed interval of draws, over the first axis."""
    tail = 0.5 * (1.0 - confidence)
    low, high = np.quantile(draws, [tail, 1.0 - tail], axis=0)
    return draws.mean(axis=0), draws.std(axis=0, ddof=1), low, high
