"""The distributions that a fit tries on one set of lives, and what each makes of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._errors import OptionError, check_number
from ..methods._results import need_studies
from ._likelihood import Family, Likelihood
from ._limits import Limits
from ._observed import Observed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Failures without which a spread of lives is not estimated.
_LEAST: Final = 3
PARAMETERS: Final = pl.Schema(
    {"parameter": pl.String, "value": pl.Float64, "u": pl.Float64, "low": pl.Float64,
     "high": pl.Float64},
)  # fmt: skip
QUANTILES: Final = pl.Schema(
    {"share_failed": pl.Float64, "years": pl.Float64, "low_years": pl.Float64,
     "high_years": pl.Float64},
)  # fmt: skip


@dataclass(frozen=True)
class Tried:
    """A distribution on these lives; nothing but a status where it was not fitted.

    Without a maximum `supremum` is what the log likelihood comes near to.

    Examples
    --------
    >>> Tried("weibull", None, None, None, "no_lives").quantiles([0.1]).row(0)
    (0.1, None, None, None)
    """

    distribution: str
    limits: Limits | None
    log_likelihood: float | None
    aic: float | None
    status: str
    supremum: float | None = None

    def below(self, level: float) -> bool:
        """Whether its likelihood is known to be lower, without a maximum too."""
        return self.supremum is not None and -np.inf < self.supremum < level

    def parameters(self, names: list[str]) -> pl.DataFrame:
        """The table of parameters, with those of the covariates of these names."""
        rows = [] if self.limits is None else self.limits.parameters(self.distribution, names)
        return pl.DataFrame(rows, schema=PARAMETERS, orient="row")

    def quantiles(self, shares: list[float]) -> pl.DataFrame:
        """The table of ages at which these shares have failed."""
        rows = [
            (share, *((None,) * 3 if self.limits is None else self.limits.quantile(share)))
            for share in shares
        ]
        return pl.DataFrame(rows, schema=QUANTILES, orient="row")


def try_one(
    name: str, seen: Observed, design: Floats, stated: float | None, confidence: float
) -> Tried:
    """One distribution by maximum likelihood; `stated` is log sigma where it is given.

    Examples
    --------
    >>> seen = Observed(np.zeros(2), np.array([1.0, 2.0]), np.array([1.0, 2.0]))
    >>> try_one("weibull", seen, np.ones((2, 1)), None, 0.95).status
    'too_few_failures'
    """
    need_studies("life.fit")
    if seen.n == 0:
        return Tried(name, None, None, None, "no_lives")
    fixed = 0.0 if name == "exponential" else stated
    if seen.n_failed < _LEAST and stated is None:
        return Tried(name, None, None, None, "too_few_failures")
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return Tried(name, None, None, None, "covariates_alike")
    family: Family = "lognormal" if name == "lognormal" else "weibull"
    model = Likelihood(family, seen, design, fixed)
    if seen.n_failed == 0:
        return Tried(name, Limits.without_failures(model, confidence), None, None, "no_failures")
    found = Limits(model, *model.maximum(), confidence)
    if not found.top:
        return Tried(name, None, None, None, "no_maximum", found.value)
    estimated = design.shape[1] + (fixed is None)
    aic = 2.0 * estimated - 2.0 * found.value
    status = "ok" if stated is None else "stated_shape"
    return Tried(name, found, found.value, aic, status)


def best_of(tried: Sequence[Tried]) -> Tried:
    """The one of the lowest AIC, with intervals that hold what any of them leaves possible.

    One without a maximum that the likelihood does not rule out leaves possible what nothing tells:
    then there is no best one.

    Examples
    --------
    >>> days = np.array([1.0, 2.0, 4.0, 5.0])
    >>> seen = Observed(np.zeros(4), days, days)
    >>> names = ["weibull", "lognormal"]
    >>> best_of([try_one(name, seen, np.ones((4, 1)), None, 0.95) for name in names]).distribution
    'weibull'
    """
    chosen = min(tried, key=lambda one: np.inf if one.aic is None else one.aic)
    if chosen.limits is not None and chosen.log_likelihood is not None:
        level = chosen.log_likelihood - 0.5 * chosen.limits.allowed
        for one in tried:
            if one.status == "no_maximum" and not one.below(level):
                return one
    others = [one.limits for one in tried if one is not chosen and one.limits is not None]
    if chosen.limits is None or not others:
        return chosen
    return replace(chosen, limits=chosen.limits.beside(others))


def comparison(tried: Sequence[Tried]) -> pl.DataFrame:
    """The table of all that were tried, the lowest AIC first.

    Examples
    --------
    >>> comparison([Tried("weibull", None, None, None, "no_lives")]).columns
    ['distribution', 'log_likelihood', 'aic', 'difference']
    """
    rows: list[Any] = [(one.distribution, one.log_likelihood, one.aic) for one in tried]
    schema = {"distribution": pl.String, "log_likelihood": pl.Float64, "aic": pl.Float64}
    return (
        pl.DataFrame(rows, schema=schema, orient="row")
        .with_columns(difference=pl.col("aic") - pl.col("aic").min())
        .sort("aic", nulls_last=True, maintain_order=True)
    )


def log_sigma(shape: float | None, distribution: str) -> float | None:
    """Log sigma for a stated shape, or `OptionError`.

    Examples
    --------
    >>> log_sigma(1.0, "weibull")
    -0.0
    """
    if shape is None:
        return None
    if distribution in {"exponential", "best"}:
        raise OptionError("shape", shape, ["None, unless distribution is weibull or lognormal"])
    number = check_number("shape", shape)
    if not 0.0 < number < np.inf:
        raise OptionError("shape", shape, ["a positive number"])
    return -float(np.log(number))


def design_of(
    rows: pl.DataFrame, covariates: Sequence[str], at: Any
) -> tuple[Floats, pl.DataFrame, list[str]]:
    """A one and the covariates, centred where results are wanted; NaN where one is missing.

    Examples
    --------
    >>> design, _, _ = design_of(pl.DataFrame({"x": [1.0, 3.0]}), ["x"], None)
    >>> design.tolist()
    [[1.0, -1.0], [1.0, 1.0]]
    """
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
            if not np.isfinite(centre):
                raise OptionError("at", centre, ["a number for each covariate"])
        design[:, j] -= centre
    return design, rows.filter(pl.Series(known, dtype=pl.Boolean)), list(covariates)
