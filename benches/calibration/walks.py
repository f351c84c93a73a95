"""Efficiency of the smoother on paths of its own kind: rates that walk at random."""

from __future__ import annotations

import numpy as np

from deadband._core import smooth_path

from .scores import Floats, Found, Row, score

FAMILY = "random walk"
SAMPLE_S, READINGS = 0.1, 200
NOISE_PA = 1.0
#: The instant scored, in the middle of the path and off the readings.
AT = SAMPLE_S * (READINGS * np.array([0.5]) + 0.37)

#: (sd of the rate's walk over a second, Pa/s; step of the display in noises).
CELLS = [(0.03, 0.0), (0.3, 0.0), (3.0, 0.0), (30.0, 0.0), (0.3, 1.0), (0.3, 3.0), (3.0, 3.0)]


def walk(rng: np.random.Generator, q: float, times: Floats) -> tuple[Floats, Floats]:
    """Value and rate at uneven times of an integrated random walk, drawn exactly."""
    h = np.diff(times)
    jump = rng.normal(size=(h.size, 2))
    rate_step = np.sqrt(q * h) * jump[:, 0]
    value_step = h / 2.0 * rate_step + np.sqrt(q * h**3 / 12.0) * jump[:, 1]
    rate = np.concatenate([[5.0], 5.0 + np.cumsum(rate_step)])
    value = np.concatenate([[0.0], np.cumsum(h * rate[:-1] + value_step)])
    return value, rate


def row(wandering: float, step: float, count: int, seed: int) -> Row:
    """One cell: the smoother against itself told how much the rate walks."""
    rng = np.random.default_rng([seed, round(100 * wandering), round(step)])
    q = wandering**2
    sigma2 = NOISE_PA**2 + (step * NOISE_PA) ** 2 / 12.0
    times = SAMPLE_S * np.arange(READINGS)
    every = np.sort(np.concatenate([times, AT]))
    is_reading = np.isin(every, times)
    values, u, told, truths = [], [], [], []
    for _ in range(count):
        value = walk(rng, q, every)[0] + rng.uniform(0.0, 10.0)
        y = value[is_reading] + NOISE_PA * rng.normal(size=READINGS)
        if step:
            y = step * NOISE_PA * np.round(y / (step * NOISE_PA))
        found = smooth_path(times, y, AT, None)["states"]
        values.append(found[:, 0])
        u.append(np.sqrt(found[:, 2]))
        told.append(smooth_path(times, y, AT, q / sigma2)["states"][:, 0])
        truths.append(value[~is_reading])
    truth = np.concatenate(truths)
    error = np.concatenate(told) - truth
    estimates = Found(
        np.concatenate(values), np.concatenate(u), np.full(truth.size, READINGS - 3.0), truth
    )
    return score(
        FAMILY,
        {"wandering, Pa/s in 1 s": wandering, "step, noises": step},
        {"path": estimates},
        others={"told": float(np.sqrt(np.mean(error**2)))},
    )


def rows(count: int, seed: int) -> list[Row]:
    """All cells."""
    return [row(*cell, count, seed) for cell in CELLS]
