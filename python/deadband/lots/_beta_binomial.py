"""Rates of many lots that differ, from counts alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Nodes of the logit of the mean rate and of the logarithm of `alpha + beta`.
_NODES: Final = (49, 53)
#: Distances of the grid's ends from the rough estimate.
_LOGIT, _BELOW, _ABOVE = 3.0, 4.0, 7.0
#: The lightest nodes, of this weight together, are left out.
_LEFT_OUT: Final = 1e-3
_HALVINGS: Final = 26
#: Of `alpha + beta`. Below it lots would be all good or all bad; counts without a failure cannot
#: exclude that, and the prior has no end there.
_SMALLEST: Final = 0.5


@dataclass(frozen=True)
class Rates:
    """Beta distributions of the rates that the counts leave possible, with their weights.

    `alpha`, `beta`, `weight` are of the nodes, (nodes,).
    """

    alpha: Floats
    beta: Floats
    weight: Floats


def moments(x: Floats, n: Floats) -> tuple[float, float]:
    """`alpha` and `beta` of the beta distribution with mean and variance of the rates `x / n`.

    The binomial scatter is left in (Gelman et al., Bayesian Data Analysis, 5.1): a rough start.

    Examples
    --------
    >>> alpha, beta = moments(np.array([1.0, 2.0, 4.0]), np.full(3, 10.0))
    >>> round(alpha / (alpha + beta), 3)
    0.233
    """
    rate = x / n
    mean = float(np.clip(rate.mean(), 0.5 / n.sum(), 1.0 - 0.5 / n.sum()))
    spread = float(rate.var(ddof=1)) if rate.size > 1 else 0.0
    whole = mean * (1.0 - mean) / spread - 1.0 if spread > 0.0 else float(n.sum())
    whole = max(whole, 0.5)
    return mean * whole, (1.0 - mean) * whole


def rates(x: Floats, n: Floats) -> Rates:
    """`alpha`, `beta` by their posterior on a grid, prior `(alpha + beta)**-2.5` from 0.5 on.

    Counts are beta-binomial; Gelman et al., Bayesian Data Analysis, 5.3.
    """
    from scipy.special import betaln, expit, logit

    alpha, beta = moments(x, n)
    middle, whole = float(logit(alpha / (alpha + beta))), float(np.log(alpha + beta))
    u = middle + np.linspace(-_LOGIT, _LOGIT, _NODES[0])
    v = np.linspace(max(whole - _BELOW, float(np.log(_SMALLEST))), whole + _ABOVE, _NODES[1])
    share, total = expit(u)[:, None], np.exp(v)[None, :]
    a, b = (share * total).ravel(), ((1.0 - share) * total).ravel()
    # Density of (logit, log) from that of (alpha, beta): times alpha beta.
    log = np.log(a) + np.log(b) - 2.5 * np.log(a + b)
    for counted, trials in zip(x, n, strict=True):
        log += betaln(a + counted, b + trials - counted) - betaln(a, b)
    weight = np.exp(log - log.max())
    rising = np.argsort(weight)
    kept = np.sort(rising[np.cumsum(weight[rising]) > _LEFT_OUT * weight.sum()])
    return Rates(a[kept], b[kept], weight[kept] / weight[kept].sum())


def exceeding(found: Rates, x: Floats, n: Floats, level: float) -> Floats:
    """The probability that each lot's rate exceeds a level."""
    from scipy.special import betainc

    a, b = found.alpha[:, None] + x, found.beta[:, None] + n - x
    chance: Floats = found.weight @ (1.0 - betainc(a, b, level))
    return chance


def means(found: Rates, x: Floats, n: Floats) -> tuple[Floats, Floats]:
    """Mean and standard deviation of each lot's rate."""
    a, b = found.alpha[:, None] + x, found.beta[:, None] + n - x
    mean = a / (a + b)
    centre = found.weight @ mean
    square = found.weight @ (mean * (1.0 - mean) / (a + b + 1.0) + mean**2)
    sd: Floats = np.sqrt(np.maximum(square - centre**2, 0.0))
    return centre, sd


def quantile(found: Rates, x: Floats, n: Floats, share: float) -> Floats:
    """The rate below which each lot's lies with the probability `share`."""
    from scipy.special import betainc

    low, high = np.zeros(x.size), np.ones(x.size)
    a, b = found.alpha[:, None] + x, found.beta[:, None] + n - x
    for _ in range(_HALVINGS):
        half = 0.5 * (low + high)
        below = found.weight @ betainc(a, b, np.broadcast_to(half, a.shape)) < share
        low, high = np.where(below, half, low), np.where(below, high, half)
    middle: Floats = 0.5 * (low + high)
    return middle
