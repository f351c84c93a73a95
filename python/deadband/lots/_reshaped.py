"""What the tests of each lot leave possible where its scatter has another shape."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ._likelihood import Results
from ._posterior import Drawn, Posterior, effective, systematic
from ._shape import NORMAL, Shape

Floats = NDArray[np.float64]

#: Draws from a lot's own tests for each with its model, so that small p-values are told.
_OWN: Final = 4
#: Values of tests that are worked on at once: large lots get fewer draws, but so many.
_BLOCK: Final = 400_000
_LEAST: Final = 500
#: Rounds in which draws are moved to where the shape has them, and draws that show the way.
_ROUNDS: Final = 8
_SCOUTS: Final = 1000
#: Degrees of freedom of the tails of the draws.
_DOF: Final = 5.0
#: Where draws weigh as much as this share of them, none need be moved.
_ENOUGH: Final = 0.6


class _Shift(NamedTuple):
    mean: float = 0.0
    log_sd: float = 0.0


@dataclass(frozen=True)
class _Draws:
    """Draws of a lot's mean and standard deviation, its scatter normal.

    `value` are its results less what their gauges add, (draws, results), `normal` the logarithm of
    their likelihood, and of how the draws were made; `prior_mean` and `precision` of the mean,
    `level` and `spread` of the logarithm of the standard deviation, each given all else of the
    draw. A draw is moved by its `mean_gain` and `sd_gain`, as far as the tests and not its prior
    say where it is.
    """

    value: Floats
    variance: Floats
    mean: Floats
    sd: Floats
    normal: Floats
    prior_mean: Floats
    precision: Floats
    level: Floats
    spread: Floats
    mean_gain: Floats

    @property
    def sd_gain(self) -> Floats:
        known = 0.5 / max(self.value.shape[1] - 1, 1)
        found: Floats = self.spread**2 / (self.spread**2 + known)
        return found

    def every(self, step: int) -> _Draws:
        """Some of them."""
        of_each = (one.name for one in fields(self) if one.name != "variance")
        return replace(self, **{name: getattr(self, name)[::step] for name in of_each})

    def moved(self, by: _Shift) -> tuple[Floats, Floats]:
        """Means and standard deviations moved."""
        return (
            self.mean + by.mean * self.mean_gain,
            self.sd * np.exp(by.log_sd * self.sd_gain),
        )

    def log_weight(self, shape: Shape, by: _Shift) -> Floats:
        """Logarithm of the weight of each moved draw."""
        mean, sd = self.moved(by)
        found = _log_likelihood(shape, self.value, self.variance, mean, sd) - self.normal
        before, after = self.mean - self.prior_mean, mean - self.prior_mean
        found += 0.5 * self.precision * (before**2 - after**2)
        before, after = np.log(self.sd) - self.level, np.log(sd) - self.level
        found += 0.5 * (before**2 - after**2) / self.spread**2
        return found


def reshaped(
    results: Results, told: Posterior, shape: Shape, random: np.random.Generator
) -> Posterior:
    """Draws of each lot where its scatter has this shape, the other lots left as they are.

    Draws of the normal model are weighted by the ratio of the likelihoods of the lot's tests. Where
    few of them weigh anything they are first moved to the weighted mean, with the ratio of all
    densities at the old and the new place in the weight (Paananen et al. 2021, Statistics and
    Computing 31, 16).
    """
    draws, lots = told.sd.shape
    sd, mean = np.empty((2, draws, lots))
    own_sd, own_mean = np.empty((2, _OWN * draws, lots))
    n_effective, n_own, evidence = np.empty((3, lots))
    for lot in range(lots):
        of = results.lot == lot
        one = Results(
            results.value[of], results.variance[of], results.shared[of], results.lot[of],
            results.model,
        )  # fmt: skip
        step = max(min(draws * one.value.size // _BLOCK, draws // _LEAST), 1)
        model = _with_model(one, told, lot, step, random)
        mean[:, lot], sd[:, lot], n_effective[lot], evidence[lot] = _drawn(
            model, shape, draws, random
        )
        alone = _alone(one, told, lot, step, random)
        own_mean[:, lot], own_sd[:, lot], n_own[lot], _ = _drawn(alone, shape, _OWN * draws, random)
    return replace(
        told, sd=sd, mean=mean, centre=mean, own_sd=own_sd, own_centre=own_mean, shape=shape,
        effective=float(n_effective.min()), drawn=Drawn(n_effective, n_own, evidence),
    )  # fmt: skip


def _drawn(
    draws: _Draws, shape: Shape, count: int, random: np.random.Generator
) -> tuple[Floats, Floats, float, float]:
    """Means and standard deviations, how many draws these weigh, and the log of their weight."""
    by = _shift(draws.every(max(len(draws.mean) // _SCOUTS, 1)), shape)
    log = draws.log_weight(shape, by)
    top = float(log.max())
    weight = np.exp(log - top)
    kept = systematic(weight / weight.sum(), count, random)
    random.shuffle(kept)
    mean, sd = draws.moved(by)
    return (
        mean[kept], sd[kept], effective(weight / weight.sum()), top + float(np.log(weight.mean()))
    )  # fmt: skip


def _shift(draws: _Draws, shape: Shape) -> _Shift:
    """How far the draws are to be moved."""
    best, most, by = _Shift(), 0.0, _Shift()
    for _ in range(_ROUNDS):
        log = draws.log_weight(shape, by)
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        many = effective(weight)
        if many <= most:
            break
        best, most = by, many
        if many > _ENOUGH * weight.size:
            break
        mean, sd = draws.moved(by)
        by = _Shift(
            by.mean + float(weight @ mean - mean.mean()) / max(float(draws.mean_gain.mean()), 1e-6),
            by.log_sd
            + float(weight @ np.log(sd) - np.log(sd).mean()) / float(draws.sd_gain.mean()),
        )
    return best


def _with_model(
    results: Results, told: Posterior, lot: int, step: int, random: np.random.Generator
) -> _Draws:
    some = slice(None, None, step)
    between, variance = told.between[some], told.variance[some, lot]
    mean, wider = _wide(told.centre[some, lot], variance, random)
    # Where lots do not differ a mean is its model's and is not moved.
    precision = np.divide(1.0, between**2, out=np.zeros_like(between), where=between > 0.0)
    value = results.value - told.gauges[some] @ results.shared.T
    return _draws(
        results, value, mean, told.sd[some, lot], wider,
        prior_mean=told.model_mean[some, lot], precision=precision, level=told.level[some, lot],
        spread=told.spread[some], mean_gain=variance / told.own_variance[some, lot],
    )  # fmt: skip


def _alone(
    results: Results, told: Posterior, lot: int, step: int, random: np.random.Generator
) -> _Draws:
    """From the lot's own tests alone, nothing known of its mean, of its gauges what is stated."""
    sd, level, spread = (
        np.tile(one[::step], _OWN) for one in (told.sd[:, lot], told.level[:, lot], told.spread)
    )
    c, y = results.shared, results.value
    weight = 1.0 / (sd[:, None] ** 2 + results.variance)
    total = weight.sum(axis=1)
    value = y
    if c.shape[1]:
        by, pull = (weight @ c) / total[:, None], (weight @ y) / total
        precision = np.einsum("di,ik,il->dkl", weight, c, c, optimize=True) + np.eye(c.shape[1])
        precision -= total[:, None, None] * by[:, :, None] * by[:, None, :]
        right = weight @ (c * y[:, None]) - by * (total * pull)[:, None]
        root = np.linalg.cholesky(precision)
        noise = random.standard_normal((*right.shape, 1))
        gauges = np.linalg.solve(precision, right[..., None])
        gauges += np.linalg.solve(root.transpose(0, 2, 1), noise)
        value = y - gauges[..., 0] @ c.T
    value = np.broadcast_to(value, weight.shape)
    mean, wider = _wide((weight * value).sum(axis=1) / total, 1.0 / total, random)
    return _draws(
        results, value, mean, sd, wider, prior_mean=np.zeros(sd.size),
        precision=np.zeros(sd.size), level=level, spread=spread, mean_gain=np.ones(sd.size),
    )  # fmt: skip


def _wide(centre: Floats, variance: Floats, random: np.random.Generator) -> tuple[Floats, Floats]:
    """Means drawn with longer tails than normal ones, and how much more probable that makes them.

    Draws with short tails tell nothing of a shape with long ones: a few would weigh everything.
    """
    score = random.standard_t(_DOF, centre.size)
    wider = 0.5 * score**2 - 0.5 * (_DOF + 1.0) * np.log1p(score**2 / _DOF)
    wider += 0.5 * math.log(2.0 / _DOF) + math.lgamma(0.5 * (_DOF + 1.0)) - math.lgamma(0.5 * _DOF)
    return centre + np.sqrt(variance) * score, wider


def _draws(
    results: Results, value: Floats, mean: Floats, sd: Floats, wider: Floats, **prior: Floats
) -> _Draws:
    normal = _log_likelihood(NORMAL, value, results.variance, mean, sd) + wider
    return _Draws(
        value=value, variance=results.variance, mean=mean, sd=sd, normal=normal, **prior
    )  # fmt: skip


def _log_likelihood(
    shape: Shape, value: Floats, variance: Floats, mean: Floats, sd: Floats
) -> Floats:
    found: Floats = shape.log_density(value - mean[:, None], sd[:, None], variance).sum(axis=1)
    return found
