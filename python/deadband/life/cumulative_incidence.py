"""The share that has failed of each cause, where one failure forestalls the others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._errors import OptionError, check_share
from .._frames import FrameLike
from ..methods._results import need_studies
from ._mid_p import beta_of, mid_p
from ._observed import Observed, arrays, check_by, check_free, grouped, together
from .kaplan_meier import Counts, counts, places
from .nonparametric import ages_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Ages within an interval among which a failure is spread.
_PARTS: Final = 16
_TYPES: Final = {
    "cause": pl.String, "years": pl.Float64, "at_risk": pl.Int64, "n_failed": pl.Int64,
    "share_failed": pl.Float64, "low": pl.Float64, "high": pl.Float64, "dated": pl.String,
    "status": pl.String,
}  # fmt: skip


def cumulative_incidence(
    lives: FrameLike,
    *,
    cause: str = "cause",
    by: str | Sequence[str] | None = None,
    at_years: Sequence[float] | None = None,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """The share of all lives that has failed of each cause by an age.

    `F_k = sum(S(t-) d_k / r)` (Aalen and Johansen 1978). A cause is no censoring: what failed of
    another cannot fail of this one any more, and the shares of all causes add up to one minus the
    share that survives. Limits: the mid-p beta product limits of `survival` (Fay, Brittain and
    Proschan 2013), for a cause; they tell something of one not yet seen, and are the mid-p limits
    of a share where nothing is censored.

    Parameters
    ----------
    lives
        the table of `lives`, or any frame like it with a column of causes. A failure known to an
        interval is spread evenly over it, and `dated` says so.
    cause
        the column of causes; a failure without one is `not_stated`.
    by
        a column of groups, or a list of them; rows without a name in any are left out. None: all
        lives are one group.
    at_years
        ages that are asked for; None: those at which any life failed, or by which it had.
    confidence
        of the limits at one age.

    Returns
    -------
    polars.DataFrame
        Columns of `by`, `cause`, `years`, `at_risk` (still seen right before), `n_failed` of the
        cause that ended by then, `share_failed`, `low`, `high`, `dated` (`days` | `spread`),
        `status`: `ok`, or `not_seen` (no life was seen that long). Sorted by group, cause and age;
        every cause of the table stands in every group. Without any failure there are no rows.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    OptionError
        `confidence` is no share, an age is no positive number, or `by` a column of the result.
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
    check_free("cause", [cause], (), "the name of a column of causes")
    named = check_by(by, [*_TYPES, cause])
    groups = grouped(lives, named, [cause])
    told = pl.col(cause).cast(pl.String).fill_null("not_stated")
    why = [
        group.rows.select(pl.when(pl.col("high_years").is_finite()).then(told)).to_series()
        for group in groups
    ]
    causes = sorted({one for part in why for one in part.drop_nulls()})
    parts = [
        (group, _one(arrays(group.rows), mine.to_numpy(), causes, ages, confidence))
        for group, mine in zip(groups, why, strict=True)
    ]
    return together(parts, _TYPES, named)


def _one(
    seen: Observed, why: Any, causes: list[str], at: Floats | None, confidence: float
) -> pl.DataFrame:
    if not seen.n or (not seen.n_failed and at is None):
        return pl.DataFrame(schema=_TYPES)
    table = counts(seen, _PARTS)
    life, placed = places(seen, _PARTS)
    failed = np.isfinite(seen.high)
    last = float(np.max(np.where(failed, seen.high, seen.low)))
    ages = np.unique(seen.high[failed]) if at is None else at
    done = bool(np.prod(1.0 - table.failed / table.at_risk) <= 1e-12)
    dated = "spread" if seen.between else "days"
    weight = 1.0 / np.bincount(life)[life]
    begun = np.where(seen.exact, seen.high, seen.low)[:, None]
    at_risk = ((seen.entry[:, None] < ages) & (begun >= ages)).sum(axis=0)
    parts = []
    for cause in causes:
        mine = why == cause
        own = mine[life]
        where = np.searchsorted(table.years, placed[own])
        of_it = np.bincount(where, weights=weight[own], minlength=table.years.size).astype(float)
        share, low, high = incidence(table, of_it, ages, confidence)
        # All failed: nothing more can happen to any of them.
        beyond = (ages > last) & (not done)
        parts.append(
            pl.DataFrame(
                {
                    "cause": [cause] * ages.size,
                    "years": ages,
                    "at_risk": at_risk,
                    "n_failed": (seen.high[mine, None] <= ages).sum(axis=0),
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

    With `d` failures of `r` at risk, `d_k` of them of the cause, a share `Beta(d, r-d+1)` of those
    who live fails, and `Beta(d_k, d-d_k)` of it of the cause; from above one more failure of the
    cause follows at once, `Beta(1, rest)`. First and second moments of the share that failed of it
    follow from age to age.

    Examples
    --------
    >>> seen = Observed(np.zeros(2), np.array([1.0, 2.0]), np.array([1.0, 2.0]))
    >>> share, _, _ = incidence(counts(seen), np.array([1.0, 0.0]), np.array([1.5]), 0.95)
    >>> share.tolist()
    [0.5]
    """
    r, d = table.at_risk, table.failed
    lived = np.concatenate([[1.0], np.cumprod(1.0 - d / r)])[:-1]
    place = np.searchsorted(table.years, ages, side="right")
    share = np.concatenate([[0.0], np.cumsum(lived * of_it / r)])[place]
    rest = table.after(ages)
    failed, failed2, left, left2, both = _moments(r, d, of_it)[place].T
    # The square of Beta(1, rest) is 2 / ((rest + 1) (rest + 2)) in the mean.
    more = failed + left / (rest + 1.0)
    more2 = failed2 + 2.0 * both / (rest + 1.0) + 2.0 * left2 / ((rest + 1.0) * (rest + 2.0))
    low, high = mid_p(*beta_of(failed, failed2), *beta_of(more, more2), confidence)
    return share, np.minimum(low, share), np.maximum(high, share)


def _moments(r: Floats, d: Floats, of_it: Floats) -> Floats:
    """Before the first age and after each: means of `F`, `F^2`, `S`, `S^2` and `F S`."""
    fails, fails2 = d / (r + 1.0), d * (d + 1.0) / ((r + 1.0) * (r + 2.0))
    own, own2 = of_it / d, of_it * (of_it + 1.0) / (d * (d + 1.0))
    lives, lives2 = 1.0 - fails, 1.0 - 2.0 * fails + fails2
    made = np.zeros((r.size + 1, 5))
    f, f2, s, s2, both = made[0] = 0.0, 0.0, 1.0, 1.0, 0.0
    for i in range(r.size):
        f2 += 2.0 * both * fails[i] * own[i] + s2 * fails2[i] * own2[i]
        both = both * lives[i] + s2 * (fails[i] - fails2[i]) * own[i]
        f, s, s2 = f + s * fails[i] * own[i], s * lives[i], s2 * lives2[i]
        made[i + 1] = f, f2, s, s2, both
    return made
