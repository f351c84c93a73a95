"""The tables of a fleet's growth, from what the compiled core found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import polars as pl

from ._core import FleetGrowth, t_cdf
from ._coverage import coverage_factors
from ._history import Setpoint, is_followed, stands_once

_COMPONENTS: Final = ("level", "level_slope", "slope", "excess")


def codes_of(
    values: pl.Series, order: Sequence[str]
) -> tuple[np.ndarray[Any, np.dtype[np.uint32]], list[str]]:
    """Each value as its place among the names, and the names, in the order given or the alphabet's.

    Examples
    --------
    >>> codes, names = codes_of(pl.Series(["B", "A", "B"]), ())
    >>> codes.tolist(), names
    ([1, 0, 1], ['A', 'B'])
    """
    present = values.unique().sort().to_list()
    names = [name for name in order if name in present] or present
    codes = values.replace_strict(names, range(len(names)), return_dtype=pl.UInt32)
    return codes.to_numpy().astype(np.uint32), names or [""]


def left_out_because(event: Setpoint, methods: Sequence[str], effects: Sequence[str]) -> pl.Expr:
    """Why a row of `with_own_u` is not used; null where it is."""
    value, u = pl.col(f"{event}_pa"), pl.col(f"{event}_u_pa")
    needed = [pl.col("switch_id", "tested_at", *effects), value, u]
    # What cannot be squared cannot be fitted.
    finite = (value**2).is_finite() & (u**2).is_finite()
    unsure = ~pl.col("_u").is_finite()
    reasons = {
        "duplicate_id": ~stands_once(),
        "method": ~is_followed(methods),
        "missing_value": pl.any_horizontal(*(column.is_null() for column in needed)),
        "not_finite": ~finite | (unsure & pl.col("lag_correction_pa").is_infinite()),
        "bad_value": u < 0.0,
        "bad_gauge": unsure,
    }
    return pl.coalesce(pl.when(is_so).then(pl.lit(why)) for why, is_so in reasons.items())


def terms_of(names: Mapping[str, Sequence[str]], *, slopes: bool) -> list[str]:
    """Names of the fixed effects, in the order of the core.

    Examples
    --------
    >>> terms_of({"model": ["A", "B"]}, slopes=True)
    ['level', 'slope', 'model B', 'slope of model B']
    """
    terms = ["level", "slope"]
    for effect, values in names.items():
        terms += [f"{effect} {value}" for value in values[1:]]
        if slopes and effect != "method":
            terms += [f"slope of {effect} {value}" for value in values[1:]]
    return terms


def fixed_effects(rows: Sequence[tuple[float, float, float]], terms: Sequence[str]) -> pl.DataFrame:
    """Values, uncertainties and degrees of freedom of the terms, with intervals and p-values.

    Examples
    --------
    >>> fixed_effects([(60.0, 0.5, float("inf"))], ["level"]).select("term", "value", "u").row(0)
    ('level', 60.0, 0.5)
    """
    columns = ["value", "u", "dof"]
    fixed = pl.DataFrame(rows, schema=dict.fromkeys(columns, pl.Float64), orient="row")
    half = pl.col("u") * pl.col("dof").map_batches(coverage_factors, return_dtype=pl.Float64)
    p_values = [2.0 * t_cdf(-abs(value / u), dof) for value, u, dof in rows]
    return fixed.select(
        pl.Series("term", terms),
        *columns,
        low=pl.col("value") - half,
        high=pl.col("value") + half,
        p_value=pl.Series(p_values),
    )


def variances(found: Mapping[str, Any]) -> pl.DataFrame:
    """The components of variance with their standard deviations.

    Examples
    --------
    >>> found = {"components": [4.0, 0.0, 1.0, 0.25], "components_u": [None] * 4}
    >>> variances(found)["sd"].to_list()
    [2.0, 0.0, 1.0, 0.5]
    """
    level, covariance, slope, excess = found["components"]
    product = level * slope
    correlation = covariance / product**0.5 if product > 0.0 else None
    return pl.DataFrame(
        {
            "component": _COMPONENTS,
            "variance": found["components"],
            "u": list(found["components_u"]),
            "sd": [level**0.5, correlation, slope**0.5, excess**0.5],
        },
        schema_overrides={"u": pl.Float64, "sd": pl.Float64},
    )


def lines_of(tests: pl.DataFrame, fit: FleetGrowth) -> pl.DataFrame:
    """The line of each switch, in the order of the tests."""
    lines = fit.lines()
    counted = tests.group_by("switch_id", maintain_order=True).agg(n_tests=pl.len().cast(pl.Int32))
    return counted.select(
        "switch_id",
        level_pa=pl.Series(lines["level"]),
        level_u_pa=pl.Series(np.sqrt(np.maximum(lines["level_variance"], 0.0))),
        slope_pa_year=pl.Series(lines["slope"]),
        slope_u_pa_year=pl.Series(np.sqrt(np.maximum(lines["slope_variance"], 0.0))),
        level_slope_cov=pl.Series(lines["covariance"]),
        slope_shrinkage=pl.Series(lines["slope_shrinkage"]),
        n_tests="n_tests",
    )


def mean_lines(
    tests: pl.DataFrame,
    names: Mapping[str, Sequence[str]],
    found: Mapping[str, Any],
    *,
    slopes: bool,
) -> pl.DataFrame:
    """The mean lines `m'b` with the covariance `m'Cm`, `m` choosing the columns of a group."""
    effects = [effect for effect in names if effect != "method"]
    terms = terms_of(names, slopes=slopes)
    beta = np.array([row[0] for row in found["fixed"]])
    covariance = np.array(found["covariance"])
    members = tests.unique("switch_id", maintain_order=True)
    counted = members.group_by(effects or pl.lit(0).alias("_all")).agg(
        n_switches=pl.len().cast(pl.Int32)
    )
    rows = []
    for group in counted.sort(effects or "_all").iter_rows(named=True):
        own = {f"{effect} {group[effect]}" for effect in effects}
        level = np.array([term == "level" or term in own for term in terms], dtype=np.float64)
        slope = np.array(
            [term == "slope" or term in {f"slope of {name}" for name in own} for term in terms],
            dtype=np.float64,
        )
        rows.append(
            {
                **{effect: group[effect] for effect in effects},
                "level_pa": level @ beta,
                "level_u_pa": float(np.sqrt(level @ covariance @ level)),
                "slope_pa_year": slope @ beta,
                "slope_u_pa_year": float(np.sqrt(slope @ covariance @ slope)),
                "level_slope_cov": level @ covariance @ slope,
                "n_switches": group["n_switches"],
            }
        )
    return pl.DataFrame(rows, schema_overrides={"n_switches": pl.Int32})
