"""Weibull, lognormal and exponential lives, from censored and truncated data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np
import polars as pl

from .._errors import (
    DeadbandError,
    OptionError,
    check_list,
    check_number,
    check_option,
    check_share,
)
from .._frames import FrameLike
from ._candidates import best_of, comparison, design_of, log_sigma, try_one
from ._limits import Limits
from ._observed import arrays, check_free, usable
from ._positions import positions

Distribution = Literal["weibull", "lognormal", "exponential"]

_DISTRIBUTIONS: Final = ("weibull", "lognormal", "exponential")
SHARES: Final = pl.Schema(
    {"years": pl.Float64, "share_failed": pl.Float64, "low": pl.Float64, "high": pl.Float64}
)


@dataclass(frozen=True)
class LifeFit:
    """A life distribution that was fitted.

    Attributes
    ----------
    distribution
        `weibull`, `lognormal` or `exponential`.
    parameters
        `parameter`, `value`, `u`, `low`, `high`. Weibull: `shape`, `scale_years` (63.2 % have
        failed); lognormal: `log_sd`, `median_years`; exponential: `mean_years`. With covariates one
        more for each: what one unit of it adds to the logarithm of life.
    quantiles
        `share_failed`, `years`, `low_years`, `high_years`: the age at which that share has failed;
        0.10 is B10. An end that the data do not give is null.
    comparison
        `distribution`, `log_likelihood`, `aic`, `difference` from the lowest: of all that were
        tried.
    points
        plot positions: `years`, `share_failed` without assuming a distribution.
    log_likelihood, aic
        at the estimate; AIC counts the parameters that were estimated.
    n, n_failed, n_left_out
        lives used, those that ended in a failure, and rows that could not be used.
    confidence
        of the intervals.
    status
        `ok`; `stated_shape` (the spread was given, not found); `no_failures` (with a stated shape:
        one-sided lower limits, no estimate); `too_few_failures` (fewer than three, and no shape
        stated); `no_maximum` (the data fit ever steeper, flatter or shorter lives); `no_lives`;
        in one of several groups `covariates_alike` (in all its lives, or they say the same).

    Examples
    --------
    >>> empty = pl.DataFrame()
    >>> LifeFit("weibull", empty, empty, empty, empty, None, None, 0, 0, 0, 0.95, "no_lives").n
    0
    """

    distribution: str
    parameters: pl.DataFrame
    quantiles: pl.DataFrame
    comparison: pl.DataFrame
    points: pl.DataFrame
    log_likelihood: float | None
    aic: float | None
    n: int
    n_failed: int
    n_left_out: int
    confidence: float
    status: str
    limits: Limits | None = field(default=None, repr=False, compare=False)

    def share_failed(self, years: Sequence[float]) -> pl.DataFrame:
        """The share that has failed at these ages, with its interval.

        Returns
        -------
        polars.DataFrame
            `years`, `share_failed`, `low`, `high`, between 0 and 1; null where nothing was fitted.

        Raises
        ------
        OptionError
            an age is no positive number.

        Examples
        --------
        >>> lives = pl.DataFrame({"low_years": [1.0, 2.0, 3.0, 4.0, 5.0]})
        >>> found = fit(lives.with_columns(high_years="low_years"))
        >>> found.share_failed([3.0]).select(pl.col("share_failed", "low", "high").round(2)).row(0)
        (0.53, 0.19, 0.85)
        """
        check_list("years", years, "[1.0, 5.0]")
        for age in years:
            if not 0.0 < check_number("years", age) < np.inf:
                raise OptionError("years", age, ["positive numbers"])
        rows = [
            (float(age), *((None,) * 3 if self.limits is None else self.limits.share(float(age))))
            for age in years
        ]
        return pl.DataFrame(rows, schema=SHARES, orient="row")


def fit(
    lives: FrameLike,
    *,
    distribution: Distribution | Literal["best"] = "weibull",
    quantiles: Sequence[float] = (0.01, 0.05, 0.10, 0.50),
    shape: float | None = None,
    covariates: Sequence[str] = (),
    at: Mapping[str, float] | None = None,
    confidence: float = 0.95,
) -> LifeFit:
    """A life distribution by maximum likelihood, with intervals from the likelihood ratio.

    `log t = mu + b'x + sigma e`, `e` of the smallest extreme value (Weibull) or normal
    (lognormal); exponential is the Weibull of shape 1. Failures may be known to a day or to an
    interval, lives be censored on the left or the right and seen late (Meeker and Escobar 1998,
    chapters 7, 8, 11 and 18; Lawless 2003).

    An interval holds what lowers twice the log likelihood by less than the chi-square quantile,
    times `1 + 0.75/r` for `r` failures: with few failures the ratio is larger than its limit, by
    about so much in simulated lots.

    Parameters
    ----------
    lives
        the table of `lives`, or any frame with `low_years` and `high_years` (null: censored on the
        right), and `entry_years` where lives were seen late. The unit may be another one: then all
        results are in it, and `returns`, which takes years, refuses them.
    distribution
        which, or `best` by AIC; intervals of ages and shares then hold what any of them leaves
        possible: those that take the choice for granted are too short, most so where the choice of
        an exponential rests on a few failures. Intervals of its parameters take it for granted.
        It is `no_maximum` where a distribution that is about as likely has none.
    quantiles
        shares failed, between 0 and 1, whose ages are wanted.
    shape
        a stated shape of the Weibull, or 1 over the log standard deviation of the lognormal, from
        other data: for lots with few failures or none (Nelson 1985). What is stated wrong makes
        wrong limits.
    covariates
        columns of numbers that shift the logarithm of life; rows without one are left out.
    at
        values of the covariates for quantiles and shares; None: their means.
    confidence
        of the intervals. Without failures lower limits are one-sided at this level.

    Returns
    -------
    LifeFit

    Raises
    ------
    SchemaError
        a column is missing or holds no numbers.
    OptionError
        an unknown distribution, a share or a confidence that is none, a shape that is not positive
        or not wanted, or `at` without its covariates.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> lives = pl.DataFrame(
    ...     {
    ...         "low_years": [0.0, 1.0, 2.0, 2.0, 3.0, 5.0, 5.0, 5.0],
    ...         "high_years": [1.0, 2.0, 3.0, 3.0, 4.0, None, None, None],
    ...     }
    ... )
    >>> found = fit(lives)
    >>> found.parameters.select("parameter", pl.col("value").round(2)).rows()
    [('shape', 1.2), ('scale_years', 4.85)]
    >>> found.quantiles.filter(share_failed=0.1).select(pl.exclude("share_failed").round(2)).row(0)
    (0.74, 0.02, 2.26)
    """
    options = Options.of(
        distribution, quantiles, shape=shape, covariates=covariates, at=at, confidence=confidence
    )
    rows, left_out = usable(lives, covariates)
    made = options.fitted(rows, left_out)
    if made.status == "covariates_alike":
        raise DeadbandError(
            "bad_option",
            "they say the same, or are alike in all lives",
            location="option covariates",
            advice="leave one out",
        )
    return made


@dataclass(frozen=True)
class Options:
    """Checked options of a fit.

    Examples
    --------
    >>> given = {"shape": None, "covariates": [], "at": None, "confidence": 0.95}
    >>> Options.of("weibull", [0.1], **given).shares
    [0.1]
    """

    distribution: str
    shares: list[float]
    sigma: float | None
    covariates: list[str]
    at: Mapping[str, float] | None
    confidence: float

    @classmethod
    def of(
        cls, distribution: str, quantiles: Sequence[float], *, shape: float | None,
        covariates: Sequence[str], at: Mapping[str, float] | None, confidence: float,
    ) -> Options:  # fmt: skip
        """The options, or `OptionError` that names the one that is wrong."""
        check_option("distribution", distribution, (*_DISTRIBUTIONS, "best"))
        check_share("confidence", confidence)
        check_list("quantiles", quantiles, "[0.1, 0.5]")
        shares = [check_share("quantiles", share) for share in quantiles]
        check_list("covariates", covariates, '["rated_pa"]')
        check_free("covariates", list(covariates), (), "columns of numbers, such as rated_pa")
        sigma = log_sigma(shape, distribution)
        return cls(distribution, shares, sigma, list(covariates), at, confidence)

    def centred(self, parts: Sequence[pl.DataFrame]) -> Options:
        """The same with the means of the covariates over all parts where no values were given."""
        if not self.covariates or self.at is not None or not parts:
            return self
        nowhere = dict.fromkeys(self.covariates, 0.0)
        design, _, names = design_of(pl.concat(parts), self.covariates, nowhere)
        known = design[~np.isnan(design).any(axis=1), 1:]
        means = known.mean(axis=0).tolist() if known.size else [0.0] * len(names)
        return replace(self, at=dict(zip(names, means, strict=True)))

    def fitted(self, rows: pl.DataFrame, left_out: int) -> LifeFit:
        """What these lives, all usable, tell."""
        design, known, names = design_of(rows, self.covariates, self.at)
        left_out += rows.height - known.height
        design = design[~np.isnan(design).any(axis=1)]
        seen = arrays(known)
        tried = [
            try_one(name, seen, design, self.sigma, self.confidence)
            for name in (_DISTRIBUTIONS if self.distribution == "best" else (self.distribution,))
        ]
        chosen = best_of(tried)
        return LifeFit(
            chosen.distribution,
            chosen.parameters(names),
            chosen.quantiles(self.shares),
            comparison(tried),
            positions(known),
            chosen.log_likelihood,
            chosen.aic,
            seen.n,
            seen.n_failed,
            left_out,
            self.confidence,
            chosen.status,
            chosen.limits,
        )
