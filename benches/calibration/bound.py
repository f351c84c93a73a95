"""The best linear reading of a setpoint from a ramp: what no smoother can beat on white noise.

A smoother that is told everything: the hand's mean rate wanders by a known Ornstein-Uhlenbeck
process, the gauge's dead time and time constant are known, and so is the white noise. Level and
mean rate of the stroke are not. Exact: the linear stochastic equations of hand and gauge are
stepped by their matrix exponential (C. F. Van Loan, IEEE Trans. Autom. Control 23, 1978), and the
Kalman filter carries the pressure at the event along as a state that does not move.
"""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
from scipy.linalg import expm

from deadband import simulate

Matrix = npt.NDArray[np.float64]

# States: pressure, hand, gauge, mean rate, pressure at the event.
PRESSURE, HAND, GAUGE, MEAN, KEPT = range(5)
DIFFUSE = 1e6


def steps(motion: simulate.Ramp, rate: float, constant_s: float, h: float) -> tuple[Matrix, Matrix]:
    """Transition and its noise over `h` seconds."""
    drift = np.zeros((5, 5))
    drift[PRESSURE, MEAN] = 1.0
    drift[PRESSURE, HAND] = rate * motion.unsteadiness
    drift[HAND, HAND] = -1.0 / motion.correlation_s
    drift[GAUGE, PRESSURE], drift[GAUGE, GAUGE] = 1.0 / constant_s, -1.0 / constant_s
    noise = np.zeros((5, 5))
    noise[HAND, HAND] = 2.0 / motion.correlation_s
    whole = expm(h * np.block([[-drift, noise], [np.zeros((5, 5)), drift.T]]))
    moved = whole[5:, 5:].T
    return moved, moved @ whole[:5, 5:]


def pressure_variance(
    motion: simulate.Ramp,
    rate: float,
    gauge: simulate.Gauge,
    sample_s: float,
    spans_pa: tuple[float, float],
) -> float:
    """Variance of the pressure at an event midway between two readings, Pa2.

    Parameters
    ----------
    motion, gauge
        the hand and the gauge; its rounding counts as white noise of a twelfth of the step squared.
    rate
        mean rate of the stroke, Pa/s.
    sample_s
        sampling interval, s.
    spans_pa
        pressure run through before and after the event, Pa.
    """
    sigma2 = gauge.noise_pa**2 + gauge.resolution_pa**2 / 12.0
    constant = max(gauge.time_constant_s, 1e-3)
    whole, half = (steps(motion, rate, constant, h) for h in (sample_s, sample_s / 2.0))
    keep = np.eye(5)
    keep[KEPT] = keep[PRESSURE]
    state = np.diag([DIFFUSE, 1.0, DIFFUSE, DIFFUSE, 0.0])
    before, after = (max(round(span / rate / sample_s), 2) for span in spans_pa)
    plan = [whole] * before + [half, None, half] + [whole] * (after - 1)
    for index, step in enumerate(plan):
        if step is None:
            state = keep @ state @ keep.T
            continue
        state = step[0] @ state @ step[0].T + step[1]
        if index == before:
            continue
        gain = state[:, GAUGE] / (state[GAUGE, GAUGE] + sigma2)
        state = state - np.outer(gain, state[GAUGE])
        state = (state + state.T) / 2.0
    return float(state[KEPT, KEPT])


def setpoint_rmse(
    motion: simulate.Ramp,
    gauge: simulate.Gauge,
    logger: simulate.Logger,
    *,
    event_pa: float,
    rising: bool,
    repeatability_pa: float,
    lag_u_s: float,
) -> float:
    """Least RMSE of a linear estimate of the setpoint from all cycles of a test, Pa.

    Beside the pressure's variance each event has the bracket's, `(rate interval)^2 / 12`, and the
    scatter of the switch; cycles are weighted by all three, and the lag's error is common to them.
    The rates of the strokes are lognormal: a mean over five Gauss-Hermite nodes a stroke.
    """
    spans = (event_pa - motion.low_pa, motion.high_pa - event_pa)
    nodes, weights = np.polynomial.hermite_e.hermegauss(5)
    spread = np.sqrt(np.log1p(motion.rate_spread**2))
    rates = motion.rate_pa_s * np.exp(spread * nodes - spread**2 / 2.0)
    single = [
        pressure_variance(motion, rate, gauge, logger.sample_s, spans if rising else spans[::-1])
        + (rate * logger.sample_s) ** 2 / 12.0
        + repeatability_pa**2
        for rate in rates
    ]
    total = 0.0
    for strokes in itertools.product(range(5), repeat=motion.cycles):
        chosen = list(strokes)
        precision = 1.0 / np.array(single)[chosen]
        mean_rate = float(precision @ rates[chosen] / precision.sum())
        share = float(np.prod(weights[chosen] / weights.sum()))
        total += share * (1.0 / precision.sum() + (lag_u_s * mean_rate) ** 2)
    return float(np.sqrt(total))
