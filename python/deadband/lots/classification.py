"""What a test makes of a fraction: good switches condemned, bad ones passed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .._errors import OptionError, check_number
from ..methods._global_risk import risks
from ..methods._results import need_studies
from ._sample import check_u

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Classification:
    """How often a test classifies a switch wrongly, whatever its true value.

    `apparent = p * (1 - p_passed_of_bad) + (1 - p) * p_condemned_of_good`. The two shares are
    those of `methods.misjudgement` (`p_passed_of_unsafe`, `p_condemned_of_good`). They hold for the
    fleet in which they were found: in a lot whose bad switches lie far off fewer are passed.

    Attributes
    ----------
    p_passed_of_bad
        share of the nonconforming switches that the test passes.
    p_condemned_of_good
        share of the conforming switches that it condemns.

    Raises
    ------
    OptionError
        a share is not one, or both together are 1 or more: such a test tells nothing.

    Examples
    --------
    >>> test = Classification(p_passed_of_bad=0.1, p_condemned_of_good=0.02)
    >>> round(float(test.apparent(0.05)), 3)
    0.064
    """

    p_passed_of_bad: float = 0.0
    p_condemned_of_good: float = 0.0

    def __post_init__(self) -> None:
        for option in ("p_passed_of_bad", "p_condemned_of_good"):
            value = getattr(self, option)
            if not 0.0 <= check_number(option, value) < 1.0:
                raise OptionError(option, value, ["a share from 0 to below 1"])
        if self.p_passed_of_bad + self.p_condemned_of_good >= 1.0:
            raise OptionError("p_passed_of_bad", self.p_passed_of_bad,
                              ["a share that is less than 1 with p_condemned_of_good"])  # fmt: skip

    def apparent(self, fraction: Any) -> Floats:
        """Fraction that the test finds nonconforming where `fraction` truly is."""
        p = fractions_of(fraction)
        found: Floats = p * (1.0 - self.p_passed_of_bad) + (1.0 - p) * self.p_condemned_of_good
        return found

    def errors(self, fraction: Any) -> tuple[Floats, Floats]:
        """Share of the bad switches that pass and of the good ones that are condemned."""
        p = fractions_of(fraction)
        return np.full_like(p, self.p_passed_of_bad), np.full_like(p, self.p_condemned_of_good)


@dataclass(frozen=True, kw_only=True)
class Measurement:
    """A test that measures, and the normal lot that it measures.

    A lot of standard deviation `sd` with the fraction `p` below a limit has its mean `z(1 - p) sd`
    above it; a result has the variance `sd**2 + u**2` and is off by `bias`. It is found
    nonconforming below the limit plus the guard band: `apparent = Phi((z(p) sd + guard_band - bias)
    / sqrt(sd**2 + u**2))` (JCGM 106:2012, 9.5). For an upper limit, turn the sign of the bias.

    Attributes
    ----------
    sd
        standard deviation of the true values of a lot, in any one unit.
    u
        standard uncertainty of a result.
    bias
        mean error of a result, above zero where the test says too much.
    guard_band
        by how much the acceptance limit lies within the tolerance limit.

    Raises
    ------
    OptionError
        `sd` is not above zero, `u` is below, or a number is not finite.

    Examples
    --------
    >>> test = Measurement(sd=1.5, u=1.0)
    >>> [round(float(test.apparent(p)), 3) for p in (0.01, 0.05, 0.5)]
    [0.026, 0.086, 0.5]
    """

    sd: float
    u: float
    bias: float = 0.0
    guard_band: float = 0.0

    def __post_init__(self) -> None:
        if check_u("sd", self.sd) == 0.0:
            raise OptionError("sd", self.sd, ["a finite number above 0"])
        check_u("u", self.u)
        for option in ("bias", "guard_band"):
            value = getattr(self, option)
            if not math.isfinite(check_number(option, value)):
                raise OptionError(option, value, ["a finite number"])

    def apparent(self, fraction: Any) -> Floats:
        """Fraction that the test finds nonconforming where `fraction` truly is."""
        special = need_studies("the effect of a measurement").special
        score = special.ndtri(fractions_of(fraction)) * self.sd + self.guard_band - self.bias
        found: Floats = special.ndtr(score / math.hypot(self.sd, self.u))
        return found

    def errors(self, fraction: Any) -> tuple[Floats, Floats]:
        """Share of the bad switches that pass and of the good ones that are condemned."""
        special = need_studies("the effect of a measurement").special
        # A lot without bad or without good switches: the shares of one that hardly has any.
        p = np.clip(fractions_of(fraction), 1e-12, 1.0 - 1e-12)
        bad, _, passed, _, condemned, _ = risks(
            -special.ndtri(p) * self.sd, self.sd, self.bias, self.u,
            limits=(0.0, math.inf), acceptance=(self.guard_band, math.inf),
        )  # fmt: skip
        return np.minimum(passed / bad, 1.0), np.minimum(condemned / (1.0 - bad), 1.0)


Test = Classification | Measurement


def check_test(test: object, *kinds: type[Classification | Measurement]) -> None:
    """Raise `OptionError` unless `test` is None or of one of the kinds.

    Examples
    --------
    >>> check_test(Classification(), Classification, Measurement)
    >>> check_test(0.1, Classification)
    Traceback (most recent call last):
        ...
    deadband._errors.OptionError: option test: 0.1 cannot be; give None or a Classification
    """
    if test is not None and not isinstance(test, kinds):
        names = " or a ".join(kind.__name__ for kind in kinds)
        raise OptionError("test", test, [f"None or a {names}"])


def fractions_of(fraction: Any) -> Floats:
    """Fractions as an array, or `OptionError` where one is none.

    Examples
    --------
    >>> fractions_of([0.0, 0.5]).tolist()
    [0.0, 0.5]
    """
    try:
        p = np.asarray(fraction, dtype=np.float64)
    except (TypeError, ValueError):
        raise OptionError("fraction", fraction, ["shares from 0 to 1"]) from None
    if not ((p >= 0.0) & (p <= 1.0)).all():
        raise OptionError("fraction", fraction, ["shares from 0 to 1"])
    return p
