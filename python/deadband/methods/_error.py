"""Bias and scatter of a method against the reference: one set of numbers a group of rounds."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, nan, sqrt
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Repeats of the reference within rounds, less one a round, from which its variance is their own.
_ENOUGH: Final = 10


@dataclass(frozen=True)
class MethodError:
    """What one result of a method is off from the truth: a bias, and a scatter about it.

    Attributes
    ----------
    bias, bias_u, bias_dof
        mean over switches of the method's results less the reference's, its standard uncertainty
        and degrees of freedom.
    sd, sd_dof
        standard deviation of a single result about truth and bias, and its degrees of freedom.
    n_switches, n_results, n_reference
        behind them.
    status
        `ok`, or `too_few_samples`: fewer than two switches.
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
        between, within, known = (
            _square(square, dof, random, n)
            for square, dof in (self.parts.between, self.parts.within, self.parts.known)
        )
        bias = self.bias + random.standard_normal(n) * np.sqrt(between / self.n_switches)
        return bias, np.sqrt(self.parts.variance(between, within, known))


@dataclass(frozen=True)
class Parts:
    """Mean squares with their degrees of freedom, and what each holds of the others.

    `between` is the variance of the switches' mean differences, `within` that of results of one
    switch about their mean, `known` that of one result of the reference.
    """

    between: tuple[float, float]
    within: tuple[float, float]
    known: tuple[float, float]
    within_in_between: float
    known_in_between: float
    known_in_within: float
    shared: bool

    def variance(self, between: Floats, within: Floats, known: Floats) -> Floats:
        """Variance of a single result: that of results of one switch and that of its switches."""
        alone = np.maximum(within - self.known_in_within * known, 0.0)
        apart = between - self.within_in_between * alone - self.known_in_between * known
        whole = np.maximum(apart, 0.0) + alone
        # Results of the reference's own tests carry its error: their difference does not.
        return whole + known if self.shared else whole


def _square(square: float, dof: float, random: np.random.Generator, n: int) -> Floats:
    if dof in {0.0, inf}:
        return np.full(n, square)
    return square * dof / random.chisquare(dof, n)


def method_error_of(rounds: pl.DataFrame, *, shared: bool = False) -> MethodError:
    """Bias and scatter of the side `method` of `rounds` against its side `reference`.

    Each result less the mean of the reference in its round; their mean a switch; mean and variance
    of these over switches, unweighted, whatever the numbers of repeats. The scatter of a single
    result is made of the variance within switches and of that between them, both without what the
    reference's own variance adds: its repeats' where there are ten degrees of freedom for it,
    otherwise its stated one.

    `scaled` and `scaled_u` are values and own uncertainties in the unit of the study; `shared` says
    that both sides are read from the same tests.
    """
    keys = ["switch_id", "round"]
    wide = rounds.group_by(*keys, "side", maintain_order=True).agg(
        n=pl.len(),
        mean=pl.col("scaled").mean(),
        ss=((pl.col("scaled") - pl.col("scaled").mean()) ** 2).sum(),
        known=(pl.col("scaled_u") ** 2).sum(),
    )
    method, reference = (
        wide.filter(pl.col("side") == side).drop("side") for side in ("method", "reference")
    )
    both = method.join(reference, on=keys, suffix="_x", maintain_order="left").with_columns(
        d=pl.col("mean") - pl.col("mean_x")
    )
    share = pl.col("n") / pl.col("n").sum()
    switches = both.group_by("switch_id", maintain_order=True).agg(
        m=pl.col("n").sum(),
        d=(share * pl.col("d")).sum(),
        # Of the reference's variance: in the switch's mean, and in the squares about that mean.
        in_mean=(share**2 / pl.col("n_x")).sum(),
        in_squares=(pl.col("n") / pl.col("n_x")).sum()
        - (pl.col("n") ** 2 / pl.col("n_x")).sum() / pl.col("n").sum(),
        ss=pl.col("ss").sum()
        + (pl.col("n") * pl.col("d") ** 2).sum()
        - pl.col("n").sum() * (share * pl.col("d")).sum() ** 2,
        n_x=pl.col("n_x").sum(),
        free_x=(pl.col("n_x") - 1).sum(),
        ss_x=pl.col("ss_x").sum(),
        known_x=pl.col("known_x").sum(),
    )
    return _from_switches(switches, shared=shared)


def _from_switches(switches: pl.DataFrame, *, shared: bool) -> MethodError:
    n = switches.height
    results, references, free_x, ss_x, known_x = (
        float(switches[name].sum() or 0.0) for name in ("m", "n_x", "free_x", "ss_x", "known_x")
    )
    if n < 2:
        return MethodError(
            nan, nan, 0.0, nan, 0.0, n, int(results), int(references), "too_few_samples", None
        )
    d, m = switches["d"].to_numpy(), switches["m"].to_numpy().astype(np.float64)
    free = results - n
    stated = (known_x / references, inf)
    parts = Parts(
        between=(float(np.var(d, ddof=1)), n - 1.0),
        within=(max(float(switches["ss"].sum()), 0.0) / free if free else 0.0, free),
        known=(ss_x / free_x, free_x) if free_x >= _ENOUGH and not shared else stated,
        within_in_between=float(np.mean(1.0 / m)) if free else 0.0,
        known_in_between=0.0 if shared else float(switches["in_mean"].mean() or 0.0),  # type: ignore[arg-type]
        known_in_within=float(switches["in_squares"].sum()) / free if free and not shared else 0.0,
        shared=shared,
    )
    squares = [np.array([part[0]]) for part in (parts.between, parts.within, parts.known)]
    variance = float(parts.variance(*squares)[0])
    return MethodError(
        bias=float(d.mean()), bias_u=sqrt(parts.between[0] / n), bias_dof=n - 1.0,
        sd=sqrt(variance), sd_dof=_dof(parts, variance), n_switches=n, n_results=int(results),
        n_reference=int(references), status="ok", parts=parts,
    )  # fmt: skip


def _dof(parts: Parts, variance: float) -> float:
    """Welch and Satterthwaite for a sum of mean squares, each with its weight in the variance."""
    weights = (1.0, 1.0 - parts.within_in_between, parts.known_in_between)
    squares = (parts.between, parts.within, parts.known)
    spread = sum(
        (weight * square) ** 2 / dof
        for weight, (square, dof) in zip(weights, squares, strict=True)
        if dof > 0.0
    )
    # Never fewer than the switches alone would give: a variance cut to what is left says no less.
    return max(variance**2 / spread, 1.0) if spread > 0.0 else parts.between[1]
