"""Single sampling plans by attributes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .._errors import DeadbandError, OptionError, check_count, check_share
from ..methods._results import need_studies
from ._risks import Points, at_most
from .classification import Classification, Measurement, Test, check_test, fractions_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Samples beyond any lot of switches.
_MOST = 1_000_000


@dataclass(frozen=True, kw_only=True)
class AttributesPlan:
    """Test `n` switches of a lot; accept it if at most `c` of them do not conform.

    Attributes
    ----------
    n, c
        sample size and acceptance number.
    lot_size
        switches of the lot, where the sample is no small part of it (hypergeometric distribution);
        None: binomial, a lot of a running production.

    Raises
    ------
    OptionError
        a number is no count, `c` is not below `n`, or the sample is larger than the lot.

    Examples
    --------
    >>> plan = AttributesPlan(n=52, c=3)
    >>> [round(float(share), 3) for share in plan.p_accept([0.01, 0.05, 0.10])]
    [0.998, 0.738, 0.223]
    """

    n: int
    c: int
    lot_size: int | None = None

    def __post_init__(self) -> None:
        check_count("n", self.n, 1)
        check_count("c", self.c, 0)
        if self.c >= self.n:
            raise OptionError("c", self.c, [f"a whole number below n = {self.n}"])
        if self.lot_size is not None:
            check_count("lot_size", self.lot_size, self.n)

    def p_accept(self, fraction: Any, *, test: Test | None = None) -> Floats:
        """Probability that a lot is accepted: the operating characteristic.

        Parameters
        ----------
        fraction
            true fraction nonconforming, a number or an array; of a lot of known size the nearest
            that it can have.
        test
            a `Measurement` or `Classification` that errs; None: every switch is judged rightly.

        Returns
        -------
        numpy.ndarray
            Of the shape of `fraction`.

        Raises
        ------
        OptionError
            a fraction is none, or the test neither of these.
        """
        check_test(test, Measurement, Classification)
        p = fractions_of(fraction)
        if self.lot_size is None:
            return _binomial(self.n, self.c, p if test is None else test.apparent(p))
        return self._of_lot(p, self.lot_size, test)

    def average_outgoing_fraction(
        self, fraction: Any, *, lot_size: int | None = None, test: Test | None = None
    ) -> Floats:
        """Mean fraction nonconforming after inspection, AOQ: rejected lots are tested whole.

        What is found nonconforming is replaced by good ones. `p_accept * p * (1 - n / lot_size)`
        with tests that do not err (Dodge & Romig 1959); with a test that errs, bad switches that it
        passes stay in.

        Parameters
        ----------
        fraction, test
            as in `p_accept`.
        lot_size
            switches of a lot; None: that of the plan, or the sample a negligible part of it.
        """
        p = fractions_of(fraction)
        size = self.lot_size if lot_size is None else check_count("lot_size", lot_size, self.n)
        tested = 0.0 if size is None else self.n / size
        accepted = self.p_accept(p, test=test)
        missed = np.zeros_like(p) if test is None else p * test.errors(p)[0]
        # Of all switches this share is tested: the sample, and the rest of rejected lots.
        share = tested + (1.0 - accepted) * (1.0 - tested)
        left: Floats = p * (1.0 - share) + missed * share
        return left

    def average_total_tests(
        self, fraction: Any, *, lot_size: int | None = None, test: Test | None = None
    ) -> Floats:
        """Mean number of tests a lot, ATI, where rejected lots are tested whole.

        Raises
        ------
        OptionError
            the lot's size is not known.
        """
        size = self.lot_size if lot_size is None else check_count("lot_size", lot_size, self.n)
        if size is None:
            raise OptionError("lot_size", lot_size, ["the number of switches of a lot"])
        rest: Floats = (1.0 - self.p_accept(fraction, test=test)) * (size - self.n)
        return self.n + rest

    def _of_lot(self, p: Floats, size: int, test: Test | None) -> Floats:
        special = need_studies("plans of small lots").special
        bad = np.rint(p * size)
        most = self.c if test is None else self.n
        found = np.arange(most + 1.0).reshape(-1, *[1] * p.ndim)
        # Binomial coefficients by their logarithms: bad of the sample, the rest of the lot.
        ways = (
            _log_choose(bad, found, special)
            + _log_choose(size - bad, self.n - found, special)
            - _log_choose(np.asarray(float(size)), self.n, special)
        )
        there = (found <= bad) & (self.n - found <= size - bad)
        share = np.where(there, np.exp(np.where(there, ways, 0.0)), 0.0)
        if test is not None:
            share *= [self._accepts(number, bad / size, test) for number in range(most + 1)]
        return np.asarray(np.minimum(share.sum(axis=0), 1.0))

    def _accepts(self, bad: int, fraction: Floats, test: Test) -> Floats:
        """Probability of at most `c` condemned, of a sample with so many bad switches."""
        passed, of_good = test.errors(fraction)
        total = np.zeros_like(fraction)
        for first in range(min(bad, self.c) + 1):
            rest = _binomial(self.n - bad, self.c - first, of_good)
            total += _binomial_pmf(bad, first, 1.0 - passed) * rest
        return total


def attributes_plan(
    *,
    consumer_fraction: float,
    consumer_risk: float = 0.10,
    producer_fraction: float | None = None,
    producer_risk: float = 0.05,
    c: int | None = None,
    lot_size: int | None = None,
) -> AttributesPlan:
    """The smallest single plan by attributes that meets two points, or one with `c` given.

    The smallest acceptance number of which a sample that is large enough for the consumer's point
    is small enough for the producer's. Without `producer_fraction` it is `c`, 0 if not given: the
    sample that shows, all of it conforming, that a lot is better than `consumer_fraction`.

    Parameters
    ----------
    consumer_fraction, consumer_risk
        a lot that bad is accepted with at most this probability.
    producer_fraction, producer_risk
        a lot that good is rejected with at most this probability.
    c
        acceptance number, instead of the producer's point.
    lot_size
        as in `AttributesPlan`; fractions are those nearest that a lot can have.

    Returns
    -------
    AttributesPlan

    Raises
    ------
    OptionError
        a number is out of range, or the consumer's fraction is not above the producer's.
    DeadbandError
        both `c` and a producer's point, or no plan within the lot or a million tests.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> plan = attributes_plan(producer_fraction=0.05, consumer_fraction=0.15, consumer_risk=0.075)
    >>> plan.n, plan.c
    (80, 7)
    >>> attributes_plan(consumer_fraction=0.10).n, attributes_plan(consumer_fraction=0.10, c=1).n
    (22, 38)
    """
    check_share("consumer_fraction", consumer_fraction)
    check_share("consumer_risk", consumer_risk)
    if lot_size is not None:
        check_count("lot_size", lot_size, 1)
    if producer_fraction is None:
        number = check_count("c", 0 if c is None else c, 0)
        return _smallest(number, consumer_fraction, consumer_risk, lot_size)
    if c is not None:
        raise DeadbandError(
            "bad_option", "two wishes at once", location="option c",
            advice="give c or producer_fraction",
        )  # fmt: skip
    points = Points.of(producer_fraction, producer_risk, consumer_fraction, consumer_risk)
    return _of_points(points, lot_size)


def _of_points(points: Points, lot_size: int | None) -> AttributesPlan:
    risk = (points.consumer_fraction, points.consumer_risk)

    def plan(c: int) -> AttributesPlan | None:
        """The plan with `c` if it meets both points."""
        found = _smallest(c, *risk, lot_size)
        share = float(found.p_accept(points.producer_fraction))
        return found if points.good_accepted(share) else None

    def ends(c: int) -> bool:
        try:
            return plan(c) is not None
        except DeadbandError:
            # Beyond the largest sample, as every larger acceptance number is.
            return True

    if lot_size is None:
        _check_reach(points)
    low, high = -1, 0
    while not ends(high):
        low, high = high, 2 * high + 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if ends(middle) else (middle, high)
    # Whole numbers make the producer's point come and go before it stays met: a sample that is
    # rounded up by one is worth so much of an acceptance number.
    good, bad = points.producer_fraction, points.consumer_fraction
    window = math.ceil(2.0 * good * bad / (bad - good)) + 2
    c = max(high - window, 0)
    while True:
        found = plan(c)
        if found is not None:
            return found
        c += 1


def _check_reach(points: Points) -> None:
    """Refuse points that are too near each other, by the normal approximation."""
    ndtri = need_studies("sampling plans").special.ndtri
    good, bad = points.producer_fraction, points.consumer_fraction
    scores = -float(ndtri(points.producer_risk)), -float(ndtri(points.consumer_risk))
    root = scores[0] * math.sqrt(good * (1.0 - good)) + scores[1] * math.sqrt(bad * (1.0 - bad))
    # Eight times: far out in the tails the approximation asks for up to twice as many.
    if (root / (bad - good)) ** 2 > 8.0 * _MOST and root > 0.0:
        raise _none_within(_MOST)


def _none_within(most: int) -> DeadbandError:
    return DeadbandError(
        "no_plan", f"no plan within a sample of {most} switches meets the points",
        location="option consumer_fraction",
        advice="allow more risk, set the points further apart, or test the whole lot",
    )  # fmt: skip


def _smallest(c: int, fraction: float, risk: float, lot_size: int | None) -> AttributesPlan:
    """The smallest sample of which `c` may be bad and the consumer's point is still met."""
    most = _MOST if lot_size is None else lot_size

    def meets(n: int) -> bool:
        plan = AttributesPlan(n=n, c=c, lot_size=lot_size)
        return at_most(float(plan.p_accept(fraction)), risk)

    low, high = c, min(2 * c + 1, most)
    while high <= c or not meets(high):
        if high >= most or high <= c:
            raise _none_within(most)
        low, high = high, min(2 * high, most)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if meets(middle) else (middle, high)
    return AttributesPlan(n=high, c=c, lot_size=lot_size)


def _binomial(n: int, c: int, p: Floats) -> Floats:
    """Probability of at most `c` of `n`."""
    if c >= n:
        return np.ones_like(p)
    bdtr = need_studies("sampling plans").special.bdtr
    found: Floats = np.asarray(bdtr(float(c), n, p))
    return found


def _binomial_pmf(n: int, x: int, p: Floats) -> Floats:
    special = need_studies("sampling plans").special
    ways = _log_choose(np.asarray(float(n)), x, special)
    found: Floats = np.exp(ways + special.xlogy(x, p) + special.xlog1py(n - x, -p))
    return found


def _log_choose(n: Floats, k: Floats | int, special: Any) -> Floats:
    rest = np.maximum(n - k, 0.0)
    found: Floats = special.gammaln(n + 1.0) - special.gammaln(k + 1.0) - special.gammaln(rest + 1)
    return found
