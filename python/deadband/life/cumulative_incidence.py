"""The share that has failed of each cause, where one failure forestalls the others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._errors import OptionError, check_share
from .._frames import FrameLike
from ..methods._results import need_studies
from ._mid_p import of_count
from ._observed import Observed, arrays, check_by, groups, usable
from .kaplan_meier import Counts, counts
from .nonparametric import ages_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_TYPES: Final = {
    "cause": pl.String, "years": pl.Float64, "at_risk": pl.Int64, "n_failed": pl.Int64,
    "share_failed": pl.Float64, "low": pl.Float64, "high": pl.Float64, "dated": pl.String,
    "status": pl.String,
}  # fmt: skip


def cumulative_incidence(
    lives: FrameLike,
    *,
    cause: str = "cause",
    by: str | None = None,
    at_years: Sequence[float] | None = None,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """The share of all lives that has failed of each cause by an age.

    `F_k = sum(S(t-) d_k / r)` (Aalen and Johansen 1978). A cause is no censoring: what failed of
    another cannot fail of this one any more, and the shares of all causes add up to one minus the
    share that survives. Limits: mid-p limits of a count with the standard error of `F_k`, so that
    they tell something of a cause not yet seen.

    Parameters
    ----------
    lives
        the table of `lives`, or any frame like it with a column of causes. A failure known to an
        interval is placed in its middle, and `dated` says so.
    cause
        the column of causes; a failure without one is `not_stated`.
    by
        a column of groups; None: all lives are one group.
    at_years
        ages that are asked for; None: those at which any life failed.
    confidence
        of the limits at one age.

    Returns
    -------
    polars.DataFrame
        `by`, `cause`, `years`, `at_risk` (right before), `n_failed` of the cause up to then,
        `share_failed`, `low`, `high`, `dated` (`days` | `midpoints`), `status`: `ok`, or `not_seen`
        (no life was seen that long). Sorted by group, cause and age; every cause of the table
        stands in every group. Without any failure there are no rows.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    OptionError
        `confidence` is no share, or an age is no positive number.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> lives = pl.DataFrame(
    ...     {
    ...         "low_years": [1.0, 2.0, 3.0, 4.0],
    ...         "high_years": [1.0, 2.0, None, 4.0],
    ...         "cause": ["stuck", "drifted", None, "drifted"],
    ...     }
    ... )
    >>> found = cumulative_incidence(lives, at_years=[2.5])
    >>> found.select("cause", pl.col("share_failed", "low", "high").round(2)).rows()
    [('drifted', 0.25, 0.01, 0.76), ('stuck', 0.25, 0.01, 0.76)]
    """
    check_share("confidence", confidence)
    need_studies("life.cumulative_incidence")
    ages = ages_of(at_years)
    if not isinstance(cause, str):
        raise OptionError("cause", cause, ["the name of a column of causes"])
    rows, _ = usable(lives, [cause, *(one for one in check_by(by) if one != cause)])
    why = pl.col(cause).cast(pl.String).fill_null("not_stated")
    rows = rows.with_columns(_why=pl.when(pl.col("high_years").is_finite()).then(why))
    causes = rows["_why"].drop_nulls().unique().sort().to_list()
    parts = []
    for name, part in groups(rows, by):
        made = _one(arrays(part), part["_why"].to_numpy(), causes, ages, confidence)
        parts.append(made if by is None else made.select(pl.lit(name).alias(by), pl.all()))
    if not parts:
        none = pl.DataFrame(schema=_TYPES)
        return none if by is None else none.select(pl.lit(None, pl.String).alias(by), pl.all())
    return pl.concat(parts)


def _one(
    seen: Observed, why: Any, causes: list[str], at: Floats | None, confidence: float
) -> pl.DataFrame:
    table = counts(seen)
    if not table.years.size and at is None:
        return pl.DataFrame(schema=_TYPES)
    last = float(table.end[-1])
    ages = table.years if at is None else at
    done = bool(np.prod(1.0 - table.failed / table.at_risk) <= 0.0)
    dated = "midpoints" if seen.between else "days"
    parts = []
    for cause in causes:
        mine = why == cause
        years, counted = np.unique(seen.middle[mine], return_counts=True)
        of_it = np.zeros(table.years.size)
        of_it[np.searchsorted(table.years, years)] = counted
        share, low, high = incidence(table, of_it, ages, confidence)
        # All failed: nothing more can happen to any of them.
        beyond = (ages > last) & (not done)
        gone = np.searchsorted(table.years, ages, side="right")
        parts.append(
            pl.DataFrame(
                {
                    "cause": [cause] * ages.size,
                    "years": ages,
                    "at_risk": ((seen.entry[:, None] < ages) & (seen.middle[:, None] >= ages)).sum(
                        axis=0
                    ),
                    "n_failed": np.concatenate([[0.0], np.cumsum(of_it)])[gone].astype(int),
                    "share_failed": np.where(beyond, np.nan, share),
                    "low": low,
                    "high": np.where(beyond, 1.0, high),
                    "dated": [dated] * ages.size,
                    "status": np.where(beyond, "not_seen", "ok").tolist(),
                },
                schema_overrides=_TYPES,
            ).with_columns(pl.col("share_failed").fill_nan(None))
        )
    return pl.concat(parts) if parts else pl.DataFrame(schema=_TYPES)


def incidence(
    table: Counts, of_it: Floats, ages: Floats, confidence: float
) -> tuple[Floats, Floats, Floats]:
    """The share that failed of one cause by each age, and its limits.

    Examples
    --------
    >>> seen = Observed(np.zeros(2), np.array([1.0, 2.0]), np.array([1.0, 2.0]))
    >>> share, _, _ = incidence(counts(seen), np.array([1.0, 0.0]), np.array([1.5]), 0.95)
    >>> share.tolist()
    [0.5]
    """
    r, d = table.at_risk, table.failed
    lived = np.concatenate([[1.0], np.cumprod(1.0 - d / r)])[:-1]
    upto = np.cumsum(lived * of_it / r)
    place = np.searchsorted(table.years, ages, side="right")
    share = np.concatenate([[0.0], upto])[place]
    variance = np.zeros(ages.size)
    for i, k in enumerate(place):
        ahead = share[i] - upto[:k]
        any_, own = d[:k], of_it[:k]
        left = np.maximum(r[:k] - any_, 1.0)
        variance[i] = (
            (ahead**2 * any_ / (r[:k] * left)).sum()
            + (lived[:k] ** 2 * (r[:k] - own) * own / r[:k] ** 3).sum()
            - 2.0 * (ahead * lived[:k] * own / r[:k] ** 2).sum()
        )
    others = np.concatenate([[0.0], np.cumsum(d - of_it)])[place]
    unseen = np.maximum(table.after(ages) + others, 0.0)
    with np.errstate(all="ignore"):
        size = share * (1.0 - share) / variance
    most = float(table.begin.size)
    n = np.where((share > 0.0) & (variance > 0.0), np.minimum(size, most), unseen)
    n = np.where(share >= 1.0 - 1e-12, most, n)
    low, high = of_count(share * n, n, confidence)
    return share, np.minimum(low, share), np.maximum(high, share)
