"""Process capability indices and the fraction outside limits, with intervals."""

from __future__ import annotations

import math
from typing import Any, Final, Literal

import numpy as np
import polars as pl

from .._errors import (
    OptionError,
    check_count,
    check_number,
    check_option,
    check_pair,
    check_share,
)
from ..methods._results import need_studies
from ._pivots import Pivots, crossing
from ._sample import check_u
from ._spread import Alike

Interval = Literal["generalized", "textbook"]
Three = tuple[float | None, float | None, float | None]

INDICES: Final = ("cp", "cpl", "cpu", "cpk", "cpm")
FRACTIONS: Final = ("fraction_below", "fraction_above", "fraction_outside")
_NONE: Final[Three] = (None, None, None)


def capability_indices(
    mean: float,
    sd: float,
    *,
    n: int,
    limits: tuple[float, float],
    target: float | None = None,
    dof: float | None = None,
    u: float = 0.0,
    common_u: float = 0.0,
    confidence: float = 0.95,
    interval: Interval = "generalized",
) -> pl.DataFrame:
    """Capability indices of a normal process from mean and standard deviation of results.

    `Cp = (upper - lower) / 6 sigma`, `Cpl = (mean - lower) / 3 sigma`, `Cpu = (upper - mean) / 3
    sigma`, `Cpk = min(Cpl, Cpu)`, `Cpm = (upper - lower) / 6 sqrt(sigma**2 + (mean - target)**2)`,
    and the fractions below, above and outside the limits. They are called Pp and Ppk where `sd` is
    that of all results, Cp and Cpk where it is that within subgroups (ISO 22514-1).

    Intervals: `generalized` from pivots of mean and standard deviation, the measurement's variance
    taken out; without `u` those of Cp (chi-square), Cpl, Cpu and of the fraction on one side
    (noncentral t) are exact. Where both sides count, the upper limit of Cpk is the smaller one of
    Cpl and Cpu, and the lower limit of `fraction_outside` has half the usual risk and is nowhere
    below that of one side alone: the pivots alone would call a centred process worse than it is.
    `textbook`: Cp by chi-square, Cpl, Cpu and Cpk by Bissell (1990), Cpm by Boyles (1991), the
    fractions none.

    Parameters
    ----------
    mean, sd
        of the results.
    n
        number of results behind the mean, 2 or more.
    limits
        lower and upper, in the unit of `mean`; one may be infinite.
    target
        of Cpm; None: the middle of the limits.
    dof
        degrees of freedom of `sd`; None: `n - 1`.
    u
        standard uncertainty of one result, taken out of `sd`; with `textbook` not taken out.
    common_u
        standard uncertainty of an error that all results share.
    confidence
        of the two-sided intervals.
    interval
        `generalized` or `textbook`.

    Returns
    -------
    polars.DataFrame
        `index`, `estimate`, `low`, `high`, a row an index: `cp`, `cpl`, `cpu`, `cpk`, `cpm`,
        `fraction_below`, `fraction_above`, `fraction_outside`. Null where a limit is infinite or
        nothing is left of the spread. The fractions are medians of their pivots, for a
        plugged-in fraction is too small in small samples.

    Raises
    ------
    OptionError
        a number is out of range.
    ImportError
        SciPy is not installed.

    Examples
    --------
    Mean 16, sd 2, limits 8 and 20 (NIST/SEMATECH e-Handbook, 6.1.6), as if of 30 results.

    >>> found = capability_indices(16.0, 2.0, n=30, limits=(8.0, 20.0))
    >>> for name, *three in found.head(4).iter_rows():
    ...     print(name, [round(number, 3) for number in three])
    cp [1.0, 0.744, 1.256]
    cpl [1.333, 0.97, 1.693]
    cpu [0.667, 0.456, 0.873]
    cpk [0.667, 0.456, 0.873]
    """
    check_count("n", n, 2)
    for option, number in (("mean", mean), ("target", 0.0 if target is None else target)):
        if not math.isfinite(check_number(option, number)):
            raise OptionError(option, number, ["a finite number"])
    if not 0.0 <= check_number("sd", sd) < math.inf or max(sd, check_u("u", u)) == 0.0:
        raise OptionError("sd", sd, ["a finite number above 0"])
    check_u("common_u", common_u)
    nu = n - 1.0 if dof is None else check_number("dof", dof)
    if not 0.0 < nu < math.inf:
        raise OptionError("dof", dof, ["a number above 0"])
    low, high = check_pair("limits", limits, "(lower, upper)")
    if not low < high or not (math.isfinite(low) or math.isfinite(high)):
        raise OptionError("limits", limits, ["(lower, upper), in this order, one of them finite"])
    check_share("confidence", confidence)
    check_option("interval", interval, ["generalized", "textbook"])
    middle = 0.5 * (low + high) if target is None else target
    if interval == "textbook":
        found = _textbook(Alike(mean=mean, sd=sd, n=n, dof=nu), (low, high), middle, confidence)
    else:
        pivots = Pivots.of(mean, sd, n=n, dof=nu, u=u, common_u=common_u)
        found = generalized(pivots, (low, high), middle, confidence)
    rows = [(name, *found.get(name, _NONE)) for name in (*INDICES, *FRACTIONS)]
    schema = {"index": pl.String, **dict.fromkeys(("estimate", "low", "high"), pl.Float64)}
    return pl.DataFrame(rows, schema=schema, orient="row")


def generalized(
    pivots: Pivots, limits: tuple[float, float], target: float, confidence: float
) -> dict[str, Three]:
    """Estimate and limits of every index and fraction.

    Examples
    --------
    >>> pivots = Pivots.of(60.0, 2.0, n=10)
    >>> found = generalized(pivots, (54.0, 66.0), 60.0, 0.95)
    >>> [round(number, 3) for number in found["cp"]]
    [1.0, 0.548, 1.454]
    """
    need_studies("capability")
    low, high = limits
    risk = 0.5 * (1.0 - confidence)
    plugged = _plugged(pivots.mean, pivots.sd, limits, target)
    cpl = [_one_sided(pivots, low, 1.0, p) for p in (risk, 1.0 - risk)]
    cpu = [_one_sided(pivots, high, -1.0, p) for p in (risk, 1.0 - risk)]
    found: dict[str, tuple[float, float]] = {}
    if math.isfinite(low):
        found["cpl"] = (cpl[0], cpl[1])
    if math.isfinite(high):
        found["cpu"] = (cpu[0], cpu[1])
    found["cpk"] = (cpl[0], cpl[1]) if math.isfinite(low) else (cpu[0], cpu[1])
    if math.isfinite(high - low):
        widest, narrowest = pivots.sd_quantile(1.0 - risk), pivots.sd_quantile(risk)
        found["cp"] = _over(high - low, 6.0 * widest), _over(high - low, 6.0 * narrowest)
        found["cpk"] = (_cpk(pivots, limits, risk), min(cpl[1], cpu[1]))
        lowest = _cpm(pivots, limits, target, risk)
        found["cpm"] = lowest, _cpm(pivots, limits, target, 1.0 - risk)
    told: dict[str, Three] = {
        name: (plugged.get(name), _finite(least), _finite(most))
        for name, (least, most) in found.items()
    }
    return {**told, **fractions(pivots, limits, confidence)}


def fractions(pivots: Pivots, limits: tuple[float, float], confidence: float) -> dict[str, Three]:
    """Median and limits of the fractions below, above and outside.

    Examples
    --------
    >>> pivots = Pivots.of(56.0, 2.0, n=10)
    >>> found = fractions(pivots, (54.0, 66.0), 0.95)["fraction_below"]
    >>> [round(share, 2) for share in found]
    [0.17, 0.04, 0.42]
    """
    ndtr = need_studies("fractions outside").special.ndtr
    low, high = limits
    risk = 0.5 * (1.0 - confidence)
    levels = (0.5, risk, 1.0 - risk)

    def one(limit: float, way: float) -> Three:
        if not math.isfinite(limit):
            return (0.0, 0.0, 0.0)
        # The fraction is one of the score at the limit, three times the index of that side.
        told = [float(ndtr(-3.0 * _one_sided(pivots, limit, way, 1.0 - p))) for p in levels]
        return told[0], told[1], told[2]

    below, above = one(low, 1.0), one(high, -1.0)
    outside = below if math.isinf(high) else above
    if math.isfinite(high - low):
        middle, half = 0.5 * (low + high), 0.5 * (high - low)
        three = [_outside(pivots, middle, half, p) for p in (0.5, 0.5 * risk, 1.0 - risk)]
        outside = three[0], max(three[1], below[1] or 0.0, above[1] or 0.0), three[2]
    return dict(zip(FRACTIONS, (below, above, outside), strict=True))


def _one_sided(pivots: Pivots, limit: float, way: float, probability: float) -> float:
    """Quantile of Cpl (`way` 1) or Cpu (-1)."""
    if not math.isfinite(limit):
        return math.inf

    def below(index: float) -> float:
        share = pivots.p_mean_below(lambda sd: limit + way * 3.0 * index * sd)
        return share if way > 0.0 else 1.0 - share

    return crossing(below, probability, 0.0, 1.0)


def _cpk(pivots: Pivots, limits: tuple[float, float], probability: float) -> float:
    low, high = limits

    def below(index: float) -> float:
        # A negative index has one edge beyond the other at every spread.
        if index <= 0.0:
            reach = 3.0 * index
            left = pivots.p_mean_below(lambda sd: low + reach * sd)
            return left + 1.0 - pivots.p_mean_below(lambda sd: high - reach * sd)
        return 1.0 - pivots.p_mean_between(
            lambda sd: (low + 3.0 * index * sd, high - 3.0 * index * sd),
            (high - low) / (6.0 * index),
        )

    return crossing(below, probability, 0.0, 1.0)


def _cpm(pivots: Pivots, limits: tuple[float, float], target: float, probability: float) -> float:
    def below(index: float) -> float:
        reach = (limits[1] - limits[0]) / (6.0 * max(index, 1e-9))

        def edges(sd: Any) -> tuple[Any, Any]:
            off = np.sqrt(np.maximum(reach**2 - sd**2, 0.0))
            return target - off, target + off

        return 1.0 - pivots.p_mean_between(edges, reach)

    return crossing(below, probability, 1e-9, 1.0)


def _outside(pivots: Pivots, middle: float, half: float, probability: float) -> float:
    """Quantile of the fraction outside both limits, searched over its normal score."""
    ndtr = need_studies("fractions outside").special.ndtr

    def below(score: float) -> float:
        return pivots.p_within(middle, half, float(ndtr(score)))

    low, high = -12.0, 8.0
    if below(low) >= probability:
        return 0.0
    if below(high) <= probability:
        return 1.0
    return float(ndtr(crossing(below, probability, -1.5, 1.0)))


def _plugged(
    mean: float, sd: float, limits: tuple[float, float], target: float
) -> dict[str, float | None]:
    low, high = limits
    if sd == 0.0:
        return {}
    found: dict[str, float | None] = {}
    if math.isfinite(low):
        found["cpl"] = (mean - low) / (3.0 * sd)
    if math.isfinite(high):
        found["cpu"] = (high - mean) / (3.0 * sd)
    found["cpk"] = min(one for one in found.values() if one is not None)
    if math.isfinite(high - low):
        found["cp"] = (high - low) / (6.0 * sd)
        found["cpm"] = (high - low) / (6.0 * math.hypot(sd, mean - target))
    return found


def _textbook(
    given: Alike, limits: tuple[float, float], target: float, confidence: float
) -> dict[str, Three]:
    special = need_studies("capability").special
    mean, sd, n, nu = given.mean, given.sd, given.n, given.dof
    risk = 0.5 * (1.0 - confidence)
    z = float(special.ndtri(1.0 - risk))
    plugged = _plugged(mean, sd, limits, target)
    found: dict[str, Three] = {}
    for name, value in plugged.items():
        if value is None:
            continue
        if name in ("cp", "cpm"):
            off = ((mean - target) / sd) ** 2 if name == "cpm" else 0.0
            dof = nu if name == "cp" else n * (1.0 + off) ** 2 / (1.0 + 2.0 * off)
            ends = [math.sqrt(float(special.chdtri(dof, p)) / dof) for p in (1.0 - risk, risk)]
            found[name] = (value, value * ends[0], value * ends[1])
        elif value == 0.0:
            found[name] = (0.0, -z / math.sqrt(9.0 * n), z / math.sqrt(9.0 * n))
        else:
            wide = z * math.sqrt(1.0 / (9.0 * n) + value**2 / (2.0 * nu))
            found[name] = (value, value - wide, value + wide)
    return found


def _over(width: float, spread: float) -> float:
    return width / spread if spread > 0.0 else math.inf


def _finite(end: float) -> float | None:
    return end if math.isfinite(end) else None
