"""Differences of two methods on the same switches: bias, limits of agreement, scatter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from .._coverage import coverage_factor
from ._results import need_studies

Array = NDArray[Any]

#: Limits of agreement hold this share of the differences, whatever the confidence in them.
SHARE: Final = 0.95

_FEW: Final = 10.0


class Term(NamedTuple):
    """A mean square, its degrees of freedom, and how often a variance counts it.

    Examples
    --------
    >>> Term(1.0, 4.0, 9.0).dof
    9.0
    """

    weight: float
    mean_square: float
    dof: float


class Limits(NamedTuple):
    """A number with its interval.

    Examples
    --------
    >>> Limits(2.0, 1.0, 4.0).high
    4.0
    """

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Rounds:
    """Rounds of switches as arrays, one element a round.

    Attributes
    ----------
    switch
        number of the switch, from 0 without gaps.
    difference
        mean of the method minus mean of the reference.
    n_method, n_reference
        results in either mean.
    method, reference
        variance of one result within rounds, pooled, and its degrees of freedom.

    Examples
    --------
    >>> one = np.ones(3)
    >>> Rounds(np.arange(3), np.array([1.0, 2.0, 3.0]), one, one, (0.0, 0), (0.0, 0)).bias()
    (2.0, 0.5773502691896258, 2)
    """

    switch: Array
    difference: Array
    n_method: Array
    n_reference: Array
    method: tuple[float, int]
    reference: tuple[float, int]

    @classmethod
    def of(cls, each: pl.DataFrame) -> Rounds:
        """The rounds of `_pairs.pairs`."""

        def within(side: str) -> tuple[float, int]:
            dof = int((each[f"{side}_n"] - 1).sum())
            return (float(each[f"{side}_ss"].sum()) / dof if dof else 0.0), dof

        return cls(
            (each["switch_id"].rank("dense") - 1).to_numpy().astype(int),
            (each["method_pa"] - each["reference_pa"]).to_numpy(),
            each["method_n"].to_numpy().astype(float),
            each["reference_n"].to_numpy().astype(float),
            within("method"),
            within("reference"),
        )

    def _per_switch(self, values: Array) -> Array:
        return np.bincount(self.switch, values) / np.bincount(self.switch)

    def bias(self) -> tuple[float, float, int]:
        """Mean of the switches' mean differences, its standard uncertainty, degrees of freedom."""
        each = self._per_switch(self.difference)
        return float(each.mean()), float(each.std(ddof=1)) / each.size**0.5, each.size - 1

    def terms(self) -> list[Term]:
        """What the variance of a single difference is the sum of.

        Between switches, between the rounds of a switch, and within rounds for either side: the
        mean squares of unequal numbers of rounds and results, weighted so that their sum is
        unbiased. With one round a switch it is the sum of Bland and Altman 1999, section 5, with
        single results theirs of 2007, section 3.
        """
        found = self.between()
        for numbers, (variance, within_dof) in (
            (self.n_method, self.method),
            (self.n_reference, self.reference),
        ):
            if within_dof:
                found.append(Term(1.0 - self.counted(numbers), variance, float(within_dof)))
        return found

    def between(self) -> list[Term]:
        """The terms between switches, and between its rounds where it has several."""
        means = self._per_switch(self.difference)
        counts = np.bincount(self.switch).astype(float)
        dof = float((counts - 1.0).sum())
        left = self.difference - means[self.switch]
        kept = float((1.0 / counts).mean())
        found = [Term(1.0, float(means.var(ddof=1)), means.size - 1.0)]
        if dof:
            found.append(Term(1.0 - kept, float((left**2).sum()) / dof, dof))
        return found

    def counted(self, numbers: Array) -> float:
        """How often the terms between hold the variance of one result of a side, by its numbers."""
        counts = np.bincount(self.switch).astype(float)
        inverse = self._per_switch(1.0 / numbers)
        found = float((inverse / counts).mean())
        if dof := float((counts - 1.0).sum()):
            kept = float((1.0 / counts).mean())
            found += (1.0 - kept) * float(((counts - 1.0) * inverse).sum()) / dof
        return found


def variance_of(terms: list[Term], confidence: float, less: float = 0.0) -> Limits:
    """A sum of independent mean squares, minus a known variance, with its interval.

    Graybill and Wang 1980; with negative weights Ting et al. 1990 without the cross terms, that is
    the variances of each term recovered from its own interval (Zou 2013). Terms with no more
    degrees of freedom than the first, and ten at most, are taken together with it (Satterthwaite
    1946): a single repeat would make the interval boundless, however little it weighs.

    Examples
    --------
    >>> found = variance_of([Term(1.0, 4.0, 9.0)], 0.95)
    >>> [round(end, 3) for end in found]  # 9 * 4 / chi-squared of 9 degrees of freedom
    [4.0, 1.892, 13.331]
    """
    need_studies("agreement")
    from scipy.special import chdtri

    tail = (1.0 - confidence) / 2.0
    below = above = 0.0
    value = -less
    for weight, mean_square, dof in _together(terms):
        part = weight * mean_square
        down = part * (1.0 - dof / chdtri(dof, tail))
        up = part * (dof / chdtri(dof, 1.0 - tail) - 1.0)
        value += part
        below += (down if weight > 0.0 else up) ** 2
        above += (up if weight > 0.0 else down) ** 2
    return Limits(float(value), float(value - below**0.5), float(value + above**0.5))


def _together(terms: list[Term]) -> list[Term]:
    most = min(terms[0].dof, _FEW)
    few = [terms[0]]
    many: list[Term] = []
    for term in terms[1:]:
        (few if term.weight > 0.0 and term.dof <= most else many).append(term)
    parts = [term.weight * term.mean_square for term in few]
    below = sum(part**2 / term.dof for part, term in zip(parts, few, strict=True))
    if len(few) < 2 or not below:
        return terms
    return [Term(1.0, sum(parts), sum(parts) ** 2 / below), *many]


def limits(
    bias: tuple[float, float, int], terms: list[Term], confidence: float
) -> tuple[Limits, Limits, float]:
    """Lower and upper limit of agreement with their intervals, and the uncertainty of either.

    `bias -+ z sd`; intervals by the variances recovered from those of the bias and of the variance
    (Zou 2013, with the normal interval of the bias, as that of the variance holds what is unsure
    about it); the uncertainty is Bland and Altman's approximate standard error.

    Examples
    --------
    >>> lower, upper, u = limits((-2.117647, 9.401925, 16), [Term(1.0, 38.76513**2, 16.0)], 0.95)
    >>> [round(x, 2) for x in (lower.value, upper.value, u)]
    [-78.1, 73.86, 16.39]
    """
    centre, u, _ = bias
    z = coverage_factor(np.inf, SHARE)
    variance = variance_of(terms, confidence)
    sd, sd_low, sd_high = (max(end, 0.0) ** 0.5 for end in variance)
    reach = coverage_factor(np.inf, confidence) * u
    out = float(np.hypot(reach, z * (sd_high - sd)))
    back = float(np.hypot(reach, z * (sd - sd_low)))
    spread = sum(2.0 * (term.weight * term.mean_square) ** 2 / term.dof for term in terms)
    wide = (u**2 + z**2 * spread / (4.0 * variance.value)) ** 0.5 if sd > 0.0 else u
    low, high = centre - z * sd, centre + z * sd
    return Limits(low, low - out, low + back), Limits(high, high - back, high + out), wide
