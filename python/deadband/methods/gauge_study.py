"""Where the differences of results come from: the test, the operator, the switch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._errors import OptionError, check_flag, check_number, check_option, check_share
from .._frames import FrameLike
from ._components import ESTIMATORS, Components, Estimator, differ
from ._mean_squares import Strata
from ._study import RATED, several_ratings, study_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Codes = NDArray[np.intp]

#: Which of part, operator, interaction and repeatability each line is the sum of.
_LINES: Final = {
    "gauge": ("operator", "interaction", "repeatability"),
    "repeatability": ("repeatability",),
    "reproducibility": ("operator", "interaction"),
    "operator": ("operator",),
    "interaction": ("interaction",),
    "part": ("part",),
    "total": ("part", "operator", "interaction", "repeatability"),
}
_QUANTITIES: Final = (
    ("variance", "_pa2"), ("sd", "_pa"), ("share_of_variance", ""), ("share_of_study", ""),
    ("share_of_tolerance", ""),
)  # fmt: skip
_ENDS: Final = ("", "_low", "_high")
_CATEGORIES: Final = 1.41  # sqrt(2), as it is used
_STUDY: Final = 6.0  # standard deviations set against the tolerance


@dataclass(frozen=True)
class GaugeStudy:
    """What a crossed study of operators and switches tells.

    Attributes
    ----------
    components
        a row each for `gauge` (all but the switch), `repeatability`, `reproducibility` (operator
        and interaction), `operator`, `interaction` (of operator and switch), `part`, `total`:
        `variance_pa2`, `sd_pa`, `share_of_variance`, `share_of_study` (of the total sd),
        `share_of_tolerance` (6 sd over the width of the tolerance), each with `.._low..` and
        `.._high..`, and `status`: `ok`, `at_zero` (the estimate is zero), or why there is none.
    anova
        a row each for `part`, `operator`, `interaction`, `repeatability`: `dof`,
        `sum_of_squares_pa2`, `mean_square_pa2`, `f`, `p_value`.
    categories, categories_low, categories_high
        how many classes of switches the method can tell apart: 1.41 times the sd of switches over
        that of the gauge, rounded down, with its interval.
    operators, parts, results, missing_cells
        what was studied; cells are pairs of an operator and a switch.
    status
        `ok`, or what of the study is missing.

    Examples
    --------
    >>> empty = pl.DataFrame()
    >>> GaugeStudy(empty, empty, 4, 2, 6, 3, 6, 36, 0, "ok").categories
    4
    """

    components: pl.DataFrame
    anova: pl.DataFrame
    categories: int | None
    categories_low: int | None
    categories_high: int | None
    operators: int
    parts: int
    results: int
    missing_cells: int
    status: str


def gauge_study(
    found: FrameLike,
    *,
    value: str = "value_pa",
    operator: str = "operator_id",
    part: str = "switch_id",
    estimator: Estimator = "reml",
    tolerance_width_pa: float | None = None,
    interaction: bool = True,
    confidence: float = 0.95,
) -> GaugeStudy:
    """Variance components of results that several operators got on the same switches.

    `y = mean + part + operator + interaction + repeatability`, effects and errors normal and
    independent, operators and switches drawn from all that there are. Cells may be of unequal size
    or empty.

    Parameters
    ----------
    found
        any long frame, a row a result, such as `methods.results` gives. Rows without value,
        operator or part are left out. One study is of one method, one event and one rating: of
        switches of several ratings the part is the ratings, its standard deviation and the
        categories are those of the catalogue and not of the fleet, and one width of tolerance fits
        none of them. Join `rated_pa` from the switches table, and that is seen; to study them
        together give values over the rating, times one rating, as `value_pa / rated_pa * 60.0`.
    value, operator, part
        columns: the result in Pa, who tested, and what.
    estimator
        `reml`: restricted maximum likelihood; `anova`: mean squares, of unequal numbers by
        Henderson's method 3, negative estimates set to zero. Of balanced data without a negative
        estimate both are the same.
    tolerance_width_pa
        the width of the tolerance, from its lower to its upper limit.
    interaction
        whether operators may differ on some switches only; if not, such differences count as
        repeatability.
    confidence
        of the intervals: of variances modified large sample limits (Graybill and Wang 1980; Ting et
        al. 1990; Burdick, Borror and Montgomery 2003), of shares and categories generalized ones
        (Hamada and Weerahandi 2000), from the mean squares, whose degrees of freedom are
        Satterthwaite's where numbers are unequal. Never below zero; they are extended to hold the
        estimate, and have no upper end where the mean squares would put it below zero.

    Returns
    -------
    GaugeStudy
        `status` is `ok`, `no_repeats` (interaction cannot be told from repeatability and is in it),
        `no_interaction` (too few operators share switches to tell it; it is in the repeatability),
        `one_operator`, `one_part` (nothing of the other; the interaction is in the one that is
        told), `not_crossed` (no two operators share a switch: repeatability alone),
        `too_few_samples`, `zero_spread` (repeated results do not differ at all), or
        `several_ratings` (`rated_pa` stands beside the results and differs: no categories, and
        nothing set against part, total or tolerance). Of a component that was not asked for:
        `left_out`.

    Raises
    ------
    SchemaError
        a column is missing or the value is no number.
    OptionError
        an unknown estimator, `confidence` is no share, `tolerance_width_pa` not positive.
    DeadbandError
        results of several methods or events.

    Examples
    --------
    >>> rng = np.random.default_rng(4)
    >>> rows = [
    ...     (f"s{s}", f"o{o}", 60.0 + level + habit + rng.normal(0.0, 0.4))
    ...     for s, level in enumerate(rng.normal(0.0, 2.0, 6))
    ...     for o, habit in enumerate([0.0, 1.0, -0.6])
    ...     for _ in range(2)
    ... ]
    >>> found = pl.DataFrame(rows, ["switch_id", "operator_id", "value_pa"], orient="row")
    >>> study = gauge_study(found, tolerance_width_pa=12.0)
    >>> study.status, study.categories
    ('ok', 3)
    >>> round(study.components.filter(component="repeatability")["sd_pa"][0], 2)
    0.45
    """
    check_option("estimator", estimator, ESTIMATORS)
    check_share("confidence", confidence)
    check_flag("interaction", interaction)
    _check_tolerance(tolerance_width_pa)
    rows = study_rows(found, value, [operator, part]).drop_nulls()
    values = rows[value].to_numpy()
    plan = _plan(rows[part], rows[operator], interaction=interaction)
    if plan.strata is None:
        return _study([], [], None, plan, plan.status)
    if not differ(values, plan.strata.mean_squares(values)):
        return _study([], [], None, plan, "zero_spread")
    fitted = Components.of(values, list(plan.groups.values()), estimator, plan.strata)
    names = [*plan.groups, "repeatability"]
    drawn = _drawn(fitted, names)
    lines = [
        _line(
            line, fitted, names, drawn, tolerance_width_pa=tolerance_width_pa, confidence=confidence
        )
        for line, parts in _LINES.items()
        if set(parts) & set(names) and not set(plan.missing) & set(parts)
    ]
    if "part" in names and value != RATED and several_ratings(found, value):
        shares = [f"{name}{end}" for name, _ in _QUANTITIES if "share" in name for end in _ENDS]
        bare = [{k: v for k, v in line.items() if k not in shares} for line in lines]
        kept = [line for line in bare if line["component"] not in {"part", "total"}]
        return _study(kept, anova_of(fitted, names), None, plan, "several_ratings")
    anova = anova_of(fitted, names)
    classes = None
    if "total" in {line["component"] for line in lines} and "part" in names:
        ratio = np.sqrt(drawn["part"] / drawn["gauge"])
        part_sd, gauge_sd = (
            line["sd_pa"] for name in ("part", "gauge") for line in lines
            if line["component"] == name
        )  # fmt: skip
        told = part_sd / gauge_sd
        low, high = _within(ratio, told, confidence)
        classes = (int(_CATEGORIES * told), int(_CATEGORIES * low), int(_CATEGORIES * high))
    return _study(lines, anova, classes, plan, plan.status)


def anova_of(fitted: Components, names: Sequence[str]) -> list[dict[str, Any]]:
    """The analysis of variance, a row a source; cells that are one source alone are none."""
    return [
        {"source": name, **row}
        for name, row in zip(names, fitted.table(), strict=True)
        if name != "cell"
    ]


@dataclass(frozen=True)
class _Plan:
    """Which components a study can tell, and the levels of each result."""

    groups: dict[str, Codes]
    strata: Strata | None
    status: str
    missing: tuple[str, ...]  # components of which nothing is known
    absent: str  # status of an interaction that stands alone
    sizes: tuple[int, int, int, int]  # operators, parts, results, missing cells


def _plan(part: pl.Series, operator: pl.Series, *, interaction: bool) -> _Plan:
    parts, operators = _codes(part), _codes(operator)
    p, o = part.n_unique(), operator.n_unique()
    cells = np.unique(parts * max(o, 1) + operators, return_inverse=True)[1].ravel()
    filled = int(cells.max()) + 1 if cells.size else 0
    sizes = (o, p, parts.size, p * o - filled)

    def told(status: str, *missing: str, **groups: Codes) -> _Plan:
        strata = Strata.of(list(groups.values())) if groups else None
        if strata is None or not strata.dof.all():
            return _Plan({}, None, "too_few_samples", (), "too_few_samples", sizes)
        absent = status if interaction else "left_out"
        return _Plan(groups, strata, status, missing, absent, sizes)

    if o < 2 or p < 2:
        if o == p:
            return told("too_few_samples")
        if o < 2:
            return told("one_operator", "operator", part=parts)
        return told("one_part", "part", operator=operators)
    crossed = Strata.of([parts, operators])
    if not crossed.dof[:2].all():
        return told("not_crossed", "operator", "part", cell=cells)
    if not interaction:
        return told("ok", part=parts, operator=operators)
    if filled == parts.size:
        return told("no_repeats", part=parts, operator=operators)
    whole = told("ok", part=parts, operator=operators, interaction=cells)
    if whole.strata is None:
        return told("no_interaction", part=parts, operator=operators)
    return whole


def _codes(column: pl.Series) -> Codes:
    return np.asarray(column.cast(pl.String).rank("dense").to_numpy() - 1).astype(np.intp)


def _drawn(fitted: Components, names: Sequence[str]) -> dict[str, Floats]:
    """Draws of the lines; only whole lines are cut at zero, so that cutting does not add up."""
    each = dict(zip(names, fitted.draws().T, strict=True))
    none = np.zeros_like(each["repeatability"])
    alone = {name: each.get(name, none) for name in ("part", "operator", "interaction")}
    drawn = {name: np.clip(one, 0.0, None) for name, one in alone.items()}
    drawn["repeatability"] = each["repeatability"]
    drawn["reproducibility"] = np.clip(alone["operator"] + alone["interaction"], 0.0, None)
    drawn["gauge"] = drawn["reproducibility"] + drawn["repeatability"]
    drawn["total"] = drawn["part"] + drawn["gauge"]
    return drawn


def _within(
    drawn: Floats, told: float, confidence: float, most: float = np.inf
) -> tuple[float, float]:
    low, high = np.quantile(drawn, [(1.0 - confidence) / 2.0, (1.0 + confidence) / 2.0])
    return min(float(low), told), min(max(float(high), told), most)


def _line(
    line: str,
    fitted: Components,
    names: Sequence[str],
    drawn: dict[str, Floats],
    *,
    tolerance_width_pa: float | None,
    confidence: float,
) -> dict[str, Any]:
    variance, *ends = fitted.sum_of([float(name in _LINES[line]) for name in names], confidence)
    sds = [None if one is None else one**0.5 for one in (variance, *ends)]
    row: dict[str, Any] = {"component": line, "status": "ok" if variance > 0.0 else "at_zero"}

    def put(name: str, unit: str, numbers: Sequence[float | None]) -> None:
        for end, one in zip(("", "_low", "_high"), numbers, strict=True):
            row[f"{name}{end}{unit}"] = one

    put("variance", "_pa2", [variance, *ends])
    put("sd", "_pa", sds)
    total = float(fitted.variance.sum())
    if {"part", "operator"} <= set(names):
        share = variance / total
        limits = (1.0, 1.0) if line == "total" else _within(
            drawn[line] / drawn["total"], share, confidence, 1.0
        )  # fmt: skip
        put("share_of_variance", "", [share, *limits])
        put("share_of_study", "", [one**0.5 for one in (share, *limits)])
    if tolerance_width_pa is not None:
        shares = [None if sd is None else _STUDY * sd / tolerance_width_pa for sd in sds]
        put("share_of_tolerance", "", shares)
    return row


def _study(
    lines: list[dict[str, Any]],
    anova: list[dict[str, Any]],
    classes: tuple[int, int, int] | None,
    plan: _Plan,
    status: str,
) -> GaugeStudy:
    there = {line["component"]: line for line in lines}
    why = plan.absent if lines else status
    rows = [
        there.get(name, {"component": name, "status": why if name == "interaction" else status})
        for name in _LINES
    ]
    of = {f"{name}{end}{unit}": pl.Float64 for name, unit in _QUANTITIES for end in _ENDS}
    numbers = ("dof", "sum_of_squares_pa2", "mean_square_pa2", "f", "p_value")
    told, low, high = classes or (None, None, None)
    return GaugeStudy(
        pl.DataFrame(rows, schema={"component": pl.String, **of, "status": pl.String}),
        pl.DataFrame(anova, schema={"source": pl.String, **dict.fromkeys(numbers, pl.Float64)}),
        told,
        low,
        high,
        *plan.sizes,
        status,
    )


def _check_tolerance(given: object) -> None:
    if given is None:
        return
    allowed = "the pascals between the lower and the upper limit"
    if not 0.0 < check_number("tolerance_width_pa", given, allowed) < np.inf:
        raise OptionError("tolerance_width_pa", given, [allowed])
