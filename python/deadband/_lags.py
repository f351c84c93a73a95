"""Gauge lag, pooled over all that a gauge has tested."""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import Any, Final

import polars as pl

from ._core import tables
from ._errors import OptionError, check_option
from ._estimate import Lag
from ._frames import FrameLike, lazy, like, need_unique, plugin
from ._lag_pool import EARLY, check_delay, pooled
from ._misread import left_out, marked, with_farthest
from .read._manifest import METHODS
from .schema import parts_add_up, validate_events, validate_gauges, validate_switches

_USED: Final = ("pressure_pa", "rate_pa_s", "var_pressure", "cov_pressure_rate", "var_rate")
_LISTS: Final = ("switch_id", "test_id", "event", *_USED, "time_width_s", "clock_u_s")
#: Probability of the distance below which a stated and an estimated lag contradict each other.
_DISAGREE: Final = 0.05
_FALLS_ALONE: Final = (
    "the gauge's lag cannot be told: its tests are fast falls or of methods that were left out; "
    "test slow ramps at clearly different rates with it, or state its lag (lag_s with lag_u_s, and "
    "dead_time_s with time_constant_s where they are known)"
)
_COLUMNS: Final = tuple(name for name, _ in tables()["lags"])
#: What pooling a stated lag leaves as it is.
_KEPT: Final = (
    "n_events",
    "repeatability_pa",
    "between_tests_pa",
    "dead_time_u_s",
    "hold_s",
    "between_routes_s",
)


def estimate_lag(
    events: FrameLike,
    gauges: FrameLike | None = None,
    *,
    methods: Sequence[str] = ("ramp",),
    min_dof: float = 2.0,
    min_rate_spread: float = 0.1,
    max_u_s: float = 0.5,
    contact_delay: Lag | None = None,
    switches: FrameLike | None = None,
) -> Any:
    """Estimate the mean lag of every gauge from events of different rates.

    With mean lag `L` a signal that rises at rate `r` is read `r L` too low:
    `pressure = setpoint - L rate` within each switch and direction. `L` is their common slope, by
    generalised least squares with the events' own covariances, the switches' repeatability and a
    scatter from test to test, both found by restricted likelihood. What is found is the lag between
    the pressure and the contact channel: the delay of a slow contact meter is part of it.

    Parameters
    ----------
    events
        the events table, as `fit_events(tests)` gives it: events whose lag has been taken out
        already (`lag_applied`) tell nothing about it and are passed over, and so are recordings
        with a `sudden` change: what bends within the lag tells no mean lag.
    gauges
        the gauges table; a gauge gets its stated lag where the events tell none, and the weighted
        mean of the two where they agree (`p_consistent` of 0.05 or more; `source` is `pooled`).
        Where they contradict each other the events' lag is kept, its uncertainty widened to cover
        the distance: a stated lag knows nothing of a display's refresh or of the contact meter.
        Where it states `dead_time_s` and `time_constant_s`, too, and its lag is used, the time
        constant is as stated and the dead time the rest of the lag; contradicted, neither is told.
        A lag that is not finite, or an uncertainty that is not or is below zero, is no statement:
        the events' lag is kept and `reason` says so; where they tell none the status is
        `bad_value`. A stated lag below zero is used, and `reason` says so.
    methods
        methods whose events are used. Fast falls are left out by default: when the rate changes
        within the lag, the mean lag alone does not describe the gauge.
    min_dof
        degrees of freedom needed.
    min_rate_spread
        spread of the rates within a switch and direction that is needed, as a fraction of their
        root mean square.
    max_u_s
        standard uncertainty above which a lag counts as unknown, s.
    contact_delay
        delay of the contact meter. A stated lag is the gauge's own, behind the pressure; the events
        tell that behind the contact, which is less by this delay. None: a stated lag is taken as
        one behind the contact, as of a meter without a delay.
    switches
        the switches table: a test whose setpoint is a factor of 2.2 or more from its rating is not
        used, as a test that far from the others of its switch never is; `reason` names them. The
        unit may be wrong, or the switch so far off that it does not prove draft.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        The lags table, a row a gauge, sorted by `gauge_id`; `repeatability_pa` and
        `between_tests_pa` are the two scatters. Rates too alike: null and `lag_unidentified`,
        `reason` saying why; a variance or bracket width below zero or not finite: `bad_value`.
        `behind` is `contact`, and `pressure` where a stated lag stands alone
        and no `contact_delay` is known.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type, a gauge stands in two rows of `gauges`, or a
        switch in two of `switches`.
    DeadbandError
        an option is out of range, or a method is not known.

    Examples
    --------
    >>> from deadband import simulate
    >>> gauge = simulate.Instrument(gauge_id="g1", gauge=simulate.Gauge(time_constant_s=0.4))
    >>> plan = [
    ...     simulate.PlannedTest(
    ...         test_id=f"t{i}",
    ...         unit=simulate.Unit(switch_id=f"s{i}", rated_pa=60.0),
    ...         instrument=gauge,
    ...         motion=simulate.Ramp(rate_pa_s=3.0 + i, rate_spread=0.4),
    ...     )
    ...     for i in range(8)
    ... ]
    >>> from deadband import fit_events
    >>> lags = estimate_lag(fit_events(simulate.fleet(plan, seed=1).tests))
    >>> lag, u = lags["lag_s"][0], lags["lag_u_s"][0]
    >>> abs(lag - gauge.gauge.lag_s) < 3 * u
    True
    """
    check_delay(contact_delay)
    _check_methods(methods)
    rows = validate_events(lazy(events, "events"), need=["gauge_id", "method"], keep_nan=True)
    # Where falls are sudden their recoveries bend within the lag, too.
    passed = ~pl.col("method").is_in(list(methods)) | pl.col("sudden").fill_null(
        value=False
    ).any().over("test_id")
    # Events whose lag has been taken out would tell a lag of zero.
    used = (
        ~passed
        & ~pl.col("lag_applied").fill_null(value=False)
        & pl.all_horizontal(pl.col(*_USED, "time_width_s").is_not_null())
    )
    rated = None
    if switches is not None:
        rated = validate_switches(lazy(switches, "switches"))
        need_unique(rated, "switch_id", "switches")
    rows = marked(rows.filter(pl.col("gauge_id").is_not_null()), used, rated)
    mistaken = pl.col("_misread").is_not_null()
    used &= ~mistaken
    options = {"min_dof": min_dof, "min_rate_spread": min_rate_spread, "max_u_s": max_u_s}
    lags = (
        rows.sort("gauge_id", "test_id", "time_s", "event", maintain_order=True)
        .group_by("gauge_id", maintain_order=True)
        .agg(
            pl.col(*_LISTS).filter(used),
            *(
                pl.col(mark).drop_nulls().unique(maintain_order=True).alias(name)
                for mark, name in {"_misread": "_left_out", "_far": "_far"}.items()
            ),
            _passed=passed.any() & ~(used | mistaken).any(),
        )
        .select(
            "gauge_id",
            "_passed",
            "_far",
            left_out(),
            plugin("lag_from_rates", _LISTS, options).alias("_lag"),
        )
        .unnest("_lag")
        .with_columns(
            reason=pl.when("_passed").then(pl.lit(_FALLS_ALONE)).otherwise(with_farthest())
        )
        .drop("_passed", "_far")
    )
    if gauges is not None:
        lags = _with_stated(lags, gauges, contact_delay)
    both = pl.concat_str("reason", "_left_out", separator="; ")
    lags = lags.with_columns(reason=pl.coalesce(both, "_left_out", "reason")).drop("_left_out")
    return like(lags.sort("gauge_id"), events)


def _check_methods(methods: Sequence[str]) -> None:
    # A word is a sequence of letters, none of which is a method. No method at all is a choice:
    # stated lags alone.
    if isinstance(methods, str):
        raise OptionError("methods", methods, ['a list such as ["ramp"]'])
    for method in methods:
        check_option("methods", method, METHODS)


def _with_stated(lags: pl.LazyFrame, gauges: FrameLike, contact_delay: Lag | None) -> pl.LazyFrame:
    stated = validate_gauges(lazy(gauges, "gauges"))
    need_unique(stated, "gauge_id", "gauges")
    # A lag stated without an uncertainty is no statement that a budget could use.
    known = pl.all_horizontal(pl.col("lag_s", "lag_u_s").is_not_null())
    told = stated.filter(pl.col("gauge_id").is_not_null()).select(
        "gauge_id",
        pl.when(known).then("lag_s").alias("_stated"),
        pl.when(known).then("lag_u_s").alias("_stated_u"),
        pl.when(known & parts_add_up()).then("time_constant_s").alias("_constant"),
    )
    nothing = pl.concat_list(pl.lit(None, dtype=pl.Float64), pl.lit(None, dtype=pl.Float64))
    # Without a delay of the contact meter there is none to allow for.
    behind = "contact" if contact_delay is None else "pressure"
    routes = [
        pl.concat_list("lag_s", "_stated"),
        pl.concat_list("lag_u_s", "_stated_u"),
        pl.concat_list("dof", pl.lit(float("inf"))),
        nothing,
        nothing,
    ]
    found = pooled(routes, pl.concat_list(pl.lit("contact"), pl.lit(behind)), contact_delay)
    ours, theirs = pl.col("lag_s").is_not_null(), pl.col("_stated").is_not_null()
    joined = lags.join(told, on="gauge_id", how="full", coalesce=True).with_columns(
        pl.col("n_events").fill_null(0),
        pl.col("status").fill_null("lag_unidentified"),
        _found=found,
    )
    of = pl.col("_found").struct.field
    # In contradiction the lag between the logged channels is the one at work; how far it is off, or
    # why, is not known: rectangular over the distance (JCGM 100, 4.3.7).
    apart = ours & theirs & (of("p_consistent") < _DISAGREE)
    distance = (pl.col("_stated") - (contact_delay.lag_s if contact_delay else 0.0)) - pl.col(
        "lag_s"
    )
    doubt = pl.max_horizontal("lag_u_s", distance.abs() / sqrt(12))
    refused = theirs & of("lag_s").is_null()
    pooling = theirs & ~apart.fill_null(value=False) & ~(ours & refused)
    doubted = (
        pl.when(ours & refused)
        .then(pl.format("its stated lag was not used: {}", of("reason")))
        .when(theirs & (pl.col("_stated") < 0.0))
        .then(pl.lit(EARLY))
    )
    source = pl.when(ours).then(pl.lit("pooled")).otherwise(pl.lit("stated"))
    told_of = pl.when(ours | pl.lit(contact_delay is not None)).then(pl.lit("contact"))
    return joined.select(
        "gauge_id",
        *(
            pl.when(pooling).then(of(name)).otherwise(other).alias(name)
            for name, other in {
                "lag_s": pl.col("lag_s"),
                "lag_u_s": pl.when(apart).then(doubt).otherwise("lag_u_s"),
                "dof": pl.col("dof"),
                "status": pl.col("status"),
            }.items()
        ),
        pl.coalesce(doubted, pl.when(pooling).then(of("reason")).otherwise("reason")).alias(
            "reason"
        ),
        *(pl.when(ours & theirs).then(of(name)).alias(name) for name in ("q", "p_consistent")),
        pl.when(pooling).then(of("n_routes")).alias("n_routes"),
        pl.when(pooling).then(source).otherwise("source").alias("source"),
        pl.when(pooling)
        .then(told_of.otherwise(pl.lit("pressure")))
        .otherwise("behind")
        .alias("behind"),
        *_parts(pooling, of("lag_s")),
        pl.col(*_KEPT, "_left_out"),
    ).select("gauge_id", *_COLUMNS, "_left_out")


def _parts(used: pl.Expr, lag: pl.Expr) -> list[pl.Expr]:
    """Dead time and time constant of a lag that a stated one is part of.

    How surely the stated parts are known apart is not stated: no better than their sum.
    """
    told = used & pl.col("_constant").is_not_null() & (lag >= 0.0)
    constant = pl.min_horizontal("_constant", lag)
    values = {
        "dead_time_s": lag - constant,
        "time_constant_s": constant,
        "time_constant_u_s": pl.col("_stated_u"),
    }
    return [pl.when(told).then(of).otherwise(name).alias(name) for name, of in values.items()]
