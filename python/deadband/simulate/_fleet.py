"""A fleet of simulated recordings, as the tables that the analysis reads."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from hashlib import blake2b
from typing import Any

import numpy as np
import polars as pl

from .._errors import DeadbandError, listed
from ..schema import dtypes
from ._parts import Gauge, Logger, Motion, Operator, Ramp, Switch, stand
from ._recording import record, truth_frame

_TRUTH = {
    "test_id": pl.String,
    "cycle": pl.Int32,
    "event": pl.String,
    "time_s": pl.Float64,
    "pressure_pa": pl.Float64,
    "threshold_pa": pl.Float64,
    "rate_pa_s": pl.Float64,
    "signal_pa": pl.Float64,
}


@dataclass(frozen=True, kw_only=True)
class Unit:
    """One switch of a fleet: what its label and its file say, and how it really behaves.

    Attributes
    ----------
    switch_id, model, lot, rated_pa, action, tolerance, installed_on, removed_on, failed
        the row of the switches table.
    switch
        how it behaves.

    Examples
    --------
    >>> Unit(switch_id="s1", rated_pa=60.0, switch=Switch(open_pa=59.0)).tolerance
    0.1
    """

    switch_id: str
    model: str = ""
    lot: str = ""
    rated_pa: float
    action: str = "fall"
    tolerance: float = 0.10
    installed_on: date | None = None
    removed_on: date | None = None
    failed: bool | None = None
    switch: Switch = field(default_factory=Switch)


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """One gauge of a fleet: what its data sheet says, and how it really behaves.

    Attributes
    ----------
    gauge_id, accuracy_rel, accuracy_abs_pa, lag_s, lag_u_s, dead_time_s, time_constant_s
        the row of the gauges table; the lag and its parts only where they are stated. The display
        step is that of `gauge`.
    gauge
        how it behaves.

    Examples
    --------
    >>> Instrument(gauge_id="g1", gauge=Gauge(resolution_pa=1.0)).lag_s is None
    True
    """

    gauge_id: str
    accuracy_rel: float = 0.0
    accuracy_abs_pa: float = 0.0
    lag_s: float | None = None
    lag_u_s: float | None = None
    dead_time_s: float | None = None
    time_constant_s: float | None = None
    gauge: Gauge = field(default_factory=Gauge)


@dataclass(frozen=True, kw_only=True)
class PlannedTest:
    """One test to be recorded.

    Attributes
    ----------
    test_id
        its key; together with the fleet's seed it decides every random number of the recording.
    unit, instrument
        the switch and the gauge.
    motion
        how the pressure is moved; it also gives the method.
    logger
        how it is written down.
    operator, operator_id
        who calls the setpoints, and by what name.
    tested_at
        when.
    switch
        how the switch behaves on that day, where it has changed since; None for as in `unit`.

    Examples
    --------
    >>> unit = Unit(switch_id="s1", rated_pa=60.0)
    >>> PlannedTest(test_id="t1", unit=unit, instrument=Instrument(gauge_id="g1")).motion.method
    'ramp'
    """

    test_id: str
    unit: Unit
    instrument: Instrument
    motion: Motion = field(default_factory=Ramp)
    logger: Logger = field(default_factory=Logger)
    operator: Operator | None = None
    operator_id: str | None = None
    tested_at: datetime | None = None
    switch: Switch | None = None


@dataclass(frozen=True)
class Fleet:
    """The tables of a simulated fleet.

    Attributes
    ----------
    tests, switches, gauges
        as the analysis reads them; one row a test, a switch, a gauge.
    truth
        a row a change of a contact: `test_id` and the columns of `Recording.truth`.

    Examples
    --------
    >>> fleet([], seed=1).tests.height
    0
    """

    tests: pl.DataFrame
    switches: pl.DataFrame
    gauges: pl.DataFrame
    truth: pl.DataFrame


def fleet(tests: Sequence[PlannedTest], *, seed: int) -> Fleet:
    """Record every test of a plan, on all threads.

    A recording's random numbers depend on `seed` and its own `test_id` only: a test added to the
    plan or taken out of it, or another order of the plan, leaves the others as they were.

    Parameters
    ----------
    tests
        the plan; rows come out in its order.
    seed
        any whole number.

    Raises
    ------
    ValueError
        a `test_id` that occurs twice, two units of one `switch_id` or two instruments of one
        `gauge_id`, or a field that no stand can have, with the position of the test.

    Examples
    --------
    >>> unit = Unit(switch_id="s1", rated_pa=60.0)
    >>> gauge = Instrument(gauge_id="g1")
    >>> plan = [PlannedTest(test_id=f"t{i}", unit=unit, instrument=gauge) for i in range(3)]
    >>> made = fleet(plan, seed=1)
    >>> made.tests.height, made.switches.height, made.truth.height
    (3, 1, 18)
    """
    _no_repeats("test_id", [test.test_id for test in tests])
    stands = [
        stand(
            test.switch or test.unit.switch,
            test.instrument.gauge,
            test.motion,
            test.logger,
            test.operator,
        )
        for test in tests
    ]
    made = record(stands, [_seed_of(seed, test.test_id) for test in tests])
    truths = [
        truth_frame(one["truth"]).select(pl.lit(test.test_id).alias("test_id"), pl.all())
        for test, one in zip(tests, made, strict=True)
    ]
    rows = [_test_row(test, one) for test, one in zip(tests, made, strict=True)]
    return Fleet(
        tests=_frame(_columns("tests"), rows),
        switches=_frame(
            _columns("switches"), _distinct("switch_id", [test.unit for test in tests])
        ),
        gauges=_frame(
            _columns("gauges"), _distinct("gauge_id", [test.instrument for test in tests])
        ),
        truth=pl.concat([pl.DataFrame(schema=_TRUTH), *truths]),
    )


def _seed_of(seed: int, test_id: str) -> int:
    digest = blake2b(f"{seed}/{test_id}".encode(), digest_size=8).digest()
    return int.from_bytes(digest, "little")


def _no_repeats(what: str, ids: Sequence[str]) -> None:
    counts = Counter(ids)
    repeated = [name for name, count in counts.items() if count > 1]
    if repeated:
        raise DeadbandError(
            "duplicate_id",
            f"{what} occurs more than once: {listed(repeated[:5])}",
            advice="give each its own",
        )


def _test_row(test: PlannedTest, one: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "test_id": test.test_id,
        "switch_id": test.unit.switch_id,
        "gauge_id": test.instrument.gauge_id,
        "operator_id": test.operator_id,
        "method": test.motion.method,
        "tested_at": test.tested_at,
        **{name: one[name] for name in dtypes("tests") if name in one},
    }


def _distinct(key: str, parts: Sequence[Unit] | Sequence[Instrument]) -> list[dict[str, Any]]:
    """A row a switch or a gauge, in the order of first use."""
    distinct = list(dict.fromkeys(parts))
    _no_repeats(key, [getattr(part, key) for part in distinct])
    return [
        {**vars(part), "resolution_pa": part.gauge.resolution_pa}
        if isinstance(part, Instrument)
        else vars(part)
        for part in distinct
    ]


def _columns(table: str) -> dict[str, pl.DataType]:
    # What reading a table finds is no part of what is written.
    found = {"status", "reason"}
    return {name: dtype for name, dtype in dtypes(table).items() if name not in found}


def _frame(schema: Mapping[str, Any], rows: Sequence[Mapping[str, Any]]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            pl.Series(name, [_cell(row[name]) for row in rows], dtype)
            for name, dtype in schema.items()
        ]
    )


def _cell(value: object) -> object:
    # Polars takes a column of arrays with a null among them only as series.
    return pl.Series(value) if isinstance(value, np.ndarray) else value
