"""Log-location-scale life distributions: likelihood of censored, truncated lives, and its limits.

With `z = (log t - x'b) / sigma`: Weibull, `log S = -exp(z)`, shape `1/sigma`; lognormal,
`S = Phi(-z)`. A failure on a known day gives its density, one between two days the difference of
`S`, a survivor its `S`; late entry divides by `S` at the entry (Lawless 2003, chapters 2 and 5).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from ..methods._results import need_studies
from ._observed import Observed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

Family = Literal["weibull", "lognormal"]

#: Bounds of log sigma: shapes above a thousand and below a fiftieth tell nothing more.
STEEP: Final = -7.0
FLAT: Final = 4.0
_STEPS: Final = 100
_SPREADS: Final = np.linspace(-5.0, 3.0, 9)
#: Ages times draws that are held at once.
_AT_ONCE: Final = 1_000_000
_EXPONENT: Final = 300.0


def log_survival(family: Family, z: Floats) -> Floats:
    """Logarithm of the probability to live beyond `z`.

    Examples
    --------
    >>> log_survival("weibull", np.array([0.0]))
    array([-1.])
    """
    if family == "weibull":
        power: Floats = np.exp(np.minimum(z, _EXPONENT))
        return -power
    made: Floats = need_studies("life.fit").special.log_ndtr(-z)
    return made


def log_density(family: Family, z: Floats) -> Floats:
    """Logarithm of the density of `z`.

    Examples
    --------
    >>> log_density("weibull", np.array([0.0]))
    array([-1.])
    """
    if family == "weibull":
        power: Floats = np.exp(np.minimum(z, _EXPONENT))
        return z - power
    normal: Floats = -0.5 * z**2 - 0.5 * np.log(2.0 * np.pi)
    return normal


def log_density_slope(family: Family, z: Floats) -> tuple[Floats, Floats]:
    """First and second derivative of `log_density`.

    Examples
    --------
    >>> log_density_slope("lognormal", np.array([2.0]))
    (array([-2.]), array([-1.]))
    """
    if family == "weibull":
        power = np.exp(np.minimum(z, _EXPONENT))
        return 1.0 - power, -power
    return -z, -np.ones_like(z)


def standard_quantile(family: Family, share: Any) -> Any:
    """`z` below which the share has failed.

    Examples
    --------
    >>> round(float(standard_quantile("weibull", 0.1)), 4)
    -2.2504
    """
    if family == "weibull":
        return np.log(-np.log1p(-np.asarray(share, dtype=float)))
    return need_studies("life.fit").special.ndtri(share)


@dataclass(frozen=True)
class _Rows:
    """All ages that enter: days of failures, begins and ends of intervals, late entries."""

    design: Floats
    log_years: Floats
    exact: slice
    low: slice
    high: slice
    late: slice
    begun: Flags
    ended: Flags
    low_of_both: Flags
    high_of_both: Flags
    n_exact: int
    n_inside: int
    log_days: float

    @classmethod
    def of(cls, seen: Observed, design: Floats) -> _Rows:
        inside, late = ~seen.exact, seen.entry > 0.0
        begun, ended = seen.low[inside] > 0.0, np.isfinite(seen.high[inside])
        days = np.log(seen.low[seen.exact])
        parts = [
            (days, design[seen.exact]),
            (np.log(seen.low[inside][begun]), design[inside][begun]),
            (np.log(seen.high[inside][ended]), design[inside][ended]),
            (np.log(seen.entry[late]), design[late]),
        ]
        stops = np.cumsum([part[0].size for part in parts]).tolist()
        exact, low, high, entry = map(slice, [0, *stops[:-1]], stops)
        return cls(
            np.concatenate([part[1] for part in parts]),
            np.concatenate([part[0] for part in parts]),
            exact, low, high, entry, begun, ended, ended[begun], begun[ended],
            int(days.size), int(inside.sum()), float(days.sum()),
        )  # fmt: skip


@dataclass(frozen=True)
class Likelihood:
    """The log likelihood of `theta = (b, log sigma)` with both derivatives.

    The first column of `design` is one; `fixed` is a stated log sigma.

    Examples
    --------
    >>> seen = Observed(np.zeros(3), np.array([1.0, 2.0, 4.0]), np.array([1.0, 2.0, np.inf]))
    >>> model = Likelihood("weibull", seen, np.ones((3, 1)), fixed=0.0)
    >>> round(float(np.exp(model.maximum()[0][0])), 6)  # years lived over failures: 7 / 2
    3.5
    """

    family: Family
    seen: Observed
    design: Floats
    fixed: float | None = None

    @cached_property
    def _rows(self) -> _Rows:
        return _Rows.of(self.seen, self.design)

    def at(self, theta: Floats) -> tuple[float, Floats, Floats]:
        """Value, gradient and Hessian."""
        rows, sigma = self._rows, float(np.exp(theta[-1]))
        with np.errstate(all="ignore"):
            x = rows.design / sigma
            z = (rows.log_years - rows.design @ theta[:-1]) / sigma
            log_s, log_f = log_survival(self.family, z), log_density(self.family, z)
            slope, bend = log_density_slope(self.family, z)
            total, log_share = self._total(theta[-1], log_s, log_f)
            value = float(total)
            died = np.exp(log_f[rows.low] - log_share[rows.begun])
            died_by = np.exp(log_f[rows.high] - log_share[rows.ended])
            hazard = np.exp(log_f[rows.late] - log_s[rows.late])
            # First and second derivative by z, in the order of the rows.
            first = np.concatenate([slope[rows.exact], -died, died_by, hazard])
            second = np.concatenate(
                [
                    bend[rows.exact],
                    -died * slope[rows.low] - died**2,
                    died_by * slope[rows.high] - died_by**2,
                    hazard * slope[rows.late] + hazard**2,
                ]
            )
            dz = np.column_stack([-x, -z])
            gradient = first @ dz
            gradient[-1] -= rows.n_exact
            hessian = dz.T @ (second[:, None] * dz)
            mixed = first @ x
            hessian[:-1, -1] += mixed
            hessian[-1, :-1] += mixed
            hessian[-1, -1] += float(first @ z)
            both = (died[rows.low_of_both] * died_by[rows.high_of_both])[:, None]
            cross = dz[rows.low][rows.low_of_both].T @ (both * dz[rows.high][rows.high_of_both])
        return value, gradient, hessian + cross + cross.T

    def _total(self, log_sigma: Any, log_s: Floats, log_f: Floats) -> tuple[Floats, Floats]:
        """The log likelihood, and the log share of lives that end as each interval does."""
        rows = self._rows
        lived = np.zeros((*log_s.shape[:-1], rows.n_inside))
        outlived = np.full_like(lived, -np.inf)
        lived[..., rows.begun] = log_s[..., rows.low]
        outlived[..., rows.ended] = log_s[..., rows.high]
        log_share = lived + np.log(-np.expm1(outlived - lived))
        value = log_f[..., rows.exact].sum(axis=-1) - rows.log_days - log_sigma * rows.n_exact
        return value + log_share.sum(axis=-1) - log_s[..., rows.late].sum(axis=-1), log_share

    def values(self, thetas: Floats) -> Floats:
        """The log likelihood of each row of `thetas`; minus infinity where it is no number."""
        rows, made = self._rows, np.empty(thetas.shape[0])
        step = max(1, _AT_ONCE // max(rows.log_years.size, 1))
        for first in range(0, made.size, step):
            part = thetas[first : first + step]
            with np.errstate(all="ignore"):
                level = part[:, :-1] @ rows.design.T
                z = (rows.log_years - level) / np.exp(part[:, -1:])
                log_s, log_f = log_survival(self.family, z), log_density(self.family, z)
                made[first : first + step] = self._total(part[:, -1], log_s, log_f)[0]
        return np.where(np.isfinite(made), made, -np.inf)

    def start(self) -> Floats:
        """A place from which the search begins."""
        logs = np.log(np.maximum(self.seen.middle, 1e-9))
        failed = np.isfinite(self.seen.high)
        spread = float(np.std(logs[failed])) if failed.sum() > 2 else 0.5
        sigma = min(max(spread, 0.2), 2.0)
        share = min(max(float(failed.mean()), 0.02), 0.98)
        centre = float(np.median(logs[failed])) if failed.any() else float(logs.max())
        level = centre - sigma * float(standard_quantile(self.family, share / 2.0))
        theta = np.zeros(self.design.shape[1] + 1)
        theta[0], theta[-1] = level, np.log(sigma) if self.fixed is None else self.fixed
        return theta

    def maximum(self) -> tuple[Floats, float, Floats]:
        """The estimates, their log likelihood and the Hessian there."""
        free = np.arange(self.design.shape[1] + (self.fixed is None))
        theta, value, hessian = _climb(self.at, self.start(), free)
        return theta, value, hessian

    def profile(self, at: float, z: float, start: Floats) -> tuple[Floats, float]:
        """The best `theta` with the quantile of `z` at `log t = at`: `b0 = at - z sigma`."""

        def of(free: Floats) -> tuple[float, Floats, Floats]:
            sigma = np.exp(free[-1])
            whole = np.concatenate([[at - z * sigma], free])
            value, g, h = self.at(whole)
            jacobian = np.zeros((whole.size, free.size))
            jacobian[1:] = np.eye(free.size)
            jacobian[0, -1] = -z * sigma
            second = jacobian.T @ h @ jacobian
            second[-1, -1] += g[0] * -z * sigma
            return value, jacobian.T @ g, second

        moving = np.arange(start.size - 1 - (self.fixed is not None))
        tried = self._spreads(start)
        tried[:, 0] = at - z * np.exp(tried[:, -1])
        begun = tried[np.argmax(self.values(tried))]
        free, value, _ = _climb(of, begun[1:].copy(), moving)
        return np.concatenate([[at - z * np.exp(free[-1])], free]), value

    def _spreads(self, start: Floats) -> Floats:
        """The same with other spreads: intervals leave tops beside the one that is near."""
        if self.fixed is not None:
            alone: Floats = start[None].copy()
            return alone
        tried: Floats = np.repeat(start[None], _SPREADS.size + 1, axis=0)
        tried[1:, -1] = _SPREADS
        return tried

    def profile_parameter(self, index: int, value: float, start: Floats) -> tuple[Floats, float]:
        """The best `theta` with this value in one place."""
        tried = self._spreads(start)
        tried[:, index] = value
        begun = tried[np.argmax(self.values(tried))]
        free = np.delete(np.arange(start.size), index)
        theta, best, _ = _climb(self.at, begun, free[: None if self.fixed is None else -1])
        return theta, best


def _climb(
    of: Callable[[Floats], tuple[float, Floats, Floats]], theta: Floats, free: NDArray[np.intp]
) -> tuple[Floats, float, Floats]:
    """Newton's way up in the free coordinates, damped where the top is not yet near."""
    value, g, h = of(theta)
    damping = 0.0
    for _ in range(_STEPS):
        slope, bend = g[free], -h[np.ix_(free, free)]
        if not free.size or not np.isfinite(slope).all():
            break
        scale = np.maximum(np.abs(np.diag(bend)), 1e-8)
        step = _solve(bend + damping * np.diag(scale), slope)
        if step is None:
            damping = max(4.0 * damping, 1e-3)
            continue
        step = np.clip(step, -2.0, 2.0)
        tried = theta.copy()
        tried[free] += step
        if free[-1] == theta.size - 1:
            tried[-1] = min(max(tried[-1], STEEP), FLAT)
        new, g_new, h_new = of(tried)
        # What rounding leaves is no step down.
        if np.isfinite(new) and new >= value - 1e-12 * (1.0 + abs(value)):
            moved = float(np.max(np.abs(tried - theta)))
            theta, value, g, h = tried, new, g_new, h_new
            damping = 0.0 if damping < 1e-6 else 0.1 * damping
            if moved < 1e-10:
                break
        elif damping > 1e12:
            break
        else:
            damping = max(4.0 * damping, 1e-3)
    return theta, value, h


def _solve(matrix: Floats, right: Floats) -> Floats | None:
    """The solution, or None where the matrix is not positive definite."""
    try:
        np.linalg.cholesky(matrix)
    except np.linalg.LinAlgError:
        return None
    return np.linalg.solve(matrix, right).astype(float)


def limit(
    drop: Callable[[float], float], centre: float, step: float, allowed: float, *,
    end: float,
) -> float | None:  # fmt: skip
    """Where, from the centre towards an end, `drop` reaches `allowed`; None where it never does.

    `drop` is twice the loss of log likelihood from the top.

    Examples
    --------
    >>> round(limit(lambda x: x * x, 0.0, 0.1, 4.0, end=60.0), 6)
    2.0
    """
    optimize = need_studies("life.fit").optimize
    direction = 1.0 if end > centre else -1.0
    inner, outer = centre, centre + direction * step
    while True:
        outer = min(outer, end) if direction > 0.0 else max(outer, end)
        if drop(outer) >= allowed:
            break
        if outer == end:
            return None
        inner, step = outer, 1.6 * step
        outer += direction * step
    made: float = optimize.brentq(lambda x: drop(x) - allowed, inner, outer, xtol=1e-9)
    return made
