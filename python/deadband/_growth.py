"""How a whole fleet ages: switch by switch, with what models and lots have in common."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Final, NamedTuple

import numpy as np
import polars as pl

from ._core import FleetGrowth, fit_growth
from ._errors import OptionError, SchemaError, check_option, refusal
from ._frames import FrameLike, lazy, need_unique
from ._growth_tables import (
    component_table,
    fixed_table,
    gauge_table,
    group_table,
    shared_errors,
    switch_table,
    terms_of,
)
from ._history import (
    EPOCH,
    YEAR_S,
    Setpoint,
    check_methods,
    day_of,
    is_followed,
    line_at,
    stands_once,
    with_own_u,
    years,
)
from .schema import validate_setpoints, validate_switches

_EFFECTS: Final = ("model", "lot", "method")


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
        a row a gauge of which something is stated: `gauge_id`, `n_tests`, the error of its
        calibration as it shows against the other gauges, `calibration_error` in units of its stated
        standard uncertainty (beyond 2: the gauge is off by more than is stated) with its standard
        uncertainty `calibration_error_u`, and `calibration_error_pa` and `calibration_error_u_pa`,
        the same in Pa at the pressures of its tests (above zero: it reads high). `lag_error` and so
        on are those of its lag, in s (above zero: the lag that was taken out is too long). Null where
        nothing is stated. What all gauges are off by together shows in none of them.
    origin, last
        the date at which levels are taken, and that of the last test used.
    log_likelihood
        at its top, restricted or full.
    n_tests, n_left_out
        tests used, and tests of known setpoint that were not.

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
        RecordingError
            the two cannot be compared.
        """
        try:
            return Comparison(*self._fit.compare(smaller._fit))
        except ValueError as error:
            raise refusal(error) from None


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
        the lags and gauges tables: what tests with one gauge have in common, the errors of its lag
        and of its calibration, is then taken out of their own uncertainties, where it would hide how
        switches differ, and estimated for each gauge, an unknown number with its stated standard
        uncertainty. What is left open of it is in every uncertainty: of all levels where there is
        one gauge, of the slopes where a gauge was replaced. What all gauges have in common, such as
        an error of the standard that they were calibrated by, is in none.

    Returns
    -------
    Growth

    Raises
    ------
    SchemaError
        a column is missing.
    OptionError
        an unknown effect or method.
    RecordingError
        the fleet tells nothing: fewer than three switches beyond what sets them apart, all dates
        one, effects of which one implies another.

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
    for effect in effects:
        check_option("effects", effect, _EFFECTS)
    if len(set(effects)) < len(effects):
        raise OptionError("effects", list(effects), ["each effect once"])
    value, u = f"{event}_pa", f"{event}_u_pa"
    rows = validate_setpoints(lazy(points, "setpoints"), need=["tested_at"])
    rows = _with_switches(with_own_u(rows, (lags, gauges), event), switches, effects)
    known = pl.col(value).is_not_null()
    usable = pl.all_horizontal(pl.col("switch_id", "tested_at", value, u, *effects).is_not_null())
    used = usable & is_followed(methods) & stands_once()
    table = (
        rows.select(
            "switch_id", "tested_at", "gauge_id", "_lag_u", "_lag_u_s", "_calibration_u", *effects,
            value=value, u="_u", known=known, used=used, years=years(),
        )
        .sort("switch_id", "tested_at", "value", maintain_order=True)
        .collect()
    )  # fmt: skip
    tests = table.filter("used")
    middle = tests["years"].mean()
    whole = round(float(middle) * YEAR_S / 86400.0) if isinstance(middle, float) else 0
    origin = pl.select((EPOCH + pl.duration(days=whole)).cast(pl.Date)).item()
    codes = {name: _codes(tests[name], methods if name == "method" else ()) for name in effects}
    shared = shared_errors(tests)
    options = {"restricted": restricted, "random_slope": random_slope, "excess": excess}
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
        raise refusal(error) from None
    found = fit.found()
    names = {name: values for name, (_, values) in codes.items()}
    return Growth(
        event=event,
        fixed=fixed_table(found["fixed"], terms_of(names, slopes=slopes)),
        components=component_table(found),
        switches=switch_table(tests, fit),
        groups=group_table(tests, names, found, slopes=slopes),
        gauges=gauge_table(tests, shared, found),
        origin=origin,
        last=tests["tested_at"].dt.date().max(),  # type: ignore[arg-type]
        log_likelihood=found["log_likelihood"],
        n_tests=tests.height,
        n_left_out=table.filter(pl.col("known") & ~pl.col("used")).height,
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


def _codes(
    values: pl.Series, order: Sequence[str]
) -> tuple[np.ndarray[Any, np.dtype[np.uint32]], list[str]]:
    present = values.unique().sort().to_list()
    names = [name for name in order if name in present] or present
    codes = values.replace_strict(names, range(len(names)), return_dtype=pl.UInt32)
    return codes.to_numpy().astype(np.uint32), names or [""]
