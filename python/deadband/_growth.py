"""How a whole fleet ages: switch by switch, with what models and lots have in common."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Final, NamedTuple

import numpy as np
import polars as pl

from ._core import FleetGrowth, fit_growth
from ._errors import (
    DeadbandError,
    OptionError,
    RecordingError,
    SchemaError,
    check_flag,
    check_list,
    check_option,
    listed,
    refusal,
)
from ._frames import FrameLike, lazy, need_unique
from ._growth_gauges import PARTS, gauge_table, shared_errors
from ._growth_tables import (
    codes_of,
    fixed_effects,
    left_out_because,
    lines_of,
    mean_lines,
    terms_of,
    variances,
)
from ._history import (
    EPOCH,
    YEAR_S,
    Setpoint,
    check_methods,
    day_of,
    line_at,
    with_own_u,
    years,
)
from .schema import validate_setpoints, validate_switches

_EFFECTS: Final = ("model", "lot", "method")
#: Tests that an error names.
_NAMED: Final = 5
#: What the core advises is meant for recordings.
_ADVICE: Final = {
    "too_few_samples": "add tests of more switches or years, or leave out effects or random_slope"
}


class Comparison(NamedTuple):
    """Likelihood ratio test of a model against one within it.

    Attributes
    ----------
    statistic
        twice the difference of the log likelihoods.
    more
        parameters that the larger model has more.
    p_value
        probability of a larger statistic where the smaller model is true.

    Examples
    --------
    >>> Comparison(5.2, 2, 0.048).more
    2
    """

    statistic: float
    more: int
    p_value: float


@dataclass(frozen=True)
class Growth:
    """What a fleet's setpoints do over the years.

    Attributes
    ----------
    event
        which setpoint.
    fixed
        a row an effect: `term`, `value`, `u`, `dof` (Satterthwaite), 95 % limits `low` and `high`,
        `p_value` of its being zero. `level` is the mean line at `origin` (Pa), `slope` its slope
        (Pa/year); `model B` and `slope of model B` are what that model adds to either.
    components
        variances between switches and tests: `component`, `variance` (Pa2, Pa2/year2), `u` (null
        on the edge of what it can be), `sd`. `level_slope` is the covariance of the first two and
        has the correlation as its `sd`.
    switches
        a row a switch: `level_pa` at `origin` and `slope_pa_year` with their standard
        uncertainties and covariance, `slope_shrinkage` (1: its line is the fleet's, 0: its own),
        `n_tests`.
    groups
        a row a combination of the effects (one row without any): the mean line of its switches,
        columns as in `switches`, `n_switches`. Tests of the first method, where methods are told
        apart.
    gauges
        a row a gauge of which something is stated, and what it is off by against the others, drawn
        towards zero: `gauge_id`, `n_tests`; `calibration_error` in units of its stated standard
        uncertainty with its own, `calibration_error_u`, and both in Pa at the pressures of its
        tests (above zero: it reads high); `lag_error` and so on, at last in s (above zero: the lag
        taken out is too long). An error beyond `2 (1 - u**2)**0.5`, in those units, is more than
        was stated. Null where nothing is. What all gauges are off by together shows in none.
    origin, last
        the date at which levels are taken, and that of the last test used.
    log_likelihood
        at its top, restricted or full.
    n_tests, n_left_out
        tests used, and tests of known setpoint that were not.
    left_out
        a row a test that was not: `switch_id`, `test_id` and `why`: `duplicate_id` (it stands in
        several rows, of which none is surely right), `method` (not one of `methods`),
        `missing_value` (no date, uncertainty, switch or effect), `not_finite` (setpoint,
        uncertainty or the lag correction), `bad_value` (an uncertainty below zero) or `bad_gauge`
        (an accuracy or lag of its gauge that cannot be: below zero, not finite).

    Examples
    --------
    >>> Growth.__name__
    'Growth'
    """

    event: Setpoint
    fixed: pl.DataFrame
    components: pl.DataFrame
    switches: pl.DataFrame
    groups: pl.DataFrame
    gauges: pl.DataFrame
    origin: date
    last: date
    log_likelihood: float
    n_tests: int
    n_left_out: int
    left_out: pl.DataFrame
    _fit: FleetGrowth = field(repr=False)

    def at(self, when: date) -> pl.DataFrame:
        """The switches' levels at a date: `switch_id`, `level_pa`, `level_u_pa`.

        The variance is `v + 2 t c + t2 s` with `t` the years from `origin`.
        """
        days = (day_of("when", when) - self.origin).days
        level, variance = line_at(pl.col, days)
        return self.switches.select(
            "switch_id", level_pa=level, level_u_pa=variance.clip(0.0).sqrt()
        )

    def compare(self, smaller: Growth) -> Comparison:
        """Whether this model says more than a smaller one within it.

        Twice the difference of the log likelihoods against chi-squared; with a slope between
        switches more, half of one degree of freedom less (Self and Liang 1987). Models of different
        fixed effects must both have been fitted with `restricted=False`.

        Raises
        ------
        OptionError
            `smaller` is no `Growth`.
        RecordingError
            the two cannot be compared.
        """
        check_growth("smaller", smaller)
        try:
            return Comparison(*self._fit.compare(smaller._fit))
        except ValueError as error:
            raise refusal(error) from None


def check_growth(option: str, value: object) -> None:
    """Raise `OptionError` unless `value` is what `growth` found.

    Examples
    --------
    >>> check_growth("fleet", None)
    Traceback (most recent call last):
        ...
    deadband._errors.OptionError: option fleet: 'NoneType' cannot be; give what growth found
    """
    if not isinstance(value, Growth):
        raise OptionError(option, type(value).__name__, ["what growth found"])


def growth(
    points: FrameLike,
    switches: FrameLike | None = None,
    *,
    event: Setpoint = "open",
    effects: Sequence[str] = (),
    slopes: bool = True,
    methods: Sequence[str] = ("ramp",),
    restricted: bool = True,
    random_slope: bool = True,
    excess: bool = True,
    lags: FrameLike | None = None,
    gauges: FrameLike | None = None,
) -> Growth:
    """Fit the growth of a fleet: a line for each switch, drawn towards the fleet's.

    `y = x'b + (level and slope of the switch) + test`, levels and slopes normal between switches
    with a covariance that is estimated, tests with their own known variance `u2` and an excess that
    is estimated too (Laird and Ware 1982), by restricted likelihood. Few tests of a switch say
    little of its slope; its line is drawn towards that of its model and lot the more, the less they
    say. Lines are drawn by components at the top of the likelihood times `|G|^1/2` (Chung et al.
    2015), which small fleets keep off the edges of what variances can be, and their uncertainty
    holds that of the components (Kackar and Harville 1984). Drift is the same for all years: a
    straight line.

    Parameters
    ----------
    points
        the setpoints table, with `tested_at`.
    switches
        the switches table, for `model` and `lot`.
    event
        which setpoint.
    effects
        what differs on average: of `model`, `lot` and `method`. The first value in alphabetical
        order is what the others are measured against; of methods the first in `methods`, for which
        `switches`, `groups` and every forecast then hold.
    slopes
        whether models and lots differ in slope too.
    methods
        methods whose tests are used.
    restricted
        restricted likelihood; without it the full one, for `Growth.compare` of different effects.
    random_slope
        whether switches differ in slope.
    excess
        whether tests scatter more than their uncertainties say.
    lags, gauges
        the lags and gauges tables, those with which `setpoints` made the points: what tests with
        one gauge have in common is then no part of their own uncertainties, where it would hide how
        switches differ, but one unknown number a gauge for its calibration and one for its lag,
        with the uncertainty stated. What is left open of these is in every uncertainty: in all
        levels where there is one gauge, in the slopes where it was replaced. What all gauges have
        in common, as by the standard that they were calibrated with, is in none.

    Returns
    -------
    Growth

    Raises
    ------
    SchemaError
        a column is missing.
    OptionError
        an unknown effect or method, or a flag that is neither true nor false.
    RecordingError
        the fleet tells nothing: fewer than three switches beyond what sets them apart, all dates
        one, effects of which one implies another; without an excess, tests without uncertainty.

    Examples
    --------
    >>> from datetime import datetime
    >>> rows = [
    ...     (f"s{i}", datetime(2020 + k, 6, 1), 60.0 + i % 3 - (0.4 + 0.1 * (i % 2)) * k, 0.2)
    ...     for i in range(12)
    ...     for k in range(5)
    ... ]
    >>> points = pl.DataFrame(
    ...     rows, schema=["switch_id", "tested_at", "open_pa", "open_u_pa"], orient="row"
    ... ).with_columns(
    ...     test_id=pl.int_range(pl.len()).cast(pl.String),
    ...     method=pl.lit("ramp"),
    ...     close_pa=pl.lit(None, pl.Float64),
    ...     close_u_pa=pl.lit(None, pl.Float64),
    ... )
    >>> found = growth(points)
    >>> found.fixed.select("term", pl.col("value").round(2)).rows()
    [('level', 60.1), ('slope', -0.45)]
    >>> found.switches.height
    12
    """
    check_option("event", event, ["open", "close"])
    check_methods(methods)
    flags = {"restricted": restricted, "random_slope": random_slope, "excess": excess}
    options = {name: check_flag(name, flag) for name, flag in flags.items()}
    check_flag("slopes", slopes)
    check_list("effects", effects, '["lot"]')
    for effect in effects:
        check_option("effects", effect, _EFFECTS)
    if len(set(effects)) < len(effects):
        raise OptionError("effects", list(effects), ["each effect once"])
    value, u = f"{event}_pa", f"{event}_u_pa"
    rows = validate_setpoints(lazy(points, "setpoints"), need=["tested_at"])
    rows = _with_switches(with_own_u(rows, (lags, gauges), event), switches, effects)
    known = pl.col(value).is_not_null()
    table = (
        rows.select(
            "switch_id", "test_id", "tested_at", *effects, *PARTS, value=value, u="_u",
            known=known, why=left_out_because(event, methods, effects), years=years(),
        )
        .sort("switch_id", "tested_at", "value", maintain_order=True)
        .collect()
    )  # fmt: skip
    tests = table.filter(pl.col("why").is_null() & pl.col("known"))
    left_out = table.filter(pl.col("why").is_not_null() & pl.col("known")).select(
        "switch_id", "test_id", "why"
    )
    if not excess:
        _need_uncertainty(tests, u)
    middle = tests["years"].mean()
    whole = round(float(middle) * YEAR_S / 86400.0) if isinstance(middle, float) else 0
    origin = pl.select((EPOCH + pl.duration(days=whole)).cast(pl.Date)).item()
    codes = {name: codes_of(tests[name], methods if name == "method" else ()) for name in effects}
    shared = shared_errors(tests)
    try:
        fit = fit_growth(
            tests["years"].to_numpy() - whole * 86400.0 / YEAR_S,
            tests["value"].to_numpy().astype(np.float64),
            tests["u"].to_numpy().astype(np.float64),
            tests["switch_id"].rle_id().cast(pl.UInt64).to_numpy(),
            [(code, len(names), slopes and name != "method")
             for name, (code, names) in codes.items()],
            [(error.source, len(error.gauges), error.by) for error in shared],
            options,
        )  # fmt: skip
    except ValueError as error:
        raise _refused(error, tests, value, left_out) from None
    found = fit.found()
    names = {name: values for name, (_, values) in codes.items()}
    return Growth(
        event=event,
        fixed=fixed_effects(found["fixed"], terms_of(names, slopes=slopes)),
        components=variances(found),
        switches=lines_of(tests, fit),
        groups=mean_lines(tests, names, found, slopes=slopes),
        gauges=gauge_table(tests, shared, found),
        origin=origin,
        last=tests["tested_at"].dt.date().max(),  # type: ignore[arg-type]
        log_likelihood=found["log_likelihood"],
        n_tests=tests.height,
        n_left_out=left_out.height,
        left_out=left_out,
        _fit=fit,
    )


def _with_switches(
    rows: pl.LazyFrame, switches: FrameLike | None, effects: Sequence[str]
) -> pl.LazyFrame:
    wanted = [effect for effect in effects if effect != "method"]
    if not wanted:
        return rows
    if switches is None:
        raise SchemaError(
            "missing_table",
            "models and lots are columns of the switches table",
            column=wanted[0],
            table="switches",
            present=[],
            advice="give the switches table as the second argument",
        )
    known = validate_switches(lazy(switches, "switches"), need=wanted)
    need_unique(known, "switch_id", "switches")
    return rows.join(known.select("switch_id", *wanted), on="switch_id", how="left")


def _need_uncertainty(tests: pl.DataFrame, column: str) -> None:
    """Without an excess a test of no uncertainty would have to lie on its line exactly."""
    exact = tests.filter(pl.col("u") == 0.0)["test_id"]
    if exact.len():
        more = ", ..." if exact.len() > _NAMED else ""
        raise RecordingError(
            "bad_value",
            f"no uncertainty in {exact.len()} of the tests: {listed(exact.head(_NAMED))}{more}",
            location=f"table setpoints, column {column}",
            advice="state it, or let tests scatter with excess=True",
        )


def _refused(
    error: ValueError, tests: pl.DataFrame, column: str, left_out: pl.DataFrame
) -> DeadbandError:
    """Why the fleet tells nothing; tests that were left out may be the reason."""
    if error.args[-1] == "bad_value" and tests["value"].n_unique() == 1:
        return RecordingError(
            "bad_value",
            f"all {tests.height} tests have {tests['value'][0]:g} Pa",
            location=f"table setpoints, column {column}",
            advice="give what each test found, not a rating, and with all its digits",
        )
    counts = left_out.group_by("why").len().sort("why").rows()
    also = "; tests left out: " + listed(f"{n} {why}" for why, n in counts) if counts else ""
    return refusal(error, {kind: text + also for kind, text in _ADVICE.items()})
