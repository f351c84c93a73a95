"""Trends, lines and forecasts of simulated fleets over the years."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import polars as pl

import deadband as db

from .scores import Floats, Found, Row, score

TREND = "trend"
LINE = "line"
FLEET = "fleet"
REPLACED = "replaced"

LEVEL_SD_PA, SLOPE_SD, SLOPE = 1.5, 0.2, -0.4
U_PA = (0.2, 0.5)
SWITCHES = 40
#: How far ahead of the last test a line is asked for, years.
AHEAD = 5.0

#: (tests a switch, excess between tests in Pa).
CELLS = [(4, 0.0), (4, 0.3), (6, 0.0), (6, 0.3), (10, 0.0), (10, 0.3)]
#: The accuracy that is stated of both gauges of a fleet whose gauge was replaced, Pa.
LIMIT_PA = 0.9


class Simulated:
    """Setpoints of a fleet, a test a year, with the true level and slope of every switch.

    With `limit` the gauge was replaced half way, and either one is off by anything within it.
    """

    def __init__(
        self,
        rng: np.random.Generator,
        switches: int,
        tests: int,
        excess: float,
        limit: float = 0.0,
    ) -> None:
        shape = (switches, tests)
        deviates = rng.normal(size=(2, switches))
        self.slope = SLOPE + SLOPE_SD * deviates[0]
        # Levels and slopes are correlated by a half.
        own = 0.5 * deviates[0] + math.sqrt(0.75) * deviates[1]
        self.level = 60.0 + LEVEL_SD_PA * own
        self.years = np.arange(tests) + rng.uniform(0.0, 0.3, shape)
        u = rng.uniform(*U_PA, shape)
        scatter = np.hypot(u, excess) * rng.normal(size=shape)
        value = self.level[:, None] + self.slope[:, None] * self.years + scatter
        gauge = np.broadcast_to(2 * np.arange(tests) // tests, shape)
        if limit:
            value += rng.uniform(-limit, limit, 2)[gauge]
            u = np.hypot(u, limit / math.sqrt(3.0))
        when = np.datetime64("2010-01-01") + _seconds(self.years.ravel())
        self.points = pl.DataFrame(
            {
                "test_id": [f"t{i}" for i in range(value.size)],
                "switch_id": np.repeat([f"s{i:05}" for i in range(switches)], tests),
                "gauge_id": [f"g{i}" for i in gauge.ravel()],
                "method": ["ramp"] * value.size,
                "tested_at": when.astype("datetime64[us]"),
                "open_pa": value.ravel(),
                "open_u_pa": u.ravel(),
                "close_pa": np.full(value.size, np.nan),
                "close_u_pa": np.full(value.size, np.nan),
            }
        )


def _seconds(years: Floats) -> np.ndarray[tuple[int, ...], np.dtype[np.timedelta64]]:
    return (years * 365.2425 * 86400.0).astype("timedelta64[s]")


def _trends(tests: int, excess: float, count: int, seed: int) -> Row:
    rng = np.random.default_rng([seed, tests, round(10 * excess), 1])
    fleet = Simulated(rng, 8 * count, tests, excess)
    found = db.drift(fleet.points)
    slope = Found(
        found["slope_pa_year"].to_numpy(),
        found["slope_u_pa_year"].to_numpy(),
        found["slope_dof"].to_numpy(),
        fleet.slope,
    )
    return score(TREND, {"tests": tests, "excess, Pa": excess}, {"slope": slope})


def _lines(tests: int, excess: float, count: int, seed: int) -> list[Row]:
    rng = np.random.default_rng([seed, tests, round(10 * excess), 2])
    fleets = max(count // 2, 5)
    parts: dict[str, list[tuple[Floats, ...]]] = {"slope": [], "ahead": []}
    means = []
    for _ in range(fleets):
        fleet = Simulated(rng, SWITCHES, tests, excess)
        found = db.growth(fleet.points)
        lines = found.switches
        known = np.full(lines.height, math.inf)
        slope = lines["slope_pa_year"].to_numpy(), lines["slope_u_pa_year"].to_numpy()
        parts["slope"].append((*slope, known, fleet.slope))
        when = found.last + timedelta(days=round(AHEAD * 365.2425))
        there = found.at(when)
        years = (np.datetime64(when) - np.datetime64("2010-01-01")).astype(float) / 365.2425
        level = there["level_pa"].to_numpy(), there["level_u_pa"].to_numpy()
        parts["ahead"].append((*level, known, fleet.level + fleet.slope * years))
        mean = found.fixed.row(1, named=True)
        means.append((mean["value"], mean["u"], mean["dof"], SLOPE))
    cell = {"tests": tests, "excess, Pa": excess}
    merged = {
        name: Found(*(np.concatenate(column) for column in zip(*each, strict=True)))
        for name, each in parts.items()
    }
    fixed = Found(*(np.array(column) for column in zip(*means, strict=True)))
    return [
        score(LINE, {"of": "slope", **cell}, {"slope": merged["slope"]}),
        score(LINE, {"of": "level ahead", **cell}, {"level": merged["ahead"]}),
        score(FLEET, cell, {"slope": fixed}),
    ]


def _replaced(tests: int, excess: float, count: int, seed: int) -> list[Row]:
    """Fleets by two gauges: of each the first switch, for its switches are right together."""
    rng = np.random.default_rng([seed, tests, round(10 * excess), 3])
    gauges = pl.DataFrame(
        {"gauge_id": ["g0", "g1"], "resolution_pa": [0.1] * 2, "accuracy_rel": [0.0] * 2,
         "accuracy_abs_pa": [LIMIT_PA] * 2}
    )  # fmt: skip
    parts: dict[str, list[tuple[float, ...]]] = {"mean slope": [], "slope": [], "level ahead": []}
    for _ in range(count):
        fleet = Simulated(rng, SWITCHES, tests, excess, LIMIT_PA)
        found = db.growth(fleet.points, gauges=gauges)
        mean, first = found.fixed.row(1, named=True), found.switches.row(0, named=True)
        parts["mean slope"].append((mean["value"], mean["u"], mean["dof"], SLOPE))
        slope = first["slope_pa_year"], first["slope_u_pa_year"]
        parts["slope"].append((*slope, math.inf, fleet.slope[0]))
        when = found.last + timedelta(days=round(AHEAD * 365.2425))
        there = found.at(when).row(0, named=True)
        years = (np.datetime64(when) - np.datetime64("2010-01-01")).astype(float) / 365.2425
        truth = fleet.level[0] + fleet.slope[0] * years
        parts["level ahead"].append((there["level_pa"], there["level_u_pa"], math.inf, truth))
    cell = {"tests": tests, "excess, Pa": excess}
    return [
        score(
            REPLACED,
            {"of": name, **cell},
            {name: Found(*(np.array(column) for column in zip(*each, strict=True)))},
        )
        for name, each in parts.items()
    ]


def rows(count: int, seed: int) -> list[Row]:
    """All cells: trends of 8 `count` switches, lines of `count` / 2 fleets.

    Of fleets whose gauge was replaced, `count`.
    """
    lines = [row for cell in CELLS for row in _lines(*cell, count, seed)]
    trends = [_trends(*cell, count, seed) for cell in CELLS]
    return [
        *trends,
        *(row for row in lines if row.family == LINE),
        *(row for row in lines if row.family == FLEET),
        *(row for cell in CELLS for row in _replaced(*cell, count, seed)),
    ]
