"""Whether lots live equally long: the log-rank test, of days or of intervals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl

from .._frames import FrameLike
from ..methods._results import need_studies
from ._observed import Observed, arrays, check_by, usable
from .kaplan_meier import counts
from .turnbull import turnbull

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_GROUPS: Final = pl.Schema(
    {"n": pl.Int64, "n_failed": pl.Int64, "expected": pl.Float64, "ratio": pl.Float64,
     "p_value": pl.Float64, "p_adjusted": pl.Float64},
)  # fmt: skip


@dataclass(frozen=True)
class Comparison:
    """What the lives of several groups say against their being alike.

    Attributes
    ----------
    groups
        `by`, `n`, `n_failed`, `expected` failures if all groups lived alike, `ratio` of both,
        `p_value` of the group against all others together, `p_adjusted` for having looked at every
        group (Holm 1979); sorted by `p_value`.
    statistic, dof, p_value
        of all groups together, chi-square.
    method
        `log_rank` or `interval_log_rank`, or `log_rank_midpoints` (intervals and late entry
        together: each failure is placed in the middle of its interval).
    n_left_out
        rows that could not be used.
    status
        `ok`, `one_group`, `no_failures`, `no_lives`.

    Examples
    --------
    >>> Comparison(pl.DataFrame(), None, 0, None, "log_rank", 0, "no_lives").status
    'no_lives'
    """

    groups: pl.DataFrame
    statistic: float | None
    dof: int
    p_value: float | None
    method: str
    n_left_out: int
    status: str


def compare(lives: FrameLike, *, by: str = "lot") -> Comparison:
    """Test whether groups live equally long, and which of them does not.

    Of failures dated to a day: observed against expected failures, `E = sum(d r_g / r)`, with the
    hypergeometric covariance (Mantel 1966; Peto and Peto 1972), also of lives seen late. Of
    intervals: the scores `(S_L log S_L - S_H log S_H) / (S_L - S_H)` of the estimate for all lives
    together, with their covariance over all ways to deal them out to the groups (Peto and Peto
    1972; Finkelstein 1986; Fay and Shaw 2010). That supposes that all groups are inspected alike:
    a group that is tested more often is not compared fairly.

    Parameters
    ----------
    lives
        the table of `lives`, or any frame like it.
    by
        the column of groups; rows without one are left out.

    Returns
    -------
    Comparison

    Raises
    ------
    SchemaError
        a column is missing or holds no numbers.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> lives = pl.DataFrame(
    ...     {
    ...         "lot": ["a"] * 5 + ["b"] * 5,
    ...         "low_years": [5.0, 6.0, 7.0, 8.0, 8.0, 1.0, 2.0, 2.5, 3.0, 4.0],
    ...         "high_years": [5.0, None, 7.0, None, None, 1.0, 2.0, 2.5, 3.0, 4.0],
    ...     }
    ... )
    >>> found = compare(lives)
    >>> found.groups.select("lot", "n_failed", pl.col("expected").round(2)).rows()
    [('a', 2, 5.23), ('b', 5, 1.77)]
    >>> round(found.p_value, 4)
    0.0018
    """
    need_studies("life.compare")
    rows, left_out = usable(lives, check_by(by))
    named = rows.filter(pl.col(by).is_not_null()).sort(by, maintain_order=True)
    left_out += rows.height - named.height
    seen, names = arrays(named), named[by].unique(maintain_order=True)
    code = (named[by].rank("dense").cast(pl.Int64) - 1).to_numpy().astype(np.intp)
    parts = _Parts(by, names, seen, code)
    method = "log_rank"
    if seen.between:
        late = bool((seen.entry > 0.0).any())
        method = "log_rank_midpoints" if late else "interval_log_rank"
    status = "ok"
    if not seen.n_failed:
        status = "no_failures" if seen.n else "no_lives"
    elif names.len() < 2:
        status = "one_group"
    if status != "ok":
        return Comparison(parts.table(), None, 0, None, method, left_out, status)
    scores = interval_scores if method == "interval_log_rank" else log_rank
    table, statistic, dof, p = _judged(parts, *scores(seen, code, names.len()))
    return Comparison(table, statistic, dof, p, method, left_out, status)


def log_rank(seen: Observed, code: NDArray[np.intp], k: int) -> tuple[Floats, Floats]:
    """Observed minus expected failures of each group, and their covariance.

    Examples
    --------
    >>> seen = Observed(np.zeros(2), np.array([1.0, 2.0]), np.array([1.0, 2.0]))
    >>> excess, _ = log_rank(seen, np.array([0, 1]), 2)
    >>> excess.tolist()
    [0.5, -0.5]
    """
    table = counts(seen)
    ends, failed = seen.middle, np.isfinite(seen.high)
    at_risk = np.zeros((table.years.size, k))
    observed = np.zeros(k)
    for g in range(k):
        mine = code == g
        begin, end = np.sort(seen.entry[mine]), np.sort(ends[mine])
        at_risk[:, g] = np.searchsorted(begin, table.years) - np.searchsorted(end, table.years)
        observed[g] = failed[mine].sum()
    r, d = table.at_risk, table.failed
    share = at_risk / r[:, None]
    spread = d * (r - d) / np.maximum(r - 1.0, 1.0)
    covariance = np.diag(spread @ share) - share.T @ (spread[:, None] * share)
    return observed - d @ share, covariance


def interval_scores(seen: Observed, code: NDArray[np.intp], k: int) -> tuple[Floats, Floats]:
    """Sums of the log-rank scores of each group, and their covariance over all permutations.

    Examples
    --------
    >>> seen = Observed(np.zeros(2), np.array([0.0, 1.0]), np.array([1.0, np.inf]))
    >>> excess, _ = interval_scores(seen, np.array([0, 1]), 2)
    >>> excess.round(3).tolist()
    [0.693, -0.693]
    """
    found = turnbull(seen)
    share = found.holds @ found.mass
    # What had failed before the interval of each kind of life began.
    first = np.argmax(found.holds, axis=1)
    lived = 1.0 - np.concatenate([[0.0], np.cumsum(found.mass)])[first]
    outlived = np.maximum(lived - share, 0.0)

    def entropy(s: Floats) -> Floats:
        made: Floats = np.where(s > 1e-12, s * np.log(np.maximum(s, 1e-12)), 0.0)
        return made

    kinds = (entropy(lived) - entropy(outlived)) / np.maximum(share, 1e-12)
    order = {key: i for i, key in enumerate(zip(found.lives.low, found.lives.high, strict=True))}
    score = np.array([kinds[order[key]] for key in zip(seen.low, seen.high, strict=True)])
    n = seen.n
    size = np.bincount(code, minlength=k).astype(float)
    spread = float(((score - score.mean()) ** 2).sum()) / max(n - 1.0, 1.0)
    excess = np.bincount(code, weights=score - score.mean(), minlength=k).astype(float)
    return excess, spread * (np.diag(size) - np.outer(size, size) / n)


@dataclass(frozen=True)
class _Parts:
    """Lives in order of their groups."""

    by: str
    names: pl.Series
    seen: Observed
    code: NDArray[np.intp]

    def counted(self, values: NDArray[np.bool_]) -> Floats:
        made = np.bincount(self.code, weights=values, minlength=self.names.len())
        return made.astype(float)

    def table(self) -> pl.DataFrame:
        """The table with what can be counted."""
        given = {
            "n": self.counted(np.ones(self.seen.n, dtype=bool)),
            "n_failed": self.counted(np.isfinite(self.seen.high)),
        }
        return pl.DataFrame({self.by: self.names}).with_columns(
            (pl.Series(given[name]) if name in given else pl.lit(None)).cast(dtype).alias(name)
            for name, dtype in _GROUPS.items()
        )


def _judged(
    parts: _Parts, excess: Floats, covariance: Floats
) -> tuple[pl.DataFrame, float, int, float | None]:
    """The table of groups; statistic, degrees of freedom and p of all together."""
    special = need_studies("life.compare").special
    own = np.diag(covariance)
    # A group that was never at risk when any failed says nothing.
    told = own > 1e-12
    scale = max(float(own.max()), 1e-12)
    dof = int(np.linalg.matrix_rank(covariance, tol=1e-9 * scale, hermitian=True))
    statistic = float(excess @ np.linalg.pinv(covariance, rcond=1e-9, hermitian=True) @ excess)
    alone = np.where(told, excess**2 / np.where(told, own, 1.0), 0.0)
    p = np.where(told, special.chdtrc(1.0, alone), np.nan)
    failed = parts.counted(np.isfinite(parts.seen.high))
    expected = failed - excess
    table = parts.table().with_columns(
        expected=pl.Series(expected),
        ratio=pl.Series(np.where(expected > 1e-9, failed / np.maximum(expected, 1e-9), np.nan)),
        p_value=pl.Series(p),
        p_adjusted=pl.Series(_holm(p)),
    )
    made = table.with_columns(pl.col("ratio", "p_value", "p_adjusted").fill_nan(None))
    whole = float(special.chdtrc(dof, statistic)) if dof else None
    return made.sort("p_value", parts.by, nulls_last=True), statistic, dof, whole


def _holm(p: Floats) -> Floats:
    """P-values adjusted for their number, none smaller than one before it (Holm 1979)."""
    made = np.full(p.size, np.nan)
    order = np.argsort(p)
    order = order[np.isfinite(p[order])]
    factor = order.size - np.arange(order.size)
    made[order] = np.minimum(np.maximum.accumulate(p[order] * factor), 1.0)
    return made
