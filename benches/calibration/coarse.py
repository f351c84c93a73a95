"""Ramps on a steady coarse display, beside the smoother that takes rounding for white noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

import deadband as db
from deadband import simulate
from deadband._core import smooth_path

from .scores import Floats, Row, score
from .stands import STEP_PA, Stand, gauge, mean_lags, record, rmse, setpoints

FAMILY = "coarse"
REPEATABILITY_PA = 0.1
PATH = "path"
CHANNELS = ("contact_time_s", "contact")
SIDES = ("open", "close")
NOISES = {"1/50": 1 / 50, "1/10": 1 / 10, "1/5": 1 / 5, "1/3": 1 / 3}
NAMES = ("rate, Pa/s", "sampling, Hz", "step, Pa", "noise, steps", "unsteadiness", "refresh, s")

Factors = tuple[float, float, float, str, float, float]

CELLS: list[Factors] = [
    *(
        (rate, 10.0, STEP_PA, noise, unsteadiness, 0.0)
        for noise in NOISES
        for rate in (1.0, 3.0, 6.0, 12.0)
        for unsteadiness in (0.05, 0.2)
    ),
    *((3.0, hertz, STEP_PA, "1/50", 0.2, 0.0) for hertz in (5.0, 20.0, 50.0)),
    *((3.0, 10.0, step, "1/50", 0.2, 0.0) for step in (1.0, 5.0)),
    *((rate, 10.0, STEP_PA, "1/50", 0.2, 0.33) for rate in (1.0, 6.0)),
    # A whole number of samples: the display turns at one place between two of them.
    *((rate, 10.0, STEP_PA, noise, 0.2, 0.4) for rate, noise in ((6.0, "1/50"), (12.0, "1/3"))),
]
#: Half the width of the bracket when the instant of a change is told, s.
TOLD_S = 1e-4
#: Readings nearer to a turning point than this are left out of the white-noise path, Pa.
MARGIN_PA = 8.0
TOP_PA = 100.0


def is_in_the_bar(row: Row) -> bool:
    """Whether a row is one of those that the measure of done for coarse displays names."""
    cell = row.cell
    usual = cell["sampling, Hz"] == 10.0 and cell["step, Pa"] == STEP_PA
    return usual and cell["refresh, s"] == 0.0


def white_path(time: Floats, y: Floats, at: float, lag_s: float) -> float:
    """What the smoother makes of one event, each reading seen through white noise, Pa.

    The gauge is taken for wholly late: on a staircase, adding `lag * rate` would add the noise of
    the rate.
    """
    moving = (y > MARGIN_PA) & (y < TOP_PA - MARGIN_PA)
    here = int(np.searchsorted(time, at))
    still = np.flatnonzero(~moving)
    first = still[still < here].max(initial=-1) + 1
    last = still[still >= here].min(initial=time.size)
    stroke = slice(first, last)
    state = smooth_path(time[stroke], y[stroke], np.array([at + lag_s]), None)["states"][0]
    return float(state[0])


def white_setpoints(
    made: simulate.Fleet, events: pl.DataFrame, truth: pl.DataFrame
) -> dict[str, tuple[Floats, Floats]]:
    """Setpoints of the white-noise smoother by side, and the true ones.

    The mean over the cycles of the value a lag after the middles of the brackets.
    """
    tests = made.tests.select(
        "test_id",
        pl.col("time_s", "pressure_pa"),
    ).join(truth.select("test_id", "lag_s"), on="test_id")
    recorded = {
        name: (np.asarray(time), np.asarray(y), lag) for name, time, y, lag in tests.iter_rows()
    }
    changes = events.filter(status="ok").select("test_id", "event", "time_s")
    values = [
        white_path(*recorded[name][:2], at, recorded[name][2])
        for name, _, at in changes.iter_rows()
    ]
    means = (
        changes.with_columns(value=pl.Series(values, dtype=pl.Float64))
        .group_by("test_id", "event")
        .agg(pl.col("value").mean())
        .join(truth, on="test_id")
        .sort("test_id")
    )
    sides = {side: means.filter(event=side) for side in SIDES}
    return {side: (one["value"].to_numpy(), one[side].to_numpy()) for side, one in sides.items()}


def told_instants(made: simulate.Fleet) -> pl.DataFrame:
    """The recordings with contact samples just before and after the instants of the truth too."""
    changes = made.truth.sort("test_id", "time_s").group_by("test_id").agg("time_s", "event")
    at = {name: (np.asarray(times), events[0]) for name, times, events in changes.iter_rows()}
    clocks, states = [], []
    for name, time in made.tests.select("test_id", "time_s").iter_rows():
        when, first = at[name]
        clock = np.sort(np.concatenate([time, when - TOLD_S, when + TOLD_S]))
        clocks.append(clock)
        states.append((np.searchsorted(when, clock) % 2 == (first == "close")).astype(float))
    channels = (
        pl.Series(name, lists) for name, lists in zip(CHANNELS, (clocks, states), strict=True)
    )
    return made.tests.with_columns(*channels)


def path_errors(made: simulate.Fleet) -> tuple[Floats, Floats]:
    """Errors of the gauge's signal at single events, this library's and the white-noise model's.

    Both are told the instants of the events, so that neither the scatter of the switch nor the
    brackets nor the lag have part in them: the readings alone decide. Shapes (events,).
    """
    tests = told_instants(made)
    events = db.fit_events(tests).filter(status="ok")
    known = made.truth.select("test_id", "cycle", "event", "signal_pa", at="time_s")
    both = events.join(known, on=("test_id", "cycle", "event"))
    recorded = {
        name: (np.asarray(time), np.asarray(y))
        for name, time, y in tests.select("test_id", "time_s", "pressure_pa").iter_rows()
    }
    white = [
        white_path(*recorded[name], at, 0.0)
        for name, at in both.select("test_id", "at").iter_rows()
    ]
    truth = both["signal_pa"].to_numpy()
    return both["pressure_pa"].to_numpy() - truth, np.asarray(white) - truth


def row(factors: Factors, count: int, seed: int) -> Row:
    """Simulate and analyse one cell."""
    rate, hertz, step, noise, unsteadiness, refresh = factors
    cell = dict(zip(NAMES, factors, strict=True))
    motion = simulate.Ramp(rate_pa_s=rate, unsteadiness=unsteadiness)
    stand = Stand(
        gauge(step, NOISES[noise], refresh_s=refresh),
        lambda *_: motion,
        simulate.Logger(sample_s=1.0 / hertz),
        REPEATABILITY_PA,
    )
    made, truth = record(stand, count, seed, FAMILY, cell)
    lags = mean_lags(made)
    found, lost, events = setpoints(made.tests, lags, truth, SIDES)
    others = {}
    if refresh == 0.0:
        others["white"] = rmse(white_setpoints(made, events, truth))
    scored = score(FAMILY, cell, found, lost=lost, others=others)
    if refresh == 0.0:
        mine, white = (np.sqrt(np.mean(errors**2)) for errors in path_errors(made))
        ratios = {**scored.ratios, PATH: float(mine / white)}
        scored = replace(scored, ratios=ratios)
    return scored


def rows(count: int, seed: int, *, quick: bool = False) -> list[Row]:
    """All cells; `quick` takes a few."""
    return [row(cell, count, seed) for cell in (CELLS[2::16] if quick else CELLS)]
