"""Expanded uncertainties for whole columns, and numbers rounded to what they can bear."""

from __future__ import annotations

import math
from typing import Final

import polars as pl

from ._core import t_quantile

# Above, Student's t and the normal distribution differ by less than 1e-6 of k.
_NORMAL_DOF: Final = 1e6


def coverage_factor(dof: float, p: float = 0.95) -> float:
    """Coverage factor k of a symmetric interval: Student's t quantile at (1 + p) / 2.

    Parameters
    ----------
    dof
        Effective degrees of freedom; infinite where the standard uncertainty is known.
    p
        Coverage probability, between 0 and 1.

    Returns
    -------
    float
        The factor; infinite without degrees of freedom, where an interval tells nothing.

    Examples
    --------
    >>> round(coverage_factor(10.0), 2)  # JCGM 100:2008, table G.2
    2.23
    """
    if math.isnan(dof):
        return math.inf
    return t_quantile(0.5 + p / 2.0, dof if dof < _NORMAL_DOF else math.inf)


def coverage_factors(dof: pl.Series, p: float = 0.95) -> pl.Series:
    """`coverage_factor` of each row; null stays null.

    Degrees of freedom are taken to three significant digits, which moves k by less than 0.1 %
    and leaves few different values in a fleet.

    Examples
    --------
    >>> coverage_factors(pl.Series([4.0, None, float("inf")])).round(3).to_list()
    [2.776, None, 1.96]
    """
    rounded = dof.cast(pl.Float64).round_sig_figs(3)
    table = {value: coverage_factor(value, p) for value in rounded.drop_nulls().unique().to_list()}
    return pl.Series(
        dof.name,
        [None if value is None else table.get(value, math.inf) for value in rounded.to_list()],
        dtype=pl.Float64,
    )


def expanded(u: pl.Series, dof: pl.Series, p: float = 0.95) -> pl.Series:
    """Expanded uncertainty U = k u of each row (JCGM 100:2008, 6.2.1), in the unit of `u`.

    A zero uncertainty stays zero whatever its degrees of freedom; null degrees of freedom mean
    that the uncertainty is known.

    Examples
    --------
    >>> expanded(pl.Series([0.5, 0.0]), pl.Series([10.0, 0.0])).round(3).to_list()
    [1.114, 0.0]
    """
    wide = u.cast(pl.Float64) * coverage_factors(dof.fill_null(math.inf), p)
    return pl.select(pl.when(u == 0.0).then(0.0).otherwise(wide)).to_series()


def decimals_for(uncertainty: float) -> int:
    """Decimals that leave an uncertainty two significant digits (JCGM 100:2008, 7.2.6).

    Examples
    --------
    >>> decimals_for(0.0312), decimals_for(14.2), decimals_for(0.0996)
    (3, 0, 2)
    """
    if not math.isfinite(uncertainty) or uncertainty <= 0.0:
        return 3
    two_digits = float(f"{uncertainty:.1e}")
    return min(max(0, 1 - math.floor(math.log10(two_digits))), 9)


def with_uncertainty(value: float | None, u: float | None, dof: float | None) -> str:
    """A value and its expanded uncertainty at 95 %, both to the same decimal.

    Examples
    --------
    >>> with_uncertainty(60.2134, 0.5, 10.0)
    '60.2 ± 1.1'
    >>> with_uncertainty(-0.2, 6.0, None)
    '0 ± 12'
    >>> with_uncertainty(None, None, None)
    '-'
    """
    if value is None or not math.isfinite(value):
        return "-"
    if u is None or math.isnan(u):
        return f"{value:.4g}"
    wide = 0.0 if u == 0.0 else u * coverage_factor(math.inf if dof is None else dof)
    if not math.isfinite(wide):
        return f"{value:.4g} ± unknown"
    places = decimals_for(wide)
    rounded = round(value, places) + 0.0  # no minus before a zero
    return f"{rounded:.{places}f} ± {wide:.{places}f}"
