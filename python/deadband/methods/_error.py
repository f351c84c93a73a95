"""Bias and scatter of a method against the reference: one set of numbers a group of rounds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, nan, sqrt
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ._differences import Rounds, Term
from ._pairs import GROUP, pairs

Floats = NDArray[np.float64]

#: Repeats of the reference within rounds, less one a round, from which its variance is their own.
_ENOUGH: Final = 10


@dataclass(frozen=True)
class MethodError:
    """What one result of a method is off from the truth: a bias, and a scatter about it.

    Attributes
    ----------
    bias, bias_u, bias_dof
        mean over switches of the method's rounds less the reference's, its standard uncertainty
        and degrees of freedom; of one switch its own difference.
    sd, sd_dof
        standard deviation of a single result about truth and bias, and its degrees of freedom.
    n_switches, n_results, n_reference
        behind them.
    status
        `ok`, or `one_switch`: one switch at most.
    parts
        the mean squares, for `draws`.

    Examples
    --------
    >>> rounds = pl.DataFrame(
    ...     {
    ...         "switch_id": ["a", "a", "b", "b"], "round": [0] * 4,
    ...         "side": ["method", "reference"] * 2, "scaled": [57.0, 60.0, 58.0, 60.0],
    ...         "scaled_u": [0.1] * 4,
    ...     }
    ... )  # fmt: skip
    >>> found = method_error_of(rounds)
    >>> found.bias, found.bias_u, round(found.sd, 3)
    (-2.5, 0.5, 0.7)
    """

    bias: float
    bias_u: float
    bias_dof: float
    sd: float
    sd_dof: float
    n_switches: int
    n_results: int
    n_reference: int
    status: str
    parts: Parts | None

    def draws(self, random: np.random.Generator, n: int) -> tuple[Floats, Floats]:
        """Biases and standard deviations that the data leave possible.

        Generalised pivotal quantities (Weerahandi 1993): each mean square over its own chi-squared
        over its degrees of freedom, the bias from the mean square between switches.
        """
        assert self.parts is not None
        squares = [
            np.full(n, term.mean_square)
            if term.dof == inf
            else term.mean_square * term.dof / random.chisquare(term.dof, n)
            for term in self.parts.terms
        ]
        bias = self.bias + random.standard_normal(n) * np.sqrt(squares[0] / self.n_switches)
        return bias, np.sqrt(self.parts.variance(squares))


@dataclass(frozen=True)
class Parts:
    """What the variance of a single result is the sum of.

    `terms` are mean squares with their weights, that between switches the first; `own` is the place
    of the one within rounds, if there is any; `added` a variance that comes on top.
    """

    terms: tuple[Term, ...]
    own: int | None
    added: float

    def variance(self, squares: Sequence[Floats]) -> Floats:
        """The sum for these mean squares: never less than within rounds."""
        alone = np.zeros_like(squares[0]) if self.own is None else squares[self.own]
        whole = sum(
            (term.weight * square for term, square in zip(self.terms, squares, strict=True)),
            start=np.zeros_like(alone),
        )
        return np.maximum(whole, alone) + self.added


def method_error_of(rounds: pl.DataFrame, *, shared: bool = False) -> MethodError:
    """Bias and scatter of the side `method` of `rounds` against its side `reference`.

    The mean of a round less the reference's, averaged over the rounds of a switch and then over
    switches, each counting alike whatever the numbers of repeats: the bias of `agreement`. The
    scatter of a single result is made of the mean squares between switches, between the rounds of
    a switch and within rounds, without what the reference's own variance adds: its repeats' where
    there are ten degrees of freedom for it, otherwise its stated one.

    `scaled` and `scaled_u` are values and own uncertainties in the unit of the study; `shared` says
    that both sides are read from the same tests.
    """
    each = pairs(
        rounds.with_columns(
            pl.lit(0).alias(GROUP), value_pa=pl.col("scaled"), own_u_pa=pl.col("scaled_u")
        ),
        same_tests=shared,
    )
    counts = (
        each["switch_id"].n_unique(), int(each["method_n"].sum()), int(each["reference_n"].sum()),
    )  # fmt: skip
    if counts[0] < 2:
        by_round = each["method_pa"] - each["reference_pa"]
        alone = float(by_round.mean()) if counts[0] else nan
        return MethodError(alone, nan, 0.0, nan, 0.0, *counts, "one_switch", None)
    what = Rounds.of(each)
    parts = _parts(what, each, shared=shared)
    bias, u, dof = what.bias()
    variance = float(parts.variance([np.array([one.mean_square]) for one in parts.terms])[0])
    return MethodError(
        bias, u, float(dof), sqrt(variance), _dof(parts, variance), *counts, "ok", parts
    )


def _parts(what: Rounds, each: pl.DataFrame, *, shared: bool) -> Parts:
    terms = what.between()
    own = None
    if what.method[1]:
        own = len(terms)
        square, free = what.method
        terms.append(Term(1.0 - what.counted(what.n_method), square, float(free)))
    stated = each.group_by("switch_id").agg(pl.col("reference_own").mean())["reference_own"].mean()
    known = float(stated) if isinstance(stated, float) else 0.0
    if shared:
        # Results of the reference's own tests carry its error: their difference does not.
        return Parts(tuple(terms), own, known)
    square, dof = known, inf
    if what.reference[1] >= _ENOUGH:
        square, dof = what.reference
    terms.append(Term(-what.counted(what.n_reference), square, float(dof)))
    return Parts(tuple(terms), own, 0.0)


def _dof(parts: Parts, variance: float) -> float:
    """Welch and Satterthwaite for a sum of mean squares, each with its weight in the variance."""
    spread = sum((term.weight * term.mean_square) ** 2 / term.dof for term in parts.terms)
    # Never fewer than the switches alone would give: a variance cut to what is left says no less.
    return max(variance**2 / spread, 1.0) if spread > 0.0 else parts.terms[0].dof
