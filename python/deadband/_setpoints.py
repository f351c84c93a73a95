"""Close, open and deadband of every test, with their budget."""

from __future__ import annotations

from math import inf
from typing import Any, Final, Literal

import polars as pl

from ._core import tables
from ._errors import OptionError
from ._events import IDENTITY
from ._frames import FrameLike, lazy, like, need_unique, plugin
from .schema import validate_events, validate_gauges, validate_lags

_NUMBERS: Final = (
    "pressure_pa",
    "rate_pa_s",
    "var_pressure",
    "cov_pressure_rate",
    "var_rate",
    "time_width_s",
    "noise_pa",
    "step_pa",
    "lag_applied",
    "var_common",
    "sudden",
    "bracket_shift_pa",
    "corner",
)
_LISTS: Final = ("event", "status", *_NUMBERS)
_LAG: Final = ("lag_s", "lag_u_s", "dof")
_GAUGE: Final = ("resolution_pa", "accuracy_rel", "accuracy_abs_pa")
_PRIOR: Final = ("_prior_pa", "_prior_dof")
_INPUTS: Final = (*_LISTS, *_LAG, *_GAUGE, *_PRIOR)
_EXCESS: Final = ("excess_pa2", "excess_dof", "known_pa2", "bracket_pa2")
#: Degrees of freedom that the pooled repeatability counts for in one test: enough to steady it,
#: few enough for a switch that repeats badly to show.
_POOLED_DOF: Final = 4.0
#: Tests of several cycles that it takes to pool a repeatability.
_POOLED_TESTS: Final = 5

Repeatability = float | Literal["pooled"] | None


def setpoints(
    events: FrameLike,
    lags: FrameLike,
    gauges: FrameLike | None = None,
    *,
    repeatability: Repeatability = "pooled",
) -> Any:
    """Make close, open and deadband of the events of every test.

    Each event gives `pressure + lag * rate`. The events of a direction are averaged with weights
    `1 / (variance + repeatability**2)`; the lag's uncertainty is the same for all of them and does
    not average out. Standard uncertainties and effective degrees of freedom follow JCGM 100.

    A contact that is sampled says between which two pressures it changed. Where a direction has two
    events or more, and the pressure moves by more than four standard uncertainties of its reading
    between the two samples (root mean squares), the setpoints of the test come from the overlap of
    these brackets instead: an interval-censored likelihood, the switch's repeatability integrated
    over. It is narrower the more the brackets dominate: with 2, 5 and 10 fast falls at random
    instants by 21, 32 and 43 % where the switch scatters by a fiftieth of a bracket, not at all
    where by a third of one. Where the brackets fall on the same pressures every time it is wider,
    since no number of them says more than one. That is seen while a reading's standard uncertainty
    is below about a tenth of a bracket; from a quarter on neither estimate sees it.

    `u` of an overlap is such that `value ± k u` holds 95 %: on a flat distribution, where 1.65
    standard deviations make that interval, it is smaller than the standard deviation, by a sixth at
    most, and one-sided limits at 5 % are exceeded in up to 12 % there.

    Parameters
    ----------
    events
        the events table.
    lags
        a row a gauge: `gauge_id`, `lag_s`, `lag_u_s`, and `dof` where it is known.
    gauges
        the gauges table; without it the accuracy line is absent from the budget.
    repeatability
        what is known of it beforehand: `"pooled"` takes the median over the tests given, relative
        to the setpoint, as four degrees of freedom (a test's result then depends a little on the
        others in the frame), and nothing from fewer than five tests of several cycles; a number is
        a standard deviation in Pa, taken the same way; None lets each test speak for itself. Where
        nothing is known 0.5 % of the setpoint is assumed, as one degree of freedom.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        The setpoints table, a row a test, sorted by `test_id`. `lag_correction_pa` is what was
        added to the open setpoint, or to the close setpoint where there is no open one.
        `repeatability_pa` is the standard deviation of one event. `bracket_model` is what was made
        of the brackets: `mean` of their middles, or `overlap`. A negative or non-finite variance,
        width, accuracy, resolution or uncertainty of the lag is `bad_value`, for all of the test.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type, or a gauge stands in two rows.
    OptionError
        `repeatability` is none of the above.

    Examples
    --------
    >>> from deadband import estimate_lag, fit_events, simulate
    >>> gauge = simulate.Instrument(gauge_id="g1", gauge=simulate.Gauge(time_constant_s=0.4))
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0, switch=simulate.Switch(open_pa=59.0))
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge)]
    >>> events = fit_events(simulate.fleet(plan, seed=1).tests)
    >>> known = pl.DataFrame({"gauge_id": ["g1"], "lag_s": [gauge.gauge.lag_s], "lag_u_s": [0.01]})
    >>> point = setpoints(events, known).row(0, named=True)
    >>> abs(point["open_pa"] - 59.0) < 3 * point["open_u_pa"]
    True
    """
    rows = _pooled(_rows(events, lags, gauges), repeatability)
    found = plugin("setpoints", _INPUTS).alias("_found")
    points = rows.select(*IDENTITY, found).unnest("_found").drop(*_EXCESS)
    return like(points.sort("test_id"), events)


def budget(
    events: FrameLike,
    lags: FrameLike,
    gauges: FrameLike | None = None,
    *,
    repeatability: Repeatability = "pooled",
) -> Any:
    """The uncertainty budget of every setpoint, line by line (JCGM 100, 8.1).

    Parameters are those of `setpoints`.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        A row a line: `test_id`, `quantity` (`close`, `open`, `deadband`), `source` (`reading`,
        `bracket`, `resolution`, `repeatability`, `lag`, `common`, `accuracy`), `u_pa` (its
        contribution to the standard uncertainty), `dof`, and `share` of the variance. `resolution`
        is the part of the reading's noise that is the display's rounding, shown apart and not added
        twice, and what of a display's staircase the noise does not smooth out. `common` is what
        all events of a direction err alike in: the unknown split of a mean lag, the corner of a
        fast fall. `reading` counts as exactly known (infinite degrees of freedom) although its
        noise was estimated: the events table does not say from how many readings. With
        `bracket_model` `overlap` the lines up to `repeatability` share out the variance of one
        distribution, with the squares of all lines adding up as ever.
        A line that is absent was not evaluated.

    Examples
    --------
    >>> from deadband import fit_events, simulate
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
    >>> gauge = simulate.Instrument(gauge_id="g1")
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge)]
    >>> events = fit_events(simulate.fleet(plan, seed=1).tests)
    >>> known = pl.DataFrame({"gauge_id": ["g1"], "lag_s": [0.3], "lag_u_s": [0.01]})
    >>> lines = budget(events, known).filter(pl.col("quantity") == "open")
    >>> lines["source"].to_list()
    ['reading', 'bracket', 'resolution', 'repeatability', 'lag', 'common']
    >>> round(lines["share"].sum(), 9)
    1.0
    """
    rows = _pooled(_rows(events, lags, gauges), repeatability)
    columns = [name for name, _ in tables()["budget"]]
    square = pl.col("u_pa") ** 2
    # A list is added up in its order; how a group is, depends on how the engine finds it.
    total = square.implode().over("test_id", "quantity").list.sum()
    lines = (
        rows.select("test_id", plugin("budgets", _INPUTS).alias("_lines"))
        .unnest("_lines")
        .explode(columns)
        .filter(pl.col("source").is_not_null())
        .with_columns(share=square / total)
    )
    return like(lines.sort("test_id", maintain_order=True), events)


def _rows(events: FrameLike, lags: FrameLike, gauges: FrameLike | None) -> pl.LazyFrame:
    """A row a test: lists of its events, its lag and what is stated of its gauge."""
    told = validate_lags(lazy(lags, "lags"), keep_nan=True)
    need_unique(told, "gauge_id", "lags")
    rows = (
        validate_events(lazy(events, "events"), keep_nan=True)
        .with_columns(pl.col("lag_applied", "sudden", "corner").cast(pl.Float64))
        .sort("test_id", "time_s", "event", *IDENTITY[1:], maintain_order=True)
        .group_by("test_id", maintain_order=True)
        .agg(pl.col(*IDENTITY[1:]).first(), pl.col(*_LISTS))
        .join(told.select("gauge_id", *_LAG), on="gauge_id", how="left")
    )
    if gauges is None:
        return rows.with_columns(pl.lit(None, dtype=pl.Float64).alias(name) for name in _GAUGE)
    stated = validate_gauges(lazy(gauges, "gauges"))
    need_unique(stated, "gauge_id", "gauges")
    return rows.join(stated.select("gauge_id", *_GAUGE), on="gauge_id", how="left")


def _pooled(rows: pl.LazyFrame, repeatability: Repeatability) -> pl.LazyFrame:
    unknown = rows.with_columns(pl.lit(None, dtype=pl.Float64).alias(name) for name in _PRIOR)
    if repeatability is None:
        return unknown
    if not isinstance(repeatability, str) and 0.0 < repeatability < inf:
        return rows.with_columns(_prior_pa=pl.lit(float(repeatability)), _prior_dof=_POOLED_DOF)
    if repeatability != "pooled":
        raise OptionError("repeatability", repeatability, ["pooled", "a number above 0", "None"])
    return _with_pooled(unknown)


def _typical(flat: pl.Expr) -> pl.Expr:
    """The relative variance of a test beyond the known one, its median being that of all switches.

    The median of chi-squared over its degrees of freedom (Wilson and Hilferty) is that of the whole
    sum of squares: of the excess alone it would leave too little where brackets or readings scatter
    more than the switch does. `flat`, the share of the brackets in the whole variance, has a
    uniform law, with kurtosis 1.8 and not 3: a variance of n such values scatters as
    `2 / (n - 1) - 1.2 flat**2 / n`, and has that many more degrees of freedom.
    """
    dof = pl.col("excess_dof")
    own = dof / (1 - 0.6 * flat**2 * dof / (dof + 2))
    known = pl.col("known_pa2") / dof
    whole = pl.col("excess_pa2") / dof + known
    return (whole / (1 - 2 / (9 * own)) ** 3 - known) / pl.col("_level") ** 2


def _with_pooled(rows: pl.LazyFrame) -> pl.LazyFrame:
    """The prior of every test: the frame's typical repeatability relative to the setpoint.

    Relative, since switches of different rating stand in one frame. Fewer than five tests with two
    degrees of freedom pool nothing: a test would mostly be told its own scatter a second time.
    """
    first = rows.with_columns(plugin("setpoints", _INPUTS).alias("_found"))
    found = pl.col("_found").struct
    level = pl.max_horizontal(found.field("close_pa").abs(), found.field("open_pa").abs())
    dof = pl.col("excess_dof")
    known, bracket = pl.col("known_pa2") / dof, pl.col("bracket_pa2") / dof
    square = pl.col("_level") ** 2
    crude = _typical(pl.lit(0.0)).median().clip(lower_bound=0.0) * square
    typical = _typical(bracket / (known + crude))
    floor = 0.01 * (known / square).median()
    leveled = first.with_columns(_level=level)
    pooled = (
        leveled.select("_level", found.field(*_EXCESS))
        .filter((dof >= 2) & (pl.col("_level") > 0))
        .select(_relative=pl.max_horizontal(typical.median(), floor).sqrt(), _tests=pl.len())
    )
    told = (pl.col("_tests") >= _POOLED_TESTS) & (pl.col("_relative") > 0)
    return (
        leveled.drop("_found", *_PRIOR)
        .join(pooled, how="cross")
        .with_columns(
            _prior_pa=pl.when(told).then(pl.col("_relative") * pl.col("_level")),
            _prior_dof=pl.when(told).then(pl.lit(_POOLED_DOF)),
        )
    )
