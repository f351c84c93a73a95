"""Errors that tests with one gauge share, and each test against the line through the others."""

import numpy as np
import polars as pl
import pytest

import deadband as db
from deadband import OptionError
from test_drift import history, points_of, trend


def gauges_of(**columns):
    return pl.DataFrame(
        {"gauge_id": ["g1", "g2"], "resolution_pa": [0.1] * 2, "accuracy_rel": [0.0] * 2,
         "accuracy_abs_pa": [0.5 * 3**0.5] * 2, **columns}
    )  # fmt: skip


def test_a_replaced_gauge_is_not_called_a_drift():
    values = [60.1, 59.7, 60.0, 59.0, 58.7, 58.9]
    replaced = points_of(range(6), values, 0.52, gauge_id=["g1"] * 3 + ["g2"] * 3)
    alone = db.drift(replaced.with_columns(open_u_pa=0.15), excess="none").row(0, named=True)
    honest = db.drift(replaced, gauges=gauges_of(), excess="none").row(0, named=True)
    assert abs(alone["slope_pa_year"]) > 3 * alone["slope_u_pa_year"]
    assert abs(honest["slope_pa_year"]) < 2 * honest["slope_u_pa_year"]
    one = db.drift(replaced.with_columns(gauge_id=pl.lit("g1")), gauges=gauges_of())
    unshared = db.drift(replaced)
    assert one["slope_u_pa_year"][0] < unshared["slope_u_pa_year"][0]
    # The level of a history by one gauge is no better known than the gauge.
    assert one["level_u_pa"][0] > 0.5


def test_the_common_error_is_that_of_generalised_least_squares():
    values = [60.1, 59.9, 60.2, 59.0, 58.9, 59.1]
    gauge = ["g1"] * 3 + ["g2"] * 3
    lags = pl.DataFrame({"gauge_id": ["g1", "g2"], "lag_s": [0.4, 0.2], "lag_u_s": [0.02, 0.05]})
    rates = np.array([1.0, 2.0, 4.0, 1.0, 3.0, 2.0])
    correction = rates * np.array([0.4] * 3 + [0.2] * 3)
    u_lag = rates * np.array([0.02] * 3 + [0.05] * 3)
    u = np.sqrt(0.2**2 + 0.5**2 + u_lag**2)
    points = points_of(range(6), values, u, gauge_id=gauge, lag_correction_pa=correction)
    found = db.drift(points, lags=lags, gauges=gauges_of(), excess="none").row(0, named=True)
    years = np.arange(6.0)
    same = np.equal.outer(gauge, gauge)
    covariance = 0.2**2 * np.eye(6) + same * (0.5**2 + np.outer(u_lag, u_lag))
    design = np.column_stack([np.ones(6), years])
    inverse = np.linalg.inv(covariance)
    information = design.T @ inverse @ design
    beta = np.linalg.solve(information, design.T @ inverse @ np.array(values))
    assert found["slope_pa_year"] == pytest.approx(beta[1], abs=1e-6)
    assert found["slope_u_pa_year"] == pytest.approx(
        np.linalg.inv(information)[1, 1] ** 0.5, rel=1e-6
    )


@pytest.mark.parametrize("excess", ["moments", "likelihood"])
def test_the_excess_by_moments_and_by_likelihood(excess):
    years, values = history(3, 12)
    found = trend(years, values, 0.3, excess=excess)
    weights = 1 / (0.3**2 + found["excess_pa"] ** 2)
    design = np.column_stack([np.ones(12), years])
    rest = values - design @ np.linalg.lstsq(design, values, rcond=None)[0]
    # With equal uncertainties both set the mean square of the residuals to its expectation.
    assert weights * (rest @ rest) == pytest.approx(10.0, rel=1e-6)


def test_each_test_is_held_against_the_others():
    years, values = history(4, 9)
    values = values.copy()
    values[4] += 9.0
    found = db.influence(points_of(years, values, 0.3))
    assert found.filter(pl.col("outlier"))["test_id"].to_list() == ["t004"]
    assert found["leverage"].sum() == pytest.approx(2.0)
    few = db.influence(points_of([0.0, 1.0, 2.0, 3.0], [60.0, 59.0, 58.5, 58.0]))
    assert few["status"].to_list() == ["too_few_samples"] * 4
    assert few["deviation"].is_null().all()
    assert db.influence(points_of([], [])).height == 0


def test_an_unknown_excess_is_refused():
    with pytest.raises(OptionError, match="excess"):
        db.drift(points_of([0.0], [60.0]), excess="some")
