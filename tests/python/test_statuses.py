"""Every status is reached, no row is lost, no junk raises what is not documented."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

import deadband as db
from deadband import _core
from recordings import lags_of, sound, spoilt, switches_of, table_of

RECORDING_FAULTS = [
    "no_event",
    "too_few_samples",
    "time_not_increasing",
    "not_finite",
    "length_mismatch",
    "saturated",
    "contact_ambiguous",
    "event_at_edge",
    "missing_value",
]
NUMBERS = ["close_pa", "close_u_pa", "open_pa", "open_u_pa", "deadband_pa", "deadband_u_pa"]


def one(frame: pl.DataFrame) -> dict:
    assert frame.height == 1
    return frame.row(0, named=True)


# --- every status -------------------------------------------------------------------------------


@pytest.mark.parametrize("status", RECORDING_FAULTS)
def test_a_fault_of_a_recording_goes_all_the_way_to_the_verdict(status):
    events = db.fit_events(table_of({"bad": spoilt(status), "good": spoilt("ok")}))
    bad = events.filter(test_id="bad")
    assert set(bad["status"]) - {"ok"} == {status}
    faulty = bad.filter(pl.col("status") != "ok")
    assert faulty["pressure_pa"].null_count() == faulty.height
    assert set(events.filter(test_id="good")["status"]) == {"ok"}
    usable = bad.filter(pl.col("status") == "ok").is_empty()
    points = db.setpoints(events, lags_of())
    point = one(points.filter(test_id="bad"))
    if usable:
        assert point["status"] == status
        assert all(point[name] is None for name in NUMBERS)
    verdict = one(db.judge(points, switches_of()).filter(test_id="bad"))
    assert verdict["status"] == point["status"]
    assert (verdict["verdict"] is None) == (point["status"] != "ok")
    assert one(points.filter(test_id="good"))["status"] == "ok"


def test_a_saturated_gauge_spoils_its_event_and_not_the_other():
    events = db.fit_events(table_of({"t": spoilt("saturated")}))
    by_event = events.group_by("event").agg(pl.col("status").unique()).sort("event")
    assert by_event.rows() == [("close", ["saturated"]), ("open", ["ok"])]
    point = one(db.setpoints(events, lags_of()))
    assert point["close_pa"] is None
    assert point["open_pa"] == pytest.approx(60.0, abs=0.3)
    assert (point["n_close"], point["n_open"]) == (0, 2)


def test_ids_that_occur_twice():
    tests = pl.concat([table_of({"a": sound()}), table_of({"a": sound()}, switch_id="s2")])
    events = db.fit_events(pl.concat([tests, table_of({"b": sound()})]))
    twice = events.filter(test_id="a")
    assert twice["status"].to_list() == ["duplicate_id"] * 2
    assert twice["switch_id"].to_list() == ["s1", "s2"]
    assert twice["pressure_pa"].null_count() == 2
    points = db.setpoints(events, lags_of())
    assert points.select("test_id", "status").rows() == [("a", "duplicate_id"), ("b", "ok")]


def test_an_id_that_is_null_is_a_row_all_the_same():
    tests = pl.concat([table_of({"a": sound()}), table_of({"b": sound()})])
    tests = tests.with_columns(test_id=pl.when(pl.col("test_id") != "b").then("test_id"))
    events = db.fit_events(tests)
    assert events["test_id"].n_unique() == 2
    assert db.setpoints(events, lags_of())["test_id"].to_list() == [None, "a"]


@pytest.mark.parametrize("lags", [lags_of(None, None), lags_of(0.3, None), lags_of(gauge="other")])
def test_a_lag_that_is_not_known(lags):
    events = db.fit_events(table_of({"t": sound()}))
    assert one(db.estimate_lag(events))["status"] == "lag_unidentified"
    point = one(db.setpoints(events, lags))
    assert point["status"] == "lag_unidentified"
    assert point["open_pa"] is None


@pytest.mark.parametrize(
    ("columns", "status"),
    [
        ({"switch_id": "another"}, "missing_value"),
        ({"rated_pa": None}, "missing_value"),
        ({"action": None}, "missing_value"),
        ({"tolerance": None}, "missing_value"),
        ({"rated_pa": 0.0}, "bad_value"),
        ({"rated_pa": -60.0}, "bad_value"),
        ({"tolerance": -0.1}, "bad_value"),
        ({"tolerance": 1.0}, "bad_value"),
        ({"rated_pa": float("nan")}, "missing_value"),
        ({"rated_pa": float("inf")}, "bad_value"),
    ],
)
def test_a_rating_that_cannot_be_used(columns, status):
    points = db.setpoints(db.fit_events(table_of({"t": sound()})), lags_of())
    verdict = one(db.judge(points, switches_of(**columns)))
    assert verdict["status"] == status
    assert verdict["verdict"] is None
    assert verdict["p_conform"] is None
    assert verdict["open_pa"] == pytest.approx(60.0, abs=0.3)


def test_values_of_a_gauge_that_cannot_be():
    gauges = pl.DataFrame(
        {"gauge_id": ["g1"], "resolution_pa": [1.0], "accuracy_rel": [-0.1], "accuracy_abs_pa": [1]}
    )
    events = db.fit_events(table_of({"t": sound()}))
    assert one(db.setpoints(events, lags_of(), gauges))["status"] == "bad_value"
    assert one(db.setpoints(events, lags_of(0.1, -0.1)))["status"] == "bad_value"
    assert one(db.setpoints(events, lags_of(float("inf"), 0.1)))["status"] != "ok"


def test_those_are_all_of_them():
    """A status added to the core needs a case above."""
    elsewhere = {"ok", "duplicate_id", "lag_unidentified", "bad_value"}
    assert set(_core.statuses()) == elsewhere | set(RECORDING_FAULTS)


# --- nothing is lost ----------------------------------------------------------------------------


def test_ids_in_are_ids_out_on_the_demonstration_fleet(demo_data):
    tests = db.read_tests(demo_data).collect()
    whole = db.analyse(tests, db.read_switches(demo_data), db.read_gauges(demo_data))
    ids = sorted(tests["test_id"])
    assert sorted(whole.events["test_id"].unique()) == ids
    assert whole.setpoints["test_id"].to_list() == ids
    assert whole.verdicts["test_id"].to_list() == ids
    for table in (whole.events, whole.setpoints, whole.verdicts):
        assert set(table["status"]) <= set(_core.statuses())
        assert table["status"].null_count() == 0
    told = whole.setpoints["status"] == "ok"
    some = whole.setpoints.select(pl.any_horizontal(pl.col("close_pa", "open_pa").is_not_null()))
    assert some.to_series().to_list() == told.to_list()


number = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from([0.0, 1.0, -1.0, 1e-300, 1e300, float("nan")]),
    st.none(),
)
channel = st.one_of(st.none(), st.lists(number, max_size=40))
states = st.one_of(channel, st.lists(st.sampled_from([0.0, 1.0, 24.0, None]), max_size=40))
clock = st.one_of(
    channel, st.integers(0, 40).map(lambda n: [0.1 * i for i in range(n)]), st.just(None)
)
junk = st.fixed_dictionaries(
    {"time_s": clock, "pressure_pa": channel, "contact": states, "contact_time_s": clock}
)
rating = st.one_of(st.none(), st.floats(), st.just(60.0))


@given(rows=st.lists(junk, min_size=1, max_size=4), rated=rating, lag=rating, u=rating)
def test_junk_comes_out_as_rows_with_a_status(rows, rated, lag, u):
    tests = table_of({f"t{index}": row for index, row in enumerate(rows)})
    switches = switches_of(rated_pa=rated, tolerance=u)
    whole = db.analyse(tests, switches)
    points = db.setpoints(whole.events, lags_of(lag, u))
    ids = tests["test_id"].to_list()
    for table in (points, db.judge(points, switches), whole.setpoints, whole.verdicts):
        assert table["test_id"].to_list() == ids
        assert set(table["status"]) <= set(_core.statuses())
    assert whole.events["test_id"].unique().sort().to_list() == ids
    ok = whole.events.filter(status="ok")
    assert ok["pressure_pa"].is_finite().all()


@given(
    seed=st.integers(0, 10_000),
    noise=st.sampled_from([0.0, 0.01, 1.0, 30.0]),
    flips=st.lists(st.integers(0, 639), max_size=6),
    step=st.sampled_from([0.0, 0.5, 2.5, 50.0]),
    scale=st.sampled_from([1e-6, 1.0, 1e6]),
)
def test_plausible_recordings_have_finite_numbers_or_a_reason(seed, noise, flips, step, scale):
    made = sound()
    pressure = made["pressure_pa"] + noise * np.random.default_rng(seed).normal(size=640)
    if step:
        pressure = np.round(pressure / step) * step
    contact = made["contact"]
    for flip in flips:
        contact[flip:] = 1.0 - contact[flip:]
    tests = table_of({"t": {**made, "pressure_pa": scale * pressure, "contact": contact}})
    events = db.fit_events(tests)
    point = one(db.setpoints(events, lags_of(0.3, 0.01)))
    named = [point[name] for name in NUMBERS if point[name] is not None]
    assert bool(named) == (point["status"] == "ok")
    assert all(np.isfinite(value) for value in named)
    assert all(point[name] >= 0.0 for name in NUMBERS if "_u_" in name and point[name] is not None)


@given(row=junk, unit=st.sampled_from(["Pa", "inH2O", "psi"]))
def test_junk_arrays_raise_what_is_documented(row, unit):
    channels = [
        np.array([np.nan if value is None else value for value in row[name] or []], dtype=float)
        for name in ("time_s", "pressure_pa", "contact")
    ]
    try:
        fit = db.fit_trace(*channels, unit=unit)
    except db.RecordingError as error:
        told, said = error.kind, str(error)
    else:
        told, said = fit.status, str(fit)
    assert told in _core.statuses()
    assert said


# --- what raises --------------------------------------------------------------------------------


@pytest.mark.parametrize("status", [name for name in RECORDING_FAULTS if name != "missing_value"])
def test_one_recording_raises_what_a_fleet_tells(status):
    made = spoilt(status)
    if status in {"saturated", "event_at_edge"}:  # one event is at fault, not the recording
        fit = db.fit_trace(*made.values(), unit="Pa", lag=db.Lag(0.0, u=0.0))
        assert status in set(fit.events["status"])
        assert status in str(fit)
        return
    with pytest.raises(db.RecordingError) as caught:
        db.fit_trace(*made.values(), unit="Pa")
    assert caught.value.kind == status


@pytest.mark.parametrize(
    ("options", "named"),
    [
        ({"dwell_s": -1.0}, "dwell_s"),
        ({"dwell_s": float("nan")}, "dwell_s"),
        ({"threshold": 1.5}, "threshold"),
        ({"edge": 1}, "edge"),
        ({"edge": -1}, "edge"),
        ({"edge": 4.5}, "edge"),
        ({"reach": "far"}, "reach"),
        ({"dwell_s": "long"}, "dwell_s"),
        ({"reach": 2}, "reach"),
        ({"closed": "up"}, "closed"),
    ],
)
def test_a_bad_option_raises_at_once_and_is_named(options, named):
    tests = table_of({"t": sound()})
    for call in (
        lambda: db.fit_events(tests, **options),
        lambda: db.fit_events(tests.lazy(), **options),
        lambda: db.analyse(tests, switches_of(), **options),
        lambda: db.fit_trace(*sound().values(), unit="Pa", **options),
    ):
        with pytest.raises(db.DeadbandError, match=named):
            call()


def test_bad_options_of_the_other_verbs_are_named():
    tests = table_of({"t": sound()})
    events = db.fit_events(tests)
    points = db.setpoints(events, lags_of())
    for risk in (0.0, 0.5, 1.0, -0.1, float("nan"), "low"):
        with pytest.raises(db.DeadbandError, match="risk"):
            db.judge(points.lazy(), switches_of(), risk=risk)
    for name in ("min_dof", "min_rate_spread", "max_u_s"):
        for value in (-1.0, float("nan"), "much"):
            with pytest.raises(db.DeadbandError, match=name):
                db.estimate_lag(events.lazy(), **{name: value})
    for value in ("often", 0.0, -0.3, float("nan"), float("inf")):
        with pytest.raises(db.OptionError, match="repeatability"):
            db.setpoints(events.lazy(), lags_of(), repeatability=value)
    with pytest.raises(db.OptionError, match="event"):
        db.drift(points, event="both")
    with pytest.raises(db.SchemaError, match="there_is_none"):
        db.drift(points, by="there_is_none")
    with pytest.raises(db.OptionError, match="inch"):
        db.fit_trace(*sound().values(), unit="inch")


def needed(verb: str):
    """A call of a verb by name with a table of its own and without one column of it."""
    tests = table_of({"t": sound()})
    events = db.fit_events(tests)
    points = db.setpoints(events, lags_of())
    return {
        "fit_events": (tests, db.fit_events),
        "estimate_lag": (events, db.estimate_lag),
        "setpoints": (events, lambda frame: db.setpoints(frame, lags_of())),
        "budget": (events, lambda frame: db.budget(frame, lags_of())),
        "condition": (events, db.condition),
        "judge": (points, lambda frame: db.judge(frame, switches_of())),
        "drift": (points, db.drift),
        "lags": (lags_of(), lambda frame: db.setpoints(events, frame)),
        "switches": (switches_of(), lambda frame: db.judge(points, frame)),
    }[verb]


@pytest.mark.parametrize(
    ("verb", "column"),
    [
        ("fit_events", "pressure_pa"),
        ("fit_events", "test_id"),
        ("estimate_lag", "gauge_id"),
        ("estimate_lag", "rate_pa_s"),
        ("setpoints", "var_pressure"),
        ("budget", "event"),
        ("condition", "cycle"),
        ("judge", "open_u_pa"),
        ("drift", "tested_at"),
        ("lags", "lag_u_s"),
        ("switches", "rated_pa"),
    ],
)
def test_a_bad_schema_raises_at_once_and_names_the_column(verb, column):
    frame, call = needed(verb)
    with pytest.raises(db.SchemaError, match=column) as caught:
        call(frame.drop(column).lazy())
    assert caught.value.kind == "missing_column"
    with pytest.raises(db.SchemaError, match=column) as caught:
        call(frame.with_columns(pl.lit(b"x").alias(column)).lazy())
    assert caught.value.kind == "wrong_type"
