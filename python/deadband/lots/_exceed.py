"""How probable it is that a lot's fraction out of tolerance exceeds a level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from ._lot_rows import Tolerances
from ._posterior import Posterior

Floats = NDArray[np.float64]
Side = Literal["unsafe", "nuisance", "either"]

SIDES: Final = ("unsafe", "nuisance", "either")
#: Halvings of the bracket of a mean; as many as double precision has bits.
_HALVINGS: Final = 60


@dataclass(frozen=True)
class Exceeds:
    """For each lot the probability that its fraction exceeds the level.

    Attributes
    ----------
    chance
        the lot drawn towards its model.
    p_value
        of the lot's own tests, if its fraction is the level or less.
    margin
        draws of how far the mean lies beyond where the fraction is the level, (draws, lots): above
        zero it exceeds.
    level, told
        which, and what the tests leave possible.
    """

    chance: Floats
    p_value: Floats
    margin: Floats
    level: float
    told: Posterior


def exceeds(told: Posterior, tolerances: Tolerances, level: float, side: Side) -> Exceeds:
    """Whether fractions exceed `level`, exactly given each draw's standard deviation.

    A fraction exceeds where the mean lies beyond an edge that the standard deviation and the limits
    make; the mean is normal given all else of a draw. The p-value takes the mean from the lot's own
    tests: with no error of measurement and a standard deviation of its own it is that of the
    noncentral t distribution, here the standard deviation is drawn towards those of the other lots.
    """
    edge = _edges(told.sd, tolerances, level, side)
    sign = -1.0 if side == "unsafe" else 1.0
    own = told.own_variance + told.gauge_variance
    chance = _beyond(told.centre, told.variance, edge, sign, side).mean(axis=0)
    alone = _beyond(told.own_centre, own, edge, sign, side).mean(axis=0)
    away = np.abs(told.mean) if side == "either" else sign * told.mean
    return Exceeds(chance, np.clip(1.0 - alone, 0.0, 1.0), away - edge, level, told)


def _beyond(centre: Floats, variance: Floats, edge: Floats, sign: float, side: Side) -> Floats:
    from scipy.special import ndtr

    root = np.sqrt(np.maximum(variance, 1e-300))
    if side != "either":
        found: Floats = ndtr((sign * centre - edge) / root)
        return found
    both = ndtr((centre - edge) / root) + ndtr((-centre - edge) / root)
    # Where even a mean at the rating exceeds there is no edge.
    known: Floats = np.where(edge > 0.0, both, 1.0)
    return known


def _edges(sd: Floats, tolerances: Tolerances, level: float, side: Side) -> Floats:
    """How far beyond the rating a mean makes the fraction `level`, (draws, lots)."""
    kinds, place = np.unique(sd, return_inverse=True)
    most = float(tolerances.tolerance.max())
    spread = np.broadcast_to(kinds[:, None], (kinds.size, sd.shape[1]))
    least = 0.0 if side == "either" else -1.0
    low, high = least * (most + 40.0 * spread), most + 40.0 * spread
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        below, above = tolerances.fractions(middle, spread)
        beyond = (above + below if side == "either" else above) > level
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    edge = 0.5 * (low + high)
    if side == "either":
        below, above = tolerances.fractions(np.zeros_like(spread), spread)
        edge = np.where(below + above > level, 0.0, edge)
    found: Floats = edge[place.reshape(sd.shape), np.arange(sd.shape[1])]
    return found
