"""A straight line through points with known and unequal errors in both coordinates."""

from __future__ import annotations

from typing import Any, Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .._coverage import coverage_factor
from .._errors import check_option
from ._line import Line, checked_points, no_line
from ._results import need_studies

Array = NDArray[Any]
Beyond = Literal["nothing", "scale", "excess"]

_BEYOND: Final = ("nothing", "scale", "excess")
_ANGLES: Final = 181
_ROUNDS: Final = 200


class _Fit(NamedTuple):
    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    covariance: float
    chi2: float


def deming(
    x: Any,
    y: Any,
    u_x: Any,
    u_y: Any,
    *,
    beyond: Beyond = "nothing",
    confidence: float = 0.95,
) -> Line:
    """The line of least squares through points with known errors in both coordinates.

    Least `chi2 = sum (y - a - b x)2 / (u_y2 + b2 u_x2)`, errors independent, with the standard
    uncertainties of York et al. 2004. Equal uncertainties are Deming's case.

    Parameters
    ----------
    x, y
        coordinates of the points.
    u_x, u_y
        their standard uncertainties: one number, or one for each point. Both may be 0 at no point,
        unless `beyond="excess"`.
    beyond
        `nothing`: the uncertainties are all there is, intervals are normal. `scale`: they are known
        up to one common factor, `sqrt(chi2 / dof)`. `excess`: the points scatter along `y` by a
        further variance that is the same for all, such that `chi2 = dof` (as Paule and Mandel 1982
        for a mean); none where `chi2` is less without. The latter two have Student's t with `dof`,
        the last where there is an excess.
    confidence
        of the intervals.

    Returns
    -------
    Line
        `kind` is `deming`; `chi2` and `p_value` are those of the uncertainties as given. Points
        that lack a number are left out (`n`). Without a line all numbers are None and `status` is
        `too_few_samples` (under three points), `bad_value` (a negative or impossible uncertainty)
        or `zero_spread` (one level of `x` only).

    Raises
    ------
    OptionError
        an unknown `beyond`, a confidence out of range, or arrays of different lengths.

    References
    ----------
    York et al. 2004, Am. J. Phys. 72, 367.

    Examples
    --------
    >>> found = deming([1.0, 2.0, 3.0, 4.0], [1.1, 1.9, 3.2, 3.9], 0.1, 0.1)
    >>> round(found.slope, 3), round(found.u_slope, 3), found.dof
    (0.976, 0.063, 2)
    """
    check_option("beyond", beyond, _BEYOND)
    need_studies("deming")
    from scipy.special import chdtrc

    points = checked_points(confidence, x=x, y=y, u_x=u_x, u_y=u_y)
    at, value, along, across = points
    fault = _fault(at, along, across, beyond)
    if fault:
        return no_line("deming", at.size, fault)
    fit = _least(at, value, along, across)
    excess = 0.0
    used, dof = fit, float(at.size - 2)
    if beyond == "excess":
        excess = _excess(at, value, along, across)
        used = _least(at, value, along, np.sqrt(across**2 + excess))
    if used is None or (beyond != "excess" and fit is None):
        return no_line("deming", at.size, "zero_spread")
    scale = (used.chi2 / dof) ** 0.5 if beyond == "scale" else 1.0
    known = beyond == "nothing" or (beyond == "excess" and not excess)
    k = coverage_factor(np.inf if known else dof, confidence) * scale
    reach_a, reach_b = k * used.u_intercept, k * used.u_slope
    chi2 = None if fit is None else fit.chi2
    return Line(
        intercept=used.intercept, slope=used.slope,
        u_intercept=used.u_intercept * scale, u_slope=used.u_slope * scale,
        covariance=used.covariance * scale**2,
        intercept_low=used.intercept - reach_a, intercept_high=used.intercept + reach_a,
        slope_low=used.slope - reach_b, slope_high=used.slope + reach_b,
        chi2=chi2, dof=int(dof), p_value=None if chi2 is None else float(chdtrc(dof, chi2)),
        n=at.size, kind="deming", excess_sd=excess**0.5 if beyond == "excess" else None,
        status="ok",
    )  # fmt: skip


def _fault(x: Array, u_x: Array, u_y: Array, beyond: str) -> str:
    if x.size < 3:
        return "too_few_samples"
    both_none = (u_x == 0.0) & (u_y == 0.0)
    if (u_x < 0.0).any() or (u_y < 0.0).any() or (beyond != "excess" and both_none.any()):
        return "bad_value"
    return "" if np.ptp(x) > 0.0 else "zero_spread"


def _chi2(slopes: Array, x: Array, y: Array, u_x: Array, u_y: Array) -> Array:
    """Sum of squares of the best line of each slope."""
    left = y - slopes[:, None] * x
    # A level line through points without error in y is none: its weights are infinite.
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = 1.0 / (u_y**2 + (slopes[:, None] * u_x) ** 2)
        mean = (weight * left).sum(axis=1) / weight.sum(axis=1)
        found = (weight * (left - mean[:, None]) ** 2).sum(axis=1)
    return np.where(np.isnan(found), np.inf, found)


def _least(x: Array, y: Array, u_x: Array, u_y: Array) -> _Fit | None:
    """The best line of all directions, polished by York's iteration; None where points are bare."""
    from scipy.optimize import minimize_scalar

    if ((u_x == 0.0) & (u_y == 0.0)).any():
        return None
    # Angles are searched in coordinates of about equal spread, or steep lines would share one step.
    unit = max(float(np.ptp(y)), 1e-12 * float(np.ptp(x))) / float(np.ptp(x))

    def of_angles(angles: Any) -> Array:
        return _chi2(unit * np.tan(np.atleast_1d(angles)), x, y, u_x, u_y)

    step = np.pi / _ANGLES
    steps = step * (np.arange(_ANGLES) - _ANGLES // 2)
    best = steps[int(np.argmin(of_angles(steps)))]
    found = minimize_scalar(
        lambda angle: float(of_angles(angle)[0]), bounds=(best - step, best + step),
        method="bounded",
    )  # fmt: skip
    slope = unit * float(np.tan(found.x))
    with np.errstate(divide="ignore", invalid="ignore"):
        for _ in range(_ROUNDS):
            before, slope = slope, _york(slope, x, y, u_x, u_y).slope
            if abs(slope - before) <= 1e-14 * abs(slope):
                break
        fit = _york(slope, x, y, u_x, u_y)
    return fit if np.isfinite(fit).all() else None


def _york(slope: float, x: Array, y: Array, u_x: Array, u_y: Array) -> _Fit:
    """One round of York et al. 2004, section II, errors uncorrelated, from a slope to a better."""
    weight = 1.0 / (u_y**2 + (slope * u_x) ** 2)
    total = weight.sum()
    mean_x, mean_y = (weight * x).sum() / total, (weight * y).sum() / total
    beta = weight * ((x - mean_x) * u_y**2 + slope * (y - mean_y) * u_x**2)
    below = float((weight * beta * (x - mean_x)).sum())
    better = float((weight * beta * (y - mean_y)).sum()) / below if below else np.nan
    adjusted = mean_x + beta
    centre = (weight * adjusted).sum() / total
    spread = float((weight * (adjusted - centre) ** 2).sum())
    variance = 1.0 / spread if spread else np.inf
    intercept = float(mean_y - better * mean_x)
    return _Fit(
        intercept, better, float(1.0 / total + centre**2 * variance) ** 0.5, float(variance**0.5),
        float(-centre * variance), float(_chi2(np.array([better]), x, y, u_x, u_y)[0]),
    )  # fmt: skip


def _excess(x: Array, y: Array, u_x: Array, u_y: Array) -> float:
    """The further variance of `y` that makes `chi2` what is expected; 0 where it is less."""
    from scipy.optimize import brentq

    dof = x.size - 2
    top = float(np.ptp(y)) ** 2 or 1.0

    def above(variance: float) -> float:
        fit = _least(x, y, u_x, np.sqrt(u_y**2 + variance))
        return np.inf if fit is None else fit.chi2 - dof

    if not above(0.0) > 0.0:
        return 0.0
    # Points on one line to the last digit need none.
    floor = 1e-24 * top
    if not above(floor) > 0.0:
        return floor
    if not above(top) < 0.0:
        return np.inf  # beyond the range of numbers
    return float(brentq(above, floor, top, xtol=1e-14 * top, rtol=1e-10))
