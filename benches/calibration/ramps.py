"""Slow ramps on a display that flickers: setpoints beside the best linear reading of them."""

from __future__ import annotations

from functools import partial

import numpy as np

from deadband import simulate

from .bound import setpoint_rmse
from .scores import Row, score
from .stands import DEADBAND_PA, LAG_U_S, OPENS_PA, STEP_PA, Stand, gauge, record, setpoints
from .stands import mean_lags as lags_of

FAMILY = "ramps"
REPEATABILITY_PA = 0.3
SIDES = ("open", "close")

#: The factors of a cell in the order of `NAMES`; lag is dead time and time constant.
Factors = tuple[float, float, float, float, float, tuple[float, float]]

NAMES = ("rate, Pa/s", "sampling, Hz", "step, Pa", "noise, steps", "unsteadiness", "lag, s")
LAGS = ((0.05, 0.1), (0.1, 0.3), (0.2, 0.6))

#: The corners of rate, noise and unsteadiness with some middles, then one factor after the other
#: about a slow and about a fast ramp.
CORNERS: list[Factors] = [
    (rate, 10.0, STEP_PA, noise, unsteadiness, LAGS[1])
    for rate in (2.0, 5.0, 10.0, 20.0)
    for noise in (1 / 3, 0.5, 1.0)
    for unsteadiness in (0.05, 0.2)
]


def _around(rate: float) -> list[Factors]:
    base: Factors = (rate, 10.0, STEP_PA, 0.5, 0.2, LAGS[1])
    changes: list[tuple[int, tuple[float | tuple[float, float], ...]]] = [
        (1, (5.0, 20.0, 50.0)),
        (2, (1.0, 5.0)),
        (4, (0.4,)),
        (5, (LAGS[0], LAGS[2])),
    ]
    return [
        (*base[:place], value, *base[place + 1 :])  # type: ignore[misc]
        for place, values in changes
        for value in values
    ]


CELLS: list[Factors] = [
    *CORNERS,
    (1.0, 10.0, STEP_PA, 0.5, 0.2, LAGS[1]),
    *_around(5.0),
    *_around(20.0),
]


def is_in_the_bar(row: Row) -> bool:
    """Whether a row is one of those that the measure of done for ramps names."""
    cell = row.cell
    usual = cell["sampling, Hz"] == 10.0 and cell["step, Pa"] == STEP_PA
    return usual and cell["rate, Pa/s"] >= 2.0


def row(factors: Factors, count: int, seed: int) -> Row:
    """Simulate and analyse one cell."""
    rate, hertz, step, noise, unsteadiness, lag = factors
    cell = dict(zip(NAMES, (*factors[:5], f"{lag[0]:g} + {lag[1]:g}"), strict=True))
    motion = simulate.Ramp(rate_pa_s=rate, unsteadiness=unsteadiness)
    stand = Stand(
        gauge(step, noise, lag),
        lambda *_: motion,
        simulate.Logger(sample_s=1.0 / hertz),
        REPEATABILITY_PA,
    )
    made, truth = record(stand, count, seed, FAMILY, cell)
    found, lost, _ = setpoints(made.tests, lags_of(made), truth, SIDES)
    least = partial(
        setpoint_rmse,
        motion,
        stand.gauge,
        stand.logger,
        repeatability_pa=REPEATABILITY_PA,
        lag_u_s=LAG_U_S,
    )
    middle = sum(OPENS_PA) / 2.0
    bounds = [
        least(event_pa=middle, rising=False),
        least(event_pa=middle + DEADBAND_PA, rising=True),
    ]
    bound = float(np.sqrt(np.mean(np.square(bounds))))
    return score(FAMILY, cell, found, lost=lost, others={"bound": bound})


def rows(count: int, seed: int, *, quick: bool = False) -> list[Row]:
    """All cells; `quick` takes one of each kind."""
    return [row(cell, count, seed) for cell in (CELLS[23::10] if quick else CELLS)]
