"""A straight line of one method against another, and the points that it is fitted to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .._errors import OptionError, check_share


@dataclass(frozen=True)
class Line:
    """A straight line `y = intercept + slope x`.

    Attributes
    ----------
    intercept, slope
        of the line.
    u_intercept, u_slope, covariance
        standard uncertainties and their covariance; None for `passing_bablok`, which has intervals
        alone.
    intercept_low, intercept_high, slope_low, slope_high
        intervals; infinite on a side that the points do not bound.
    chi2, dof, p_value
        whether the points lie on a line within their uncertainties; None for `passing_bablok`.
    n
        points used.
    kind
        `deming` | `passing_bablok`.
    excess_sd
        scatter of `y` beyond its uncertainties; None where it was not asked for.
    linear_p
        whether the points lie on a line at all: the cusum test of `passing_bablok`; small where
        they bend.
    status
        `ok`, or why there is no line.

    Examples
    --------
    >>> Line("deming", 2, "too_few_samples").slope is None
    True
    """

    kind: str
    n: int
    status: str
    intercept: float | None = None
    slope: float | None = None
    u_intercept: float | None = None
    u_slope: float | None = None
    covariance: float | None = None
    intercept_low: float | None = None
    intercept_high: float | None = None
    slope_low: float | None = None
    slope_high: float | None = None
    chi2: float | None = None
    dof: int | None = None
    p_value: float | None = None
    excess_sd: float | None = None
    linear_p: float | None = None


def no_line(kind: str, n: int, status: str) -> Line:
    """A line that the points do not tell.

    Examples
    --------
    >>> no_line("deming", 2, "too_few_samples").status
    'too_few_samples'
    """
    return Line(kind, n, status)


def checked_points(confidence: float, **given: Any) -> list[NDArray[Any]]:
    """Arrays of one length, without the points that lack a number.

    Examples
    --------
    >>> [column.tolist() for column in checked_points(0.95, x=[1.0, None, 3.0], u_x=0.1)]
    [[1.0, 3.0], [0.1, 0.1]]
    """
    check_share("confidence", confidence)
    columns = {name: _numbers(name, values) for name, values in given.items()}
    size = max(column.size for column in columns.values())
    for name, column in columns.items():
        if column.ndim > 1 or (column.ndim == 1 and column.size != size):
            raise OptionError(name, column.shape, [f"a number, or {size} in a row"])
    table = np.stack([np.broadcast_to(column, size) for column in columns.values()])
    return list(table[:, np.isfinite(table).all(axis=0)])


def _numbers(name: str, values: Any) -> NDArray[Any]:
    try:
        return np.asarray(values, dtype=float)
    except (TypeError, ValueError):
        raise OptionError(name, values, ["a number, or numbers in a row"]) from None
