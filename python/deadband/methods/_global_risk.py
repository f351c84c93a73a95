"""Consumer's and producer's risk of a process and a measurement that are normal (JCGM 106)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .._errors import OptionError, check_number, check_pair
from ._results import need_studies

Floats = NDArray[np.float64]

#: Limits at infinity, in standard deviations; finite, so that no infinity meets another.
_FAR: Final = 1e10


@dataclass(frozen=True)
class GlobalRisk:
    """Shares of all items; `low` is the side below the lower limit, `high` that above the upper.

    Attributes
    ----------
    bad_low, bad_high
        items beyond the limit.
    passed_low, passed_high
        items beyond the limit that are accepted.
    condemned_low, condemned_high
        items within the limits that are rejected, since their value lies below or above the
        acceptance limits.

    Examples
    --------
    >>> GlobalRisk(0.02, 0.03, 0.004, 0.006, 0.01, 0.01).consumer
    0.01
    """

    bad_low: float
    bad_high: float
    passed_low: float
    passed_high: float
    condemned_low: float
    condemned_high: float

    @property
    def consumer(self) -> float:
        """Global consumer's risk: bad and accepted (JCGM 106, 9.5.2)."""
        return self.passed_low + self.passed_high

    @property
    def producer(self) -> float:
        """Global producer's risk: good and rejected (JCGM 106, 9.5.2)."""
        return self.condemned_low + self.condemned_high


def global_risk(
    process_mean: float,
    process_sd: float,
    bias: float,
    sd: float,
    *,
    limits: tuple[float, float],
    acceptance: tuple[float, float] | None = None,
) -> GlobalRisk:
    """Shares of all items that a measurement passes or condemns wrongly.

    True values are normal, `x ~ N(process_mean, process_sd**2)`; a measurement of one gives
    `y ~ N(x + bias, sd**2)`, and the item is accepted if `y` lies within `acceptance`. The shares
    are those of the bivariate normal distribution of `(x, y)`, exact by the function T of Owen
    (1956); JCGM 106:2012, 9.5, with a bias.

    Parameters
    ----------
    process_mean, process_sd
        of the true values.
    bias, sd
        of one measurement.
    limits
        tolerance limits, lower and upper; one may be infinite.
    acceptance
        acceptance limits; None: the tolerance limits (simple acceptance).

    Returns
    -------
    GlobalRisk
        All numbers in one unit make shares between 0 and 1.

    Raises
    ------
    OptionError
        a standard deviation is negative, a number not finite, or limits are not in order.
    ImportError
        SciPy is not installed.

    Examples
    --------
    Resistors of 1500 ohm, tolerance 0.2 ohm, guarded by 0.02 ohm (JCGM 106:2012, 9.5).

    >>> limits, acceptance = (1499.8, 1500.2), (1499.82, 1500.18)
    >>> risk = global_risk(1500.0, 0.12, 0.0, 0.04, limits=limits, acceptance=acceptance)
    >>> round(risk.consumer, 2), round(risk.producer, 2)
    (0.01, 0.07)
    """
    for option, number in (("process_sd", process_sd), ("sd", sd)):
        if not 0.0 <= check_number(option, number) < np.inf:
            raise OptionError(option, number, ["a finite number, 0 or above"])
    for option, number in (("process_mean", process_mean), ("bias", bias)):
        if not np.isfinite(check_number(option, number)):
            raise OptionError(option, number, ["a finite number"])
    accepted = limits if acceptance is None else acceptance
    for option, pair in (("limits", limits), ("acceptance", accepted)):
        low, high = check_pair(option, pair, "(lower, upper)")
        if not low <= high:
            raise OptionError(option, pair, ["(lower, upper), in this order"])
    found = risks(process_mean, process_sd, bias, sd, limits=limits, acceptance=accepted)
    return GlobalRisk(*(float(share) for share in found))


def risks(
    mean: Any,
    process_sd: Any,
    bias: Any,
    sd: Any,
    *,
    limits: tuple[float, float],
    acceptance: tuple[float, float],
) -> tuple[Floats, ...]:
    """`global_risk` of arrays of any shapes that go together, in the order of `GlobalRisk`.

    Examples
    --------
    >>> shares = risks(0.0, 1.0, 0.0, np.array([0.0, 0.1]), limits=(-2, 2), acceptance=(-2, 2))
    >>> bool(shares[2][0] < 1e-9), round(float(shares[2][1]), 4)
    (True, 0.0019)
    """
    special = need_studies("global_risk").special
    (low, high), (from_, to) = limits, acceptance
    # A spread of nothing is one that cannot be seen: the limit of the formulas, without a 0 / 0.
    tiny = 1e-13 * (np.abs(mean) + np.abs(bias) + process_sd + sd) + 1e-300
    s, e = np.maximum(process_sd, tiny), np.maximum(sd, tiny)
    whole = np.hypot(s, e)

    def true(x: Any) -> Floats:
        at: Floats = np.clip((x - mean) / s, -_FAR, _FAR)
        return at

    def told(y: Any) -> Floats:
        at: Floats = np.clip((y - mean - bias) / whole, -_FAR, _FAR)
        return at

    def both(x: Any, y: Any) -> Floats:
        return _both_below(true(x), told(y), s / whole, e / whole, special)

    ndtr = special.ndtr
    accepted = ndtr(told(to)) - ndtr(told(from_))
    good = ndtr(true(high)) - ndtr(true(low))
    low_to, low_from, high_to, high_from = (
        both(low, to),
        both(low, from_),
        both(high, to),
        both(high, from_),
    )
    shares = (
        ndtr(true(low)),
        ndtr(-true(high)),
        low_to - low_from,
        accepted - (high_to - high_from),
        high_from - low_from,
        good - (high_to - low_to),
    )
    return tuple(np.clip(share, 0.0, 1.0) for share in shares)


def _both_below(h: Floats, k: Floats, rho: Floats, rest: Floats, special: Any) -> Floats:
    """`P(X < h, Y < k)`, standard normal with correlation `rho`; `rest` is `sqrt(1 - rho**2)`.

    Owen (1956), Annals of Mathematical Statistics 27, 1075-1090, eq. 3.1.
    """
    with np.errstate(over="ignore"):
        h, k = np.where(h == 0.0, 1e-300, h), np.where(k == 0.0, 1e-300, k)
        first = special.owens_t(h, (k - rho * h) / (h * rest))
        second = special.owens_t(k, (h - rho * k) / (k * rest))
    apart = np.where(np.sign(h) != np.sign(k), 0.5, 0.0)
    whole: Floats = 0.5 * (special.ndtr(h) + special.ndtr(k)) - first - second - apart
    return whole
