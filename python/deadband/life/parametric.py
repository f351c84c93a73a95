"""Weibull, lognormal and exponential lives, from censored and truncated data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal

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
from ..methods._results import need_studies
from ._likelihood import Family, Likelihood
from ._limits import Limits
from ._observed import Observed, arrays, usable
from ._positions import positions

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

Distribution = Literal["weibull", "lognormal", "exponential"]

_DISTRIBUTIONS: Final = ("weibull", "lognormal", "exponential")
#: Failures without which a spread of lives is not estimated.
_LEAST: Final = 3
_PARAMETERS: Final = pl.Schema(
    {"parameter": pl.String, "value": pl.Float64, "u": pl.Float64, "low": pl.Float64,
     "high": pl.Float64},
)  # fmt: skip
_QUANTILES: Final = pl.Schema(
    {"share_failed": pl.Float64, "years": pl.Float64, "low_years": pl.Float64,
     "high_years": pl.Float64},
)  # fmt: skip
_SHARES: Final = pl.Schema(
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
        stated); `no_maximum` (the data fit ever steeper, flatter or shorter lives); `no_lives`.

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
        return pl.DataFrame(rows, schema=_SHARES, orient="row")


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
        results are in it.
    distribution
        which, or `best` by AIC; intervals then take the choice for granted.
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
    check_option("distribution", distribution, (*_DISTRIBUTIONS, "best"))
    check_share("confidence", confidence)
    check_list("quantiles", quantiles, "[0.1, 0.5]")
    shares = [check_share("quantiles", share) for share in quantiles]
    check_list("covariates", covariates, '["rated_pa"]')
    sigma = _log_sigma(shape, distribution)
    rows, left_out = usable(lives, covariates)
    design, rows, names = _design(rows, covariates, at)
    left_out += design.shape[0] - rows.height
    design = design[~np.isnan(design).any(axis=1)]
    seen = arrays(rows)
    tried = [
        _one(name, seen, design, sigma, confidence)
        for name in (_DISTRIBUTIONS if distribution == "best" else (distribution,))
    ]
    chosen = min(tried, key=lambda one: np.inf if one.aic is None else one.aic)
    return LifeFit(
        chosen.distribution,
        chosen.parameters(names),
        chosen.quantiles(shares),
        _comparison(tried),
        positions(rows),
        chosen.log_likelihood,
        chosen.aic,
        seen.n,
        seen.n_failed,
        left_out,
        confidence,
        chosen.status,
        chosen.limits,
    )


def _log_sigma(shape: float | None, distribution: str) -> float | None:
    if shape is None:
        return None
    if distribution in {"exponential", "best"}:
        raise OptionError("shape", shape, ["None, unless distribution is weibull or lognormal"])
    number = check_number("shape", shape)
    if not 0.0 < number < np.inf:
        raise OptionError("shape", shape, ["a positive number"])
    return -float(np.log(number))


def _design(
    rows: pl.DataFrame, covariates: Sequence[str], at: Any
) -> tuple[Floats, pl.DataFrame, list[str]]:
    """A one and the covariates, centred where results are wanted; NaN where one is missing."""
    if at is not None and not (isinstance(at, Mapping) and set(at) == set(covariates)):
        raise OptionError("at", at, [f"a value for each of {', '.join(covariates)}"])
    columns = [np.ones(rows.height)]
    for name in covariates:
        kind = rows[name].dtype
        if not (kind.is_numeric() or kind in {pl.Boolean, pl.Null}):
            raise OptionError("covariates", name, ["columns of numbers"])
        columns.append(rows[name].cast(pl.Float64).to_numpy().astype(float))
    design = np.column_stack(columns)
    known = np.isfinite(design).all(axis=1)
    design[~known] = np.nan
    for j, name in enumerate(covariates, start=1):
        told = design[known, j]
        centre = float(told.mean()) if told.size else 0.0
        if at is not None:
            centre = check_number("at", at[name])
        design[:, j] -= centre
    return design, rows.filter(pl.Series(known, dtype=pl.Boolean)), list(covariates)


@dataclass(frozen=True)
class _Tried:
    distribution: str
    limits: Limits | None
    log_likelihood: float | None
    aic: float | None
    status: str

    def parameters(self, names: list[str]) -> pl.DataFrame:
        rows = [] if self.limits is None else self.limits.parameters(self.distribution, names)
        return pl.DataFrame(rows, schema=_PARAMETERS, orient="row")

    def quantiles(self, shares: list[float]) -> pl.DataFrame:
        rows = [
            (share, *((None,) * 3 if self.limits is None else self.limits.quantile(share)))
            for share in shares
        ]
        return pl.DataFrame(rows, schema=_QUANTILES, orient="row")


def _one(
    name: str, seen: Observed, design: Floats, stated: float | None, confidence: float
) -> _Tried:
    need_studies("life.fit")
    if seen.n == 0:
        return _Tried(name, None, None, None, "no_lives")
    fixed = 0.0 if name == "exponential" else stated
    if seen.n_failed < _LEAST and stated is None:
        return _Tried(name, None, None, None, "too_few_failures")
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise DeadbandError(
            "bad_option",
            "they say the same, or are alike in all lives",
            location="option covariates",
            advice="leave one out",
        )
    family: Family = "lognormal" if name == "lognormal" else "weibull"
    model = Likelihood(family, seen, design, fixed)
    if seen.n_failed == 0:
        return _Tried(name, Limits.without_failures(model, confidence), None, None, "no_failures")
    found = Limits(model, *model.maximum(), confidence)
    if not found.top:
        return _Tried(name, None, None, None, "no_maximum")
    estimated = design.shape[1] + (fixed is None)
    aic = 2.0 * estimated - 2.0 * found.value
    status = "ok" if stated is None else "stated_shape"
    return _Tried(name, found, found.value, aic, status)


def _comparison(tried: list[_Tried]) -> pl.DataFrame:
    rows: list[Any] = [(one.distribution, one.log_likelihood, one.aic) for one in tried]
    schema = {"distribution": pl.String, "log_likelihood": pl.Float64, "aic": pl.Float64}
    return (
        pl.DataFrame(rows, schema=schema, orient="row")
        .with_columns(difference=pl.col("aic") - pl.col("aic").min())
        .sort("aic", nulls_last=True, maintain_order=True)
    )
