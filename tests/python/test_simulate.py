"""Simulated recordings: the Python face of what the Rust tests hold against handbooks."""

from datetime import date, datetime

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deadband import _core
from deadband import simulate as sim
from deadband.schema import dtypes


def test_defaults_are_those_of_the_core():
    operator = {"operator": {}}
    made = sim.recording(operator=sim.Operator(), seed=5)
    core = _core.simulate([operator], [5])[0]
    assert np.array_equal(made.time_s, core["time_s"])
    assert np.array_equal(made.pressure_pa, core["pressure_pa"])
    assert np.array_equal(made.contact, core["contact"])
    assert made.called_close_pa == core["called_close_pa"]


@pytest.mark.parametrize("motion", [sim.Pinch(), sim.InService()])
def test_defaults_of_other_motions_are_those_of_the_core(motion):
    core = _core.simulate([{"motion": {"kind": motion.method}}], [3])[0]
    assert np.array_equal(sim.recording(motion=motion, seed=3).pressure_pa, core["pressure_pa"])


def test_contact_kinds_show_the_same_contact():
    closed = [
        sim.recording(logger=sim.Logger(contact=contact), seed=1).contact
        for contact in (sim.BooleanContact(), sim.VoltageContact(), sim.OhmContact())
    ]
    assert set(closed[0]) == {0.0, 1.0}
    assert np.array_equal(closed[0] == 1.0, closed[1] < 12.0)
    assert np.array_equal(closed[0] == 1.0, closed[2] < 1e3)


def test_a_contact_of_its_own_clock_has_its_own_length():
    made = sim.recording(logger=sim.Logger(contact_sample_s=0.02), seed=1)
    assert made.contact_time_s is not None
    assert len(made.contact) == len(made.contact_time_s) > 4 * len(made.time_s)
    assert sim.recording(seed=1).contact_time_s is None


def test_cycles_are_numbered_as_events_are():
    ramp = sim.recording(seed=1).truth
    assert ramp.select("cycle", "event").rows() == [
        (cycle, event) for cycle in (1, 2, 3) for event in ("close", "open")
    ]
    pinch = sim.recording(motion=sim.Pinch(count=2), seed=1).truth
    assert pinch.select("cycle", "event").rows() == [(1, "open"), (2, "close"), (2, "open")]
    assert sim.recording(sim.Switch(stuck=True), seed=1).truth.is_empty()


@pytest.mark.parametrize(
    ("make", "named"),
    [
        (lambda: sim.recording(sim.Switch(open_pa=80.0), seed=1), "open_pa"),
        (lambda: sim.recording(gauge=sim.Gauge(noise_pa=float("nan")), seed=1), "noise_pa"),
        (lambda: sim.recording(motion=sim.Ramp(cycles=0), seed=1), "cycles"),
        (lambda: sim.recording(motion=sim.Ramp(cycles=-1), seed=1), "-1"),
        (lambda: sim.recording(logger=sim.Logger(sample_s=1e-6), seed=1), "number of samples"),
        (lambda: sim.recording(seed=-1), "seed"),
        (lambda: sim.recording(seed=2**64), "seed"),
        (lambda: _core.simulate([{"swich": {}}], [1]), "swich"),
        (lambda: _core.simulate([{}], []), "seeds"),
    ],
)
def test_what_no_stand_can_have_is_named(make, named):
    with pytest.raises(ValueError, match=named):
        make()


def plan(ids):
    unit = sim.Unit(switch_id="s1", rated_pa=60.0, installed_on=date(2020, 1, 1))
    other = sim.Unit(switch_id="s2", rated_pa=60.0, action="rise", failed=True)
    gauge = sim.Instrument(gauge_id="g1", gauge=sim.Gauge(resolution_pa=2.5), lag_s=0.35)
    return [
        sim.PlannedTest(
            test_id=name,
            unit=other if name == "t2" else unit,
            instrument=gauge,
            motion=sim.Pinch() if name == "t2" else sim.Ramp(),
            operator=sim.Operator(),
            operator_id="o1",
            tested_at=datetime(2024, 5, 1, 9),
        )
        for name in ids
    ]


def test_a_fleet_has_the_tables_of_the_analysis():
    made = sim.fleet(plan(["t1", "t2", "t3"]), seed=1)
    assert made.tests.schema == dtypes("tests")
    for name, frame in (("switches", made.switches), ("gauges", made.gauges)):
        wanted = dtypes(name)
        found = {"status", "reason"}  # by reading
        assert frame.schema == {key: wanted[key] for key in wanted if key not in found}
    assert made.tests["method"].to_list() == ["ramp", "pinch", "ramp"]
    assert made.switches["switch_id"].to_list() == ["s1", "s2"]
    assert made.gauges.select("resolution_pa", "lag_s", "lag_u_s").rows() == [(2.5, 0.35, None)]
    assert set(made.truth["test_id"]) == {"t1", "t2", "t3"}
    assert made.tests["called_open_pa"].null_count() == 0


def test_a_recording_depends_on_the_seed_and_its_own_id_only():
    whole = sim.fleet(plan(["t1", "t2", "t3"]), seed=1).tests
    part = sim.fleet(plan(["t3", "t1"]), seed=1).tests
    assert part.sort("test_id").equals(whole.filter(pl.col("test_id") != "t2"))
    other = sim.fleet(plan(["t1"]), seed=2).tests
    assert not other["pressure_pa"].equals(whole["pressure_pa"].head(1))


@pytest.mark.parametrize("order", [["t1", "t2"], ["t2", "t1"]])
def test_contact_clocks_of_both_kinds_stand_in_one_column(order):
    own = sim.Logger(contact_sample_s=0.05)
    tests = [
        sim.PlannedTest(**{**vars(test), "logger": own if test.test_id == "t1" else test.logger})
        for test in plan(order)
    ]
    made = sim.fleet(tests, seed=1).tests
    shared = made["contact_time_s"].is_null().to_list()
    assert shared == [name == "t2" for name in order]
    lengths = made.select(pl.col("contact_time_s", "contact").list.len()).drop_nulls()
    assert lengths["contact_time_s"].equals(lengths["contact"], check_names=False)


def test_a_switch_may_behave_differently_on_the_day():
    tests = plan(["t1"])
    stuck = sim.PlannedTest(**{**vars(tests[0]), "switch": sim.Switch(stuck=True)})
    assert sim.fleet([stuck], seed=1).truth.is_empty()


def test_what_occurs_twice_is_refused():
    with pytest.raises(ValueError, match="test_id occurs more than once: t1"):
        sim.fleet(plan(["t1", "t1"]), seed=1)
    tests = plan(["t1", "t3"])
    changed = sim.Unit(switch_id="s1", rated_pa=61.0)
    with pytest.raises(ValueError, match="switch_id occurs more than once"):
        sim.fleet([tests[0], sim.PlannedTest(**{**vars(tests[1]), "unit": changed})], seed=1)


@given(
    seed=st.integers(0, 2**64 - 1),
    rate=st.floats(1.0, 20.0),
    lag=st.floats(0.01, 1.0),
    step=st.floats(0.1, 3.0),
)
def test_readings_are_whole_steps_and_the_truth_is_on_the_threshold(seed, rate, lag, step):
    gauge = sim.Gauge(time_constant_s=lag, resolution_pa=step, noise_pa=0.5 * step)
    made = sim.recording(gauge=gauge, motion=sim.Ramp(rate_pa_s=rate, cycles=1), seed=seed)
    steps = made.pressure_pa / step
    assert np.abs(steps - steps.round()).max() < 1e-6
    assert (np.diff(made.time_s) > 0).all()
    off = made.truth["pressure_pa"] - made.truth["threshold_pa"]
    assert off.abs().max() < 1e-9
    assert made.truth["event"].to_list() == ["close", "open"]
