"""Simulated tests of a plan, through the package itself: what theory has no closed form for."""

from __future__ import annotations

from statistics import NormalDist
from typing import Final, Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from .. import simulate
from .._events import fit_events
from .._setpoints import setpoints
from ._procedure import Known, Procedure

Correction = Literal["parts", "mean", "called"]
_Plan = list[tuple[simulate.Ramp | simulate.Pinch, simulate.Logger]]

#: The simulated switch opens at its rating and closes so much above, as a fraction.
_ABOVE: Final = 0.1


class Trial(NamedTuple):
    """What simulated tests are off by.

    Attributes
    ----------
    rms_pa
        root mean square error of the opening setpoint, Pa.
    bias_pa
        mean error, Pa.
    stated_u_pa
        median standard uncertainty that the package states of it, Pa; NaN for called values.
    lost
        share of tests that gave no setpoint.

    Examples
    --------
    >>> round(Trial(0.5, 0.3, 0.4, 0.0).sd_pa, 3)
    0.4
    """

    rms_pa: float
    bias_pa: float
    stated_u_pa: float
    lost: float

    @property
    def sd_pa(self) -> float:
        """Scatter about the bias, Pa."""
        return float(np.sqrt(max(self.rms_pa**2 - self.bias_pa**2, 0.0)))


def ramp_trial(
    gauge: Known, procedure: Procedure, rated_pa: float, *, hand: tuple[float, float], n: int,
    seed: int,
) -> float:  # fmt: skip
    """Root mean square error of an event's pressure on a ramp, the lag known, Pa; NaN: no events.

    The contact is logged so finely that its bracket adds nothing. `hand` holds unsteadiness and
    correlation time. Every test begins at another pressure, so that no display step is met alike.

    Examples
    --------
    >>> from deadband.methods._procedure import known_gauge
    >>> gauge = known_gauge({"resolution_pa": 2.5, "noise_pa": 0.1, "lag_s": 0.3, "lag_u_s": 0.0})
    >>> u = ramp_trial(gauge, Procedure(rate_pa_s=2.0), 60.0, hand=(0.1, 1.0), n=8, seed=1)
    >>> 0.05 < u < 0.2
    True
    """
    rng = np.random.default_rng(seed)
    fine = min(procedure.contact_s, 0.01, 0.02 * rated_pa / procedure.rate_pa_s)
    plan: _Plan = []
    for _ in range(n):
        shift = float(rng.uniform(0.0, max(gauge.resolution_pa, 0.01 * rated_pa)))
        motion = simulate.Ramp(
            cycles=3, low_pa=procedure.low_pa - shift,
            high_pa=max(procedure.top_pa(rated_pa) - shift, (1.0 + 1.5 * _ABOVE) * rated_pa),
            rate_pa_s=procedure.rate_pa_s, rate_spread=0.0, unsteadiness=hand[0],
            correlation_s=hand[1], hold_s=procedure.hold_s,
        )  # fmt: skip
        plan.append((motion, simulate.Logger(sample_s=procedure.sample_s, contact_sample_s=fine)))
    made, lags = _recorded(gauge, plan, rated_pa, seed=seed)
    events = fit_events(made.tests, lags, gauges=made.gauges)
    truth = made.truth.select("test_id", "cycle", "event", true_pa="pressure_pa")
    found = events.filter(pl.col("status") == "ok").join(truth, on=["test_id", "cycle", "event"])
    off = (found["pressure_pa"] - found["true_pa"]).drop_nans().to_numpy()
    return _rms(off) if len(off) >= n else float("nan")


def pinch_trial(
    gauge: Known,
    procedure: Procedure,
    rated_pa: float,
    *,
    correction: Correction,
    repeatability_pa: float,
    reaction: tuple[float, float],
    n: int,
    seed: int,
) -> Trial:
    """What the openings of simulated pinches are off by, the error of the stated lag included.

    `parts`: the analysis is told dead time and time constant; `mean`: their sum alone, with the
    gauges' splits spread over what it allows; `called`: somebody reads the display after his
    reaction time, and nothing is corrected.

    Examples
    --------
    >>> from deadband.methods._procedure import known_gauge
    >>> told = {"resolution_pa": 1.0, "dead_time_s": 0.1, "time_constant_s": 0.3, "lag_u_s": 0.02}
    >>> pinch = Procedure(method="pinch", fall_s=0.4, hold_s=5.0)
    >>> found = pinch_trial(
    ...     known_gauge(told), pinch, 60.0, correction="called", repeatability_pa=0.3,
    ...     reaction=(1.0, 0.1), n=8, seed=1,
    ... )  # fmt: skip
    >>> found.bias_pa < -30.0  # called long after the pressure had gone
    True
    """
    rng = np.random.default_rng(seed)
    plan = _pinches(procedure, rated_pa, n, np.random.default_rng([seed, n]))
    made, lags = _recorded(
        gauge, plan, rated_pa, seed=seed, parts=correction == "parts",
        lag_errors=(gauge.lag_u_s or 0.0) * _normal(n, rng), repeatability_pa=repeatability_pa,
        operator=simulate.Operator(reaction_s=reaction[0], reaction_sd_s=reaction[1]),
    )  # fmt: skip
    if correction == "called":
        return _scored(made.tests["called_open_pa"], None, rated_pa, n)
    events = fit_events(made.tests, lags, gauges=made.gauges)
    points = setpoints(events, lags, made.gauges, repeatability=repeatability_pa or "pooled")
    return _scored(points["open_pa"], points["open_u_pa"], rated_pa, n)


def _pinches(
    procedure: Procedure, rated_pa: float, n: int, rng: np.random.Generator
) -> _Plan:  # fmt: skip
    """Pinches that begin anywhere between two samples, each of a test at another place.

    In step with the logger every contact would change at one place between two samples, and the
    fits of all tests would err alike: by more than either scatters.
    """
    logger = simulate.Logger(
        sample_s=procedure.sample_s, contact_sample_s=procedure.contact_sample_s, jitter=0.02
    )
    held = procedure.hold_s + procedure.sample_s * rng.uniform(size=(n, 2))
    return [
        (
            simulate.Pinch(
                level_pa=procedure.top_pa(rated_pa), end_pa=procedure.low_pa,
                fall_s=procedure.fall_s, before_s=float(before), after_s=float(after),
                count=procedure.cycles,
            ),
            logger,
        )
        for before, after in held
    ]  # fmt: skip


def _scored(found: pl.Series, stated: pl.Series | None, rated_pa: float, n: int) -> Trial:
    off = found.drop_nulls().drop_nans().to_numpy() - rated_pa
    if len(off) == 0:
        return Trial(float("nan"), float("nan"), float("nan"), lost=1.0)
    median = None if stated is None else stated.drop_nans().median()
    u = float(median) if isinstance(median, float) else float("nan")
    return Trial(_rms(off), float(off.mean()), u, 1.0 - len(off) / n)


def _normal(n: int, rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Quantiles of the normal distribution in random order: they scatter as it does, exactly."""
    values = np.array([NormalDist().inv_cdf((i + 0.5) / n) for i in range(n)])
    rng.shuffle(values)
    return values / (_rms(values) or 1.0)


def _rms(off: npt.NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(off**2)))


def _recorded(
    gauge: Known,
    plan: _Plan,
    rated_pa: float,
    *,
    seed: int,
    parts: bool = True,
    lag_errors: npt.NDArray[np.float64] | None = None,
    repeatability_pa: float = 0.0,
    operator: simulate.Operator | None = None,
) -> tuple[simulate.Fleet, pl.DataFrame]:
    """Recordings of a plan, and the lags table as it would be stated."""
    switch = simulate.Switch(
        close_pa=(1.0 + _ABOVE) * rated_pa, open_pa=rated_pa, repeatability_pa=repeatability_pa
    )
    unit = simulate.Unit(switch_id="s", rated_pa=rated_pa, switch=switch)
    errors = np.zeros(len(plan)) if lag_errors is None else lag_errors
    tests, rows = [], []
    for i, ((motion, logger), error) in enumerate(zip(plan, errors, strict=True)):
        dead, constant = gauge.splits[i % len(gauge.splits)]
        lag = dead + constant
        # The stated lag is right on average; the gauge's own is off by the error.
        scale = max(lag - float(error), 0.0) / lag if lag > 0.0 else 1.0
        real = simulate.Gauge(
            dead_time_s=dead * scale, time_constant_s=constant * scale,
            resolution_pa=gauge.resolution_pa, noise_pa=gauge.noise_pa,
        )  # fmt: skip
        tests.append(
            simulate.PlannedTest(
                test_id=f"t{i}", unit=unit, motion=motion, logger=logger, operator=operator,
                instrument=simulate.Instrument(gauge_id=f"g{i}", gauge=real),
            )
        )  # fmt: skip
        split = (dead, constant) if parts and gauge.has_parts else (None, None)
        rows.append((f"g{i}", lag, gauge.lag_u_s or 0.0, *split))
    names = ("lag_s", "lag_u_s", "dead_time_s", "time_constant_s")
    schema = {"gauge_id": pl.String, **dict.fromkeys(names, pl.Float64)}
    made = simulate.fleet(tests, seed=seed)
    return made, pl.DataFrame(rows, schema=schema, orient="row")
