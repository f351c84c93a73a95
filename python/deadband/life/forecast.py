"""How many of the switches in service will fail over the next months."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl

from .._errors import OptionError, check_count
from .._frames import FrameLike
from ..methods._results import need_studies
from ._likelihood import Family, log_survival
from ._limits import Limits
from ._observed import with_numbers
from .parametric import LifeFit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Lives times draws that are held at once.
_AT_ONCE: Final = 2_000_000
#: Years that no switch has lived: ages beyond them are of another unit.
_OLDEST: Final = 200.0
_TYPES: Final = pl.Schema(
    {"months": pl.Int32, "expected": pl.Float64, "low": pl.Int64, "high": pl.Int64,
     "n_in_service": pl.Int64, "status": pl.String},
)  # fmt: skip


def returns(
    fit: LifeFit,
    lives: FrameLike,
    *,
    months: int = 12,
    draws: int = 2000,
    seed: int = 0,
) -> pl.DataFrame:
    """Failures to come among the switches in service, month by month, with a prediction interval.

    A switch last seen sound at age `a` that is `b` today has failed by `b + m` with the probability
    `1 - S(b + m) / S(a)`. The number of failures is a sum of such chances, each its own
    (Poisson-binomial); the distribution of lives is not known but drawn from what the likelihood
    leaves possible, flat in its logarithms, and both together are the prediction (Hong, Meeker and
    McCalley 2009; Escobar and Meeker 1999). It has the confidence of `fit`. After a fit of `best`
    each distribution that the failures do not rule out is drawn from by its Akaike weight,
    `exp(-AIC / 2)`.

    Where tests find the failures some have happened unseen: that is the row of month 0.

    Parameters
    ----------
    fit
        the distribution, from `fit`, without covariates, of lives in years.
    lives
        the table of `lives`: switches with `age_years` are in service. Ages are years and nothing
        else, as the months to come are twelfths of them.
    months
        how far ahead.
    draws
        of the distribution.
    seed
        of the draws; the same seed gives the same rows.

    Returns
    -------
    polars.DataFrame
        A row a month from 0 on, counted from today: `months`, `expected` failures by then, `low`
        and `high` of their number, `n_in_service`, `status`: that of `fit`, or `none_in_service`.
        After a fit of status `no_failures` there is only `high`, a limit at the confidence of the
        life, of failures in as unlucky a year. After other failures of the fit all is null.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    OptionError
        `fit` has covariates, a number is out of range, or an age is more than 200 years: `fit`
        takes any unit, this does not.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> from deadband import life
    >>> ages = pl.DataFrame(
    ...     {
    ...         "low_years": [1.0, 2.0, 3.0, 4.0] + [4.0] * 20,
    ...         "high_years": [1.0, 2.0, 3.0, 4.0] + [None] * 20,
    ...         "age_years": [None] * 4 + [4.0] * 20,
    ...     }
    ... )
    >>> ahead = returns(life.fit(ages), ages, months=12)
    >>> ahead.filter(months=12).select(pl.col("expected").round(1), "low", "high").row(0)
    (1.4, 0, 5)
    """
    check_count("months", months, 1)
    check_count("draws", draws, 100)
    check_count("seed", seed, 0)
    if not isinstance(fit, LifeFit):
        raise OptionError("fit", type(fit).__name__, ["what life.fit found"])
    if fit.limits is not None and fit.limits.theta.size > 2:
        raise OptionError("fit", "one with covariates", ["a fit without covariates"])
    sound, age = _in_service(lives)
    if fit.limits is not None:
        seen = fit.limits.model.seen
        _check_years("fit", np.where(np.isfinite(seen.high), seen.high, seen.low))
    _check_years("lives", age)
    status = fit.status if age.size else "none_in_service"
    if fit.limits is None or not age.size:
        return _table(months, None, age.size, status)
    rng = np.random.default_rng([seed, 1])
    found = [
        _failures(family, theta, (sound, age), months, rng)
        for family, theta in _distributions(fit.limits, draws, seed)
    ]
    counts = np.concatenate([drawn for drawn, _ in found])
    expected = np.sum([drawn.shape[0] * mean for drawn, mean in found], axis=0) / counts.shape[0]
    risk = 1.0 - fit.confidence
    if fit.limits.one_sided:
        high = np.quantile(counts, 1.0 - risk, axis=0, method="inverted_cdf")
        return _table(months, (None, None, high), age.size, status)
    ends = np.quantile(counts, [risk / 2.0, 1.0 - risk / 2.0], axis=0, method="inverted_cdf")
    return _table(months, (expected, ends[0], ends[1]), age.size, status)


def _check_years(option: str, ages: Floats) -> None:
    oldest = float(ages.max(initial=0.0))
    if oldest > _OLDEST:
        raise OptionError(option, f"an age of {oldest:.6g} years", ["ages in years"])


def _in_service(lives: FrameLike) -> tuple[Floats, Floats]:
    """Ages at which those in service were last seen sound, and today."""
    years = ("low_years", "high_years", "age_years")
    table = with_numbers(lives, years, years)
    found = table.collect_schema()
    status = pl.col("status").fill_null("ok") if "status" in found else pl.lit("ok")
    low, age = pl.col("low_years").cast(pl.Float64), pl.col("age_years").cast(pl.Float64)
    high = pl.col("high_years").cast(pl.Float64).fill_null(float("inf"))
    # One that no test has told about has been in service all the same.
    rows = (
        table.filter(age.is_finite() & (age >= 0.0), high.is_infinite())
        .filter(status.is_in(["ok", "no_tests"]))
        .select(age=age, low=pl.min_horizontal(low.fill_null(0.0).clip(0.0), age))
        .collect()
    )
    return rows["low"].to_numpy(), rows["age"].to_numpy()


def _distributions(limits: Limits, draws: int, seed: int) -> list[tuple[Family, Floats]]:
    """Draws of `theta`, of each distribution that is possible as many as its weight says."""
    if limits.one_sided:
        return [(limits.model.family, np.repeat(limits.theta[None], draws, axis=0))]
    rng = np.random.default_rng(seed)
    upto = np.rint(draws * np.cumsum(limits.weights)).astype(int)
    parts = zip((limits, *limits.others), np.diff(upto, prepend=0).tolist(), strict=True)
    return [(one.model.family, plausible(one, n, rng)) for one, n in parts if n]


def plausible(limits: Limits, draws: int, rng: np.random.Generator) -> Floats:
    """Draws of `theta` in proportion to the likelihood.

    From a wide Student's t about the estimate, drawn again with the weight that the likelihood
    gives them (importance resampling).

    Examples
    --------
    >>> from ._likelihood import Likelihood
    >>> from ._observed import Observed
    >>> days = np.array([1.0, 2.0, 3.0, 4.0])
    >>> model = Likelihood("weibull", Observed(np.zeros(4), days, days), np.ones((4, 1)))
    >>> drawn = plausible(Limits(model, *model.maximum(), 0.95), 500, np.random.default_rng(1))
    >>> drawn.shape
    (500, 2)
    """
    stats = need_studies("life.returns").stats
    free = limits.theta.size - (limits.model.fixed is not None)
    centre, scale = limits.theta[:free], limits.covariance[:free, :free]
    wide = stats.multivariate_t(centre, 1.5 * scale, df=4)
    tried = np.atleast_2d(wide.rvs(2 * draws, random_state=rng).reshape(2 * draws, free))
    whole = np.repeat(limits.theta[None], 2 * draws, axis=0)
    whole[:, :free] = tried
    value = limits.model.values(whole) - limits.value
    weight = np.where(np.isfinite(value), value, -np.inf) - np.atleast_1d(wide.logpdf(tried))
    share = np.exp(weight - weight.max())
    # Evenly spaced through the weights: fewer doubles than by independent draws.
    pointer = (rng.random() + np.arange(draws)) / draws
    chosen = np.searchsorted(np.cumsum(share / share.sum()), pointer).clip(max=2 * draws - 1)
    made: Floats = whole[chosen]
    return made


def _failures(
    family: Family, theta: Floats, ages: tuple[Floats, Floats], months: int,
    rng: np.random.Generator,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Drawn numbers of failures by each month, a row a draw, and their expectation."""
    # Lives of one age have one chance, and it is their chances that take time.
    (sound, age), which, alike = np.unique(
        np.stack(ages), axis=1, return_inverse=True, return_counts=True
    )
    which = which.ravel()
    ahead = np.arange(months + 1) / 12.0
    counts = np.zeros((theta.shape[0], months + 1))
    expected = np.zeros(months + 1)
    step = max(1, _AT_ONCE // which.size)
    for first in range(0, theta.shape[0], step):
        part = theta[first : first + step]
        mu, sigma = part[:, :1], np.exp(part[:, 1:])
        lived = _log_lived(family, sound, mu, sigma)
        chance = rng.random((part.shape[0], which.size))
        for m, years in enumerate(ahead):
            failed = -np.expm1(_log_lived(family, age + years, mu, sigma) - lived)
            counts[first : first + step, m] = (chance < failed.take(which, axis=1)).sum(axis=1)
            expected[m] += (failed @ alike).sum()
    return counts, expected / theta.shape[0]


def _log_lived(family: Family, years: Floats, mu: Floats, sigma: Floats) -> Floats:
    begun = years > 0.0
    z = (np.log(np.where(begun, years, 1.0)) - mu) / sigma
    made: Floats = np.where(begun, log_survival(family, z), 0.0)
    return made


def _table(
    months: int, found: tuple[Floats | None, ...] | None, n: int, status: str
) -> pl.DataFrame:
    names = ("expected", "low", "high")
    given = dict(zip(names, (None, None, None) if found is None else found, strict=True))
    return pl.DataFrame({"months": np.arange(months + 1)}).select(
        pl.col("months").cast(pl.Int32),
        *(
            pl.lit(None, _TYPES[name]).alias(name)
            if given[name] is None
            else pl.Series(name, given[name]).cast(_TYPES[name])
            for name in names
        ),
        n_in_service=pl.lit(n, pl.Int64),
        status=pl.lit(status),
    )
