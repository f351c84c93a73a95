"""Coarse and slowly refreshed displays: simulated ramps whose truth is known, fixed seeds.

A step of 0.01 inH2O, a switch that repeats to 0.1 Pa, three cycles at 10 Hz, the lag known. Of 240
intervals of 95 % (120 tests, two setpoints) fewer than 90 % hold in one study of 1,000 (binomial).
"""

import numpy as np
import polars as pl
import pytest
from scipy import stats

import deadband as db
from deadband import simulate
from recordings import lags_of

STEP = 2.4908891
TESTS = 120


def ramps(rate, noise, refresh=0.0, unsteadiness=0.2):
    gauge = simulate.Gauge(
        dead_time_s=0.1,
        time_constant_s=0.3,
        resolution_pa=STEP,
        noise_pa=noise * STEP,
        refresh_s=refresh,
    )
    opens = np.random.default_rng(5).uniform(55.0, 65.0, TESTS)
    plan = [
        simulate.PlannedTest(
            test_id=f"t{i:03}",
            unit=simulate.Unit(
                switch_id=f"s{i:03}",
                rated_pa=60.0,
                switch=simulate.Switch(
                    open_pa=opened, close_pa=opened + 10.0, repeatability_pa=0.1
                ),
            ),
            instrument=simulate.Instrument(gauge_id="g", gauge=gauge),
            motion=simulate.Ramp(
                cycles=3, high_pa=90.0, rate_pa_s=rate, rate_spread=0.25, unsteadiness=unsteadiness
            ),
        )
        for i, opened in enumerate(opens)
    ]
    return simulate.fleet(plan, seed=3).tests, opens


def errors(points, opens):
    """Errors of all setpoints, Pa, and whether their 95 % intervals hold."""
    found = points.sort("test_id")
    error = np.concatenate([found["open_pa"] - opens, found["close_pa"] - opens - 10.0])
    u = np.concatenate([found["open_u_pa"], found["close_u_pa"]])
    dof = np.concatenate([found["open_dof"], found["close_dof"]])
    return error, u, np.abs(error) <= stats.t.ppf(0.975, dof) * u


@pytest.mark.parametrize(
    ("rate", "noise", "refresh", "worst"),
    [
        (1.0, 0.02, 0.0, 0.11),  # a path through the staircase errs by 0.39 Pa here
        (3.0, 0.02, 0.0, 0.15),
        (3.0, 0.1, 0.0, 0.18),
        (6.0, 0.2, 0.0, 0.26),
        (1.0, 0.02, 0.33, 0.17),
        (6.0, 0.33, 0.33, 0.38),
    ],
)
def test_setpoints_are_covered_and_sharp(rate, noise, refresh, worst):
    tests, opens = ramps(rate, noise, refresh)
    points = db.setpoints(db.fit_events(tests), lags_of(0.4 + refresh / 2.0, 0.01, "g"))
    error, u, holds = errors(points, opens)
    rmse = np.sqrt(np.mean(error**2))
    assert rmse < worst
    assert holds.mean() >= 0.90
    assert 0.8 < np.median(u) / rmse < 1.35


def test_the_model_says_that_readings_are_intervals():
    steady, _ = ramps(2.0, 0.05)
    found = db.fit_events(steady)
    assert found["model"].unique().to_list() == ["interval"]
    assert found["noise_pa"].null_count() == found.height
    assert found["step_pa"].to_numpy() == pytest.approx(STEP)
    noisy, _ = ramps(2.0, 0.5)
    assert db.fit_events(noisy)["model"].unique().to_list() == ["smooth"]


def test_the_lag_of_a_steady_coarse_gauge_is_found():
    """Rates of 1 to 8 Pa/s; a path through the staircase told half the lag with a small u."""
    parts = [ramps(rate, 0.02)[0].head(20) for rate in (1.0, 2.0, 4.0, 8.0)]
    named = [one.with_columns(test_id=pl.col("test_id") + f"-{i}") for i, one in enumerate(parts)]
    lag = db.estimate_lag(db.fit_events(pl.concat(named))).row(0, named=True)
    assert abs(lag["lag_s"] - 0.4) < 3.0 * lag["lag_u_s"]
    assert lag["lag_u_s"] < 0.03
