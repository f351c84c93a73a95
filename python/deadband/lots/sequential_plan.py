"""Sequential sampling plans by attributes: one switch after another, until it is clear."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import polars as pl

from .._errors import DeadbandError, OptionError, check_count, check_number
from ._risks import Points, at_most
from .attributes_plan import attributes_plan
from .classification import Classification, Measurement, Test, check_test, fractions_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

Decision = Literal["accept", "reject", "continue"]

#: Multiples of the single plan's sample at which testing may end.
_ENDS: Final = (1.5, 2.0, 3.0)
#: By how much the lines are set for smaller risks, until the exact ones are small enough.
_TIGHTER: Final = 0.93
#: Tests of a single plan beyond which no sequence of them is worked out.
_MOST: Final = 20_000


@dataclass(frozen=True, kw_only=True)
class SequentialPlan:
    """Test switches one by one, between two parallel lines (Wald 1947).

    After `n` tests with `d` nonconforming the lot is accepted if `d <= slope * n -
    accept_intercept` and rejected if `d >= slope * n + reject_intercept`; after `n_most` tests at
    the latest, when it is accepted if `d <= c_most`.

    Attributes
    ----------
    slope, accept_intercept, reject_intercept
        of the lines, intercepts above zero.
    n_most, c_most
        where testing ends, and the acceptance number there.

    Raises
    ------
    OptionError
        a number is out of range.

    Examples
    --------
    >>> plan = SequentialPlan(
    ...     slope=0.04, accept_intercept=0.94, reject_intercept=1.2, n_most=78, c_most=3
    ... )
    >>> plan.decision(10, 0), plan.decision(24, 0), plan.decision(10, 2)
    ('continue', 'accept', 'reject')
    """

    slope: float
    accept_intercept: float
    reject_intercept: float
    n_most: int
    c_most: int

    def __post_init__(self) -> None:
        for option in ("slope", "accept_intercept", "reject_intercept"):
            value = getattr(self, option)
            if not 0.0 < check_number(option, value) < math.inf:
                raise OptionError(option, value, ["a finite number above 0"])
        check_count("n_most", self.n_most, 1)
        check_count("c_most", self.c_most, 0)
        if self.c_most >= self.n_most:
            raise OptionError("c_most", self.c_most, [f"a whole number below {self.n_most}"])

    def accept_at_most(self, n: int) -> int:
        """Largest number of nonconforming ones at which `n` tests accept; -1: none does yet."""
        if n >= self.n_most:
            return self.c_most
        return max(math.floor(self.slope * n - self.accept_intercept + 1e-9), -1)

    def reject_at_least(self, n: int) -> int:
        """Smallest number of nonconforming ones at which `n` tests reject."""
        if n >= self.n_most:
            return self.c_most + 1
        return math.ceil(self.slope * n + self.reject_intercept - 1e-9)

    def decision(self, n: int, nonconforming: int) -> Decision:
        """What to do after `n` tests.

        Raises
        ------
        OptionError
            a number is no count, or more do not conform than were tested.
        """
        check_count("n", n, 0)
        if check_count("nonconforming", nonconforming, 0) > n:
            raise OptionError("nonconforming", nonconforming, [f"a whole number up to n = {n}"])
        if nonconforming >= self.reject_at_least(n):
            return "reject"
        return "accept" if nonconforming <= self.accept_at_most(n) else "continue"

    def lines(self) -> pl.DataFrame:
        """A row a test: `n`, `accept_at_most` and `reject_at_least`; null where none does yet."""
        n = list(range(1, self.n_most + 1))
        accept = [self.accept_at_most(one) for one in n]
        reject = [self.reject_at_least(one) for one in n]
        return pl.DataFrame(
            {
                "n": n,
                "accept_at_most": [None if one < 0 else one for one in accept],
                "reject_at_least": [
                    None if one > at else one for one, at in zip(reject, n, strict=True)
                ],
            },
            schema=dict.fromkeys(("n", "accept_at_most", "reject_at_least"), pl.Int32),
        )

    def p_accept(self, fraction: Any, *, test: Test | None = None) -> Floats:
        """Probability that a lot is accepted, exact, the end at `n_most` included.

        Parameters
        ----------
        fraction
            true fraction nonconforming, a number or an array, of a lot much larger than `n_most`.
        test
            a `Measurement` or `Classification` that errs; None: every switch is judged rightly.

        Raises
        ------
        OptionError
            a fraction is none, or the test neither of these.
        """
        return self._run(fraction, test)[0]

    def average_tests(self, fraction: Any, *, test: Test | None = None) -> Floats:
        """Mean number of tests until the decision, exact (average sample number, ASN)."""
        return self._run(fraction, test)[1]

    def _run(self, fraction: Any, test: Test | None) -> tuple[Floats, Floats]:
        p = fractions_of(fraction)
        shape = p.shape
        check_test(test, Measurement, Classification)
        p = (p if test is None else test.apparent(p)).reshape(-1, 1)
        width = self.reject_at_least(self.n_most - 1) + 1
        undecided = np.zeros((p.shape[0], max(width, self.c_most + 2)))
        undecided[:, 0] = 1.0
        accepted, tests = np.zeros(p.shape[0]), np.zeros(p.shape[0])
        for n in range(1, self.n_most + 1):
            tests += undecided.sum(axis=1)
            good = undecided * (1.0 - p)
            good[:, 1:] += undecided[:, :-1] * p
            low, high = self.accept_at_most(n), self.reject_at_least(n)
            accepted += good[:, : low + 1].sum(axis=1)
            good[:, : low + 1] = 0.0
            good[:, high:] = 0.0
            undecided = good
        return np.clip(accepted, 0.0, 1.0).reshape(shape), tests.reshape(shape)


def sequential_plan(
    *,
    producer_fraction: float,
    consumer_fraction: float,
    producer_risk: float = 0.05,
    consumer_risk: float = 0.10,
) -> SequentialPlan:
    """A sequential probability ratio plan that meets two points.

    With `g = ln(p2 / p1) + ln((1 - p1) / (1 - p2))` the lines have the slope `ln((1 - p1) / (1 -
    p2)) / g` and the intercepts `ln((1 - alpha) / beta) / g` and `ln((1 - beta) / alpha) / g` (Wald
    1947). Testing ends at one and a half times the sample of the single plan, later or with
    wider lines where the exact risks of the plan that ends there would be larger than asked for.

    Parameters
    ----------
    producer_fraction, producer_risk
        a lot that good is rejected with at most this probability.
    consumer_fraction, consumer_risk
        a lot that bad is accepted with at most this probability.

    Returns
    -------
    SequentialPlan

    Raises
    ------
    OptionError
        a number is out of range, or the consumer's fraction is not above the producer's.
    DeadbandError
        the points are so near each other that a single plan would take 20000 tests.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> points = {"producer_fraction": 0.01, "consumer_fraction": 0.10}
    >>> plan = sequential_plan(**points)
    >>> round(plan.slope, 4), round(float(plan.average_tests(0.01)), 1)
    (0.0397, 29.9)
    >>> attributes_plan(**points).n
    52
    """
    points = Points.of(producer_fraction, producer_risk, consumer_fraction, consumer_risk)
    single = attributes_plan(
        producer_fraction=producer_fraction, producer_risk=producer_risk,
        consumer_fraction=consumer_fraction, consumer_risk=consumer_risk,
    )  # fmt: skip
    if single.n > _MOST:
        raise DeadbandError(
            "no_plan", f"a single plan would take {single.n} tests",
            location="option consumer_fraction", advice="set the points further apart",
        )  # fmt: skip
    plan = _lines(points, 1.0, math.ceil(_ENDS[0] * single.n))
    for end in _ENDS:
        for less in (0, 1):
            plan = _lines(points, 1.0, math.ceil(end * single.n), less)
            if _meets(plan, points):
                return plan
    scale = 1.0
    while not _meets(plan, points):
        scale *= _TIGHTER
        plan = _lines(points, scale, math.ceil(_ENDS[-1] * single.n))
        if scale < 1e-3:
            raise DeadbandError(
                "no_plan", "no lines meet the points", location="option consumer_fraction",
                advice="take a single plan: attributes_plan",
            )  # fmt: skip
    return plan


def _lines(points: Points, scale: float, n_most: int, less: int = 0) -> SequentialPlan:
    p1, p2 = points.producer_fraction, points.consumer_fraction
    alpha, beta = scale * points.producer_risk, scale * points.consumer_risk
    fall = math.log((1.0 - p1) / (1.0 - p2))
    whole = math.log(p2 / p1) + fall
    slope = fall / whole
    return SequentialPlan(
        slope=slope,
        accept_intercept=math.log((1.0 - alpha) / beta) / whole,
        reject_intercept=math.log((1.0 - beta) / alpha) / whole,
        n_most=n_most,
        c_most=max(math.floor(slope * n_most) - less, 0),
    )


def _meets(plan: SequentialPlan, points: Points) -> bool:
    good, bad = plan.p_accept([points.producer_fraction, points.consumer_fraction])
    return points.good_accepted(float(good)) and at_most(float(bad), points.consumer_risk)
