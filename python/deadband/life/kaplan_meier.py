"""The share that survives where the day of every failure is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ._mid_p import beta_of, mid_p
from ._observed import Observed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Counts:
    """At each age at which any life failed: how many did, and how many could have.

    Examples
    --------
    >>> seen = Observed(np.zeros(3), np.array([1.0, 2.0, 3.0]), np.array([1.0, np.inf, 3.0]))
    >>> found = counts(seen)
    >>> found.years.tolist(), found.failed.tolist(), found.at_risk.tolist()
    ([1.0, 3.0], [1.0, 1.0], [3.0, 1.0])
    """

    years: Floats
    failed: Floats
    at_risk: Floats
    begin: Floats
    end: Floats
    gone: Floats

    def after(self, years: Floats) -> Floats:
        """How many are still seen right after an age."""
        come = np.searchsorted(self.begin, years, side="right")
        return np.maximum(come - self.gone[np.searchsorted(self.end, years, side="right")], 0.0)


def places(seen: Observed, parts: int) -> tuple[NDArray[np.intp], Floats]:
    """Lives and ages at which they end; of a failure within an interval `parts` ages, evenly.

    Examples
    --------
    >>> life, ages = places(Observed(np.zeros(2), np.array([1.0, 3.0]), np.array([2.0, 3.0])), 2)
    >>> life.tolist(), ages.tolist()
    ([0, 0, 1], [1.25, 1.75, 3.0])
    """
    inside = np.isfinite(seen.high) & ~seen.exact
    life = np.repeat(np.arange(seen.n), np.where(inside, parts, 1))
    share = np.full(life.size, 0.5)
    share[inside[life]] = np.tile((np.arange(parts) + 0.5) / parts, int(inside.sum()))
    high = np.where(np.isfinite(seen.high), seen.high, seen.low)[life]
    return life, (1.0 - share) * seen.low[life] + share * high


def counts(seen: Observed, parts: int = 1) -> Counts:
    """Failures and lives at risk, `entry < age <= end`; intervals count at their middle.

    With `parts` each failure within an interval is spread over so many ages in it.

    Examples
    --------
    >>> late = Observed(np.array([0.0, 1.5]), np.array([1.0, 3.0]), np.array([1.0, 3.0]))
    >>> counts(late).at_risk.tolist()
    [1.0, 1.0]
    """
    life, ends = places(seen, parts)
    weight = 1.0 / np.bincount(life, minlength=seen.n)[life]
    of_failures = np.isfinite(seen.high)[life]
    years, which = np.unique(ends[of_failures], return_inverse=True)
    failed = np.bincount(which, weights=weight[of_failures], minlength=years.size).astype(float)
    order = np.argsort(ends, kind="stable")
    begin, end = np.sort(seen.entry), ends[order]
    gone = np.concatenate([[0.0], np.cumsum(weight[order])])
    come = np.searchsorted(begin, years, side="left")
    # What rounding leaves is no life, and none fails that is not at risk.
    at_risk = np.maximum(come - gone[np.searchsorted(end, years, side="left")], failed)
    return Counts(years, failed, at_risk, begin, end, gone)


def kaplan_meier(
    seen: Observed, at: Floats | None, confidence: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Ages, the share surviving right after them, and its limits.

    `S = prod(1 - d/r)` (Kaplan and Meier 1958). Limits: the share surviving `d` failures of `r` at
    risk is a product of `Beta(r-d+1, d)` variables from above and, from below, of one more for the
    next failure; the product is taken as a beta variable with the same two moments, and either side
    has half the weight (beta product, mid-p; Fay, Brittain and Proschan 2013). They need no
    failures to tell something, and are the mid-p limits of a share where nothing is censored.

    Without `at` the ages are those of the failures and the last one seen. Beyond the last age seen
    the share is not a number and the lower limit 0.

    Examples
    --------
    >>> seen = Observed(
    ...     np.zeros(4), np.array([1.0, 2.0, 3.0, 3.0]), np.array([1.0, 2.0, np.inf, np.inf])
    ... )
    >>> years, share, low, high = kaplan_meier(seen, None, 0.95)
    >>> years.tolist(), share.tolist()
    ([1.0, 2.0, 3.0], [0.75, 0.5, 0.5])
    """
    table = counts(seen)
    last = float(table.end[-1])
    ages = np.unique(np.append(table.years, last)) if at is None else np.asarray(at, dtype=float)
    r, d = table.at_risk, table.failed
    place = np.searchsorted(table.years, ages, side="right")

    def product(factor: Floats) -> Floats:
        made: Floats = np.concatenate([[1.0], np.cumprod(factor)])[place]
        return made

    share = product(1.0 - d / r)
    mean = product((r - d + 1.0) / (r + 1.0))
    square = product((r - d + 1.0) * (r - d + 2.0) / ((r + 1.0) * (r + 2.0)))
    rest = table.after(ages)
    low_a, low_b = beta_of(mean * rest / (rest + 1.0), square * rest / (rest + 2.0))
    low, high = mid_p(low_a, low_b, *beta_of(mean, square), confidence)
    return ages, np.where((ages > last) & (share > 0.0), np.nan, share), low, high
