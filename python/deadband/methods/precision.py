"""Repeatability and reproducibility of a method, by ISO 5725-2."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._errors import check_share
from .._frames import FrameLike
from . import _outliers
from ._limits import modified_large_sample
from ._relation import relation
from ._study import study_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_LIMIT: Final = 2.8  # 1.96 sqrt(2), as the standard rounds it
_STRAGGLER, _OUTLIER = 0.05, 0.01
_ROUNDING: Final = 1e-12  # of a sum of squares: the means are equal to the last digit
_MANDEL: Final = ("h", "h_critical_5", "h_critical_1", "k", "k_critical_5", "k_critical_1")
_LEVEL_NUMBERS: Final = (
    "mean_pa",
    *(
        f"{name}{end}_pa"
        for name in ("repeatability_sd", "reproducibility_sd")
        for end in ("", "_low", "_high")
    ),
    "between_lab_sd_pa", "repeatability_limit_pa", "reproducibility_limit_pa",
    "repeatability_dof", "reproducibility_dof",
)  # fmt: skip


@dataclass(frozen=True)
class Precision:
    """How far results of one method agree, at each level.

    Attributes
    ----------
    levels
        a row a level: `labs`, `results`, `mean_pa`; `repeatability_sd_pa`, `reproducibility_sd_pa`
        with `.._low_pa`, `.._high_pa`; `between_lab_sd_pa`; the limits `repeatability_limit_pa` and
        `reproducibility_limit_pa`, which the difference of two results exceeds once in twenty
        times; degrees of freedom; `status`.
    cells
        a row a level and lab: `results`, `mean_pa`, `sd_pa`, Mandel's `h` and `k` with critical
        values at 5 % and 1 %, and what they are called: `none`, `straggler` (beyond 5 %),
        `outlier` (beyond 1 %).
    tests
        a row a level and test: Cochran's of the largest variance, Grubbs' of the largest, the
        smallest, the two largest and the two smallest means; the `lab` that it is about (two are
        joined by a plus), critical values, `p_value`, `finding`, `status`.
    relation
        how the standard deviations depend on the level: `constant`, `proportional` and `linear`,
        each for repeatability and reproducibility.

    Examples
    --------
    >>> Precision(pl.DataFrame({"labs": [3]}), *[pl.DataFrame()] * 3).levels["labs"][0]
    3
    """

    levels: pl.DataFrame
    cells: pl.DataFrame
    tests: pl.DataFrame
    relation: pl.DataFrame


def precision(
    found: FrameLike,
    *,
    value: str = "value_pa",
    lab: str = "operator_id",
    level: str = "switch_id",
    confidence: float = 0.95,
) -> Precision:
    """Repeatability, between-lab and reproducibility standard deviations of each level.

    With `n` results, mean `m` and variance `s2` of a cell (a lab at a level), over `p` labs:
    `s_r2 = sum (n - 1) s2 / sum (n - 1)`; `s_d2 = sum n (m - mean)2 / (p - 1)`;
    `n0 = (sum n - sum n2 / sum n) / (p - 1)`; `s_L2 = (s_d2 - s_r2) / n0`, zero where negative;
    `s_R2 = s_r2 + s_L2`; limits `r = 2.8 s_r` and `R = 2.8 s_R`. Mandel's `k` is the cell's sd over
    `s_r`, the standard's formula where all cells have as many results; Cochran's test is that of
    't Lam (2010) where they have not. Nothing is left out on its own: look at stragglers and
    outliers, find their cause, leave out rows and ask again. Where one mean stands out, the test of
    two says nothing more.

    Parameters
    ----------
    found
        any long frame, a row a result, such as `methods.results` gives, of one method and event.
        Rows without value, lab or level are left out.
    value, lab, level
        columns: the result in Pa, who tested, and what.
    confidence
        of the intervals: chi-square for `s_r`; for `s_R` Graybill and Wang (1980) on `s_d2` and
        `s_r2`, the degrees of freedom of `s_d2` by Satterthwaite where cells are unequal.

    Returns
    -------
    Precision
        `status` of a level is `ok`, `missing_value` (no value at all), `too_few_samples` (one
        result), `one_lab` (nothing between labs), `no_repeats` (one result a lab: `s_R` alone can
        be told) or `zero_spread` (repeated results do not differ at all, as where a display hides
        it). Of a test: `ok`, `too_few_samples`, or `zero_spread`: beside the lab that stands out
        the others are equal to the last digit, as where a display hides their scatter, and how far
        out it stands cannot be told; of h and k there is no finding then.

    Raises
    ------
    SchemaError
        a column is missing or the value is no number.
    OptionError
        `confidence` is no share.
    DeadbandError
        results of several methods or events.

    Notes
    -----
    ISO 5725-2:2019, 7 (formulas recalled, checked against ASTM E691). Mandel (1991) for h and k;
    Cochran (1941); Grubbs (1950).

    Examples
    --------
    >>> found = pl.DataFrame(
    ...     {
    ...         "switch_id": ["s"] * 6,
    ...         "operator_id": ["a", "a", "b", "b", "c", "c"],
    ...         "value_pa": [60.0, 60.4, 61.1, 60.9, 59.8, 60.2],
    ...     }
    ... )
    >>> found = precision(found)
    >>> found.levels.select("labs", "repeatability_sd_pa", "reproducibility_sd_pa").row(0)
    (3, 0.24494..., 0.55677...)
    """
    check_share("confidence", confidence)
    rows = study_rows(found, value, [lab, level]).filter(
        pl.col(lab).is_not_null() & pl.col(level).is_not_null()
    )
    cells = (
        rows.group_by(level, lab)
        .agg(
            results=pl.col(value).count().cast(pl.Int64),
            mean_pa=pl.col(value).mean(),
            sd_pa=pl.col(value).std(),
        )
        .sort(level, lab)
    )
    levels, judged, tests = [], [], []
    for (name,), whole in cells.group_by(level, maintain_order=True):
        part = whole.filter(pl.col("results") > 0)
        levels.append({level: name, **_level(part, confidence)})
        judged.append(part.with_columns(**_mandel(part)))
        tests += [{level: name, **row} for row in [_cochran(part, lab), *_grubbs(part, lab)]]
    of = {level: cells.schema[level]}
    numbers = dict.fromkeys(_LEVEL_NUMBERS, pl.Float64)
    counts = {"labs": pl.Int64, "results": pl.Int64}
    table = pl.DataFrame(levels, schema={**of, **counts, **numbers, "status": pl.String})
    floats = dict.fromkeys(("statistic", "critical_5", "critical_1", "p_value"), pl.Float64)
    words = {"finding": pl.String, "status": pl.String}
    return Precision(
        levels=table,
        cells=pl.concat(judged) if judged else cells.with_columns(**_mandel(cells)),
        tests=pl.DataFrame(
            tests, schema={**of, "test": pl.String, "lab": pl.String, **floats, **words}
        ),
        relation=relation(table),
    )


def _level(cells: pl.DataFrame, confidence: float) -> dict[str, Any]:
    from scipy.special import chdtri

    n = cells["results"].to_numpy().astype(float)
    row: dict[str, Any] = {"labs": cells.height, "results": int(n.sum())}
    if not cells.height:
        return {**row, "status": "missing_value"}
    means, total = cells["mean_pa"].to_numpy(), float(n.sum())
    mean = float(n @ means / total)
    row["mean_pa"] = mean
    if total < 2:
        return {**row, "status": "too_few_samples"}
    within, dof = _pooled(cells)
    labs = cells.height
    if dof and within <= (1e-12 * max(abs(mean), 1e-300)) ** 2:
        return {**row, "status": "zero_spread"}
    risk = (1.0 - confidence) / 2.0
    if dof:
        ends = np.sqrt(within * dof / chdtri(dof, np.array([risk, 1.0 - risk])))
        row |= _spread("repeatability", within, dof, ends)
    if labs < 2:
        return {**row, "status": "one_lab"}
    between = float(n @ (means - mean) ** 2 / (labs - 1))
    if not dof:
        if between <= (1e-12 * max(abs(mean), 1e-300)) ** 2:
            return {**row, "status": "zero_spread"}
        ends = np.sqrt(between * (labs - 1) / chdtri(labs - 1, np.array([risk, 1.0 - risk])))
        return {**row, **_spread("reproducibility", between, labs - 1.0, ends),
                "status": "no_repeats"}  # fmt: skip
    each = (total - float(n @ n) / total) / (labs - 1)
    of_labs = max((between - within) / each, 0.0)
    weights = np.array([1.0 / each, 1.0 - 1.0 / each])
    squares = np.array([between, within])
    nu = np.array([_dof_between(n, within, of_labs), dof])
    ends = np.sqrt(modified_large_sample(weights, squares, nu, confidence))
    both = within + of_labs
    parts = weights * squares
    row |= _spread("reproducibility", both, parts.sum() ** 2 / (parts**2 / nu).sum(), ends)
    return {**row, "between_lab_sd_pa": float(np.sqrt(of_labs)), "status": "ok"}


def _spread(name: str, variance: float, dof: float, ends: Any) -> dict[str, float]:
    sd = float(np.sqrt(variance))
    return {
        f"{name}_sd_pa": sd,
        f"{name}_sd_low_pa": min(float(ends[0]), sd),
        f"{name}_sd_high_pa": max(float(ends[1]), sd),
        f"{name}_limit_pa": _LIMIT * sd,
        f"{name}_dof": float(dof),
    }


def _pooled(cells: pl.DataFrame) -> tuple[float, float]:
    """The pooled variance within cells and its degrees of freedom."""
    dof = cells["results"].to_numpy().astype(float) - 1.0
    squares = cells["sd_pa"].fill_null(0.0).to_numpy() ** 2
    total = float(dof.sum())
    return (float(dof @ squares) / total, total) if total else (0.0, 0.0)


def _dof_between(n: Floats, within: float, of_labs: float) -> float:
    """Satterthwaite's degrees of freedom of the mean square between cells of unequal size."""
    labs, total = n.size, n.sum()
    first = total - (n**2).sum() / total
    second = (n**2).sum() - 2.0 * (n**3).sum() / total + ((n**2).sum() / total) ** 2
    mean = (labs - 1) * within + first * of_labs
    return float(
        mean**2 / ((labs - 1) * within**2 + 2.0 * first * within * of_labs + second * of_labs**2)
    )


def _mandel(cells: pl.DataFrame) -> dict[str, pl.Series]:
    labs = cells.height
    spread = float(cells["mean_pa"].std() or 0.0) if labs > 2 else 0.0  # type: ignore[arg-type]
    within, dof = _pooled(cells)
    none = [None] * labs
    h: list[Any] = none
    if spread > 0.0:
        h = list((cells["mean_pa"] - cells["mean_pa"].mean()) / spread)
    k: list[Any] = none
    mine = [n - 1.0 for n in cells["results"]]
    told = [within > 0.0 and 0.0 < nu < dof for nu in mine]
    if within > 0.0:
        k = [sd / within**0.5 if ok else None for sd, ok in zip(cells["sd_pa"], told, strict=True)]
    made: dict[str, list[Any]] = {"h": h, "k": k}
    for risk, end in ((_STRAGGLER, "5"), (_OUTLIER, "1")):
        made[f"h_critical_{end}"] = [
            None if one is None else _outliers.mandel_h_critical(labs, risk) for one in h
        ]
        made[f"k_critical_{end}"] = [
            None if one is None else _outliers.mandel_k_critical(nu, dof - nu, risk)
            for one, nu in zip(k, mine, strict=True)
        ]
    columns = {name: pl.Series(name, made[name], pl.Float64) for name in _MANDEL}
    hidden = _hidden(cells, within * dof)
    for name in "hk":
        found = [
            None if one is None or name in hidden else "outlier" if abs(one) > hard else
            "straggler" if abs(one) > soft else "none"
            for one, soft, hard in zip(
                made[name], made[f"{name}_critical_5"], made[f"{name}_critical_1"], strict=True
            )
        ]  # fmt: skip
        columns[f"{name}_finding"] = pl.Series(found, dtype=pl.String)
    return columns


def _hidden(cells: pl.DataFrame, whole: float) -> set[str]:
    """Which of h and k stand out beside cells that are equal to the last digit."""
    means = cells["mean_pa"].to_numpy()
    found = set()
    if means.size > 2 and (spread := _beside(means)) > 0.0:
        ends = (np.delete(means, at(means)) for at in (np.argmin, np.argmax))
        if any(_none_beside(_beside(rest) / spread) for rest in ends):
            found.add("h")
    squares = cells["sd_pa"].fill_null(0.0).to_numpy() ** 2 * (cells["results"].to_numpy() - 1.0)
    if whole > 0.0 and _none_beside(1.0 - float(squares.max()) / whole):
        found.add("k")
    return found


def _finding(p_value: float) -> str:
    return "outlier" if p_value < _OUTLIER else "straggler" if p_value < _STRAGGLER else "none"


def _cochran(cells: pl.DataFrame, lab: str) -> dict[str, Any]:
    cells = cells.filter(pl.col("results") > 1)
    within, dof = _pooled(cells)
    if cells.height < 2 or within == 0.0:
        return {"test": "cochran", "status": "too_few_samples"}
    count = cells.height
    each = []
    for name, n, sd in cells.select(lab, "results", "sd_pa").iter_rows():
        share = (n - 1) * sd**2 / (within * dof)
        p_value = _outliers.cochran_risk(share, n - 1, dof - n + 1, count)
        each.append((p_value, -share, str(name), n - 1))
    p_value, share, name, nu = min(each)
    if _none_beside(1.0 + share):
        return {"test": "cochran", "status": "zero_spread"}
    soft, hard = (
        _outliers.cochran_critical(nu, dof - nu, count, risk) for risk in (_STRAGGLER, _OUTLIER)
    )
    return {
        "test": "cochran", "lab": name, "statistic": -share, "critical_5": soft,
        "critical_1": hard, "p_value": p_value, "finding": _finding(p_value), "status": "ok",
    }  # fmt: skip


def _grubbs(cells: pl.DataFrame, lab: str) -> list[dict[str, Any]]:
    ranked = cells.sort("mean_pa", lab)
    names = [str(name) for name in ranked[lab]]
    means = ranked["mean_pa"].to_numpy() - (cells["mean_pa"].mean() or 0.0)
    labs, whole = means.size, float(means @ means)
    made: list[dict[str, Any]] = []
    for end, at in (("largest", slice(-1, None)), ("smallest", slice(0, 1))):
        row: dict[str, Any] = {"test": f"grubbs_{end}", "status": "too_few_samples"}
        if labs > 2 and whole > 0.0:
            if _none_beside(_beside(np.delete(means, at)) / whole):
                made.append(row | {"status": "zero_spread"})
                continue
            statistic = float(abs(means[at][0]) / np.sqrt(whole / (labs - 1)))
            soft, hard = (_outliers.grubbs_critical(labs, r) for r in (_STRAGGLER, _OUTLIER))
            p_value = _outliers.grubbs_risk(statistic, labs)
            row |= _row(names[at], statistic, soft, hard, p_value)
        made.append(row)
    for end, at, rest in (
        ("largest", slice(-2, None), slice(None, -2)), ("smallest", slice(0, 2), slice(2, None)),
    ):  # fmt: skip
        row = {"test": f"grubbs_two_{end}", "status": "too_few_samples"}
        if labs > 3 and whole > 0.0:
            statistic = _beside(means[rest]) / whole
            if _none_beside(statistic):
                made.append(row | {"status": "zero_spread"})
                continue
            soft, hard = (_outliers.grubbs_pair_critical(labs, r) for r in (_STRAGGLER, _OUTLIER))
            p_value = _outliers.grubbs_pair_risk(statistic, labs)
            row |= _row(names[at], statistic, soft, hard, p_value)
        made.append(row)
    return made


def _beside(means: Floats) -> float:
    """The sum of squares of what is left."""
    left = means - means.mean()
    return float(left @ left)


def _none_beside(share: float) -> bool:
    """Whether what is left has no share in the whole sum of squares but rounding."""
    return share <= _ROUNDING


def _row(
    labs: list[str], statistic: float, soft: float, hard: float, p_value: float
) -> dict[str, Any]:
    return {
        "lab": "+".join(labs), "statistic": statistic, "critical_5": soft, "critical_1": hard,
        "p_value": p_value, "finding": _finding(p_value), "status": "ok",
    }  # fmt: skip
