"""Whether lots live equally long: the log-rank test, and which lot is the odd one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl

from .._errors import OptionError
from .._frames import FrameLike
from ..methods._results import need_studies
from ._observed import Observed, arrays, check_by, usable
from .kaplan_meier import counts

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
        Columns of `by`, `n`, `n_failed`, `expected` failures if all groups lived alike, `ratio` of
        both, `p_value` of the group against all others together, `p_adjusted` for having looked at
        every group (Holm 1979); sorted by `p_value`.
    statistic, dof
        of all groups together, chi-square where there are many failures.
    p_value
        the smallest of the adjusted ones: of lots of ten and fewer, the chi-square of all together
        calls lots different too often.
    dated
        `days`, or `midpoints`: each failure known to an interval is placed in its middle.
    n_left_out
        rows that could not be used.
    status
        `ok`; `one_group`; `no_failures`; `no_lives`; `not_comparable` (no failure could have been
        one of another group instead: they were never at risk together, or all failed at one age).

    Examples
    --------
    >>> Comparison(pl.DataFrame(), None, 0, None, "days", 0, "no_lives").status
    'no_lives'
    """

    groups: pl.DataFrame
    statistic: float | None
    dof: int
    p_value: float | None
    dated: str
    n_left_out: int
    status: str


def compare(lives: FrameLike, *, by: str | Sequence[str] = "lot") -> Comparison:
    """Test whether groups live equally long, and which of them does not.

    Observed against expected failures, `E = sum(d r_g / r)`, with their hypergeometric covariance
    (log-rank test: Mantel 1966; Peto and Peto 1972), also of lives seen late. Lots may have been
    followed for unequal times. The p-value of a group is that of its excess over the expected
    number, from the first three moments.

    A failure known to an interval is placed in its middle; groups that are tested at quite unequal
    intervals are then not compared fairly.

    Parameters
    ----------
    lives
        the table of `lives`, or any frame like it.
    by
        the column of groups, or a list of them, such as `["model", "lot"]`; rows without a name in
        any are left out.

    Returns
    -------
    Comparison

    Raises
    ------
    SchemaError
        a column is missing or holds no numbers.
    OptionError
        `by` is no column of groups.
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
    0.0046
    """
    need_studies("life.compare")
    if by is None:
        raise OptionError("by", by, ["the name of a column of groups, such as lot"])
    columns = check_by(by, _GROUPS)
    rows, left_out = usable(lives, columns)
    named = rows.filter(pl.all_horizontal(pl.col(columns).is_not_null()))
    named = named.sort(columns, maintain_order=True)
    left_out += rows.height - named.height
    # In order of their names a group begins where any of them changes.
    begins = pl.any_horizontal(pl.col(columns).ne_missing(pl.col(columns).shift()))
    code = named.select(begins.cast(pl.Int64).cum_sum() - 1).to_series()
    seen, names = arrays(named), named.select(columns).unique(maintain_order=True)
    parts = _Parts(names, seen, code.to_numpy().astype(np.intp))
    dated = "midpoints" if seen.between else "days"
    status = "ok"
    if not seen.n_failed:
        status = "no_failures" if seen.n else "no_lives"
    elif names.height < 2:
        status = "one_group"
    if status != "ok":
        return Comparison(parts.table(), None, 0, None, dated, left_out, status)
    table, statistic, dof, p = _judged(parts)
    if p is None:
        return Comparison(table, None, 0, None, dated, left_out, "not_comparable")
    return Comparison(table, statistic, dof, p, dated, left_out, status)


def log_rank(seen: Observed, code: NDArray[np.intp], k: int) -> tuple[Floats, Floats, Floats]:
    """Observed minus expected failures of each group, their covariance and third moments.

    Examples
    --------
    >>> seen = Observed(np.zeros(2), np.array([1.0, 2.0]), np.array([1.0, 2.0]))
    >>> excess, covariance, third = log_rank(seen, np.array([0, 1]), 2)
    >>> excess.tolist(), covariance[0].tolist(), third.tolist()
    ([0.5, -0.5], [0.25, -0.25], [0.0, 0.0])
    """
    table = counts(seen)
    ends, failed = seen.middle, np.isfinite(seen.high)
    at_risk = np.zeros((table.years.size, k))
    for g in range(k):
        mine = code == g
        begin, end = np.sort(seen.entry[mine]), np.sort(ends[mine])
        at_risk[:, g] = np.searchsorted(begin, table.years) - np.searchsorted(end, table.years)
    observed = np.bincount(code, weights=failed, minlength=k)
    r, d = table.at_risk, table.failed
    share = at_risk / r[:, None]
    spread = d * (r - d) / np.maximum(r - 1.0, 1.0)
    covariance = np.diag(spread @ share) - share.T @ (spread[:, None] * share)
    # Of a hypergeometric number of failures.
    skew = spread * (r - 2.0 * d) / np.maximum(r - 2.0, 1.0)
    third = skew @ (share * (1.0 - share) * (1.0 - 2.0 * share))
    return observed - d @ share, covariance, third


def two_sided(excess: Floats, variance: Floats, third: Floats) -> Floats:
    """Twice the smaller tail beyond each excess, by the gamma distribution with three moments.

    Pearson's type III: few failures among many lives make the excess of a group lopsided, and a
    normal tail calls sound lots bad.

    Examples
    --------
    >>> two_sided(np.array([1.959964]), np.array([1.0]), np.array([0.0])).round(4).tolist()
    [0.05]
    >>> two_sided(np.array([3.0]), np.array([1.0]), np.array([1.5])).round(4).tolist()
    [0.0296]
    """
    special = need_studies("life.compare").special
    z, skewness = excess / np.sqrt(variance), third / variance**1.5
    lopsided = np.abs(skewness) > 1e-3
    g = np.where(lopsided, np.abs(skewness), 1.0)
    shape = 4.0 / g**2
    place = np.maximum((z * np.sign(skewness) + 2.0 / g) * 2.0 / g, 0.0)
    long, short = special.gammaincc(shape, place), special.gammainc(shape, place)
    normal = special.ndtr(-np.abs(z))
    made: Floats = np.where(lopsided, np.minimum(long, short), normal)
    return np.minimum(2.0 * made, 1.0)


@dataclass(frozen=True)
class _Parts:
    """Lives in order of their groups."""

    names: pl.DataFrame
    seen: Observed
    code: NDArray[np.intp]

    def counted(self, values: NDArray[np.bool_]) -> Floats:
        made = np.bincount(self.code, weights=values, minlength=self.names.height)
        return made.astype(float)

    def table(self) -> pl.DataFrame:
        """The table with what can be counted."""
        given = {
            "n": self.counted(np.ones(self.seen.n, dtype=bool)),
            "n_failed": self.counted(np.isfinite(self.seen.high)),
        }
        return self.names.with_columns(
            (pl.Series(given[name]) if name in given else pl.lit(None)).cast(dtype).alias(name)
            for name, dtype in _GROUPS.items()
        )


def _judged(parts: _Parts) -> tuple[pl.DataFrame, float, int, float | None]:
    """The table of groups; statistic, degrees of freedom and p of all together."""
    excess, covariance, third = log_rank(parts.seen, parts.code, parts.names.height)
    own = np.diag(covariance)
    # A group that was never at risk when any failed says nothing.
    told = own > 1e-12
    scale = max(float(own.max()), 1e-12)
    dof = int(np.linalg.matrix_rank(covariance, tol=1e-9 * scale, hermitian=True))
    statistic = float(excess @ np.linalg.pinv(covariance, rcond=1e-9, hermitian=True) @ excess)
    p = np.full(own.size, np.nan)
    p[told] = two_sided(excess[told], own[told], third[told])
    failed = parts.counted(np.isfinite(parts.seen.high))
    expected = failed - excess
    table = parts.table().with_columns(
        expected=pl.Series(expected),
        ratio=pl.Series(np.where(expected > 1e-9, failed / np.maximum(expected, 1e-9), np.nan)),
        p_value=pl.Series(p),
        p_adjusted=pl.Series(_holm(p)),
    )
    made = table.with_columns(pl.col("ratio", "p_value", "p_adjusted").fill_nan(None))
    whole = float(np.nanmin(_holm(p))) if told.any() else None
    return made.sort("p_value", *parts.names.columns, nulls_last=True), statistic, dof, whole


def _holm(p: Floats) -> Floats:
    """P-values adjusted for their number, none smaller than one before it (Holm 1979)."""
    made = np.full(p.size, np.nan)
    order = np.argsort(p)
    order = order[np.isfinite(p[order])]
    # Of two groups each is the other's opposite: that is one question.
    factor = 1 if order.size == 2 else order.size - np.arange(order.size)
    made[order] = np.minimum(np.maximum.accumulate(p[order] * factor), 1.0)
    return made
