"""The share of switches that survives, without assuming a distribution."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._errors import OptionError, check_list, check_number, check_share
from .._frames import FrameLike
from ..methods._results import need_studies
from ._observed import Observed, arrays, check_by, grouped, together
from .kaplan_meier import kaplan_meier
from .turnbull import limited, turnbull

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_TYPES: Final = {
    "years": pl.Float64, "at_risk": pl.Int64, "n_failed": pl.Int64, "survival": pl.Float64,
    "low": pl.Float64, "high": pl.Float64, "estimator": pl.String, "status": pl.String,
}  # fmt: skip


def survival(
    lives: FrameLike,
    *,
    by: str | Sequence[str] | None = None,
    at_years: Sequence[float] | None = None,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """The share that survives, for all lives or each group.

    Where every failure is dated to a day: Kaplan and Meier (1958), with the mid-p beta product
    limits of Fay, Brittain and Proschan (2013). Where any is known to an interval only: the
    nonparametric maximum likelihood estimate of Turnbull (1976), with limits from the likelihood
    ratio, which where few have failed are drawn to the mid-p limits of a share. Both allow for
    lives that were seen late.

    Parameters
    ----------
    lives
        the table of `lives`, or any frame with `low_years`, `high_years` (null: censored on the
        right) and, where lives were seen late, `entry_years`.
    by
        a column of groups, such as `lot`, or a list of them, such as `["model", "lot"]`; rows
        without a name in any are left out. None: all lives are one group.
    at_years
        ages that are asked for; None: those at which the estimate changes, and the last one seen;
        of intervals their ends, limits at up to 20 of them.
    confidence
        of the limits at one age; they are no band for all ages together.

    Returns
    -------
    polars.DataFrame
        Columns of `by`, `years`, `at_risk` (lives still seen right before), `n_failed` (failures up
        to then that ended by then), `survival`, `low`, `high`, `estimator` (`kaplan_meier` |
        `turnbull`), `status`: `ok`; `not_seen` (no life was seen that long: no estimate, and what
        limits there are); `not_told` (the age lies where the data do not tell when within an
        interval the failures were: they are spread evenly, and the limits hold either extreme);
        `no_lives` (a group without usable rows, one row).

    Raises
    ------
    SchemaError
        a column is missing or holds no numbers.
    OptionError
        `confidence` is no share, an age is no positive number, or `by` a column of the result.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> lives = pl.DataFrame({"low_years": [1.0, 2.0, 3.0], "high_years": [1.0, None, 3.0]})
    >>> found = survival(lives)
    >>> found.select("years", pl.col("survival", "low", "high").round(3)).rows()
    [(1.0, 0.667, 0.132, 0.983), (3.0, 0.0, 0.0, 0.817)]
    """
    check_share("confidence", confidence)
    need_studies("life.survival")
    ages = ages_of(at_years)
    named = check_by(by, _TYPES)
    parts = []
    for group in grouped(lives, named):
        seen = arrays(group.rows)
        parts.append((group, _one(seen, ages, confidence) if seen.n else _empty()))
    return together(parts, _TYPES, named)


def ages_of(at_years: Sequence[float] | None) -> Floats | None:
    """The ages that are asked for, or `OptionError`.

    Examples
    --------
    >>> ages_of([1, 2.5])
    array([1. , 2.5])
    """
    if at_years is None:
        return None
    check_list("at_years", at_years, "[1.0, 5.0]")
    ages = [check_number("at_years", age) for age in at_years]
    for age in ages:
        if not 0.0 < age < np.inf:
            raise OptionError("at_years", age, ["positive numbers"])
    return np.array(ages)


def _empty() -> pl.DataFrame:
    none: dict[str, Any] = dict.fromkeys(_TYPES)
    return pl.DataFrame([none | {"status": "no_lives"}], schema=_TYPES, orient="row")


def _one(seen: Observed, at: Floats | None, confidence: float) -> pl.DataFrame:
    if not seen.between:
        years, share, low, high = kaplan_meier(seen, at, confidence)
        status = np.where(np.isnan(share), "not_seen", "ok")
        name = "kaplan_meier"
    else:
        years, share, low, high, status = _between(seen, at, confidence)
        name = "turnbull"
    before = (seen.entry[:, None] < years) & (
        np.where(seen.exact, seen.high, seen.low)[:, None] >= years
    )
    return pl.DataFrame(
        {
            "years": years,
            "at_risk": before.sum(axis=0),
            "n_failed": (seen.high[:, None] <= years).sum(axis=0),
            "survival": share,
            "low": low,
            "high": high,
            "estimator": [name] * years.size,
            "status": status.tolist(),
        },
        schema_overrides=_TYPES,
    ).with_columns(pl.col("survival", "low", "high").fill_nan(None))


def _between(
    seen: Observed, at: Floats | None, confidence: float
) -> tuple[Floats, Floats, Floats, Floats, Any]:
    found = turnbull(seen)
    last = float(np.max(np.where(np.isfinite(seen.high), seen.high, seen.low)))
    ends = found.end[np.isfinite(found.end)]
    years = np.unique(np.append(ends, last)) if at is None else at
    share, least, most = found.survival(years)
    low, high = np.full(years.size, np.nan), np.full(years.size, np.nan)
    for i in np.flatnonzero(limited(years) if at is None else np.ones(years.size, dtype=bool)):
        low[i], high[i] = found.limits(float(years[i]), confidence)
    beyond = (years > last) & (share > 0.0)
    open_ = (most - least > 1e-9) & ~beyond
    status = np.where(beyond, "not_seen", np.where(open_, "not_told", "ok"))
    return years, np.where(beyond, np.nan, share), np.where(beyond, 0.0, low), high, status
