"""Log-location-scale life distributions: likelihood of censored, truncated lives, and its limits.

With `z = (log t - x'b) / sigma`: Weibull, `log S = -exp(z)`, shape `1/sigma`; lognormal,
`S = Phi(-z)`. A failure on a known day gives its density, one between two days the difference of
`S`, a survivor its `S`; late entry divides by `S` at the entry (Lawless 2003, chapters 2 and 5).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from ..methods._results import need_studies
from ._observed import Observed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

Family = Literal["weibull", "lognormal"]

#: Bounds of log sigma: shapes from a fiftieth to some thousand are no longer told apart from none.
_STEEP: Final = -7.0
_FLAT: Final = 4.0
#: Far ends of a limit, in log years from the estimate.
_FAR: Final = 60.0
_STEPS: Final = 100
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

    def at(self, theta: Floats) -> tuple[float, Floats, Floats]:
        """Value, gradient and Hessian."""
        sigma, at = np.exp(theta[-1]), self.design @ theta[:-1]
        value = 0.0
        gradient, hessian = np.zeros(theta.size), np.zeros((theta.size, theta.size))

        def standard(t: Floats, keep: NDArray[np.bool_]) -> Floats:
            made: Floats = (np.log(t[keep]) - at[keep]) / sigma
            return made

        def add(keep: NDArray[np.bool_], z: Floats, first: Floats, second: Floats) -> None:
            x = self.design[keep] / sigma
            dz = np.column_stack([-x, -z])
            gradient[:] += dz.T @ first
            hessian[:] += dz.T @ (second[:, None] * dz)
            hessian[:-1, -1] += x.T @ first
            hessian[-1, :-1] += x.T @ first
            hessian[-1, -1] += float(z @ first)

        with np.errstate(all="ignore"):
            exact = self.seen.exact
            z = standard(self.seen.low, exact)
            value += float(np.sum(log_density(self.family, z) - np.log(self.seen.low[exact])))
            value -= float(theta[-1] * z.size)
            gradient[-1] -= z.size
            add(exact, z, *log_density_slope(self.family, z))
            value += self._between(theta, standard, add, hessian)
            late = self.seen.entry > 0.0
            z = standard(self.seen.entry, late)
            lived = log_survival(self.family, z)
            hazard = np.exp(log_density(self.family, z) - lived)
            value -= float(lived.sum())
            add(late, z, hazard, hazard * log_density_slope(self.family, z)[0] + hazard**2)
        return value, gradient, hessian

    def _between(
        self, theta: Floats, standard: Callable[..., Floats], add: Callable[..., None],
        hessian: Floats,
    ) -> float:  # fmt: skip
        """Lives that ended between two days, or after one; their part of the value."""
        inside = ~self.seen.exact
        begun, ended = self.seen.low > 0.0, np.isfinite(self.seen.high)
        low, high = inside & begun, inside & ended
        n = self.seen.n
        z_low, z_high = np.full(n, -np.inf), np.full(n, np.inf)
        z_low[low], z_high[high] = standard(self.seen.low, low), standard(self.seen.high, high)
        lived, outlived = np.zeros(n), np.full(n, -np.inf)
        lived[low] = log_survival(self.family, z_low[low])
        outlived[high] = log_survival(self.family, z_high[high])
        log_share = lived + np.log(-np.expm1(outlived - lived))
        sides: dict[str, tuple[Floats, Floats]] = {}
        for name, keep, z, sign in (("low", low, z_low, -1.0), ("high", high, z_high, 1.0)):
            part = np.exp(log_density(self.family, z[keep]) - log_share[keep])
            slope = log_density_slope(self.family, z[keep])[0]
            add(keep, z[keep], sign * part, sign * part * slope - part**2)
            full = np.zeros(n)
            full[keep] = part
            sides[name] = (full, z)
        both = low & high
        weight = (sides["low"][0] * sides["high"][0])[both]
        x = self.design[both] / np.exp(theta[-1])
        d_low = np.column_stack([-x, -z_low[both]])
        d_high = np.column_stack([-x, -z_high[both]])
        cross = d_low.T @ (weight[:, None] * d_high)
        hessian += cross + cross.T
        return float(log_share[inside].sum())

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
        free, value, _ = _climb(of, start[1:].copy(), moving)
        return np.concatenate([[at - z * np.exp(free[-1])], free]), value

    def profile_parameter(self, index: int, value: float, start: Floats) -> tuple[Floats, float]:
        """The best `theta` with this value in one place."""
        begun = start.copy()
        begun[index] = value
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
            tried[-1] = min(max(tried[-1], _STEEP), _FLAT)
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


def at_bound(log_sigma: float) -> bool:
    """Whether the search ran to an end of what can be told.

    Examples
    --------
    >>> at_bound(0.0), at_bound(-7.0)
    (False, True)
    """
    return not _STEEP + 1e-6 < log_sigma < _FLAT - 1e-6


def limit(
    drop: Callable[[float], float], centre: float, direction: float, step: float, allowed: float
) -> float | None:
    """Where `drop`, twice the loss of log likelihood from the top, reaches `allowed`.

    None where it never does.

    Examples
    --------
    >>> round(limit(lambda x: x * x, 0.0, 1.0, 0.1, 4.0), 6)
    2.0
    """
    optimize = need_studies("life.fit").optimize
    inner, outer = centre, centre + direction * step
    while drop(outer) < allowed:
        inner, step = outer, 1.6 * step
        outer += direction * step
        if abs(outer - centre) > _FAR:
            return None
    made: float = optimize.brentq(lambda x: drop(x) - allowed, inner, outer, xtol=1e-10)
    return made
