"""A simulated study of three methods and three operators; causes of error can be switched off."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache

import numpy as np
import polars as pl

from deadband import analyse, simulate
from deadband._analyse import Analysis

GAUGE = simulate.Gauge(
    dead_time_s=0.1, time_constant_s=0.25, refresh_s=0.4, resolution_pa=1.0, noise_pa=0.3
)
OPERATORS = {
    name: simulate.Operator(reaction_s=mean, reaction_sd_s=sd)
    for name, mean, sd in (("a", 0.30, 0.08), ("b", 0.50, 0.10), ("c", 0.70, 0.15))
}
RATES = (2.0, 3.5, 6.0, 10.0, 20.0)


def motions(turn: int, rng: np.random.Generator, *, flow_noise_pa: float = 1.0):
    """Ramps of rates between 2 and 20 Pa/s, a coast-down and a pinch.

    Appliances and hands keep no step with the clock of a logger: times of rest are drawn.
    """
    ramps = [RATES[(turn + i) % len(RATES)] for i in (0, 2)]
    on, off, before, after = rng.uniform(0.0, 1.0, size=4)
    return [
        *(simulate.Ramp(rate_pa_s=rate, rate_spread=0.1) for rate in ramps),
        simulate.InService(
            starts=3, run_s=19.5 + on, rest_s=19.5 + off, flow_noise_pa=flow_noise_pa
        ),
        simulate.Pinch(fall_s=0.6, before_s=4.5 + before, after_s=4.5 + after),
    ]


@cache
def recordings(
    *,
    seed: int = 1,
    switches: int = 8,
    lag: bool = True,
    refresh: bool = True,
    reaction: bool = True,
    scatter: bool = True,
    flow_noise_pa: float = 1.0,
    gauges: int = 1,
) -> simulate.Fleet:
    """The recordings, without some of the causes."""
    gauge = replace(
        GAUGE,
        dead_time_s=GAUGE.dead_time_s if lag else 0.0,
        time_constant_s=GAUGE.time_constant_s if lag else 0.0,
        refresh_s=GAUGE.refresh_s if refresh else 0.0,
    )
    instruments = [simulate.Instrument(gauge_id=f"g{i}", gauge=gauge) for i in range(gauges)]
    plan = []
    for s in range(switches):
        switch = simulate.Switch(
            open_pa=true_open_pa(s), close_pa=68.0, repeatability_pa=0.4 if scatter else 0.0
        )
        unit = simulate.Unit(switch_id=f"s{s:02}", rated_pa=60.0, switch=switch)
        for o, (name, operator) in enumerate(OPERATORS.items()):
            rng = np.random.default_rng([seed, s, o])
            for m, motion in enumerate(motions(o + s, rng, flow_noise_pa=flow_noise_pa)):
                plan.append(
                    simulate.PlannedTest(
                        test_id=f"{s:02}-{name}-{m}",
                        unit=unit,
                        instrument=instruments[s % gauges],
                        motion=motion,
                        operator=operator
                        if reaction
                        else replace(operator, reaction_s=0.0, reaction_sd_s=0.0),
                        operator_id=name,
                        tested_at=datetime(2024, 5, 1) + timedelta(hours=len(plan)),
                        logger=simulate.Logger(sample_s=0.1),
                    )
                )
    return simulate.fleet(plan, seed=seed)


@cache
def study(**causes) -> tuple[simulate.Fleet, Analysis]:
    """The recordings and what the analysis makes of them."""
    made = recordings(**causes)
    return made, analyse(made.tests, made.switches, made.gauges)


def true_open_pa(switch):
    return 57.0 + switch % 5


def errors(made: simulate.Fleet) -> pl.DataFrame:
    """Each called value less the true setpoint."""
    switch = pl.col("switch_id").str.tail(2).cast(pl.Int32)
    return made.tests.select(
        "test_id", "method", error_pa=pl.col("called_open_pa") - true_open_pa(switch)
    )
