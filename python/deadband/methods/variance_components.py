"""Variance components of any nested or crossed groups of results."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import polars as pl

from .._columns import check_columns
from .._errors import OptionError, check_option, check_share
from .._frames import FrameLike
from ._components import ESTIMATORS, Components, Estimator, differ
from ._mean_squares import Strata
from ._study import study_rows
from ._variance import RESIDUAL

_NUMBERS: Final = (
    "dof", "variance_pa2", "variance_low_pa2", "variance_high_pa2", "sd_pa", "sd_low_pa",
    "sd_high_pa", "share_of_variance",
)  # fmt: skip


def variance_components(
    found: FrameLike,
    groups: Mapping[str, str | Sequence[str]] | str | Sequence[str],
    *,
    value: str = "value_pa",
    estimator: Estimator = "reml",
    confidence: float = 0.95,
) -> pl.DataFrame:
    """How much each group adds to the variance of results: days, runs within days, gauges.

    `y = mean + effect of each group + residual`, effects and errors normal and independent. Groups
    may cross or stand within each other; numbers may be unequal.

    Parameters
    ----------
    found
        any long frame, a row a result, of one method and event unless these are groups. Rows
        without value or group are left out.
    groups
        one column or several whose values are the groups; or a name for each and the columns that
        together make it, as `{"day": ["day"], "run": ["day", "run"]}` where runs are numbered anew
        each day.
    value
        the column of results, Pa.
    estimator, confidence
        as in `gauge_study`.

    Returns
    -------
    polars.DataFrame
        A row a group, then `residual` and `total`: `component`, `dof` of its mean square,
        `variance_pa2`, `sd_pa` with limits, `share_of_variance`, `status`: `ok`, `at_zero`,
        `too_few_samples` (no results to spare), `not_told` (a group that the others determine),
        `zero_spread`.

    Raises
    ------
    SchemaError
        a column is missing or the value is no number.
    OptionError
        an unknown estimator, `confidence` is no share, no groups are given, or a group bears a name
        of the table.
    DeadbandError
        results of several methods or events that are no groups.

    Examples
    --------
    >>> found = pl.DataFrame({"day": list("aabbcc"), "value_pa": [1.0, 1.2, 2.0, 2.2, 3.1, 2.9]})
    >>> variance_components(found, ["day"]).select("component", "sd_pa").row(0)
    ('day', 0.945...)
    """
    check_option("estimator", estimator, ESTIMATORS)
    check_share("confidence", confidence)
    named = _named(groups)
    columns = list(dict.fromkeys(name for one in named.values() for name in one))
    rows = study_rows(found, value, columns).drop_nulls()
    lines = [*named, RESIDUAL, "total"]
    if rows.height < 2:
        return _frame([{"component": line, "status": "too_few_samples"} for line in lines])
    codes = [
        rows.select(pl.struct(one).rank("dense")).to_series().to_numpy().astype(np.intp) - 1
        for one in named.values()
    ]
    strata = Strata.of(codes)
    values = rows[value].to_numpy()
    lacking = dict(zip(lines, strata.dof, strict=False))
    if not strata.dof.all():
        reason = "too_few_samples" if not strata.dof[-1] else "not_told"
        return _frame(
            [{"component": line, "dof": lacking.get(line), "status": reason} for line in lines]
        )
    if not differ(values, strata.mean_squares(values)):
        return _frame([{"component": line, "status": "zero_spread"} for line in lines])
    fitted = Components.of(values, codes, estimator, strata)
    total = float(fitted.variance.sum())
    parts = [*np.eye(len(lines) - 1).tolist(), [1.0] * (len(lines) - 1)]
    made: list[dict[str, Any]] = []
    for line, part in zip(lines, parts, strict=True):
        told = fitted.sum_of(part, confidence)
        row: dict[str, Any] = {"component": line, "dof": lacking.get(line)}
        for end, one in zip(("", "_low", "_high"), told, strict=True):
            row[f"variance{end}_pa2"] = one
            row[f"sd{end}_pa"] = None if one is None else one**0.5
        row["share_of_variance"] = told[0] / total
        made.append({**row, "status": "ok" if told[0] > 0.0 else "at_zero"})
    return _frame(made)


def _named(groups: object) -> dict[str, list[str]]:
    if isinstance(groups, Mapping) and groups:
        named = {name: check_columns("groups", one) for name, one in groups.items()}
    else:
        named = {name: [name] for name in check_columns("groups", groups)}
    for name in named:
        if not isinstance(name, str) or name in {RESIDUAL, "total"}:
            raise OptionError("groups", name, [f"names of groups other than {RESIDUAL} and total"])
    return named


def _frame(rows: list[dict[str, Any]]) -> pl.DataFrame:
    numbers = dict.fromkeys(_NUMBERS, pl.Float64)
    return pl.DataFrame(rows, schema={"component": pl.String, **numbers, "status": pl.String})
