"""Results of several switches and their uncertainties, as numbers of a sample."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from numbers import Real
from typing import TYPE_CHECKING, Any

import numpy as np

from .._errors import OptionError, check_number
from ._pivots import Pivots
from ._spread import spread_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Sample:
    """Mean and spread of results, and what of the spread is the measurement's.

    Attributes
    ----------
    values, own
        results that are there, ascending, and their own standard uncertainties.
    status
        `ok`, `too_few_samples` (fewer than 2), `bad_value` (an infinite result, an uncertainty
        below zero), `zero_spread` (all results alike and no uncertainty).
    """

    values: Floats
    own: Floats
    status: str

    @classmethod
    def of(cls, values: Iterable[Any], u: Any = None) -> Sample:
        """A sample; results without a value, or without uncertainty beside others, are left out.

        Raises
        ------
        OptionError
            `values` or `u` are no numbers, or not as many.

        Examples
        --------
        >>> sample = Sample.of([58.0, 60.0, None, 62.0], u=1.0)
        >>> sample.n, sample.mean, sample.sd
        (3, 60.0, 1.732...)
        """
        y = _numbers("values", values)
        if isinstance(u, Real):
            check_number("u", u)
        given = _numbers("u", [u] * y.size if u is None or isinstance(u, Real) else u)
        if given.size != y.size:
            raise OptionError("u", given.size, [f"one number, or {y.size} numbers as of values"])
        own = np.zeros(y.size) if u is None else given
        there = ~(np.isnan(y) | np.isnan(own))
        y, own = y[there], own[there]
        order = np.argsort(y, kind="stable")
        y, own = y[order], own[order]
        if not (np.isfinite(y).all() and np.isfinite(own).all() and (own >= 0.0).all()):
            return cls(values=y, own=own, status="bad_value")
        if y.size < 2:
            return cls(values=y, own=own, status="too_few_samples")
        apart = max(float(np.ptp(y)), float(own.max()))
        told = apart > 1e-12 * float(np.abs(y).max())
        return cls(values=y, own=own, status="ok" if told else "zero_spread")

    @property
    def n(self) -> int:
        """Number of results."""
        return self.values.size

    @cached_property
    def mean(self) -> float | None:
        """Estimate of the mean; None where there is nothing to take it of."""
        if self.status == "ok":
            return self.pivots().mean
        return float(self.values.mean()) if self.n and self.status != "bad_value" else None

    @cached_property
    def sd(self) -> float | None:
        """Estimated standard deviation of the true values, 0 where the tests explain it all."""
        if self.status == "ok":
            return self.pivots().sd
        return 0.0 if self.status == "zero_spread" else None

    def pivots(self, common_u: float = 0.0, group: NDArray[np.intp] | None = None) -> Pivots:
        """What the sample says of mean and spread of the true values, within groups if given."""
        one = np.zeros(self.n, dtype=np.intp) if group is None else group
        return Pivots(spread=spread_of(self.values, self.own, one), common_u=common_u)


def check_u(option: str, value: object) -> float:
    """An uncertainty that an option was given: a number not below 0, or `OptionError`."""
    number = check_number(option, value)
    if not 0.0 <= number < math.inf:
        raise OptionError(option, value, ["a finite number, 0 or above"])
    return number


def _numbers(option: str, values: object) -> Floats:
    allowed = ["a list of numbers, None where there is none"]
    if isinstance(values, (str, bytes)) or not isinstance(values, Iterable):
        raise OptionError(option, values, allowed)
    try:
        found = [math.nan if one is None else float(one) for one in values]
    except (TypeError, ValueError):
        raise OptionError(option, values, allowed) from None
    return np.array(found, dtype=np.float64)
