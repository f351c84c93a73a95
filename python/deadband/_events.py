"""Changes of contact and the gauge's signal at each."""

from __future__ import annotations

from typing import Any, Final, Literal

import polars as pl

from ._core import tables
from ._errors import check_option
from ._frames import FrameLike, checked, lazy, like, need_unique, plugin
from .schema import parts_cannot_be, validate_gauges, validate_lags, validate_tests

#: Columns that identify a test, carried through every table.
IDENTITY: Final = ("test_id", "switch_id", "gauge_id", "operator_id", "method", "tested_at")
_LAG: Final = ("lag_s", "dead_time_s", "time_constant_s", "time_constant_u_s")
_STEP: Final = "resolution_pa"
_COLUMNS: Final = tuple(name for name, _ in tables()["events"])


def event_options(
    *,
    closed: Literal["low", "high"] | None = None,
    dwell_s: float = 0.05,
    threshold: float = 0.7,
    edge: int = 4,
    reach: int = 400,
    resolution_pa: float | None = None,
) -> dict[str, Any]:
    """The options of the event kernel as it takes them; a row's own step goes before the option.

    Examples
    --------
    >>> event_options(edge=5)["edge"]
    5
    """
    if closed is not None:
        check_option("closed", closed, ["low", "high"])
    contact = {"closed": closed, "dwell_s": dwell_s, "threshold": threshold}
    readings = {"edge": edge, "reach": reach, _STEP: resolution_pa}
    return checked("fit_events", {"contact": contact, **readings})


def fit_events(
    tests: FrameLike,
    lags: FrameLike | None = None,
    *,
    gauges: FrameLike | None = None,
    closed: Literal["low", "high"] | None = None,
    dwell_s: float = 0.05,
    threshold: float = 0.7,
    edge: int = 4,
    reach: int = 400,
) -> Any:
    """Find the changes of contact of every recording and the gauge's signal at each.

    The signal is an integrated random walk in its rate seen through white noise (a cubic smoothing
    spline), its one parameter found by restricted likelihood for each recording; only the strokes
    that hold a change are smoothed. An event is an interval: `time_s` is the middle of the bracket
    between the last contact sample before the change and the first after it.

    Parameters
    ----------
    tests
        the tests table, a row a recording.
    lags
        the lags table, once it is known. `pressure_pa` is then the pressure at the switch
        (`lag_applied`): with `dead_time_s` and `time_constant_s` it is `g(t + dead time) + time
        constant * g'(t + dead time)` of the gauge's signal `g`; with `lag_s` alone the mean of that
        over splits of the lag, and `var_common` their scatter, which no mean over events reduces.
        Of parts with `time_constant_u_s` it is the scatter over splits so far apart.
        A fast stroke is then also fitted as an exponential behind the lag (variable projection,
        Golub and Pereyra 1973), splits weighted by their likelihood; `model` says which of the two
        the likelihood preferred. Where a steady display stands still between two steps every
        reading is taken as an interval (`model` is `interval`; expectation propagation, Minka
        2001), and `noise_pa` is null. Without lags `sudden` marks the changes for which a mean lag
        added afterwards would be wrong. A lag that is not finite, parts that are negative or not
        finite, and parts whose sum is not `lag_s` (to 2 % of it and 2 ms) cannot be: the tests of
        that gauge are `bad_value`. A negative `lag_s` alone stays with the setpoint.
    gauges
        the gauges table. Its `resolution_pa` is the step of a display where none is found in the
        readings, as in a recording with few changes of them. What is found goes first, finer or
        coarser; a stated step that the readings do not lie on is not theirs and is passed over.
        `step_pa` is the step that was used.
    closed
        which level of the contact channel means closed; None: the level at which the pressure is
        higher.
    dwell_s
        states of the contact shorter than this, s, are bounces; at least one and a half sample
        intervals.
    threshold
        fraction of the way from the far level at which a state is entered, 0.5 to 1.
    edge
        readings needed on either side of a change.
    reach
        readings used on either side of a change, at most.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        The events table, a row a change and at least one row a recording, sorted by `test_id` and
        `time_s`; lazy if `tests` was lazy. A recording without numbers has one row with its
        `status`.

    Raises
    ------
    SchemaError
        a column of a table is missing or of the wrong type, or a gauge stands in two rows of `lags`
        or `gauges`.
    DeadbandError
        an option is out of range.

    Examples
    --------
    >>> from deadband import simulate
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
    >>> plan = [
    ...     simulate.PlannedTest(
    ...         test_id="t1", unit=unit, instrument=simulate.Instrument(gauge_id="g1")
    ...     )
    ... ]
    >>> events = fit_events(simulate.fleet(plan, seed=1).tests)
    >>> events["event"].to_list()
    ['close', 'open', 'close', 'open', 'close', 'open']
    """
    options = event_options(
        closed=closed, dwell_s=dwell_s, threshold=threshold, edge=edge, reach=reach
    )
    rows = validate_tests(lazy(tests, "tests"))
    return like(_events(_with_steps(_with_lags(rows, lags), gauges), options), tests)


def _with_lags(tests: pl.LazyFrame, lags: FrameLike | None) -> pl.LazyFrame:
    if lags is None:
        return tests.with_columns(pl.lit(None, dtype=pl.Float64).alias(name) for name in _LAG)
    known = validate_lags(lazy(lags, "lags"), keep_nan=True)
    need_unique(known, "gauge_id", "lags")
    # No two numbers are parts that contradict their sum: the kernel refuses both as it does a NaN.
    contradiction = pl.when(parts_cannot_be()).then(float("nan"))
    told = known.with_columns(
        contradiction.otherwise(name).alias(name) for name in ("dead_time_s", "time_constant_s")
    )
    return tests.join(told.select("gauge_id", *_LAG), on="gauge_id", how="left")


def _with_steps(tests: pl.LazyFrame, gauges: FrameLike | None) -> pl.LazyFrame:
    if gauges is None:
        return tests.with_columns(pl.lit(None, dtype=pl.Float64).alias(_STEP))
    stated = validate_gauges(lazy(gauges, "gauges"))
    need_unique(stated, "gauge_id", "gauges")
    return tests.join(stated.select("gauge_id", _STEP), on="gauge_id", how="left")


def _events(tests: pl.LazyFrame, options: dict[str, Any]) -> pl.LazyFrame:
    channels = ["time_s", "pressure_pa", "contact", "contact_time_s", *_LAG, _STEP]
    found = plugin("fit_events", channels, options)
    alone = pl.col("_alone")
    # Whatever needs all rows at once comes after the kernel, so that a streaming engine need not
    # hold the samples of the recordings.
    return (
        tests.select(*IDENTITY, found.alias("_events"))
        .with_columns((pl.len().over("test_id") == 1).alias("_alone"))
        .with_columns(pl.when(alone).then(pl.col("_events")))
        .unnest("_events")
        .explode(_COLUMNS)
        .with_columns(status=pl.when(alone).then("status").otherwise(pl.lit("duplicate_id")))
        .drop("_alone")
        # Recordings that share an id have no numbers to tell them apart by.
        .sort("test_id", "time_s", *IDENTITY[1:], maintain_order=True)
    )
