"""Simulated tests of a plan, through the package itself: what theory has no closed form for."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import polars as pl

from .. import simulate
from .._events import fit_events
from .._setpoints import setpoints
from ._procedure import Known, Procedure

#: The simulated switch opens at its rating and closes so much above, as a fraction.
_ABOVE: Final = 0.1


class Trial(NamedTuple):
    """What simulated tests are off by.

    Attributes
    ----------
    events_u_pa
        root mean square scatter of an event within its test, Pa.
    common_u_pa
        root mean square of what the events of a test are off by together, Pa.
    bias_pa
        mean error, Pa.
    stated_u_pa
        median standard uncertainty that the package states of the setpoint, Pa.
    lost
        share of tests that gave no setpoint.

    Examples
    --------
    >>> Trial(0.2, 0.1, 0.0, 0.15, 0.0).lost
    0.0
    """

    events_u_pa: float
    common_u_pa: float
    bias_pa: float
    stated_u_pa: float
    lost: float


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
    fine = min(procedure.contact_s, 0.005)
    plan = []
    for i in range(n):
        shift = float(rng.uniform(0.0, max(gauge.resolution_pa, 0.01 * rated_pa)))
        motion = simulate.Ramp(
            cycles=3, low_pa=procedure.low_pa - shift,
            high_pa=max(procedure.top_pa(rated_pa) - shift, (1.0 + 1.5 * _ABOVE) * rated_pa),
            rate_pa_s=procedure.rate_pa_s, rate_spread=0.0, unsteadiness=hand[0],
            correlation_s=hand[1], hold_s=procedure.hold_s,
        )  # fmt: skip
        plan.append((motion, simulate.Logger(sample_s=procedure.sample_s, contact_sample_s=fine)))
    made, told = _recorded(gauge, plan, rated_pa, seed=seed, lag_errors=[0.0] * n)
    errors, _ = _errors(made, told)
    off = errors["error_pa"].to_numpy()
    return float(np.sqrt(np.mean(off**2))) if len(off) >= n else float("nan")


def pinch_trial(
    gauge: Known, procedure: Procedure, rated_pa: float, *, parts: bool, n: int, seed: int
) -> Trial:
    """What the openings of simulated pinches are off by, the error of the stated lag included.

    `parts`: the analysis is told dead time and time constant; else their sum alone.

    Examples
    --------
    >>> from deadband.methods._procedure import known_gauge
    >>> told = {"resolution_pa": 1.0, "dead_time_s": 0.1, "time_constant_s": 0.3, "lag_u_s": 0.02}
    >>> pinch = Procedure(method="pinch", fall_s=0.4, hold_s=5.0)
    >>> found = pinch_trial(known_gauge(told), pinch, 60.0, parts=True, n=8, seed=1)
    >>> found.common_u_pa > found.events_u_pa / 3**0.5
    True
    """
    rng = np.random.default_rng(seed)
    motion = simulate.Pinch(
        level_pa=procedure.top_pa(rated_pa), end_pa=procedure.low_pa, fall_s=procedure.fall_s,
        before_s=procedure.hold_s, after_s=procedure.hold_s, count=procedure.cycles,
    )  # fmt: skip
    logger = simulate.Logger(
        sample_s=procedure.sample_s, contact_sample_s=procedure.contact_sample_s, jitter=0.02
    )
    off = (gauge.lag_u_s or 0.0) * rng.normal(size=n)
    made, told = _recorded(
        gauge, [(motion, logger)] * n, rated_pa, seed=seed, lag_errors=list(off),
        parts=parts,
    )  # fmt: skip
    errors, stated = _errors(made, told)
    opened = errors.filter(pl.col("event") == "open")
    return _split(opened, stated, n)


def _split(errors: pl.DataFrame, stated: pl.DataFrame, n: int) -> Trial:
    """Scatter within tests, and of tests, of the errors of single events."""
    tests = errors.group_by("test_id").agg(
        mean=pl.col("error_pa").mean(), var=pl.col("error_pa").var(), count=pl.len()
    )
    lost = 1.0 - tests.height / n
    if tests.is_empty():
        return Trial(*[float("nan")] * 4, lost)
    mean = tests["mean"].to_numpy()
    within = tests["var"].drop_nulls().mean()
    within = float(within) if isinstance(within, float) else 0.0
    count = tests["count"].to_numpy()
    bias = float(mean.mean())
    common = float(np.mean(mean**2) - within * np.mean(1.0 / count))
    median = stated["open_u_pa"].median()
    return Trial(
        events_u_pa=float(np.sqrt(within)),
        common_u_pa=float(np.sqrt(max(common, 0.0))),
        bias_pa=bias,
        stated_u_pa=float(median) if isinstance(median, float) else float("nan"),
        lost=lost,
    )


def _recorded(
    gauge: Known,
    plan: list[tuple[simulate.Ramp | simulate.Pinch, simulate.Logger]],
    rated_pa: float,
    *,
    seed: int,
    lag_errors: list[float],
    parts: bool = True,
) -> tuple[simulate.Fleet, tuple[pl.DataFrame, pl.DataFrame]]:
    """Recordings of a plan, and the lags and gauges tables as they would be stated."""
    switch = simulate.Switch(
        close_pa=(1.0 + _ABOVE) * rated_pa, open_pa=rated_pa, repeatability_pa=0.0
    )
    unit = simulate.Unit(switch_id="s", rated_pa=rated_pa, switch=switch)
    tests, rows = [], []
    for i, ((motion, logger), error) in enumerate(zip(plan, lag_errors, strict=True)):
        dead, constant = gauge.splits[i % len(gauge.splits)]
        lag = dead + constant
        # The stated lag is right on average; the gauge's own is off by the error.
        scale = max(lag - error, 0.0) / lag if lag > 0.0 else 1.0
        real = simulate.Gauge(
            dead_time_s=dead * scale, time_constant_s=constant * scale,
            resolution_pa=gauge.resolution_pa, noise_pa=gauge.noise_pa,
        )  # fmt: skip
        instrument = simulate.Instrument(gauge_id=f"g{i}", gauge=real)
        tests.append(
            simulate.PlannedTest(
                test_id=f"t{i}", unit=unit, instrument=instrument, motion=motion, logger=logger
            )
        )
        known = parts and gauge.has_parts
        rows.append(
            {
                "gauge_id": f"g{i}", "lag_s": lag, "lag_u_s": gauge.lag_u_s or 0.0,
                "dead_time_s": dead if known else None,
                "time_constant_s": constant if known else None,
            }
        )  # fmt: skip
    made = simulate.fleet(tests, seed=seed)
    schema = {"gauge_id": pl.String, **dict.fromkeys(list(rows[0])[1:], pl.Float64)}
    return made, (pl.DataFrame(rows, schema=schema), made.gauges)


def _errors(
    made: simulate.Fleet, told: tuple[pl.DataFrame, pl.DataFrame]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    lags, gauges = told
    events = fit_events(made.tests, lags, gauges=gauges)
    truth = made.truth.select("test_id", "cycle", "event", true_pa="pressure_pa")
    errors = (
        events.filter(pl.col("status") == "ok")
        .join(truth, on=["test_id", "cycle", "event"])
        .with_columns(error_pa=pl.col("pressure_pa") - pl.col("true_pa"))
        .filter(pl.col("error_pa").is_finite())
    )
    return errors, setpoints(events, lags, gauges)
