"""Results of several switches and their uncertainties, as numbers of a sample."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .._errors import OptionError, check_number
from ._pivots import Pivots

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Sample:
    """Mean and spread of results, and what of the spread is the measurement's.

    Attributes
    ----------
    values
        results that are there, ascending.
    mean, sd
        of the results; NaN where there are too few.
    u
        root mean square of the results' own standard uncertainties.
    dof
        of `sd**2`: `n - 1`, fewer where uncertainties differ much (Satterthwaite 1946).
    status
        `ok`, `too_few_samples` (fewer than 2), `bad_value` (an infinite result, an uncertainty
        below zero), `zero_spread` (all results alike and no uncertainty).
    """

    values: Floats
    mean: float
    sd: float
    u: float
    dof: float
    status: str

    @classmethod
    def of(cls, values: Iterable[Any], u: Iterable[Any] | float | None = None) -> Sample:
        """A sample; results without a value, or without uncertainty beside others, are left out.

        Examples
        --------
        >>> sample = Sample.of([58.0, 60.0, None, 62.0], u=1.0)
        >>> sample.values.size, sample.sd, sample.true_sd
        (3, 2.0, 1.732...)
        """
        y = _numbers(values)
        given = _numbers([u] * y.size if u is None or isinstance(u, (int, float)) else u)
        if given.size != y.size:
            raise OptionError("u", given.size, [f"one number, or {y.size} numbers as of values"])
        own = np.zeros(y.size) if u is None else given
        there = ~(np.isnan(y) | np.isnan(own))
        y, own = y[there], own[there]
        order = np.argsort(y, kind="stable")
        y, own = y[order], own[order]
        if not (np.isfinite(y).all() and np.isfinite(own).all() and (own >= 0.0).all()):
            return cls(values=y, mean=math.nan, sd=math.nan, u=math.nan, dof=0.0,
                       status="bad_value")  # fmt: skip
        if y.size < 2:
            mean = float(y[0]) if y.size else math.nan
            return cls(values=y, mean=mean, sd=math.nan, u=math.nan, dof=0.0,
                       status="too_few_samples")  # fmt: skip
        sd, rms = float(y.std(ddof=1)), float(np.sqrt((own**2).mean()))
        return cls(
            values=y, mean=float(y.mean()), sd=sd, u=rms, dof=_dof(sd, own),
            status="ok" if max(sd, rms) > 1e-12 * abs(float(y.mean())) else "zero_spread",
        )  # fmt: skip

    @property
    def n(self) -> int:
        """Number of results."""
        return self.values.size

    @property
    def true_sd(self) -> float:
        """Estimated standard deviation of the true values; 0 where the measurement is all of it."""
        return math.sqrt(max(self.sd**2 - self.u**2, 0.0))

    def pivots(self, common_u: float = 0.0) -> Pivots:
        """What the sample says of mean and spread of the true values."""
        return Pivots(mean=self.mean, sd=self.sd, n=self.n, dof=self.dof, u=self.u,
                      common_u=common_u)  # fmt: skip


def check_u(option: str, value: object) -> float:
    """An uncertainty that an option was given: a number not below 0, or `OptionError`."""
    number = check_number(option, value)
    if not 0.0 <= number < math.inf:
        raise OptionError(option, value, ["a finite number, 0 or above"])
    return number


def _numbers(values: Iterable[Any]) -> Floats:
    return np.array([math.nan if one is None else float(one) for one in values], dtype=np.float64)


def _dof(sd: float, own: Floats) -> float:
    """Degrees of freedom of a sample variance whose members have different variances."""
    n = own.size
    variance = max(sd**2 - float((own**2).mean()), 0.0) + own**2
    trace = (1.0 - 1.0 / n) * float(variance.sum())
    square = (1.0 - 2.0 / n) * float((variance**2).sum()) + (float(variance.sum()) / n) ** 2
    return trace**2 / square if square > 0.0 else n - 1.0
