"""One recording: units, clocks, lags, what is stated of the gauge, and how the result shows."""

import re
from datetime import timedelta, timezone

import numpy as np
import pandas as pd
import polars as pl
import pytest

import deadband as db
from deadband import simulate
from recordings import CLOSE_PA, OPEN_PA, sound, spoilt

PER_UNIT = db.units()
PER_INCH = PER_UNIT["inH2O"]
KNOWN = db.Lag(0.35, u=0.02)
SWITCH = simulate.Switch(close_pa=70.0, open_pa=60.0)


@pytest.fixture(scope="module")
def made():
    varied = simulate.Ramp(cycles=4, rate_pa_s=6.0, rate_spread=0.5)
    return simulate.recording(SWITCH, simulate.Gauge(), varied, seed=4)


@pytest.fixture(scope="module")
def fit(made):
    return db.fit_trace(made.time_s, made.pressure_pa, made.contact, unit="Pa", lag=KNOWN)


def within(estimate, truth, factor=3.5):
    return abs(estimate.value - truth) < factor * estimate.u


def test_setpoints_are_those_of_the_switch(fit):
    assert fit.status == "ok"
    assert fit.lag == KNOWN
    assert within(fit.close, 70.0)
    assert within(fit.open, 60.0)
    assert within(fit.deadband, 10.0)
    assert fit.deadband.value == pytest.approx(fit.close.value - fit.open.value)
    assert fit.close.unit == "Pa"


@pytest.mark.parametrize("unit", list(PER_UNIT))
def test_the_unit_changes_nothing_but_the_numbers(made, fit, unit):
    per_unit = PER_UNIT[unit]
    other = db.fit_trace(
        made.time_s, made.pressure_pa / per_unit, made.contact, unit=unit, lag=KNOWN
    )
    assert other.unit == unit
    assert other.per_unit == per_unit
    for name in ("close", "open", "deadband"):
        one, another = getattr(fit, name), getattr(other, name)
        assert another.unit == unit
        assert another.value * per_unit == pytest.approx(one.value, rel=1e-6)
        assert another.u * per_unit == pytest.approx(one.u, rel=1e-4)
    assert other.shown["open"] * per_unit == pytest.approx(fit.shown["open"])
    assert other.events["pressure_pa"].to_numpy() == pytest.approx(
        fit.events["pressure_pa"].to_numpy(), rel=1e-6
    )


def test_what_is_stated_of_the_gauge_is_in_the_same_unit(made):
    given = {
        "resolution": 0.01,
        "accuracy_abs": 0.02,
        "accuracy_rel": 0.005,
        "repeatability": 0.002,
    }
    channels = (made.time_s, made.pressure_pa / PER_INCH, made.contact)
    fit = db.fit_trace(*channels, unit="inH2O", lag=KNOWN, **given)
    lines = dict(fit.budget.filter(quantity="open").select("source", "u_pa").iter_rows())
    limits = 0.02 * PER_INCH + 0.005 * fit.open.value * PER_INCH
    assert lines["accuracy"] == pytest.approx(limits / np.sqrt(3.0), rel=1e-9)
    bare = db.fit_trace(*channels, unit="inH2O", lag=KNOWN)
    assert "accuracy" not in bare.budget["source"].to_list()
    assert bare.open.u < fit.open.u
    wide = db.fit_trace(*channels, unit="inH2O", lag=KNOWN, repeatability=0.02)
    assert wide.open.u > bare.open.u


def test_the_lag_is_found_where_the_rates_tell_it():
    gauge = simulate.Gauge(dead_time_s=0.1, time_constant_s=0.5, noise_pa=0.2)
    varied = simulate.Ramp(cycles=8, rate_pa_s=6.0, rate_spread=0.6)
    made = simulate.recording(SWITCH, gauge, varied, seed=2)
    fit = db.fit_trace(made.time_s, made.pressure_pa, made.contact, unit="Pa")
    assert abs(fit.lag.lag_s - gauge.lag_s) < 3.0 * fit.lag.u
    assert 0.0 < fit.lag.u < 0.1
    assert within(fit.open, 60.0)
    assert f"lag {fit.lag.lag_s:.3f} s" in str(fit)


def test_without_a_lag_there_is_no_setpoint_and_it_says_what_to_do():
    steady = simulate.Ramp(rate_spread=0.0, unsteadiness=0.0)
    made = simulate.recording(SWITCH, motion=steady, seed=1)
    fit = db.fit_trace(made.time_s, made.pressure_pa, made.contact, unit="Pa")
    assert fit.status == "lag_unidentified"
    assert fit.close is fit.open is fit.deadband is fit.lag is None
    assert fit.budget.is_empty()
    assert fit.events["pressure_pa"].null_count() == 0
    for text in (str(fit), fit._repr_html_()):
        assert "lag unknown" in text
        assert "give lag=Lag(seconds, u=...)" in text


def test_a_contact_with_a_clock_of_its_own():
    logger = simulate.Logger(contact_sample_s=0.01)
    made = simulate.recording(SWITCH, logger=logger, seed=3)
    fit = db.fit_trace(
        made.time_s,
        made.pressure_pa,
        made.contact,
        unit="Pa",
        contact_time_s=made.contact_time_s,
        lag=KNOWN,
    )
    assert fit.contact_time_s is not None
    assert fit.events["time_width_s"].max() == pytest.approx(0.01, rel=1e-6)
    assert within(fit.open, 60.0)


@pytest.mark.parametrize(
    "as_given",
    [
        list,
        tuple,
        pl.Series,
        lambda values: np.asarray(values, dtype=np.float64)[::1].copy(order="F"),
        lambda values: np.repeat(values, 2)[::2],  # not contiguous
    ],
)
def test_channels_may_be_any_kind_of_array(as_given):
    exact = db.fit_trace(*sound().values(), unit="Pa", lag=db.Lag(0.0, u=0.0))
    given = [as_given(channel) for channel in sound().values()]
    assert db.fit_trace(*given, unit="Pa", lag=db.Lag(0.0, u=0.0)).open == exact.open
    assert exact.open.value == pytest.approx(OPEN_PA, abs=0.3)
    assert exact.close.value == pytest.approx(CLOSE_PA, abs=0.3)


def test_states_may_be_true_and_false():
    time, pressure, contact = sound().values()
    numbers = db.fit_trace(time, pressure, contact, unit="Pa", lag=KNOWN)
    states = db.fit_trace(time, pressure, contact == 1.0, unit="Pa", lag=KNOWN)
    assert states.open == numbers.open
    low = db.fit_trace(time, pressure, 1.0 - contact, unit="Pa", lag=KNOWN)
    assert low.open == numbers.open  # the sense is found
    turned = db.fit_trace(time, pressure, contact, unit="Pa", lag=KNOWN, closed="low")
    assert turned.events["event"].to_list() == ["open", "close", "open", "close"]


def test_the_path_is_what_the_events_lie_on(fit):
    path = fit.path
    assert path.columns == ["stretch", "time_s", "pressure_pa", "rate_pa_s", "u_pa"]
    assert path["stretch"].n_unique() == 8
    assert (path["u_pa"] > 0.0).all()
    for event in fit.events.iter_rows(named=True):
        near = path.filter((pl.col("time_s") - event["time_s"]).abs() < 0.2)
        # The path is what the gauge showed, the event the pressure at the switch.
        there = near["pressure_pa"] + KNOWN.lag_s * near["rate_pa_s"]
        assert there.min() - 1.0 < event["pressure_pa"] < there.max() + 1.0
    stretches = path.group_by("stretch", maintain_order=True).agg(pl.col("time_s").diff().min())
    assert (stretches["time_s"] > 0.0).all()


def test_the_budget_is_that_of_the_setpoints(fit):
    for name in ("close", "open", "deadband"):
        lines = fit.budget.filter(quantity=name)
        assert np.sqrt((lines["u_pa"] ** 2).sum()) == pytest.approx(getattr(fit, name).u)
        assert lines["share"].sum() == pytest.approx(1.0)


def test_it_prints_what_it_found(fit):
    lines = str(fit).splitlines()
    assert [line.split()[0] for line in lines[:3]] == ["close", "open", "deadband"]
    assert str(fit.open) in lines[1]
    assert f"display showed {fit.shown['open']:.2f} Pa" in lines[1]
    assert lines[3] == "4 closings, 4 openings"
    assert lines[-1] == "This describes a recording; it is no permission to operate the appliance."


def test_it_shows_itself_in_a_notebook(fit):
    page = fit._repr_html_()
    assert str(fit.open) in page
    assert "no permission to operate" in page
    for tag in ("table", "thead", "tbody", "tr", "th", "td", "ul", "li"):
        assert len(re.findall(rf"<{tag}[ >]", page)) == page.count(f"</{tag}>"), tag


def test_an_event_that_has_no_pressure_is_told(fit):
    partly = db.fit_trace(*spoilt("saturated").values(), unit="Pa", lag=KNOWN)
    assert partly.close is None
    assert partly.open is not None
    assert "some events have no pressure: saturated" in str(partly)
    assert "close     no event" not in str(fit)


# --- what raises --------------------------------------------------------------------------------


def test_an_unknown_unit_lists_the_known_ones():
    with pytest.raises(db.OptionError, match=r"'inches' is not known; use one of Pa, .*inH2O"):
        db.fit_trace(*sound().values(), unit="inches")


@pytest.mark.parametrize("channel", ["time_s", "pressure", "contact", "contact_time_s"])
@pytest.mark.parametrize("junk", [["a"] * 640, [1j] * 640, [[1.0], [1.0, 2.0]], object(), "text"])
def test_a_channel_that_holds_no_numbers_is_named(channel, junk):
    time, pressure, contact = sound().values()
    given = {"time_s": time, "pressure": pressure, "contact": contact, channel: junk}
    with pytest.raises(db.DeadbandError, match=channel):
        db.fit_trace(**given, unit="Pa")


def test_a_fault_says_what_where_and_what_to_do():
    time, pressure, contact = sound().values()
    time[100] = time[99]
    with pytest.raises(db.RecordingError) as caught:
        db.fit_trace(time, pressure, contact, unit="Pa")
    assert caught.value.kind == "time_not_increasing"
    for part in ("time_s", "index 100", "9.9 s", "sort the recording", "fine enough"):
        assert part in str(caught.value)


@pytest.mark.parametrize("name", ["resolution", "accuracy_rel", "accuracy_abs", "repeatability"])
@pytest.mark.parametrize("value", [-0.1, float("nan"), float("inf")])
def test_an_impossible_statement_about_the_gauge_is_named(name, value):
    with pytest.raises(db.DeadbandError, match=name):
        db.fit_trace(*sound().values(), unit="Pa", lag=KNOWN, **{name: value})


def test_a_depression_logged_as_negative_is_refused_and_turned_over():
    made = simulate.recording(seed=1)
    channels = (made.time_s, -made.pressure_pa, made.contact)
    known = db.Lag(0.35, u=0.02)
    with pytest.raises(db.RecordingError, match="depression") as caught:
        db.fit_trace(*channels, unit="Pa", lag=known)
    assert caught.value.kind == "bad_value"
    turned = db.fit_trace(*channels, unit="Pa", lag=known, depression="negative")
    plain = db.fit_trace(made.time_s, made.pressure_pa, made.contact, unit="Pa", lag=known)
    assert turned.open == plain.open


# --- what is easily meant otherwise -------------------------------------------------------------

START = np.datetime64("2024-03-15T14:03:07")


def moments(seconds, unit="ms"):
    counts = {"ms": 1e3, "us": 1e6, "ns": 1e9}[unit]
    return START + np.round(seconds * counts).astype(np.int64).astype(f"timedelta64[{unit}]")


AS_TIMES = {
    "milliseconds": moments,
    "nanoseconds": lambda seconds: moments(seconds, "ns"),
    "durations": lambda seconds: moments(seconds) - START,
    "datetimes": lambda seconds: [moment.item() for moment in moments(seconds)],
    "with a zone": lambda seconds: [
        moment.item().replace(tzinfo=timezone(timedelta(hours=2))) for moment in moments(seconds)
    ],
    "pandas": lambda seconds: pd.Series(moments(seconds)),
    "pandas with a zone": lambda seconds: pd.Series(moments(seconds)).dt.tz_localize("UTC"),
    "polars": lambda seconds: pl.Series(moments(seconds)),
}


@pytest.mark.parametrize("as_times", AS_TIMES.values(), ids=AS_TIMES)
def test_instants_are_taken_as_seconds(as_times):
    time, pressure, contact = sound().values()
    plain = db.fit_trace(time, pressure, contact, unit="Pa", lag=KNOWN)
    dated = db.fit_trace(as_times(time), pressure, contact, unit="Pa", lag=KNOWN)
    assert dated.time_s == pytest.approx(time, abs=1e-9)
    assert dated.open.value == pytest.approx(plain.open.value, rel=1e-6)
    assert dated.open.u == pytest.approx(plain.open.u, rel=1e-4)


def test_both_clocks_count_from_one_instant():
    time, pressure, contact = sound().values()
    plain = db.fit_trace(time, pressure, contact[5:], unit="Pa", contact_time_s=time[5:], lag=KNOWN)
    dated = db.fit_trace(
        moments(time),
        pressure,
        contact[5:],
        unit="Pa",
        contact_time_s=moments(time[5:], "us"),
        lag=KNOWN,
    )
    assert dated.contact_time_s == pytest.approx(plain.contact_time_s, abs=1e-9)
    assert dated.open.value == pytest.approx(plain.open.value, rel=1e-6)
    for clocks in ((time, moments(time)), (moments(time), time)):
        with pytest.raises(db.DeadbandError, match="contact_time_s") as caught:
            db.fit_trace(clocks[0], pressure, contact, unit="Pa", contact_time_s=clocks[1])
        assert caught.value.kind == "clocks_differ"


def test_a_missing_instant_is_a_time_that_is_not_finite():
    time, pressure, contact = sound().values()
    dated = moments(time)
    dated[7] = np.datetime64("NaT")
    with pytest.raises(db.RecordingError) as caught:
        db.fit_trace(dated, pressure, contact, unit="Pa", lag=KNOWN)
    assert caught.value.kind == "not_finite"


@pytest.mark.parametrize("channel", ["pressure", "contact"])
def test_instants_are_no_readings(channel):
    time, pressure, contact = sound().values()
    given = {"pressure": pressure, "contact": contact, channel: moments(time)}
    with pytest.raises(db.DeadbandError, match=f"channel {channel}: it holds instants"):
        db.fit_trace(time, **given, unit="Pa", lag=KNOWN)


def test_milliseconds_given_as_seconds_are_asked_about(fit):
    time, pressure, contact = sound().values()
    slow = db.fit_trace(time * 1000.0, pressure, contact, unit="Pa", lag=KNOWN)
    assert "the readings stand 100 s apart" in str(slow)
    assert "are these milliseconds?" in slow._repr_html_()
    assert fit.doubts == ()


def test_true_at_the_lower_pressures_is_asked_about():
    time, pressure, contact = sound().values()
    closed = contact == 1.0
    turned = db.fit_trace(time, pressure, ~closed, unit="Pa", lag=KNOWN)
    assert "closed='high' takes it as it is given" in str(turned)
    assert db.fit_trace(time, pressure, closed, unit="Pa", lag=KNOWN).doubts == ()


def test_a_percentage_is_asked_about_or_refused():
    given = (*sound().values(),)
    half = db.fit_trace(*given, unit="Pa", lag=KNOWN, accuracy_rel=0.5)
    assert "accuracy_rel=0.5 is 50% of the reading; 0.5 % is 0.005" in str(half)
    with pytest.raises(db.DeadbandError, match=r"option accuracy_rel: it is 5; .*0.5 % is 0.005"):
        db.fit_trace(*given, unit="Pa", lag=KNOWN, accuracy_rel=5)


def test_a_lag_in_milliseconds_is_asked_about():
    late = db.fit_trace(*sound().values(), unit="Pa", lag=db.Lag(400.0, u=20.0))
    assert "the lag is 400 s; is that in milliseconds?" in str(late)


@pytest.mark.parametrize("lag", [0.4, "0.4 s", (0.4, 0.02)])
def test_a_lag_that_is_no_lag_is_named(lag):
    with pytest.raises(db.DeadbandError, match=r"option lag: .*deadband.Lag\(seconds, u="):
        db.fit_trace(*sound().values(), unit="Pa", lag=lag)


@pytest.mark.parametrize("value", [-1, 0, "pooled"])
def test_a_repeatability_is_told_what_it_can_be(value):
    with pytest.raises(db.DeadbandError, match="option repeatability") as caught:
        db.fit_trace(*sound().values(), unit="Pa", lag=KNOWN, repeatability=value)
    assert "use a number above 0, or None" in str(caught.value)
    assert "pooled" not in caught.value.advice
