"""Shapes that the scatter of the switches of a lot can have."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Final, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from .._errors import check_option
from ..methods._results import need_studies

Floats = NDArray[np.float64]
ShapeName = Literal["normal", "heavy_tails", "light_tails", "skew_low", "skew_high"]

SHAPES: Final[tuple[ShapeName, ...]] = (
    "normal", "heavy_tails", "light_tails", "skew_low", "skew_high",
)  # fmt: skip
#: Degrees of freedom of the heavy tails.
_DOF: Final = 5.0
#: Normal curves that make them, and where their precisions lie, over the middle one.
_CURVES: Final = 10
_LEAST, _MOST = 0.01, 5.0
#: Of the two halves of the light tails, from the middle.
_APART: Final = 0.75
#: Of the skew-normal distribution of Azzalini: a skewness of 0.85.
_DELTA: Final = 0.98
#: No value is impossible.
_LEAST_DENSITY: Final = 1e-290
#: Halvings of the bracket of a quantile.
_HALVINGS: Final = 60


class Shape(Protocol):
    """A distribution of mean 0 and standard deviation 1."""

    def log_density(self, residual: Floats, sd: Floats, variance: Floats) -> Floats:
        """Log density of `sd` times a value of this shape plus a normal error, less a constant."""

    def below(self, score: Floats) -> Floats:
        """Share of values below `score`."""

    def above(self, score: Floats) -> Floats:
        """Share of values above `score`."""


@dataclass(frozen=True)
class Mixed:
    """A mixture of normal curves; one alone is the normal distribution itself.

    Examples
    --------
    >>> round(float(Mixed((1.0,), (0.0,), (1.0,)).below(np.array(-1.96))), 3)
    0.025
    """

    weight: tuple[float, ...]
    offset: tuple[float, ...]
    sd: tuple[float, ...]

    def log_density(self, residual: Floats, sd: Floats, variance: Floats) -> Floats:
        """Log density of `sd` times a value of this shape plus a normal error, less a constant."""
        if len(self.weight) == 1:
            square = sd**2 + variance
            alone: Floats = -0.5 * (np.log(square) + residual**2 / square)
            return alone
        density: Floats = np.full(np.broadcast(residual, sd, variance).shape, _LEAST_DENSITY)
        for weight, offset, one in zip(self.weight, self.offset, self.sd, strict=True):
            square = (one * sd) ** 2 + variance
            away = residual - offset * sd if offset else residual
            density += weight / np.sqrt(square) * np.exp(-0.5 * away**2 / square)
        return np.log(density)

    def below(self, score: Floats) -> Floats:
        """Share of values below `score`."""
        ndtr = need_studies("the shape of lots").special.ndtr
        found: Floats = sum(
            weight * ndtr((score - offset) / sd)
            for weight, offset, sd in zip(self.weight, self.offset, self.sd, strict=True)
        )
        return found

    def above(self, score: Floats) -> Floats:
        """Share of values above `score`."""
        return Mixed(self.weight, tuple(-one for one in self.offset), self.sd).below(-score)


@dataclass(frozen=True)
class Skewed:
    """The skew-normal distribution (Azzalini 1985, Scand. J. Statist. 12, 171).

    With `delta` below zero the long tail is that towards low values. A skew-normal value with a
    normal error is skew-normal.

    Examples
    --------
    >>> Skewed(-0.98).below(np.array([-2.5, 2.5])).round(4).tolist()
    [0.0193, 1.0]
    """

    delta: float

    @property
    def _scale(self) -> float:
        return 1.0 / math.sqrt(1.0 - 2.0 * self.delta**2 / math.pi)

    @property
    def _start(self) -> float:
        return -self._scale * self.delta * math.sqrt(2.0 / math.pi)

    def log_density(self, residual: Floats, sd: Floats, variance: Floats) -> Floats:
        """Log density of `sd` times a value of this shape plus a normal error, less a constant."""
        log_ndtr = need_studies("the shape of lots").special.log_ndtr
        square = (self._scale * sd) ** 2 + variance
        whole = np.sqrt(square)
        part = self._scale * self.delta * sd / whole
        z = (residual - self._start * sd) / whole
        found: Floats = (
            math.log(2.0)
            - 0.5 * (np.log(square) + z**2)
            + log_ndtr(part / np.sqrt(1.0 - part**2) * z)
        )
        return found

    def below(self, score: Floats) -> Floats:
        """Share of values below `score`."""
        special = need_studies("the shape of lots").special
        z = (score - self._start) / self._scale
        slant = self.delta / math.sqrt(1.0 - self.delta**2)
        found: Floats = np.clip(special.ndtr(z) - 2.0 * special.owens_t(z, slant), 0.0, 1.0)
        return found

    def above(self, score: Floats) -> Floats:
        """Share of values above `score`."""
        return Skewed(-self.delta).below(-score)


NORMAL: Final = Mixed((1.0,), (0.0,), (1.0,))


def shape_named(name: str) -> Shape:
    """The shape of this name, or `OptionError`.

    `heavy_tails`: Student's t with 5 degrees of freedom, as normal curves of many widths;
    `light_tails`: two normal curves of equal weight, 1.5 standard deviations apart;
    `skew_low`, `skew_high`: skew-normal with a skewness of 0.85, the long tail towards low or high
    setpoints.

    Examples
    --------
    >>> round(float(shape_named("heavy_tails").below(np.array(-4.0))), 4)
    0.0018
    """
    check_option("shape", name, SHAPES)
    return _made(name)


@cache
def _made(name: str) -> Shape:
    if name == "normal":
        return NORMAL
    if name == "heavy_tails":
        return _heavy_tails(_DOF)
    if name == "light_tails":
        width = math.sqrt(1.0 - _APART**2)
        return Mixed((0.5, 0.5), (-_APART, _APART), (width, width))
    return Skewed(-_DELTA if name == "skew_low" else _DELTA)


def _heavy_tails(dof: float) -> Mixed:
    """Normal curves whose precisions are those of chi-square over its degrees of freedom."""
    precision = np.geomspace(_LEAST, _MOST, _CURVES)
    log = 0.5 * dof * (np.log(precision) - precision)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    sd = precision**-0.5
    sd /= math.sqrt(float(weight @ sd**2))
    return Mixed(tuple(weight.tolist()), (0.0,) * _CURVES, tuple(sd.tolist()))


def quantile(shape: Shape, share: float) -> float:
    """The score below which this share of values of the shape lies.

    Examples
    --------
    >>> round(quantile(NORMAL, 0.05), 3)
    -1.645
    """
    low, high = -40.0, 40.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if float(shape.below(np.array(middle))) < share:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
