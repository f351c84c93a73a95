"""Fleets of one cell: every test with a switch, a gauge and a stated lag of its own."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, NamedTuple
from zlib import crc32

import numpy as np
import polars as pl

import deadband as db
from deadband import simulate

from .scores import Cell, Floats, Found

STEP_PA = 2.4908891  # 0.01 inH2O
LAG_U_S = 0.01
DEADBAND_PA = 10.0
OPENS_PA = (55.0, 65.0)


class Stand(NamedTuple):
    """How the tests of a cell are made.

    Attributes
    ----------
    gauge
        the gauge of every test.
    motion
        takes two numbers of [0, 1), one that varies its start and one for whatever else varies.
    logger, repeatability_pa
        of every test.
    any_split
        whether each test's gauge has a split of its own of the mean lag, every share of the dead
        time equally likely: what the analysis takes for granted where only the mean is known.
    """

    gauge: simulate.Gauge
    motion: Callable[[float, float], simulate.Motion]
    logger: simulate.Logger
    repeatability_pa: float
    any_split: bool = False


def gauge(
    step_pa: float, noise_steps: float, lag: tuple[float, float] = (0.1, 0.3), refresh_s: float = 0
) -> simulate.Gauge:
    """A gauge by its display step, its noise in steps, and dead time and time constant in s."""
    return simulate.Gauge(
        dead_time_s=lag[0],
        time_constant_s=lag[1],
        resolution_pa=step_pa,
        noise_pa=noise_steps * step_pa,
        refresh_s=refresh_s,
    )


def rng_of(seed: int, family: str, cell: Cell) -> np.random.Generator:
    """Random numbers of a cell, the same whatever other cells there are."""
    return np.random.default_rng([seed, crc32(f"{family} {dict(cell)}".encode())])


def split(gauge: simulate.Gauge, share: float) -> simulate.Gauge:
    """The gauge with this share of its mean lag as dead time, the rest as time constant."""
    dead_time_s = share * gauge.lag_s
    return replace(
        gauge, dead_time_s=dead_time_s, time_constant_s=max(gauge.lag_s - dead_time_s, 0.0)
    )


def record(
    stand: Stand, count: int, seed: int, family: str, cell: Cell
) -> tuple[simulate.Fleet, pl.DataFrame]:
    """The recordings of a cell, and a row a test of truth: `test_id`, `open`, `close`.

    The stated mean lag scatters about the true one as its uncertainty says, and the setpoints fall
    anywhere between two steps of the display.
    """
    rng = rng_of(seed, family, cell)
    opens = rng.uniform(*OPENS_PA, count)
    lags = rng.normal(stand.gauge.lag_s + stand.gauge.refresh_s / 2.0, LAG_U_S, count)
    phases = rng.uniform(size=count)
    others, shares = rng.uniform(size=(2, count))
    gauges = [split(stand.gauge, share) if stand.any_split else stand.gauge for share in shares]
    name = f"{family} {dict(cell)}"
    plan = [
        simulate.PlannedTest(
            test_id=f"{name} {i:05}",
            unit=simulate.Unit(
                switch_id=f"s{i:05}",
                rated_pa=60.0,
                switch=simulate.Switch(
                    open_pa=opens[i],
                    close_pa=opens[i] + DEADBAND_PA,
                    repeatability_pa=stand.repeatability_pa,
                ),
            ),
            instrument=simulate.Instrument(
                gauge_id=f"g{i:05}", gauge=gauges[i], lag_s=lags[i], lag_u_s=LAG_U_S
            ),
            motion=stand.motion(phases[i], others[i]),
            logger=stand.logger,
        )
        for i in range(count)
    ]
    truth = pl.DataFrame(
        {
            "test_id": [test.test_id for test in plan],
            "open": opens,
            "close": opens + DEADBAND_PA,
            "lag_s": lags,
        }
    )
    return simulate.fleet(plan, seed=seed), truth


def mean_lags(made: simulate.Fleet) -> pl.DataFrame:
    """The lags table of a fleet whose gauges state a mean lag."""
    return made.gauges.select("gauge_id", "lag_s", "lag_u_s")


def setpoints(
    tests: pl.DataFrame, lags: pl.DataFrame, truth: pl.DataFrame, sides: tuple[str, ...], **how: Any
) -> tuple[dict[str, Found], int, pl.DataFrame]:
    """Estimates of a fleet by side, the number of setpoints that were not given, and the events."""
    events = db.fit_events(tests, lags)
    points = db.setpoints(events, lags, **how).join(truth, on="test_id")
    found, lost = {}, 0
    for side in sides:
        rows = points.drop_nulls(f"{side}_u_pa")
        lost += points.height - rows.height
        columns = (f"{side}_pa", f"{side}_u_pa", f"{side}_dof", side)
        found[side] = Found(*(rows[name].to_numpy() for name in columns))
    return found, lost, events


def rmse(found: Mapping[str, tuple[Floats, Floats]]) -> float:
    """RMSE of pairs of values and truths, over all sides."""
    errors = np.concatenate([value - truth for value, truth in found.values()])
    return float(np.sqrt(np.mean(errors**2)))
