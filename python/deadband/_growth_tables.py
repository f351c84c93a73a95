"""The tables of a fleet's growth: effects, variances, lines of switches and groups, gauges."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from ._core import FleetGrowth, t_cdf
from ._coverage import coverage_factors

_COMPONENTS: Final = ("level", "level_slope", "slope", "excess")
#: What tests with one gauge share: what one unit of its error adds to a test, and that unit.
_SHARED: Final = {"calibration": ("_calibration_u", "pa"), "lag": ("_lag_u", "s")}


class SharedError(NamedTuple):
    """An error that tests with one gauge share: which, and of which gauges.

    Examples
    --------
    >>> SharedError("lag", ["g1"], np.zeros(2, np.uint32), np.array([0.1, 0.0])).kind
    'lag'
    """

    kind: str
    gauges: list[str]
    #: Place of each test's gauge in `gauges`.
    source: npt.NDArray[np.uint32]
    #: What one unit of the gauge's error adds to each test, Pa.
    by: npt.NDArray[np.float64]


def shared_errors(tests: pl.DataFrame) -> list[SharedError]:
    """What tests share of which something is stated; a gauge that adds nothing is not among them.

    Examples
    --------
    >>> columns = {"gauge_id": ["b", "a", None], "_calibration_u": [0.5, 0.4, 0.0], "_lag_u": 0.0}
    >>> [(error.kind, error.gauges) for error in shared_errors(pl.DataFrame(columns))]
    [('calibration', ['a', 'b'])]
    """
    found = []
    for kind, (column, _) in _SHARED.items():
        gauges = tests.filter(pl.col(column) != 0.0)["gauge_id"].unique().sort().to_list()
        if not gauges:
            continue
        places = range(len(gauges))
        # A test without a part has nothing of the first gauge.
        source = tests["gauge_id"].replace_strict(gauges, places, default=0, return_dtype=pl.UInt32)
        source = source.fill_null(0).to_numpy().astype(np.uint32)
        found.append(SharedError(kind, gauges, source, tests[column].to_numpy().astype(np.float64)))
    return found


def gauge_table(
    tests: pl.DataFrame, shared: Sequence[SharedError], found: Mapping[str, Any]
) -> pl.DataFrame:
    """A row a gauge: what it is off by, against the others and what is stated of it."""
    schema: dict[str, pl.DataType] = {"gauge_id": pl.String(), "n_tests": pl.Int32()}
    table = pl.DataFrame(schema=schema)
    if shared:
        known = sorted({gauge for error in shared for gauge in error.gauges})
        counted = tests.group_by("gauge_id").agg(n_tests=pl.len().cast(pl.Int32))
        table = counted.filter(pl.col("gauge_id").is_in(known)).sort("gauge_id")
    estimates = iter(found["shared"])
    of = {error.kind: error for error in shared}
    for kind, (column, unit) in _SHARED.items():
        gauges = of[kind].gauges if kind in of else []
        rows = [(gauge, *next(estimates)[:2]) for gauge in gauges]
        names = f"{kind}_error", f"{kind}_error_u"
        errors = pl.DataFrame(
            rows, schema={"gauge_id": pl.String, **dict.fromkeys(names, pl.Float64)}, orient="row"
        )
        size = "_lag_u_s" if kind == "lag" else column
        sizes = tests.group_by("gauge_id").agg(_size=pl.col(size).cast(pl.Float64).mean())
        table = (
            table.join(errors, on="gauge_id", how="left", maintain_order="left")
            .join(sizes, on="gauge_id", how="left", maintain_order="left")
            .with_columns(
                (pl.col(name) * pl.col("_size")).alias(f"{name}_{unit}") for name in names
            )
            .drop("_size")
        )
    return table


def terms_of(names: Mapping[str, Sequence[str]], *, slopes: bool) -> list[str]:
    """Names of the fixed effects, in the order of their columns.

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


def fixed_table(rows: Sequence[tuple[float, float, float]], terms: Sequence[str]) -> pl.DataFrame:
    """A row a fixed effect, of its value, uncertainty and degrees of freedom.

    Examples
    --------
    >>> fixed_table([(-0.4, 0.1, 12.0)], ["slope"])["high"].round(2).to_list()
    [-0.18]
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


def component_table(found: Mapping[str, Any]) -> pl.DataFrame:
    """Variances between switches and tests.

    Examples
    --------
    >>> found = {"components": [4.0, 0.0, 0.01, 0.0], "components_u": [1.0, None, None, None]}
    >>> component_table(found)["sd"].to_list()
    [2.0, 0.0, 0.1, 0.0]
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


def switch_table(tests: pl.DataFrame, fit: FleetGrowth) -> pl.DataFrame:
    """A row a switch: its line."""
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


def group_table(
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
