"""Pinched lines: openings in falls that are over within a few readings."""

from __future__ import annotations

import polars as pl

from deadband import simulate

from .scores import Row, score
from .stands import Stand, mean_lags, record, setpoints

FAMILY = "pinches"
REPEATABILITY_PA = 0.3
NAMES = ("fall, s", "sampling, Hz", "contact", "lag known as", "gauge, s")
COUNT = 3
LAG = (0.1, 0.3)

#: Fall time s, sampling Hz, contact on a clock of its own at 500 Hz, dead time and time constant.
Factors = tuple[float, float, bool, tuple[float, float]]

CELLS: list[Factors] = [
    *(
        (fall, hertz, own_clock, LAG)
        for fall in (0.2, 0.4, 0.8)
        for hertz in (5.0, 10.0, 20.0, 50.0)
        for own_clock in (False, True)
    ),
    *(
        (fall, 10.0, own_clock, lag)
        for lag in ((0.05, 0.1), (0.2, 0.6), (0.3, 0.1))
        for fall in (0.2, 0.8)
        for own_clock in (False, True)
    ),
]


def rows_of(factors: Factors, count: int, seed: int) -> list[Row]:
    """One scene, analysed with the mean lag alone and with both of its parts."""
    fall, hertz, own_clock, lag = factors
    gauge = simulate.Gauge(dead_time_s=lag[0], time_constant_s=lag[1])
    cell = {
        "fall, s": fall,
        "sampling, Hz": hertz,
        "contact": "500 Hz" if own_clock else "as readings",
    }
    stand = Stand(
        gauge,
        lambda phase: simulate.Pinch(fall_s=fall, count=COUNT, before_s=4.0 + phase),
        simulate.Logger(sample_s=1.0 / hertz, contact_sample_s=0.002 if own_clock else None),
        REPEATABILITY_PA,
    )
    made, truth = record(stand, count, seed, FAMILY, {**cell, "gauge, s": f"{lag[0]} + {lag[1]}"})
    mean = mean_lags(made)
    parts = mean.with_columns(time_constant_s=pl.lit(lag[1]), dead_time_s=pl.col("lag_s") - lag[1])
    rows = []
    for known, lags in (("mean", mean), ("parts", parts)):
        named = {**cell, "lag known as": known, "gauge, s": f"{lag[0]:g} + {lag[1]:g}"}
        found, lost, _ = setpoints(made.tests, lags, truth, ("open",))
        rows.append(score(FAMILY, named, found, lost=lost))
    return rows


def rows(count: int, seed: int, *, quick: bool = False) -> list[Row]:
    """All cells; `quick` takes a few."""
    cells = CELLS[4::20] if quick else CELLS
    return [one for cell in cells for one in rows_of(cell, count, seed)]
