"""How far a method of test is from the reference: bias, limits of agreement, scatter, slope."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl

from .._columns import check_columns
from .._coverage import coverage_factor
from .._errors import OptionError, check_share
from .._frames import FrameLike
from .._history import Setpoint
from ._deming import deming
from ._differences import Rounds, Term, limits, variance_of
from ._pairs import GROUP, groups_in, pairs, with_columns_of, with_group
from ._results import Value, need_studies, results, rounds

#: Repeats tell the reference's scatter from so many degrees of freedom on: within a fourth.
_ENOUGH: Final = 10

_COUNTS: Final = ("n_switches", "n_rounds", "n_method", "n_reference", "n_left_out")
_NUMBERS: Final = (
    "level_pa", "bias_pa", "bias_u_pa", "dof", "bias_low_pa", "bias_high_pa", "bias_p", "sd_pa",
    "lower_pa", "lower_low_pa", "lower_high_pa", "upper_pa", "upper_low_pa", "upper_high_pa",
    "limit_u_pa", "method_repeatability_pa", "reference_repeatability_pa", "reference_sd_pa",
    "reference_dof", "method_sd_pa", "method_sd_low_pa", "method_sd_high_pa", "slope", "slope_u",
    "slope_low", "slope_high", "slope_p",
)  # fmt: skip

_TAKEN: Final = {
    *_COUNTS, *_NUMBERS, "slope_on", "status", "method_pa", "reference_pa", "difference_pa",
}  # fmt: skip


@dataclass(frozen=True)
class Agreement:
    """How far results of a method are from those of the reference.

    Attributes
    ----------
    table
        a row a group (one row without `by`). `n_switches`, `n_rounds`, `n_method`, `n_reference`
        (results used), `n_left_out` (results of the method in no round); `level_pa`, the mean level
        of the switches; `bias_pa` with `bias_u_pa`, `dof`, `bias_low_pa`, `bias_high_pa` and
        `bias_p`, the probability of such a bias where there is none; `sd_pa` of the difference of
        single results; the limits of agreement `lower_pa` and `upper_pa`, between which 95 % of
        such differences lie, each with an interval (`_low_pa`, `_high_pa`), and the approximate
        standard error of either, `limit_u_pa`; `method_repeatability_pa` and
        `reference_repeatability_pa` within rounds; `reference_sd_pa` with `reference_dof` (infinite
        where it is the stated uncertainty) and `method_sd_pa` with its interval, what single
        results scatter about the truth; `slope` of the difference on the level with `slope_u`,
        interval and `slope_p`, and `slope_on` (`reference` | `mean`); `status`.
    switches
        a row a group and switch: `method_pa`, `reference_pa`, `difference_pa`, `level_pa`,
        `n_rounds`, `n_method`, `n_reference`.
    method, reference, event, value, reference_value, by, within_days, confidence
        as asked for; `by` as a tuple of columns, empty without groups.

    Examples
    --------
    >>> Agreement.__name__
    'Agreement'
    """

    table: pl.DataFrame
    switches: pl.DataFrame
    method: str
    reference: str
    event: Setpoint
    value: Value
    reference_value: Value
    by: tuple[str, ...]
    within_days: float
    confidence: float


def agreement(
    points: FrameLike,
    method: str,
    *,
    reference: str = "ramp",
    event: Setpoint = "open",
    value: Value = "fitted",
    reference_value: Value = "fitted",
    tests: FrameLike | None = None,
    by: str | Sequence[str] | None = None,
    within_days: float = 30.0,
    lags: FrameLike | None = None,
    gauges: FrameLike | None = None,
    confidence: float = 0.95,
) -> Agreement:
    """Bias, limits of agreement and scatter of a method against the reference.

    The true value is constant within a round of a switch (see `rounds`) and repeats are unequal in
    number. Bias: the mean over switches of `mean(method) - mean(reference)`, rounds of a switch
    averaged; Student's t with one less than the switches. The variance of the difference of single
    results is that between switches' mean differences, plus what averaging took out of them: `1 -
    mean(1/m)` of the variance within rounds of either side, and likewise between rounds of a
    switch. Limits of agreement are `bias -+ 1.96 sd`, their intervals by recovery of variances.

    What single results of the method scatter about the truth is that variance minus the
    reference's: the variance within rounds where repeats of the reference leave ten degrees of
    freedom or more, otherwise its mean squared `own_u_pa`; of called references the variance
    within rounds, however few. It is never below zero. The scatter of the switch itself from test
    to test is in either side and so leaves with the reference's. Where both sides are of the same
    tests nothing is taken off: switch and gauge err alike on both, and what the fit adds is small.

    The slope says how the bias changes with the level: the line of the switches' means with errors
    in both, minus one, where the uncertainty of the reference is known (`deming` with
    `beyond="excess"`: the method scatters by more than its own uncertainty). Of called references
    it is not; then differences are regressed on the mean of the two. That slope is zero without a
    trend only if both sides scatter alike: a method that scatters more gives a positive slope of
    its own, the larger the less the switches differ. Where the bias changes with the level, bias
    and limits are those of the levels tested, and `deming` or `regression` says it of each.

    Parameters
    ----------
    points, tests, event, lags, gauges
        as in `results`. With lags and gauges the reference's uncertainty is without what both sides
        share when they are tested with one gauge; without them `method_sd_pa` may be too small.
    method, reference, value, reference_value, within_days
        as in `rounds`. Where both are one method, called values are set against fitted ones test by
        test.
    by
        one column or several, such as `operator_id` and `gauge_id`, or others of the tests table
        (of the method's side): a row for each of their values, null among them. Rows share
        reference results, so they are not independent.
    confidence
        of all intervals; the limits themselves are for 95 % of the differences always.

    Returns
    -------
    Agreement
        `status` of a row: `no_reference` (no round with both sides: no numbers), `one_switch` (its
        difference alone), `zero_spread` (all switches differ alike to the last digit: the bias
        alone), `no_repeats` (single results on both sides: no repeatability, the limits straight
        from the differences), or `ok`.

    Raises
    ------
    SchemaError
        a column or table is missing.
    OptionError
        an unknown method or event, or an option out of range.
    ImportError
        SciPy is not installed.

    References
    ----------
    Bland and Altman 1986, Lancet i, 307; 1999, Stat. Methods Med. Res. 8, 135, sections 3.2 and 5;
    2007, J. Biopharm. Stat. 17, 571. Zou 2013, Stat. Methods Med. Res. 22, 630.

    Examples
    --------
    >>> rows = [
    ...     (f"{side}{i}", f"s{i}", side, 60.0 + 5.0 * i + (side == "pinch") * (i % 3 - 3.0), 0.2)
    ...     for i in range(6)
    ...     for side in ("ramp", "pinch")
    ... ]
    >>> columns = ["test_id", "switch_id", "method", "open_pa", "open_u_pa"]
    >>> nothing = pl.lit(None, pl.Float64)
    >>> points = pl.DataFrame(rows, columns, orient="row").with_columns(
    ...     close_pa=nothing, close_u_pa=nothing
    ... )
    >>> row = agreement(points, "pinch").table.row(0, named=True)
    >>> round(row["bias_pa"], 2), round(row["bias_u_pa"], 2), row["status"]
    (-2.0, 0.37, 'no_repeats')
    """
    check_share("confidence", confidence)
    columns = _checked(by)
    need_studies("agreement")
    both = rounds(
        points, method, reference, event=event, value=value, reference_value=reference_value,
        tests=tests, within_days=within_days, lags=lags, gauges=gauges,
    )  # fmt: skip
    own = results(points, tests, event=event, value=value).filter(
        (pl.col("status") == "ok") & (pl.col("method") == method)
    )
    own, both = (with_columns_of(one, columns, tests) for one in (own, both))
    groups = groups_in(own, columns)
    each = pairs(with_group(both, groups), same_tests=method == reference)
    switches = _switches(each, known=reference_value == "fitted")
    n_results = dict(with_group(own, groups).group_by(GROUP).len().iter_rows())
    rows = []
    for group in groups[GROUP]:
        inside = pl.col(GROUP) == group
        found = _row(
            each.filter(inside), switches.filter(inside), confidence,
            same_tests=method == reference,
        )  # fmt: skip
        left_out = n_results.get(group, 0) - found["n_method"]
        rows.append({GROUP: group, **found, "n_left_out": left_out})
    table = pl.DataFrame(rows, _schema())
    switches = switches.drop("method_u_pa", "reference_u_pa")
    return Agreement(
        _named(table, groups), _named(switches, groups), method, reference, event, value,
        reference_value, tuple(columns), within_days, confidence,
    )  # fmt: skip


def _checked(by: str | Sequence[str] | None) -> list[str]:
    if by is None:
        return []
    columns = check_columns("by", by)
    for name in columns:
        if name in _TAKEN:
            raise OptionError("by", name, ["a column or a list of columns of the tests table"])
    return columns


def _named(table: pl.DataFrame, groups: pl.DataFrame) -> pl.DataFrame:
    """The columns of the groups for their number; one that is there already says it once."""
    new = [name for name in groups.columns if name != GROUP and name not in table.columns]
    found = table.join(groups.select(GROUP, *new), on=GROUP, how="left", maintain_order="left")
    return found.select(*new, pl.exclude(GROUP, *new))


def _schema() -> dict[str, Any]:
    return {
        GROUP: pl.UInt32,
        **dict.fromkeys(_COUNTS, pl.Int64),
        **dict.fromkeys(_NUMBERS, pl.Float64),
        "slope_on": pl.String,
        "status": pl.String,
    }


def _switches(each: pl.DataFrame, *, known: bool) -> pl.DataFrame:
    """Rounds of a switch averaged; the level is the reference where its uncertainty is known."""
    sides = ("method", "reference")
    level = "reference_pa" if known else pl.mean_horizontal("method_pa", "reference_pa")
    return (
        each.group_by(GROUP, "switch_id")
        .agg(
            *(pl.col(f"{side}_pa").mean() for side in sides),
            *(
                pl.when(pl.col(f"{side}_u_pa").is_not_null().all())
                .then((pl.col(f"{side}_u_pa") ** 2).sum().sqrt() / pl.len())
                .alias(f"{side}_u_pa")
                for side in sides
            ),
            pl.len().cast(pl.Int64).alias("n_rounds"),
            *(pl.col(f"{side}_n").sum().alias(f"n_{side}") for side in sides),
        )
        .with_columns(
            difference_pa=pl.col("method_pa") - pl.col("reference_pa"),
            level_pa=pl.col(level) if isinstance(level, str) else level,
        )
        .select(
            GROUP, "switch_id", "method_pa", "reference_pa", "difference_pa", "level_pa",
            "n_rounds", "n_method", "n_reference", "method_u_pa", "reference_u_pa",
        )
        .sort(GROUP, "switch_id", nulls_last=True)
    )  # fmt: skip


def _row(
    each: pl.DataFrame, switches: pl.DataFrame, confidence: float, *, same_tests: bool
) -> dict[str, Any]:
    found: dict[str, Any] = {
        "n_switches": switches.height,
        "n_rounds": each.height,
        "n_method": int(switches["n_method"].sum()),
        "n_reference": int(switches["n_reference"].sum()),
        "status": "ok",
    }
    if not switches.height:
        return {**found, "status": "no_reference"}
    what = Rounds.of(each)
    found |= {
        "bias_pa": switches["difference_pa"].mean(),
        "level_pa": switches["level_pa"].mean(),
        "method_repeatability_pa": what.method[0] ** 0.5 if what.method[1] else None,
        "reference_repeatability_pa": what.reference[0] ** 0.5 if what.reference[1] else None,
    }
    if switches.height == 1:
        return {**found, "status": "one_switch"}
    apart = switches["difference_pa"].to_numpy()
    size = float(switches.select(pl.col("method_pa", "reference_pa").abs()).to_numpy().max())
    if float(np.ptp(apart)) <= 1e-12 * size:
        return {**found, "status": "zero_spread"}
    if not (what.method[1] or what.reference[1]):
        found["status"] = "no_repeats"
    return {
        **found,
        **_bias_and_limits(what, confidence),
        **_scatter(what, each, confidence, same_tests=same_tests),
        **_slope(switches, confidence, same_tests=same_tests),
    }


def _bias_and_limits(what: Rounds, confidence: float) -> dict[str, float]:
    from scipy.special import stdtr

    terms = what.terms()
    value, u, dof = bias = what.bias()
    reach = coverage_factor(dof, confidence) * u
    lower, upper, limit_u = limits(bias, terms, confidence)
    return {
        "bias_u_pa": u, "dof": float(dof), "bias_low_pa": value - reach,
        "bias_high_pa": value + reach, "bias_p": 2.0 * float(stdtr(dof, -abs(value) / u)),
        "sd_pa": variance_of(terms, confidence).value ** 0.5,
        "lower_pa": lower.value, "lower_low_pa": lower.low, "lower_high_pa": lower.high,
        "upper_pa": upper.value, "upper_low_pa": upper.low, "upper_high_pa": upper.high,
        "limit_u_pa": limit_u,
    }  # fmt: skip


def _scatter(
    what: Rounds, each: pl.DataFrame, confidence: float, *, same_tests: bool
) -> dict[str, float | None]:
    """What single results of the method scatter about the truth."""
    variance, dof = what.reference
    stated = each.group_by("switch_id").agg(pl.col("reference_own").mean())["reference_own"]
    square = stated.mean() if not stated.null_count() else None
    terms = what.terms()
    told: tuple[float | None, float | None]
    if same_tests:
        less, told = 0.0, (None, None)
    elif dof >= _ENOUGH or (dof and square is None):
        # The last of the terms is the reference's: one mean square, counted once less.
        last: Term = terms[-1]
        less, terms = 0.0, [*terms[:-1], last._replace(weight=last.weight - 1.0)]
        told = (variance**0.5, float(dof))
    elif isinstance(square, float) and np.isfinite(square):
        less, told = square, (square**0.5, np.inf)
    else:
        return {}
    ends = (max(end, 0.0) ** 0.5 for end in variance_of(terms, confidence, less))
    names = ("method_sd_pa", "method_sd_low_pa", "method_sd_high_pa")
    return {
        "reference_sd_pa": told[0],
        "reference_dof": told[1],
        **dict(zip(names, ends, strict=True)),
    }


def _slope(switches: pl.DataFrame, confidence: float, *, same_tests: bool) -> dict[str, Any]:
    from scipy.special import stdtr

    x, u_x = switches["level_pa"].to_numpy(), switches["reference_u_pa"]
    on_reference = not u_x.null_count()
    if on_reference:
        # Errors that both coordinates share move points along the line, not off it.
        u_x = u_x * 0.0 if same_tests else u_x
        y, u_y = switches["method_pa"], switches["method_u_pa"].fill_null(0.0)
        line, less = deming(x, y, u_x, u_y, beyond="excess", confidence=confidence), 1.0
    else:
        line, less = deming(x, switches["difference_pa"], 0.0, 0.0, beyond="excess"), 0.0
    if line.slope is None or line.u_slope is None or line.dof is None:
        return {}
    slope, u = line.slope - less, line.u_slope
    dof = float(line.dof) if line.excess_sd else np.inf
    reach = coverage_factor(dof, confidence) * u
    return {
        "slope": slope, "slope_u": u, "slope_low": slope - reach, "slope_high": slope + reach,
        "slope_p": 2.0 * float(stdtr(dof, -abs(slope) / u)) if u > 0.0 else None,
        "slope_on": "reference" if on_reference else "mean",
    }  # fmt: skip
