"""The claim of the README, on simulated ramp fleets whose truth is known.

Ramps of 2 to 20 Pa/s at 10 Hz, a display of 0.01 inH2O whose reading has noise of 0.4 of its step,
an unsteady hand, a lag of 0.4 s that nobody states: benches/fleet_claim.py has the plan.
"""

import runpy

import polars as pl
import pytest


@pytest.fixture(scope="module")
def bench(repo):
    return runpy.run_path(str(repo / "benches/fleet_claim.py"))


@pytest.fixture(scope="module")
def recorded(bench):
    return bench["ramp_fleet"](gauges=1, tests_each=1000)


@pytest.fixture(scope="module", params=[False, True], ids=["lag afterwards", "lag in the path"])
def found(request, bench, recorded):
    made, truth = recorded
    return bench["errors"](made.tests, truth, lag_in_the_path=request.param)


@pytest.fixture(scope="module")
def lags(bench):
    return bench["lag_errors"](gauges=100, tests_each=10)


def test_the_fleet_is_the_one_claimed(bench, recorded):
    made, _ = recorded
    truth = made.truth["rate_pa_s"].abs()
    assert truth.quantile(0.05) < 3.0
    assert truth.quantile(0.95) > 15.0
    assert made.gauges["resolution_pa"].to_list() == [2.490889]
    assert made.gauges["lag_s"].null_count() == 1
    assert bench["GAUGE"].lag_s == pytest.approx(0.4)
    assert bench["NOISE_PA"] == pytest.approx(0.4 * 2.490889)
    interval = made.tests.select(pl.col("time_s").list.diff().list.mean().mean()).item()
    assert interval == pytest.approx(0.1, rel=1e-6)


def test_setpoints_are_unbiased_covered_and_sharp(bench, found):
    assert found.height == 2000
    assert found.null_count().sum_horizontal().item() == 0
    for row in bench["summary"](found).iter_rows(named=True):
        assert abs(row["bias_percent"]) < 0.1, row
        assert 0.93 <= row["coverage"] <= 0.98, row
        assert row["u_by_rmse"] <= 1.4, row


def test_the_display_alone_is_far_worse(bench, found):
    """By what a steady ramp is late, rate times lag: low on rise, high on fall."""
    for row in bench["summary"](found).iter_rows(named=True):
        assert row["display_rmse_pa"] > 10.0 * row["rmse_pa"], row
        assert (row["display_bias_pa"] < -2.0) == (row["event"] == "close"), row
        assert (row["display_bias_pa"] > 2.0) == (row["event"] == "open"), row


def test_the_lag_is_unbiased_and_covered(lags):
    """Few tests a gauge, so that its uncertainty matters; 1000 tests in all."""
    assert set(lags["status"]) == {"ok"}
    assert abs(lags["error_s"].mean()) < 0.010
    # Of 100 intervals of 95 %, fewer than 88 hold in one of 600 studies (binomial), so no luck
    # is needed to pass and an interval that holds for 85 % fails more often than not.
    covered = (lags["error_s"].abs() <= lags["expanded_s"]).sum()
    assert covered >= 88
    rmse = (lags["error_s"] ** 2).mean() ** 0.5
    assert lags["u_s"].median() <= 1.4 * rmse
