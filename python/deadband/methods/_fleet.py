"""The distribution of a fleet's true setpoints, the variance of measuring them taken out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Shape = Literal["normal", "mixture"]

#: Switches below which two components are more than a fleet can tell.
MIXED_SWITCHES: Final = 20
_GRID: Final = 400
_ROUNDS: Final = 300
#: Variance of a component at least, as a share of that of the fleet; keeps one from sitting on a
#: single switch.
_NARROW: Final = 0.01


@dataclass(frozen=True)
class Fleet:
    """Normal components: arrays of shape (components, draws); the first column is the estimate."""

    weight: Floats
    mean: Floats
    sd: Floats
    shape: Shape


def fleet_of(
    value: Floats, variance: Floats, shape: Shape, random: np.random.Generator, draws: int
) -> Fleet:
    """The fleet behind measured values with known variances: the estimate, then `draws` others.

    `normal`: the variance between switches at which the weighted sum of squares has its expected
    value (Paule and Mandel 1982); the others from the chi-squared distribution of that sum and the
    normal one of the mean, as generalised pivotal quantities. `mixture`: two normal components by
    maximum likelihood (EM), the others by reweighting the switches (Newton and Raftery 1994).

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> found = fleet_of(random.normal(2.0, 1.0, 500), np.full(500, 0.19), "normal", random, 0)
    >>> round(float(found.mean[0, 0]), 1), round(float(found.sd[0, 0]), 1)
    (2.0, 0.9)
    """
    if shape == "mixture" and value.size >= MIXED_SWITCHES:
        return _mixture(value, variance, random, draws)
    return _normal(value, variance, random, draws)


def _normal(value: Floats, variance: Floats, random: np.random.Generator, draws: int) -> Fleet:
    n = value.size
    free = n - 1.0
    spread = float(np.var(value, ddof=1)) + float(variance.mean()) + 1e-300
    # Each draw looks its sum of squares up: on a grid, fine where fleets are.
    between = spread * np.concatenate([[0.0], np.geomspace(1e-6, 1e6, _GRID)])
    weight = 1.0 / np.maximum(between[:, None] + variance, 1e-12 * spread)
    total = weight.sum(axis=1)
    mean = (weight * value).sum(axis=1) / total
    q = (weight * (value - mean[:, None]) ** 2).sum(axis=1)
    wanted = np.concatenate([[free], random.chisquare(free, draws)])
    at = np.clip(wanted, q[-1], q[0])
    found = np.interp(-at, -q, between)
    inside = found > between[1]
    found[inside] = np.exp(np.interp(-np.log(at[inside]), -np.log(q[1:]), np.log(between[1:])))
    centre = np.interp(found, between, mean)
    error = np.interp(found, between, total) ** -0.5
    noise = np.concatenate([[0.0], random.standard_normal(draws)])
    one = np.ones((1, draws + 1))
    return Fleet(one, (centre + noise * error)[None], np.sqrt(found)[None], "normal")


def _mixture(value: Floats, variance: Floats, random: np.random.Generator, draws: int) -> Fleet:
    n = value.size
    even = np.ones((1, n))
    middle, spread = float(value.mean()), float(np.std(value)) or 1e-12
    robust = 1.4826 * float(np.median(np.abs(value - np.median(value)))) or spread
    starts = [
        (0.5, np.quantile(value, 0.25), np.quantile(value, 0.75), spread / 2, spread / 2),
        (0.85, np.median(value), middle, robust, 3.0 * spread),
        (0.85, np.median(value), float(value.min()), robust, robust),
        (0.85, np.median(value), float(value.max()), robust, robust),
    ]
    fits = [_em(value, variance, even, start) for start in starts]
    best = max(fits, key=lambda fit: fit[3][0])
    if not draws:
        return Fleet(best[0], best[1], best[2], "mixture")
    weights = random.dirichlet(np.ones(n), draws) * n
    start = (best[0][0, 0], best[1][0, 0], best[1][1, 0], best[2][0, 0], best[2][1, 0])
    others = _em(value, variance, weights, start)
    weight, mean, sd = (np.hstack([best[i], others[i]]) for i in range(3))
    return Fleet(weight, mean, sd, "mixture")


def _em(
    value: Floats, variance: Floats, weights: Floats, start: tuple[float, ...]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Shares, means, standard deviations (2 x draws) and log-likelihoods from one start."""
    draws = weights.shape[0]
    share = np.repeat([[start[0]], [1.0 - start[0]]], draws, axis=1)
    mean = np.repeat([[start[1]], [start[2]]], draws, axis=1).astype(np.float64)
    square = np.repeat([[start[3] ** 2], [start[4] ** 2]], draws, axis=1).astype(np.float64)
    floor = _NARROW * float(np.var(value)) + 1e-300
    likelihood = np.full(draws, -np.inf)
    for _ in range(_ROUNDS):
        square = np.maximum(square, floor)
        whole = square[:, :, None] + variance
        off = value - mean[:, :, None]
        log = np.log(share)[:, :, None] - 0.5 * (np.log(whole) + off**2 / whole)
        top = log.max(axis=0)
        each = np.exp(log - top)
        total = each.sum(axis=0)
        now = (weights * (top + np.log(total))).sum(axis=1)
        done = np.all(now - likelihood < 1e-6)
        likelihood = now
        if done:
            break
        part = weights * each / total
        count = part.sum(axis=2)
        # The true value given the measured one: drawn to the component's mean by the known variance
        gain = square[:, :, None] / whole
        true = mean[:, :, None] + gain * off
        left = gain * variance
        mean = (part * true).sum(axis=2) / count
        square = (part * ((true - mean[:, :, None]) ** 2 + left)).sum(axis=2) / count
        share = np.clip(count / weights.sum(axis=1), 1e-9, 1.0 - 1e-9)
        mean = np.where(count > 1e-9, mean, 0.0)
        square = np.where(count > 1e-9, square, floor)
    return share, mean, np.sqrt(square), likelihood
