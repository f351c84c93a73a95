"""Digests of every table that the verbs make, for tests that compare runs.

As a program it prints those of the demonstration fleet: `python table_digests.py DEMO_DATA`.
"""

import hashlib
import io
import json
import sys
from collections.abc import Callable
from typing import Any

import polars as pl

import deadband as db
from deadband import simulate


def digest(frame: pl.DataFrame) -> str:
    """SHA-256 of the frame as a Parquet file."""
    buffer = io.BytesIO()
    frame.write_parquet(buffer, compression="uncompressed")
    return hashlib.sha256(buffer.getvalue()).hexdigest()


def tables(
    tests: pl.DataFrame,
    switches: pl.DataFrame,
    gauges: pl.DataFrame,
    given: Callable[[pl.DataFrame], Any] = lambda frame: frame,
) -> dict[str, Any]:
    """Every verb on a fleet, each fed with `given` of what the one before it made."""
    shown = db.fit_events(given(tests))
    lags = db.estimate_lag(given(shown), given(gauges))
    events = db.fit_events(given(tests), given(lags))
    points = db.setpoints(given(events), given(lags), given(gauges))
    return {
        "shown": shown,
        "lags": lags,
        "events": events,
        "setpoints": points,
        "alone": db.setpoints(given(shown), given(lags), repeatability=None),
        "budget": db.budget(given(events), given(lags), given(gauges)),
        "verdicts": db.judge(given(points), given(switches)),
        "drift": db.drift(given(points), switches=given(switches)),
        "drift by gauge": db.drift(given(points), by="gauge_id", event="close"),
        "condition": db.condition(given(events), given(tests)),
    }


def whole(tests: pl.DataFrame, switches: pl.DataFrame, gauges: pl.DataFrame) -> dict[str, Any]:
    """The tables of `analyse`."""
    made = db.analyse(tests, switches, gauges)
    names = ("events", "lags", "setpoints", "verdicts", "trend", "condition")
    return {f"analyse {name}": getattr(made, name) for name in names}


def simulated() -> dict[str, pl.DataFrame]:
    """A small fleet made here and now, on however many threads there are."""
    gauge = simulate.Instrument(gauge_id="g1")
    motions = [simulate.Ramp(), simulate.Pinch(), simulate.InService()]
    plan = [
        simulate.PlannedTest(
            test_id=f"t{index}",
            unit=simulate.Unit(switch_id=f"s{index}", rated_pa=60.0),
            instrument=gauge,
            motion=motion,
            operator=simulate.Operator(),
        )
        for index, motion in enumerate(motions * 4)
    ]
    made = simulate.fleet(plan, seed=11)
    return {"simulated tests": made.tests, "simulated truth": made.truth}


def main(folder: str) -> None:
    fleet = (
        db.read_tests(folder).collect(),
        db.read_switches(folder),
        db.read_gauges(folder),
    )
    made = {**tables(*fleet), **whole(*fleet), **simulated()}
    found = {name: digest(frame) for name, frame in made.items()}
    sys.stdout.write(json.dumps({"threads": pl.thread_pool_size(), "digests": found}))


if __name__ == "__main__":
    main(sys.argv[1])
