"""A fast fall from a recording to its setpoint: the lag decides what may be said."""

import numpy as np
import polars as pl
import pytest

import deadband as db
from deadband import simulate

DEAD, CONSTANT = 0.1, 0.3
MEAN = pl.DataFrame({"gauge_id": ["g"], "lag_s": [DEAD + CONSTANT], "lag_u_s": [0.005]})
PARTS = MEAN.with_columns(dead_time_s=DEAD, time_constant_s=CONSTANT)


def pinches(open_pa=60.0, count=3, recordings=40, contact_s=None):
    gauge = simulate.Gauge(dead_time_s=DEAD, time_constant_s=CONSTANT)
    switch = simulate.Switch(open_pa=open_pa, close_pa=open_pa + 2.0, repeatability_pa=0.3)
    plan = [
        simulate.PlannedTest(
            test_id=f"t{i}",
            unit=simulate.Unit(switch_id="s", rated_pa=60.0, switch=switch),
            instrument=simulate.Instrument(gauge_id="g", gauge=gauge),
            motion=simulate.Pinch(fall_s=0.4, count=count, before_s=4.0 + 0.0137 * i),
            logger=simulate.Logger(contact_sample_s=contact_s),
        )
        for i in range(recordings)
    ]
    return simulate.fleet(plan, seed=4).tests


def held(values, expanded, truth):
    return np.mean(np.abs(np.array(values) - truth) < np.array(expanded))


# 40 recordings: a coverage of 95 % is seen as 85 % or more with a probability of 99 %.
@pytest.mark.parametrize("lags", [MEAN, PARTS], ids=["mean", "parts"])
@pytest.mark.parametrize("count", [1, 3, 10])
@pytest.mark.parametrize("open_pa", [60.0, 80.0, 86.0])
@pytest.mark.parametrize("contact_s", [None, 0.002], ids=["10 Hz", "500 Hz"])
def test_setpoints_of_repeated_pinches_hold_the_truth(lags, count, open_pa, contact_s):
    events = db.fit_events(pinches(open_pa, count, contact_s=contact_s), lags)
    points = db.setpoints(events, lags, repeatability=0.3)
    opened = [
        db.Estimate(*row) for row in points.select("open_pa", "open_u_pa", "open_dof").iter_rows()
    ]
    assert len(opened) == 40
    assert held([e.value for e in opened], [e.expanded() for e in opened], open_pa) >= 0.85


@pytest.mark.parametrize(
    "lag", [db.Lag(0.4, u=0.005), db.Lag.parts(DEAD, CONSTANT, u=0.005)], ids=["mean", "parts"]
)
def test_a_single_recording_takes_the_lag_into_the_path(lag):
    fits = [
        db.fit_trace(time, pressure, contact, unit="Pa", lag=lag)
        for time, pressure, contact in pinches()
        .select("time_s", "pressure_pa", "contact")
        .iter_rows()
    ]
    assert {model for fit in fits for model in fit.events["model"]} >= {"relaxation"}
    opened = [fit.open for fit in fits]
    assert held([e.value for e in opened], [e.expanded() for e in opened], 60.0) >= 0.85


def test_pinches_alone_tell_no_lag_and_no_setpoint():
    tests = pinches(count=6, recordings=5)
    for time, pressure, contact in tests.select("time_s", "pressure_pa", "contact").iter_rows():
        fit = db.fit_trace(time, pressure, contact, unit="Pa")
        assert fit.status == "lag_unidentified"
        assert fit.open is None
    shown = db.fit_events(tests)
    assert shown.filter(event="open")["sudden"].all()
    assert db.estimate_lag(shown, methods=["pinch"])["status"].to_list() == ["lag_unidentified"]


def test_what_a_pinch_without_a_lag_needs_is_said():
    """Other rates do not help a pinch: its gauge's lag must be stated, or come from ramps."""
    tests = pinches(count=3, recordings=4)
    time, pressure, contact = tests.select("time_s", "pressure_pa", "contact").row(0)
    told = str(db.fit_trace(time, pressure, contact, unit="Pa"))
    assert "Lag.parts(dead time, time constant" in told
    assert "slow ramps" in told
    steady = simulate.recording(motion=simulate.Ramp(rate_spread=0.0, unsteadiness=0.0), seed=2)
    slow = str(db.fit_trace(steady.time_s, steady.pressure_pa, steady.contact, unit="Pa"))
    assert "pinch" not in slow

    shown = db.fit_events(tests)
    for methods in (["ramp"], ["pinch"]):
        reason = db.estimate_lag(shown, methods=methods)["reason"].item()
        assert "fast falls" in reason
        assert "dead_time_s with time_constant_s" in reason
    ramps = shown.with_columns(method=pl.lit("ramp"), sudden=pl.lit(value=False)).head(2)
    assert "too few events" in db.estimate_lag(ramps)["reason"].item()


def test_a_lag_added_after_a_sudden_change_is_refused():
    shown = db.fit_events(pinches(recordings=5)).filter(event="open")
    assert db.setpoints(shown, MEAN)["status"].unique().to_list() == ["lag_unidentified"]


def test_slow_ramps_are_not_sudden():
    made = simulate.recording(motion=simulate.Ramp(rate_pa_s=20.0), seed=1)
    fit = db.fit_trace(made.time_s, made.pressure_pa, made.contact, unit="Pa")
    assert not fit.events["sudden"].any()


@pytest.mark.parametrize(
    "lags", [MEAN.with_columns(lag_u_s=pl.lit(None, dtype=pl.Float64)), MEAN.head(0)]
)
def test_a_lag_taken_out_still_needs_its_uncertainty(lags):
    events = db.fit_events(pinches(recordings=2), PARTS)
    assert events["lag_applied"].all()
    assert db.setpoints(events, lags)["status"].unique().to_list() == ["lag_unidentified"]


@pytest.mark.parametrize("top", [78.0, 79.0])
def test_a_gauge_cut_off_while_it_shows_the_change_is_saturated(top):
    gauge = simulate.Gauge(dead_time_s=DEAD, time_constant_s=CONSTANT, range_pa=top)
    switch = simulate.Switch(close_pa=80.0, open_pa=60.0)
    steady = simulate.Ramp(rate_pa_s=10.0, rate_spread=0.0, unsteadiness=0.05, high_pa=110.0)
    made = simulate.recording(switch, gauge, steady, seed=3)
    lag = db.Lag.parts(DEAD, CONSTANT, u=0.01)
    fit = db.fit_trace(made.time_s, made.pressure_pa, made.contact, unit="Pa", lag=lag)
    assert fit.events.filter(event="close")["status"].unique().to_list() == ["saturated"]
    assert fit.close is None
