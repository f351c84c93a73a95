"""Factors of normal tolerance intervals."""

from __future__ import annotations

import math
from typing import Final, Literal

from .._errors import (
    DeadbandError,
    OptionError,
    check_count,
    check_number,
    check_option,
    check_share,
)
from ..methods._results import need_studies
from ._pivots import Pivots, crossing

Side = Literal["both", "lower", "upper"]
Factor = Literal["exact", "howe", "natrella"]

SIDES: Final = ("both", "lower", "upper")


def tolerance_factor(
    n: int,
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
    side: Side = "both",
    dof: float | None = None,
    method: Factor = "exact",
) -> float:
    """Factor `k` of a normal tolerance interval, `mean -+ k * sd` or one end of it.

    With the given confidence the interval holds at least the share `coverage` of the population.
    One-sided, exact: the quantile of the noncentral t distribution over `sqrt(n)`. Two-sided,
    exact: the root of the integral over the mean of a sample (Krishnamoorthy & Mathew 2009, eq.
    2.3.4; ISO 16269-6). `howe` is the approximation of Howe (1969) to the latter, `natrella` that
    of Natrella (1963) to the former; they are here to be compared with.

    Parameters
    ----------
    n
        number of results behind the mean, 2 or more.
    coverage
        share of the population, above 0 and below 1.
    confidence
        confidence level, above 0 and below 1.
    side
        `both`, or one limit, `lower` or `upper`, which have the same factor.
    dof
        degrees of freedom of the standard deviation where it is pooled; None: `n - 1`.
    method
        `exact`; `howe` for both sides, `natrella` for one.

    Returns
    -------
    float

    Raises
    ------
    OptionError
        a number is out of range, or the method is not one for that side.
    DeadbandError
        the factor is larger than can be worked out, or the approximation of Natrella ends (few
        results at a high confidence).
    ImportError
        SciPy is not installed.

    Examples
    --------
    43 wafers, 90 % coverage, 99 % confidence (NIST/SEMATECH e-Handbook, 7.2.6.3).

    >>> options = {"coverage": 0.90, "confidence": 0.99}
    >>> round(tolerance_factor(43, side="upper", **options), 4)
    1.874
    >>> [round(tolerance_factor(43, method=name, **options), 4) for name in ("exact", "howe")]
    [2.2228, 2.2173]
    """
    check_count("n", n, 2)
    check_share("coverage", coverage)
    check_share("confidence", confidence)
    check_option("side", side, SIDES)
    check_option("method", method, ["exact", "howe" if side == "both" else "natrella"])
    nu = n - 1.0 if dof is None else check_number("dof", dof)
    if not 0.0 < nu < math.inf:
        raise OptionError("dof", dof, ["a number above 0"])
    special = need_studies("tolerance_factor").special
    if method == "howe":
        z, least = float(special.ndtri(0.5 * (1.0 + coverage))), special.chdtri(nu, confidence)
        found = z * math.sqrt(nu * (1.0 + 1.0 / n) / least) if least > 0.0 else math.inf
    elif method == "natrella":
        found = _natrella(n, float(special.ndtri(coverage)), float(special.ndtri(confidence)))
    else:
        found = half_width(Pivots.of(0.0, 1.0, n=n, dof=nu), coverage, confidence, side)
    if not math.isfinite(found):
        ended = math.isnan(found)
        raise DeadbandError(
            "no_factor", "the approximation has no factor" if ended else "the factor is too large",
            location="option confidence" if ended or dof is None else "option dof",
            advice='take method="exact", or test more' if ended else "test more, or ask for less",
        )  # fmt: skip
    return found


def half_width(pivots: Pivots, coverage: float, confidence: float, side: Side) -> float:
    """From the mean of the results to a tolerance limit, in the unit of the results.

    Examples
    --------
    >>> pivots = Pivots.of(0.0, 1.0, n=10)
    >>> [round(half_width(pivots, 0.95, 0.95, side), 3) for side in ("both", "upper")]
    [3.393, 2.911]
    """
    special = need_studies("tolerance limits").special
    start, step = 0.0, pivots.spread.step
    if side == "both":
        return crossing(
            lambda width: pivots.p_within(pivots.mean, width, 1.0 - coverage),
            confidence, start, step,
        )  # fmt: skip
    z = float(special.ndtri(coverage))
    return crossing(
        lambda width: pivots.p_mean_below(lambda sd: pivots.mean + width - z * sd),
        confidence, start, step,
    )  # fmt: skip


def _natrella(n: int, z_coverage: float, z_confidence: float) -> float:
    a = 1.0 - z_confidence**2 / (2.0 * (n - 1.0))
    b = z_coverage**2 - z_confidence**2 / n
    root = z_coverage**2 - a * b
    # The approximation ends where n is small and the confidence high.
    return (z_coverage + math.sqrt(root)) / a if a > 0.0 and root >= 0.0 else math.nan
