"""Single sampling plans by variables."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .._errors import DeadbandError, OptionError, check_count, check_flag, check_number
from ..methods._results import need_studies
from ._pivots import Pivots
from ._risks import Points, at_most
from .classification import Measurement, check_test, fractions_of
from .tolerance_factor import half_width

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Samples beyond any lot of switches.
_MOST = 1_000_000


@dataclass(frozen=True, kw_only=True)
class VariablesPlan:
    """Measure `n` switches; accept the lot if their mean is `k` standard deviations from the limit.

    For a lower limit: accept if `(mean - limit) / s >= k`; for an upper one `(limit - mean) / s`.
    The setpoints of a lot are taken for normal. A plan is for one limit: the unsafe and the
    nuisance side have each their own.

    Attributes
    ----------
    n, k
        sample size and acceptability constant (ISO 3951).
    sigma_known
        whether `s` is the known standard deviation of the production, not that of the sample.

    Raises
    ------
    OptionError
        a number is out of range: `n` is 2 or more, or 1 where sigma is known.

    Examples
    --------
    >>> plan = VariablesPlan(n=49, k=1.326538)
    >>> [round(float(share), 3) for share in plan.p_accept([0.05, 0.15])]
    [0.95, 0.074]
    >>> plan.accepts(mean=60.0, s=2.0, lower=57.0), plan.margin(mean=60.0, s=2.0, lower=57.0)
    (True, 1.5)
    """

    n: int
    k: float
    sigma_known: bool = False

    def __post_init__(self) -> None:
        check_flag("sigma_known", self.sigma_known)
        check_count("n", self.n, 1 if self.sigma_known else 2)
        if not math.isfinite(check_number("k", self.k)):
            raise OptionError("k", self.k, ["a finite number"])

    def p_accept(self, fraction: Any, *, test: Measurement | None = None) -> Floats:
        """Probability that a lot is accepted: the operating characteristic.

        `Phi(sqrt(n) (z(1 - p) - k))` where sigma is known, else one of the noncentral t
        distribution, `P(T(n - 1, sqrt(n) z(1 - p)) >= sqrt(n) k)`.

        Parameters
        ----------
        fraction
            true fraction nonconforming, a number or an array.
        test
            a `Measurement`, which widens the spread and may be off; None: values are known. The
            plan's `s` then is that of the results, or where sigma is known that of the true values.

        Raises
        ------
        OptionError
            a fraction is none, or the test no `Measurement`.
        """
        check_test(test, Measurement)
        special = need_studies("sampling plans").special
        score = np.asarray(-special.ndtri(fractions_of(fraction)))
        root, wider = math.sqrt(self.n), 1.0
        if test is not None:
            # Distances from the limit in standard deviations of the results.
            wider = math.hypot(test.sd, test.u) / test.sd
            score = score + (test.bias - test.guard_band) / test.sd
        if self.sigma_known:
            known: Floats = special.ndtr(root * (score - self.k) / wider)
            return known
        pivots = Pivots.of(0.0, 1.0, n=self.n)
        return _each(score / wider, lambda z: 1.0 - pivots.p_mean_below(lambda sd: self.k - z * sd))

    def margin(
        self, *, mean: float, s: float, lower: float | None = None, upper: float | None = None
    ) -> float:
        """Distance of a sample's mean from the limit, in standard deviations.

        Raises
        ------
        OptionError
            not one limit, `s` is not above zero, or a number is not finite.
        """
        if (lower is None) == (upper is None):
            raise OptionError("lower", lower, ["one limit, lower or upper"])
        if not 0.0 < check_number("s", s) < math.inf:
            raise OptionError("s", s, ["a finite number above 0"])
        option, limit = ("upper", upper) if lower is None else ("lower", lower)
        away = _finite("mean", mean) - _finite(option, limit)
        return (away if option == "lower" else -away) / s

    def accepts(
        self, *, mean: float, s: float, lower: float | None = None, upper: float | None = None
    ) -> bool:
        """Whether a sample's mean is far enough from the limit; errors as in `margin`."""
        return self.margin(mean=mean, s=s, lower=lower, upper=upper) >= self.k


def variables_plan(
    *,
    producer_fraction: float,
    consumer_fraction: float,
    producer_risk: float = 0.05,
    consumer_risk: float = 0.10,
    sigma_known: bool = False,
) -> VariablesPlan:
    """The smallest single plan by variables that meets two points.

    `k` is the largest that meets the producer's point, so that the consumer is no worse off than
    asked for. Sigma known: `n = ((z(1 - alpha) + z(1 - beta)) / (z(1 - p1) - z(1 - p2)))**2`,
    rounded up; else `n` by search with the noncentral t distribution (Resnikoff & Lieberman 1957).

    Parameters
    ----------
    producer_fraction, producer_risk
        a lot that good is rejected with at most this probability.
    consumer_fraction, consumer_risk
        a lot that bad is accepted with at most this probability.
    sigma_known
        whether the standard deviation is known from the production.

    Returns
    -------
    VariablesPlan

    Raises
    ------
    OptionError
        a number is out of range, or the consumer's fraction is not above the producer's.
    DeadbandError
        no plan within a million tests.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> points = {"producer_fraction": 0.05, "consumer_fraction": 0.15, "consumer_risk": 0.075}
    >>> known = variables_plan(**points, sigma_known=True)
    >>> known.n, round(known.k, 6)
    (26, 1.322271)
    >>> variables_plan(**points).n
    49
    """
    points = Points.of(producer_fraction, producer_risk, consumer_fraction, consumer_risk)
    check_flag("sigma_known", sigma_known)
    ndtri = need_studies("sampling plans").special.ndtri
    z_good, z_bad = (-float(ndtri(p)) for p in (points.producer_fraction, points.consumer_fraction))
    z_risk = -float(ndtri(points.producer_risk)) - float(ndtri(points.consumer_risk))
    known = (z_risk / (z_good - z_bad)) ** 2
    if not known <= _MOST / 8.0:
        raise DeadbandError(
            "no_plan", f"no sample of {_MOST} or fewer switches meets the points",
            location="option consumer_fraction",
            advice="allow more risk, or set the points further apart",
        )  # fmt: skip
    if sigma_known:
        n = max(math.ceil(known - 1e-9), 1)
        k = z_good + float(ndtri(points.producer_risk)) / math.sqrt(n)
        return VariablesPlan(n=n, k=k, sigma_known=True)
    return _unknown(points, max(math.ceil(known), 2))


def _unknown(points: Points, least: int) -> VariablesPlan:
    def plan(n: int) -> VariablesPlan:
        # The constant that a lot at the producer's point reaches with all but the risk.
        pivots = Pivots.of(0.0, 1.0, n=n)
        coverage = 1.0 - points.producer_fraction
        k = half_width(pivots, coverage, points.producer_risk, "upper")
        return VariablesPlan(n=n, k=k)

    def meets(n: int) -> bool:
        return at_most(float(plan(n).p_accept(points.consumer_fraction)), points.consumer_risk)

    low, high = 1, least
    while not meets(high):
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if meets(middle) else (middle, high)
    return plan(high)


def _finite(option: str, value: object) -> float:
    number = check_number(option, value)
    if not math.isfinite(number):
        raise OptionError(option, value, ["a finite number"])
    return number


def _each(scores: Floats, share: Callable[[float], float]) -> Floats:
    found = [share(float(score)) for score in scores.ravel()]
    return np.clip(np.array(found, dtype=np.float64).reshape(scores.shape), 0.0, 1.0)
