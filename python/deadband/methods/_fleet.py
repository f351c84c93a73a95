"""The distribution of a fleet's true setpoints, the variance of measuring them taken out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Shape = Literal["normal", "mixture"]

_GRID: Final = 400
_CHAINS: Final = 200
_BURN_IN: Final = 100
_EVERY: Final = 5
#: Of the prior of the components: Richardson and Green (1997), 2.4, with the range of the values.
_ALPHA: Final = 2.0
_G: Final = 0.2
_H: Final = 10.0


@dataclass(frozen=True)
class Fleet:
    """Fleets that the data leave possible: normal components, (components, draws).

    `point` is the estimate: one fleet, or the draws themselves, over which shares are averaged.
    """

    weight: Floats
    mean: Floats
    sd: Floats
    shape: Shape
    point: tuple[Floats, Floats, Floats]


def fleet_of(
    value: Floats, variance: Floats, shape: Shape, random: np.random.Generator, draws: int
) -> Fleet:
    """The fleet behind measured values with known variances.

    `normal`: the variance between switches at which the weighted sum of squares has its expected
    value (Paule and Mandel 1982); the draws from the chi-squared distribution of that sum and the
    normal one of the mean, as generalised pivotal quantities. `mixture`: two normal components, by
    Gibbs sampling with the weak prior of Richardson and Green (1997), J. R. Statist. Soc. B 59.

    Values that are all one tell no variance between switches: none is the estimate of either shape.
    How much they hide goes up to what measuring them adds, as if that were nothing and all their
    uncertainty were theirs; of so much are the draws.

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> value = random.normal(2.0, 1.0, 500)
    >>> found = fleet_of(value, np.full(500, 0.19), "normal", random, 9)
    >>> _, mean, sd = found.point
    >>> round(float(sd[0, 0] ** 2 + 0.19 - np.var(value, ddof=1)), 3) + 0.0
    0.0
    """
    if float(np.ptp(value)) == 0.0:
        return _flat(value, variance, shape, random, draws)
    spread = float(np.var(value, ddof=1)) + float(variance.mean()) + 1e-18
    make = _mixture if shape == "mixture" else _normal
    return make(value, np.maximum(variance, 1e-12 * spread), spread, random, draws)


def _normal(
    value: Floats, variance: Floats, spread: float, random: np.random.Generator, draws: int
) -> Fleet:
    free = value.size - 1.0
    # Each draw looks its sum of squares up: on a grid, fine where fleets are.
    between = spread * np.concatenate([[0.0], np.geomspace(1e-6, 1e6, _GRID)])
    weight = 1.0 / (between[:, None] + variance)
    total = weight.sum(axis=1)
    mean = (weight * value).sum(axis=1) / total
    q = (weight * (value - mean[:, None]) ** 2).sum(axis=1)
    wanted = np.concatenate([[free], random.chisquare(free, draws)])
    at = np.clip(wanted, q[-1], q[0])
    found = np.interp(-at, -q, between)
    inside = (found > between[1]) & (wanted < q[0])
    logs = np.log(np.maximum(q[1:], 1e-300))
    found[inside] = np.exp(np.interp(-np.log(at[inside]), -logs, np.log(between[1:])))
    # No more than without any spread is none.
    found[wanted >= q[0]] = 0.0
    noise = np.concatenate([[0.0], random.standard_normal(draws)])
    centre = np.interp(found, between, mean) + noise * np.interp(found, between, total) ** -0.5
    parts = np.ones_like(found)[None], centre[None], np.sqrt(found)[None]
    weight, centre, sd = (part[:, 1:] for part in parts)
    return Fleet(weight, centre, sd, "normal", (parts[0][:, :1], parts[1][:, :1], parts[2][:, :1]))


def _flat(
    value: Floats, variance: Floats, shape: Shape, random: np.random.Generator, draws: int
) -> Fleet:
    free, square = value.size - 1.0, float(variance.mean())
    sd = np.sqrt(square * free / random.chisquare(free, (1, draws)))
    mean = value[0] + random.standard_normal((1, draws)) * (square / value.size) ** 0.5
    one = np.ones((1, 1))
    return Fleet(np.ones((1, draws)), mean, sd, shape, (one, value[0] * one, 0.0 * one))


def _mixture(
    value: Floats, variance: Floats, spread: float, random: np.random.Generator, draws: int
) -> Fleet:
    n = value.size
    reach = max(float(np.ptp(value)), spread**0.5)
    middle = 0.5 * float(value.max() + value.min())
    # Each chain starts from a split of its own: the lowest so many switches apart.
    rank = value.argsort().argsort()
    first = rank < random.integers(0, n + 1, (_CHAINS, 1))
    true = np.repeat(value[None], _CHAINS, axis=0)
    mean = np.full((2, _CHAINS), middle)
    precision = np.full((2, _CHAINS), 1.0 / spread)
    rate = np.full(_CHAINS, _ALPHA * spread)
    kept: list[tuple[Floats, Floats, Floats]] = []
    keep = -(-draws // _CHAINS)
    for step in range(_BURN_IN + _EVERY * keep):
        members = np.stack([first, ~first]).astype(np.float64)
        count = members.sum(axis=2)
        share = random.beta(1.0 + count[0], 1.0 + count[1])
        weight = np.stack([share, 1.0 - share])
        known = count * precision + reach**-2
        pull = (members * true).sum(axis=2) * precision + middle * reach**-2
        mean = pull / known + random.standard_normal(known.shape) * known**-0.5
        squares = (members * (true - mean[:, :, None]) ** 2).sum(axis=2)
        precision = random.standard_gamma(_ALPHA + 0.5 * count) / (rate + 0.5 * squares)
        rate = random.standard_gamma(_G + 2.0 * _ALPHA, _CHAINS) / (
            _H / reach**2 + precision.sum(axis=0)
        )
        if step >= _BURN_IN and (step - _BURN_IN) % _EVERY == 0:
            kept.append((weight, mean, precision**-0.5))
        first, true = _members(value, variance, (weight, mean, 1.0 / precision), random)
    parts = [np.hstack([one[i] for one in kept])[:, :draws] for i in range(3)]
    return Fleet(parts[0], parts[1], parts[2], "mixture", (parts[0], parts[1], parts[2]))


def _members(
    value: Floats,
    variance: Floats,
    parts: tuple[Floats, Floats, Floats],
    random: np.random.Generator,
) -> tuple[NDArray[np.bool_], Floats]:
    """Who belongs to the first component, and the true values, drawn given the parameters."""
    weight, mean, square = (part[:, :, None] for part in parts)
    whole = square + variance
    log = np.log(weight) - 0.5 * (np.log(whole) + (value - mean) ** 2 / whole)
    odds = np.exp(np.clip(log[1] - log[0], -700.0, 700.0))
    first = random.random(odds.shape) * (1.0 + odds) < 1.0
    own_mean, own_square = np.where(first, mean[0], mean[1]), np.where(first, square[0], square[1])
    gain = own_square / (own_square + variance)
    noise = random.standard_normal(first.shape)
    return first, own_mean + gain * (value - own_mean) + noise * np.sqrt(gain * variance)
