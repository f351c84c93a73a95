"""Producer's and consumer's points that a plan has to meet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from .._errors import OptionError, check_share

#: A probability that is above a risk by a smaller share is so by rounding.
_ALIKE: Final = 1e-9


@dataclass(frozen=True, kw_only=True)
class Points:
    """Two points of an operating characteristic.

    Attributes
    ----------
    producer_fraction, producer_risk
        a lot with this fraction nonconforming is rejected with at most this probability.
    consumer_fraction, consumer_risk
        a lot with this fraction nonconforming is accepted with at most this probability.

    Examples
    --------
    >>> points = Points.of(0.01, 0.05, 0.10, 0.10)
    >>> points.consumer_risk
    0.1
    """

    producer_fraction: float
    producer_risk: float
    consumer_fraction: float
    consumer_risk: float

    @classmethod
    def of(
        cls,
        producer_fraction: float,
        producer_risk: float,
        consumer_fraction: float,
        consumer_risk: float,
    ) -> Points:
        """The points, or `OptionError` where no plan could meet them."""
        check_share("producer_fraction", producer_fraction)
        check_share("consumer_fraction", consumer_fraction)
        check_share("producer_risk", producer_risk)
        check_share("consumer_risk", consumer_risk)
        if not producer_fraction < consumer_fraction:
            raise OptionError("consumer_fraction", consumer_fraction,
                              ["a share above producer_fraction"])  # fmt: skip
        if producer_risk + consumer_risk >= 1.0:
            raise OptionError("consumer_risk", consumer_risk,
                              ["a risk that is less than 1 with producer_risk"])  # fmt: skip
        return cls(
            producer_fraction=producer_fraction, producer_risk=producer_risk,
            consumer_fraction=consumer_fraction, consumer_risk=consumer_risk,
        )  # fmt: skip

    def good_accepted(self, share: float) -> bool:
        """Whether a good lot that is accepted with this probability is not rejected too often."""
        return at_most(1.0 - share, self.producer_risk)


def at_most(chance: float, risk: float) -> bool:
    """Whether a probability is no larger than a risk, but for rounding.

    Of small lots the probabilities are simple fractions, which a risk may equal: 2 of 20 at 0.1.

    Examples
    --------
    >>> at_most(0.1 + 1e-15, 0.1), at_most(0.1001, 0.1)
    (True, False)
    """
    return chance <= risk * (1.0 + _ALIKE)
