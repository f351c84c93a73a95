"""Statements that cannot be: none of them may pass for a number, or for nothing stated."""

from math import inf, nan

import polars as pl
import pytest

import deadband as db
from deadband import simulate
from recordings import lags_of, sound, switches_of, table_of

WRONG = [-1.0, nan, inf]


@pytest.fixture(scope="module")
def made():
    plan = [
        simulate.PlannedTest(
            test_id=f"t{i}",
            unit=simulate.Unit(switch_id="s1", rated_pa=60.0),
            instrument=simulate.Instrument(
                gauge_id="g1", gauge=simulate.Gauge(dead_time_s=0.1, time_constant_s=0.3)
            ),
            motion=simulate.Ramp(rate_pa_s=2.0 + 2.0 * i, rate_spread=0.4),
        )
        for i in range(5)
    ]
    return simulate.fleet(plan, seed=3)


@pytest.fixture(scope="module")
def events(made):
    return db.fit_events(made.tests)


def gauges_of(**stated):
    row = {"gauge_id": "g1", "resolution_pa": 1.0, "accuracy_rel": 0.005, "accuracy_abs_pa": 1.0}
    return pl.DataFrame({**row, **stated})


def parts_of(dead, constant, lag=0.4, **more):
    parts = {"dead_time_s": [dead], "time_constant_s": [constant], **more}
    return lags_of(lag, 0.01).with_columns(
        pl.Series(name, values, dtype=pl.Float64) for name, values in parts.items()
    )


@pytest.mark.parametrize("value", WRONG)
@pytest.mark.parametrize("column", ["resolution_pa", "accuracy_rel", "accuracy_abs_pa"])
def test_what_is_stated_of_a_gauge(made, events, column, value):
    gauges = gauges_of(**{column: value})
    assert set(db.setpoints(events, lags_of(0.4, 0.01), gauges)["status"]) == {"bad_value"}
    whole = db.analyse(made.tests, made.switches, gauges)
    assert whole.setpoints["open_pa"].null_count() == whole.setpoints.height
    assert any(f"gauge g1: {column} is {value:g}" in line for line in whole.notices)


@pytest.mark.parametrize("stated", [{"lag_s": nan}, {"lag_s": inf}, {"lag_u_s": nan}])
def test_a_stated_lag_that_is_none(events, stated):
    gauges = gauges_of(**{"lag_s": 0.4, "lag_u_s": 0.01, **stated})
    alone = db.estimate_lag(events).row(0, named=True)
    found = db.estimate_lag(events, gauges).row(0, named=True)
    assert (found["lag_s"], found["status"]) == (alone["lag_s"], "ok")
    assert "its stated lag was not used" in found["reason"]
    silent = db.estimate_lag(events, gauges, methods=[]).row(0, named=True)
    assert (silent["lag_s"], silent["status"]) == (None, "bad_value")


def test_a_stated_lag_below_zero_is_said(made, events):
    gauges = gauges_of(lag_s=-0.4, lag_u_s=0.01)
    assert "below zero" in db.estimate_lag(events, gauges)["reason"].item()
    whole = db.analyse(made.tests, made.switches, gauges)
    assert any("below zero" in line for line in whole.notices)
    assert db.estimate_lag(events, gauges_of(lag_s=0.4, lag_u_s=0.01))["reason"].item() is None


PARTS = [
    parts_of(0.1, 0.1),
    parts_of(0.4, 0.3),
    parts_of(-0.2, 0.6),
    parts_of(inf, 0.1),
    parts_of(nan, 0.3),
    parts_of(-0.2, None),
    parts_of(0.1, 0.3, time_constant_u_s=[-0.1]),
    lags_of(inf, 0.01),
    lags_of(nan, 0.01),
]


@pytest.mark.parametrize("lags", PARTS)
def test_parts_that_are_not_the_lags(made, lags):
    found = db.fit_events(made.tests, lags)
    assert set(found["status"]) == {"bad_value"}
    assert found["pressure_pa"].null_count() == found.height == 5
    assert set(db.setpoints(found, lags)["status"]) == {"bad_value"}
    whole = db.analyse(made.tests, made.switches, lags=lags)
    assert whole.verdicts["verdict"].null_count() == whole.verdicts.height
    if lags["lag_s"].is_finite().item():
        assert all("not two parts of lag_s" in reason for reason in whole.verdicts["reason"])
    with pytest.raises(db.DeadbandError, match=r"dead time|lag is"):
        db.Lag.of(lags)


@pytest.mark.parametrize(
    "lags", [parts_of(0.1, 0.3), parts_of(0.1, 0.305), parts_of(0.1, None), lags_of(-0.1, 0.01)]
)
def test_parts_that_may_be(made, lags):
    assert set(db.fit_events(made.tests, lags)["status"]) == {"ok"}
    assert db.Lag.of(lags).lag_s == lags["lag_s"].item()


def test_a_lag_of_your_own_is_held_to_the_same():
    for dead, constant in [(0.1, 0.1), (-0.2, 0.6), (inf, 0.1), (nan, 0.3)]:
        with pytest.raises(db.DeadbandError, match="dead time"):
            db.Lag(0.4, u=0.01, dead_time_s=dead, time_constant_s=constant)
    assert db.Lag(0.4, u=0.01, dead_time_s=0.1, time_constant_s=0.3).time_constant_s == 0.3


@pytest.mark.parametrize("value", WRONG)
@pytest.mark.parametrize("column", ["var_pressure", "var_rate", "time_width_s"])
def test_a_variance_that_is_none(events, column, value):
    first = pl.int_range(pl.len()) == 0
    spoilt = events.with_columns(pl.when(first).then(value).otherwise(column).alias(column))
    points = db.setpoints(spoilt, lags_of(0.4, 0.01))
    assert points["status"].to_list() == ["bad_value", *["ok"] * 4]
    lag = db.estimate_lag(spoilt).row(0, named=True)
    assert (lag["lag_s"], lag["status"]) == (None, "bad_value")
    assert column in lag["reason"]


@pytest.mark.parametrize("value", [nan, inf, -1.0])
@pytest.mark.parametrize("column", ["var_common", "noise_pa", "step_pa"])
def test_what_else_is_known_of_an_event(events, column, value):
    points = db.setpoints(events.with_columns(pl.lit(value).alias(column)), lags_of(0.4, 0.01))
    assert set(points["status"]) == {"bad_value"}


def test_a_variance_that_is_missing(events):
    spoilt = events.with_columns(var_pressure=pl.lit(None, dtype=pl.Float64))
    assert set(db.setpoints(spoilt, lags_of(0.4, 0.01))["status"]) == {"missing_value"}


def test_a_covariance_that_is_none(events):
    spoilt = events.with_columns(cov_pressure_rate=pl.lit(nan))
    assert set(db.setpoints(spoilt, lags_of(0.4, 0.01))["status"]) == {"bad_value"}


def route(lag, u=0.01, source="step", behind="pressure"):
    return lags_of(lag, u).with_columns(source=pl.lit(source), behind=pl.lit(behind))


@pytest.mark.parametrize("wrong", [route(nan), route(inf), route(0.4, nan), route(0.4, -0.1)])
def test_a_route_that_cannot_be(wrong):
    for order in ([wrong, route(0.6)], [route(0.6), wrong]):
        row = db.combine_lags(*order).row(0, named=True)
        assert (row["lag_s"], row["status"]) == (None, "bad_value")
        assert "must be" in row["reason"]


def test_a_route_given_twice_counts_once():
    once = db.combine_lags(route(0.4))
    assert db.combine_lags(route(0.4), route(0.4)).equals(once)
    two = db.combine_lags(route(0.4), route(0.4, source="reference")).row(0, named=True)
    assert (two["n_routes"], two["lag_u_s"]) == (2, pytest.approx(0.01 / 2**0.5))


def test_a_route_below_zero_is_said():
    for lag, source, said in [
        (-3.0, "step", True),
        (-0.01, "stated", True),
        (-0.01, "step", False),
        (0.4, "stated", False),
    ]:
        row = db.combine_lags(route(lag, source=source), route(0.6)).row(0, named=True)
        assert ("below zero" in (row["reason"] or "")) is said
        assert row["status"] == "ok"
    behind = db.combine_lags(route(-0.1, behind="contact"))
    assert behind["reason"].item() is None


def test_null_states_nothing(events):
    nothing = gauges_of(lag_s=None, lag_u_s=None)
    assert db.estimate_lag(events, nothing).equals(db.estimate_lag(events))
    assert set(db.setpoints(events, lags_of(0.4, 0.01), nothing)["status"]) == {"ok"}
    tests = table_of({"t": sound()})
    assert db.analyse(tests, switches_of(), gauges_of()).setpoints.height == 1
