"""Tolerance intervals: limits that hold a stated share of a population with stated confidence."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, Literal

from .._errors import OptionError, check_option, check_share
from ..methods._results import need_studies
from ._sample import Sample, check_u
from .tolerance_factor import SIDES, Side, half_width

Kind = Literal["normal", "distribution_free"]

KINDS: Final = ("normal", "distribution_free")
#: More switches than any lot has; a search ends here.
_MOST: Final = 10_000_000


@dataclass(frozen=True, kw_only=True)
class ToleranceInterval:
    """An interval that holds at least `coverage` of a population, with `confidence`.

    Attributes
    ----------
    low, high
        limits, in the unit of the results; None on a side that was not asked for, or where there
        is none.
    n, mean, sd
        number of results, their mean, and the standard deviation of the true values.
    side, coverage, confidence, method
        as asked for.
    confidence_reached
        that of order statistics, which come in steps; None where there is no interval.
    n_needed
        fewest results that give a distribution-free interval; None for the normal one.
    status
        `ok`; `too_few_samples`, `bad_value`, `zero_spread`.

    Examples
    --------
    >>> found = tolerance_interval([58.1, 60.3, 61.0, 59.2, 60.4])
    >>> found.n, found.status, found.low < 54.0
    (5, 'ok', True)
    """

    low: float | None
    high: float | None
    n: int
    mean: float | None
    sd: float | None
    side: Side
    coverage: float
    confidence: float
    method: Kind
    confidence_reached: float | None
    n_needed: int | None
    status: str


def tolerance_interval(
    values: Iterable[Any],
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
    side: Side = "both",
    method: Kind = "normal",
    u: Iterable[Any] | float | None = None,
    common_u: float = 0.0,
) -> ToleranceInterval:
    """An interval that holds the true values of most of a population.

    `normal`: `mean -+ k * sd` with the exact factor (see `tolerance_factor`). Where results have
    uncertainties, `u` is taken out of the spread and stays in the mean: the limit is the quantile
    of a generalized pivotal quantity, `mean + z * sqrt(sigma_y**2 - u**2)` (Krishnamoorthy & Mathew
    2009), and with `u = 0` the exact one again. `distribution_free`: order statistics, any
    continuous distribution, for which many results are needed (Wilks 1941; ISO 16269-6); `u` is
    not taken out, which makes the interval wider, not wrong.

    Parameters
    ----------
    values
        results of different switches, in any one unit; missing ones are left out.
    coverage, confidence, side
        as in `tolerance_factor`.
    method
        `normal` or `distribution_free`.
    u
        standard uncertainty of each result, or one for all; independent among results.
    common_u
        standard uncertainty of an error that all results share, as one gauge's calibration.

    Returns
    -------
    ToleranceInterval

    Raises
    ------
    OptionError
        a number is out of range, or `u` has another length than `values`.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> opened_pa = [58.1, 60.3, 61.0, 59.2, 60.4, 57.9, 59.5, 60.8, 61.6, 59.0]
    >>> known = tolerance_interval(opened_pa)
    >>> round(known.low, 1), round(known.high, 1)
    (55.6, 64.0)
    >>> found = tolerance_interval(opened_pa, u=0.8)
    >>> round(found.low, 1), round(found.high, 1)
    (55.9, 63.7)
    >>> found = tolerance_interval(opened_pa, method="distribution_free")
    >>> found.status, found.n_needed
    ('too_few_samples', 93)
    """
    check_share("coverage", coverage)
    check_share("confidence", confidence)
    check_option("side", side, SIDES)
    check_option("method", method, KINDS)
    check_u("common_u", common_u)
    return of_sample(
        Sample.of(values, u), coverage=coverage, confidence=confidence, side=side, method=method,
        common_u=common_u,
    )  # fmt: skip


def of_sample(
    sample: Sample,
    *,
    coverage: float,
    confidence: float,
    side: Side,
    method: Kind,
    common_u: float,
) -> ToleranceInterval:
    """`tolerance_interval` of a sample, its options checked."""
    low: float | None = None
    high: float | None = None
    reached, needed = None, None
    status = sample.status
    if method == "distribution_free":
        needed = n_needed(coverage, confidence, side=side)
        if status in ("ok", "zero_spread"):
            low, high, reached, status = _order_statistics(sample, coverage, confidence, side)
    elif status == "ok":
        pivots = sample.pivots(common_u)
        width = half_width(pivots, coverage, confidence, side)
        low, high = pivots.mean - width, pivots.mean + width
    return ToleranceInterval(
        low=None if side == "upper" else low,
        high=None if side == "lower" else high,
        n=sample.n,
        mean=sample.mean,
        sd=sample.sd,
        side=side, coverage=coverage, confidence=confidence, method=method,
        confidence_reached=reached, n_needed=needed, status=status,
    )  # fmt: skip


def n_needed(coverage: float = 0.95, confidence: float = 0.95, *, side: Side = "both") -> int:
    """Fewest results whose extremes are a distribution-free tolerance interval (Wilks 1941).

    One side: `1 - coverage**n >= confidence`; both sides: `1 - n * coverage**(n - 1) +
    (n - 1) * coverage**n >= confidence`.

    Raises
    ------
    OptionError
        a number is out of range, or so near 1 that ten million results would not do.

    Examples
    --------
    >>> n_needed(side="lower"), n_needed(side="both")
    (59, 93)
    """
    check_share("coverage", coverage)
    check_share("confidence", confidence)
    check_option("side", side, SIDES)
    cut = 2 if side == "both" else 1
    low, high = cut - 1, cut
    while _held(high, cut, coverage) < confidence:
        low, high = high, 2 * high
        if high > _MOST:
            raise OptionError("coverage", coverage, ["a share further below 1"])
    while high - low > 1:
        middle = (low + high) // 2
        good = _held(middle, cut, coverage) >= confidence
        low, high = (low, middle) if good else (middle, high)
    return high


def _held(n: int, cut: int, coverage: float) -> float:
    """Confidence of the interval that leaves `cut` of the `n + 1` gaps between results outside."""
    bdtr = need_studies("distribution-free intervals").special.bdtr
    return float(bdtr(float(n - cut), n, coverage))


def _order_statistics(
    sample: Sample, coverage: float, confidence: float, side: Side
) -> tuple[float | None, float | None, float | None, str]:
    """The innermost order statistics that still have the confidence, of equal rank at both ends."""
    step = 2 if side == "both" else 1
    n = sample.n
    rank = 0
    while (rank + 1) * step <= n and _held(n, (rank + 1) * step, coverage) >= confidence:
        rank += 1
    if not rank:
        return None, None, None, "too_few_samples"
    low, high = float(sample.values[rank - 1]), float(sample.values[n - rank])
    return low, high, _held(n, rank * step, coverage), "ok"
