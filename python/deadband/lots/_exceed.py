"""How probable it is that a lot's fraction out of tolerance exceeds a level."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from ._lot_rows import Tolerances
from ._posterior import Posterior

Floats = NDArray[np.float64]
Side = Literal["unsafe", "nuisance", "either"]

SIDES: Final = ("unsafe", "nuisance", "either")
_SIGNS: Final = {"unsafe": (-1.0,), "nuisance": (1.0,), "either": (1.0, -1.0)}
#: Standard deviations at which edges are found; between more of them they are interpolated.
_KINDS: Final = 400
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
    own_margin
        the same by the lot's own tests, of the middle of what these leave of the mean.
    level, told
        which, and what the tests leave possible.
    """

    chance: Floats
    p_value: Floats
    margin: Floats
    own_margin: Floats
    level: float
    told: Posterior


def exceeds(told: Posterior, tolerances: Tolerances, level: float, side: Side) -> Exceeds:
    """Whether fractions exceed `level`, exactly given each draw's standard deviation.

    A fraction exceeds where the mean lies beyond an edge that the standard deviation and the limits
    make; where scatter is normal the mean is normal given all else of a draw. The p-value takes the
    mean from the lot's own tests: with no error of measurement and a standard deviation of its own
    it is that of the noncentral t distribution, here the standard deviation is drawn towards those
    of the other lots.
    """

    def over(mean: Floats, sd: Floats) -> NDArray[np.bool_]:
        below, above = tolerances.fractions(mean, sd, told.shape)
        of_side = {"unsafe": below, "nuisance": above, "either": below + above}[side]
        beyond: NDArray[np.bool_] = of_side > level
        return beyond

    widest = float(tolerances.tolerance.max())
    edges = {sign: _edges(over, told.sd, widest, sign, side) for sign in _SIGNS[side]}
    own_edges = edges
    if told.own_sd is not told.sd:
        own_edges = {sign: _edges(over, told.own_sd, widest, sign, side) for sign in edges}
    if told.drawn is not None:

        def share(mean: Floats, sd: Floats, draws: Floats) -> Floats:
            # Nothing smaller is told by so many draws.
            found: Floats = np.clip(over(mean, sd).mean(axis=0), 0.5 / draws, 1.0 - 0.5 / draws)
            return found

        chance = share(told.mean, told.sd, told.drawn.effective)
        alone = share(told.own_centre, told.own_sd, told.drawn.own_effective)
    else:
        chance = _beyond(told.centre, told.variance, edges).mean(axis=0)
        alone = _beyond(told.own_centre, told.own_left, edges).mean(axis=0)
    return Exceeds(
        chance, np.clip(1.0 - alone, 0.0, 1.0), _margin(told.mean, edges),
        _margin(told.own_centre, own_edges), level, told,
    )  # fmt: skip


def _margin(mean: Floats, edges: dict[float, Floats]) -> Floats:
    found: Floats = np.max([sign * mean - edge for sign, edge in edges.items()], axis=0)
    return found


def _beyond(centre: Floats, variance: Floats, edges: dict[float, Floats]) -> Floats:
    from scipy.special import ndtr

    root = np.sqrt(np.maximum(variance, 1e-300))
    found: Floats = sum(ndtr((sign * centre - edge) / root) for sign, edge in edges.items())
    if len(edges) > 1:
        # Where even a mean at the rating exceeds there is no edge.
        found = np.where(edges[1.0] > 0.0, found, 1.0)
    return found


def _edges(
    over: Callable[[Floats, Floats], NDArray[np.bool_]],
    sd: Floats,
    widest: float,
    sign: float,
    side: Side,
) -> Floats:
    """How far beyond the rating a mean makes the fraction the level, (draws, lots)."""
    kinds, place = np.unique(sd, return_inverse=True)
    many = kinds.size > _KINDS
    if many:
        kinds = np.geomspace(kinds[0], kinds[-1], _KINDS)
    lots = sd.shape[1]
    spread = np.broadcast_to(kinds[:, None], (kinds.size, lots))
    most = widest + 40.0 * spread
    low, high = (0.0 if side == "either" else -1.0) * most, most
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        beyond = over(sign * middle, spread)
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    edge = 0.5 * (low + high)
    if side == "either":
        edge = np.where(over(np.zeros_like(spread), spread), 0.0, edge)
    if many:
        return np.stack([np.interp(sd[:, lot], kinds, edge[:, lot]) for lot in range(lots)], axis=1)
    found: Floats = edge[place.reshape(sd.shape), np.arange(lots)]
    return found
