"""Evidence on simulated switches: sound ones seldom flagged, bad ones found."""

import numpy as np
import polars as pl
import pytest

import deadband as db
from deadband import simulate

ALPHA = 0.01


def switch_of(rng, **faults):
    opened = float(rng.normal(60.0, 1.2))
    return simulate.Switch(open_pa=opened, close_pa=opened + 8.0, repeatability_pa=0.3, **faults)


def analysed(switches, seed=4, **logged):
    rng = np.random.default_rng(seed)
    plan = [
        simulate.PlannedTest(
            test_id=f"t{i:03}",
            unit=simulate.Unit(switch_id=f"s{i:03}", rated_pa=60.0, model="A", switch=switch),
            instrument=simulate.Instrument(gauge_id="g"),
            motion=simulate.Ramp(cycles=5, rate_pa_s=float(rng.uniform(2.0, 9.0)), hold_s=8.0),
            logger=simulate.Logger(**logged),
        )
        for i, switch in enumerate(switches)
    ]
    made = simulate.fleet(plan, seed=seed)
    return db.analyse(made.tests, made.switches, made.gauges)


def flagged(analysis, kind):
    rows = analysis.condition.filter(pl.col("kind").str.starts_with(kind), "flagged")
    return set(rows["test_id"])


@pytest.fixture(scope="module")
def sound():
    rng = np.random.default_rng(1)
    return analysed([switch_of(rng) for _ in range(300)])


@pytest.mark.parametrize(
    ("kind", "rows"),
    [("sticking", 600), ("chatter", 600), ("scatter", 300), ("offset", 600), ("leak", 600)],
)
def test_a_sound_switch_is_seldom_flagged(sound, kind, rows):
    """Three times the stated share in 300 tests or more has odds of less than one in 500."""
    found = sound.condition.filter(pl.col("kind").str.starts_with(kind))
    assert found.height == rows
    assert found["flagged"].sum() <= 3.0 * ALPHA * rows
    assert found["sentence"].null_count() == 0


def test_a_contact_that_changed_is_no_finding(sound):
    found = sound.condition.filter(kind="no_change")
    assert found.height == 300
    assert not found["flagged"].any()


@pytest.mark.parametrize(
    ("kind", "faults", "logged"),
    [
        ("sticking", {"first_cycle_shift_pa": 5.0}, {}),
        ("chatter", {"bounces": 5.0, "bounce_s": 0.1}, {"contact_sample_s": 0.05}),
        ("leak", {"leak_time_constant_s": 300.0}, {}),
    ],
)
def test_a_fault_is_found_among_sound_switches(kind, faults, logged):
    rng = np.random.default_rng(2)
    bad = [switch_of(rng, **faults) for _ in range(10)]
    found = flagged(analysed(bad + [switch_of(rng) for _ in range(30)], **logged), kind)
    assert len(found & {f"t{i:03}" for i in range(10)}) >= 8


def test_one_chattering_switch_leaves_the_lag_of_its_gauge():
    """Changes against the pressure's direction once made it negative, and every setpoint wrong."""
    rng = np.random.default_rng(3)
    bad = switch_of(rng, bounces=5.0, bounce_s=0.1)
    whole = analysed([bad, *(switch_of(rng) for _ in range(19))], contact_sample_s=0.05)
    lag = whole.lags.row(0, named=True)
    truth = simulate.Instrument(gauge_id="g").gauge.lag_s
    assert abs(lag["lag_s"] - truth) < 3.0 * lag["lag_u_s"]


def test_a_contact_stuck_closed_is_unsafe_and_cannot_conform():
    time = np.arange(0.0, 60.0, 0.1)
    tests = pl.DataFrame(
        {
            "test_id": ["t"],
            "switch_id": ["s"],
            "gauge_id": [None],
            "method": ["ramp"],
            "tested_at": ["2025-01-01"],
            "time_s": [time],
            "pressure_pa": [90.0 * np.abs(np.sin(time / 10.0))],
            "contact": [np.full(time.size, 0.02)],
        },
        schema_overrides={"gauge_id": pl.String},
    )
    switches = pl.DataFrame(
        {
            "switch_id": ["s"],
            "model": ["A"],
            "lot": ["L"],
            "rated_pa": [60.0],
            "action": ["fall"],
            "tolerance": [0.1],
            "installed_on": [None],
        },
        schema_overrides={"installed_on": pl.Date},
    )
    whole = db.analyse(tests, switches)
    still = whole.condition.filter(kind="no_change").row(0, named=True)
    assert (still["flagged"], still["side"]) == (True, "unsafe")
    assert whole.verdicts["verdict"].to_list() == ["does_not_conform"]
