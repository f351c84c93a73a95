"""Tests of cells that do not fit: Mandel's h and k, Cochran's and Grubbs' tests."""

from __future__ import annotations

from functools import lru_cache
from math import comb
from typing import TYPE_CHECKING, Final

import numpy as np

from ._results import need_studies

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_DRAWS, _GROUPS = 40_000, 200
_NODES: Final = 48


def mandel_h_critical(labs: int, risk: float) -> float:
    """What |h| of one of `labs` cells exceeds with probability `risk`.

    `(p - 1) t / sqrt(p (t2 + p - 2))`, `t` the two-sided quantile with `p - 2` degrees of freedom.

    Examples
    --------
    >>> round(mandel_h_critical(8, 0.005), 2)
    2.15
    """
    need_studies("precision")
    from scipy.special import stdtrit

    t = float(stdtrit(labs - 2, 1.0 - risk / 2.0))
    return float((labs - 1) * t / np.sqrt(labs * (t**2 + labs - 2)))


def mandel_k_critical(dof: float, others: float, risk: float) -> float:
    """What k of a cell exceeds with probability `risk`.

    `k` is the cell's sd over the pooled one; `others` are the degrees of freedom of the other
    cells. With `F` of (`dof`, `others`): `sqrt(F (dof + others) / (F dof + others))`.

    Examples
    --------
    >>> round(mandel_k_critical(2, 14, 0.005), 2)
    2.06
    """
    need_studies("precision")
    from scipy.special import fdtri

    f = float(fdtri(dof, others, 1.0 - risk))
    return float(np.sqrt(f * (dof + others) / (f * dof + others)))


def cochran_critical(dof: float, others: float, cells: int, risk: float) -> float:
    """What the share of one of `cells` in the pooled sum of squares exceeds with less than `risk`.

    `1 / (1 + others / (dof F))` with `F` of (`dof`, `others`) at `risk / cells`: Cochran's critical
    value where all cells have as many results, and that of 't Lam (2010) where they have not.

    Examples
    --------
    >>> round(cochran_critical(1, 7, 8, 0.05), 3)
    0.68
    """
    need_studies("precision")
    from scipy.special import fdtri

    f = float(fdtri(dof, others, 1.0 - risk / cells))
    return 1.0 / (1.0 + others / (dof * f))


def cochran_risk(share: float, dof: float, others: float, cells: int) -> float:
    """The probability of so large a share, at most (Bonferroni).

    Examples
    --------
    >>> round(cochran_risk(cochran_critical(2, 14, 8, 0.01), 2, 14, 8), 6)
    0.01
    """
    need_studies("precision")
    from scipy.special import fdtrc

    if share >= 1.0:
        return 0.0
    return min(1.0, cells * float(fdtrc(dof, others, share / (1.0 - share) * others / dof)))


def grubbs_critical(labs: int, risk: float) -> float:
    """What the largest of `labs` values exceeds, in standard deviations above the mean.

    For the largest and the smallest together `risk`, so `risk / 2` for either.

    Examples
    --------
    >>> round(grubbs_critical(8, 0.05), 2)
    2.13
    """
    need_studies("precision")
    from scipy.special import stdtrit

    t = float(stdtrit(labs - 2, 1.0 - risk / (2.0 * labs)))
    return float((labs - 1) / np.sqrt(labs) * np.sqrt(t**2 / (labs - 2 + t**2)))


def grubbs_risk(statistic: float, labs: int) -> float:
    """The probability that the largest or the smallest lies so far out, at most.

    Examples
    --------
    >>> round(grubbs_risk(grubbs_critical(8, 0.05), 8), 6)
    0.05
    """
    need_studies("precision")
    from scipy.special import stdtr

    edge = (labs - 1) ** 2 - labs * statistic**2
    if edge <= 0.0:
        return 0.0
    t = statistic * np.sqrt(labs * (labs - 2) / edge)
    return min(1.0, 2.0 * labs * float(stdtr(labs - 2, -t)))


def grubbs_pair_risk(ratio: float, labs: int) -> float:
    """The probability that leaving out the two largest, or the two smallest, does so much.

    `ratio` is the sum of squares without the two over that with them. That two given values leave
    less than `g` of it has the probability `g ** ((p - 3) / 2)`; that they are also the two largest
    depends on the direction in which the two lie, and on how far the largest of the others lies
    from their mean, over which seeded draws are averaged. At most the exact value, and equal
    where the two ends cannot both stand out. Grubbs (1950) for the test.

    Examples
    --------
    >>> round(grubbs_pair_risk(0.1101, 8), 3)
    0.05
    """
    power = (labs - 3) / 2.0
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    top = min(ratio, 1.0) ** power
    share = (0.5 * top * (nodes + 1.0)) ** (1.0 / power)
    reach = np.sqrt((1.0 - share) / share)  # of the two, in roots of the others' sum of squares
    over = np.sqrt(labs / (labs - 2) + 1.0)
    turn = np.arctan(np.sqrt((labs - 2) / labs))
    bound = np.sqrt(2.0) * _largest(labs - 2)[:, None] / (reach * over)
    angle = np.clip(np.arccos(np.minimum(bound, 1.0)) - turn, 0.0, None)
    single = 0.5 * top * float(weights @ angle.mean(axis=0)) / np.pi
    return float(min(1.0, 2.0 * comb(labs, 2) * single))


@lru_cache(maxsize=256)
def grubbs_pair_critical(labs: int, risk: float) -> float:
    """Below what `grubbs_pair_risk` is less than `risk`; at least 4 values.

    Examples
    --------
    >>> round(grubbs_pair_critical(10, 0.01), 3)
    0.115
    """
    need_studies("precision")
    from scipy.optimize import brentq

    return float(brentq(lambda g: grubbs_pair_risk(g, labs) - risk, 1e-12, 1.0, xtol=1e-10))


@lru_cache(maxsize=32)
def _largest(count: int) -> Floats:
    """How far the largest of `count` normal values lies from their mean, in roots of their SS.

    Draws in rising order, as means of groups of them.
    """
    rng = np.random.default_rng(count)
    drawn = rng.standard_normal((_DRAWS, count))
    drawn -= drawn.mean(axis=1, keepdims=True)
    largest = np.sort(drawn.max(axis=1) / np.sqrt((drawn**2).sum(axis=1)))
    return np.asarray(largest.reshape(_GROUPS, -1).mean(axis=1))
