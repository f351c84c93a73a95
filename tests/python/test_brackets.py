"""Setpoints from several brackets against SciPy: its quadrature, and its fit of censored data."""

from math import exp, inf, log

import numpy as np
import polars as pl
import pytest
from scipy import integrate, optimize, stats

import deadband as db
from recordings import lags_of

PRIOR_DOF = 4.0  # what a repeatability given as a number counts for


def events_of(middle, bracket, u=0.0, *, event="open", width_s=0.1):
    """Events of one test whose pressures lay within half a bracket of `middle`."""
    middle = np.asarray(middle, dtype=float)
    n = len(middle)
    sign = 1.0 if event == "close" else -1.0
    rate = sign * np.broadcast_to(np.asarray(bracket, dtype=float) / width_s, n)
    return pl.DataFrame(
        {
            "test_id": "t",
            "switch_id": "s",
            "gauge_id": "g",
            "event": event,
            "time_s": np.arange(n, dtype=float),
            "time_width_s": width_s,
            "pressure_pa": middle,
            "rate_pa_s": rate,
            "var_pressure": np.broadcast_to(np.asarray(u, dtype=float) ** 2, n),
            "cov_pressure_rate": 0.0,
            "var_rate": 0.0,
            "lag_applied": True,
            "status": "ok",
        }
    )


def point_of(events, repeatability):
    return db.setpoints(events, lags_of(0.0, 0.0, "g"), repeatability=repeatability).row(
        0, named=True
    )


def posterior(middle, bracket, u, sd):
    """Distribution function of the setpoint: quadrature over it at each of many repeatabilities."""
    middle, half = np.asarray(middle), np.asarray(bracket) / 2.0
    weights, parts = [], []
    for log_tau in np.linspace(log(sd) - 2.5, log(sd) + 4.5, 71):
        spread = np.hypot(exp(log_tau), u)

        def likelihood(s, spread=spread):
            from_middle = np.subtract.outer(middle, s).T
            ends = [stats.norm.cdf((from_middle + side * half) / spread) for side in (1.0, -1.0)]
            return np.prod(ends[0] - ends[1], axis=-1)

        ends = np.sort(np.r_[middle - half, middle + half])
        low, high = ends[0] - 8.0 * spread.max(), ends[-1] + 8.0 * spread.max()
        area = integrate.quad(likelihood, low, high, points=ends, limit=200, epsrel=1e-6)[0]
        grid = np.union1d(np.linspace(low, high, 800), np.linspace(ends[0], ends[-1], 800))
        parts.append((grid, integrate.cumulative_trapezoid(likelihood(grid), grid, initial=0.0)))
        prior = -PRIOR_DOF * log_tau - 0.5 * PRIOR_DOF * sd**2 * exp(-2.0 * log_tau)
        weights.append(area * exp(prior))
    weights = np.array(weights) / np.sum(weights)

    def below(s):
        values = [np.interp(s, grid, part / part[-1]) for grid, part in parts]
        return float(weights @ values)

    return below


@pytest.mark.parametrize(
    ("middle", "bracket", "u", "sd"),
    [
        ([60.0, 61.5], [4.0, 4.0], [0.3, 0.3], 0.4),
        ([60.0, 62.6, 61.0], [4.0, 3.0, 5.0], [0.2, 0.4, 0.1], 0.3),
        ([60.0, 60.9, 59.4, 60.2, 61.1], [2.0, 2.6, 3.0, 2.2, 1.6], [0.1] * 5, 1.0),
        ([60.0, 63.0], [2.0, 2.4], [0.2, 0.2], 0.2),  # no overlap: the switch scattered
    ],
)
def test_the_interval_is_that_of_scipys_quadrature(middle, bracket, u, sd):
    point = point_of(events_of(middle, bracket, u), sd)
    assert point["bracket_model"] == "overlap"
    below = posterior(middle, bracket, np.array(u), sd)
    median = optimize.brentq(lambda s: below(s) - 0.5, 40.0, 80.0)
    estimate = db.Estimate(point["open_pa"], point["open_u_pa"], point["open_dof"])
    half = estimate.expanded(0.95)
    assert estimate.value == pytest.approx(median, abs=0.01 * half)
    assert below(estimate.value + half) - below(estimate.value - half) == pytest.approx(
        0.95, abs=3e-3
    )


def test_many_brackets_give_scipys_fit_of_censored_data():
    """With many events prior and shape of the posterior no longer matter."""
    rng = np.random.default_rng(5)
    pressure = rng.normal(60.0, 1.5, 150)
    bracket = rng.uniform(2.0, 4.0, 150)
    low = (
        np.floor(pressure / bracket - (phase := rng.uniform(size=150))) * bracket + phase * bracket
    )
    mean, sd = stats.norm.fit(stats.CensoredData.interval_censored(low, low + bracket))
    point = point_of(events_of(low + bracket / 2.0, bracket), 1.5)
    assert point["bracket_model"] == "overlap"
    assert point["open_pa"] == pytest.approx(mean, abs=0.03 * point["open_u_pa"])
    assert point["repeatability_pa"] == pytest.approx(sd, rel=0.02)
    # Between the standard error of the exact pressures and that of the middles.
    exact = sd / np.sqrt(150)
    assert exact < point["open_u_pa"] < np.hypot(sd, 4.0 / np.sqrt(12.0)) / np.sqrt(150)


def test_the_table_and_the_budget_say_what_was_made_of_the_brackets():
    fast = pl.concat(
        [
            events_of([70.2, 68.1, 69.9], 3.0, 0.2, event="close"),
            events_of([60.0, 63.0, 61.0], 4.0, 0.2),
        ]
    ).with_columns(time_s=pl.int_range(pl.len()).cast(pl.Float64))
    known = (fast, lags_of(0.0, 0.001, "g"))
    point = db.setpoints(*known, repeatability=0.1).row(0, named=True)
    assert point["bracket_model"] == "overlap"
    lines = db.budget(*known, repeatability=0.1)
    for quantity in ("close", "open", "deadband"):
        own = lines.filter(quantity=quantity)
        total = (own["u_pa"] ** 2).sum() ** 0.5
        assert total == pytest.approx(point[f"{quantity}_u_pa"], rel=1e-12)
        share = dict(own.select("source", "share").iter_rows())
        assert max(share, key=share.get) == "bracket"
    mean = (fast["rate_pa_s"][-1] * 0.1) ** 2 / 12.0 / 3.0
    assert point["open_u_pa"] < mean**0.5
    slow = fast.with_columns(rate_pa_s=pl.col("rate_pa_s") / 10.0)
    assert db.setpoints(slow, known[1]).row(0, named=True)["bracket_model"] == "mean"


def test_a_single_bracket_is_a_rectangle_as_before():
    point = point_of(events_of([60.0], 4.0), 1e-6)
    assert point["bracket_model"] == "mean"
    assert point["open_u_pa"] == pytest.approx(4.0 / np.sqrt(12.0), rel=1e-6)
    assert point["open_dof"] == inf or point["open_dof"] > 1e6


def bracketed_fleet(bracket, u, sd, *, count=500, cycles=3):
    """Tests of switches of one repeatability, openings only, and their true setpoints."""
    rng = np.random.default_rng(3)
    truth = rng.uniform(55.0, 65.0, count)
    tests = []
    for i, setpoint in enumerate(truth):
        pressure = rng.normal(setpoint, sd, cycles)
        middle = pressure + rng.uniform(-0.5, 0.5, cycles) * bracket + rng.normal(0.0, u, cycles)
        tests.append(events_of(middle, bracket, u).with_columns(test_id=pl.lit(f"t{i:04}")))
    return pl.concat(tests), truth


@pytest.mark.parametrize(
    ("bracket", "u", "sd"),
    [
        (2.0, 0.35, 0.3),  # 20 Pa/s at 10 Hz, a display of 1 Pa
        (1.2, 0.25, 0.15),  # 12 Pa/s
        (2.0, 0.35, 0.02),  # a switch whose scatter nothing shows
    ],
)
def test_a_pooled_repeatability_is_not_eaten_by_brackets_and_readings(bracket, u, sd):
    """What brackets and readings scatter is no scatter of the switch, nor the other way round."""
    events, truth = bracketed_fleet(bracket, u, sd)
    points = db.setpoints(events, lags_of(0.0, 0.0, "g")).sort("test_id")
    assert set(points["bracket_model"]) == {"overlap"}
    error = points["open_pa"].to_numpy() - truth
    half = [
        db.Estimate(*row).expanded(0.95)
        for row in points.select("open_pa", "open_u_pa", "open_dof").iter_rows()
    ]
    ratio = points["open_u_pa"].median() / np.sqrt(np.mean(error**2))
    assert 0.97 < ratio < 1.10
    assert 0.93 <= np.mean(np.abs(error) <= half) <= 0.98
