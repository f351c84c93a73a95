"""The planner: budgets that simulation delivers, plans, pinches, and the printed table."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import deadband as db
from deadband import simulate
from deadband._errors import DeadbandError, OptionError, SchemaError
from deadband.methods import (
    Procedure,
    pinch_decides,
    plan_test,
    printed,
    procedure_table,
    reachable,
)
from deadband.methods._reading import Hand, overlap_factor, reading_variance

GAUGE = {
    "gauge_id": "G1",
    "resolution_pa": 1.0,
    "noise_pa": 0.4,
    "accuracy_rel": 0.005,
    "accuracy_abs_pa": 0.5,
    "lag_s": 0.4,
    "lag_u_s": 0.02,
}
RATES = st.floats(0.6, 12.0)


def line(reach, source: str) -> float:
    return reach.lines.filter(pl.col("source") == source)["u_pa"].item()


# --- what simulation delivers ---------------------------------------------------------------------


def spread_evenly(n: int, law, rng) -> np.ndarray:
    """Draws of a law with exactly its variance: a few tests then tell as much as many."""
    values = np.array([law((i + 0.5) / n) for i in range(n)])
    rng.shuffle(values)
    return values


def delivered(gauge: dict, procedure: Procedure, n: int = 100, seed: int = 5) -> float:
    """Root mean square error of both setpoints over simulated tests of the whole procedure."""
    rng = np.random.default_rng(seed)
    normal = spread_evenly(n, NormalDist().inv_cdf, rng)
    flat = spread_evenly(n, lambda p: 2.0 * p - 1.0, rng)
    switch = simulate.Switch(open_pa=60.0, close_pa=66.0, repeatability_pa=0.3)
    unit = simulate.Unit(switch_id="s", rated_pa=60.0, switch=switch)
    plan = []
    for i in range(n):
        lag = gauge["lag_s"] + gauge["lag_u_s"] * normal[i]
        real = simulate.Gauge(
            dead_time_s=0.25 * lag,
            time_constant_s=0.75 * lag,
            resolution_pa=gauge["resolution_pa"],
            noise_pa=gauge["noise_pa"],
            offset_pa=gauge["accuracy_abs_pa"] * flat[i],
        )
        shift = rng.uniform(0.0, 2.5)
        motion = simulate.Ramp(
            cycles=procedure.cycles,
            low_pa=-shift,
            high_pa=90.0 - shift,
            rate_pa_s=procedure.rate_pa_s,
            rate_spread=0.0,
            unsteadiness=0.1,
        )
        plan.append(
            simulate.PlannedTest(
                test_id=f"t{i}",
                unit=unit,
                motion=motion,
                instrument=simulate.Instrument(gauge_id=f"g{i}", gauge=real),
                logger=simulate.Logger(
                    sample_s=procedure.sample_s, contact_sample_s=procedure.contact_sample_s
                ),
            )
        )
    made = simulate.fleet(plan, seed=seed)
    lags = made.gauges.select(
        "gauge_id", lag_s=pl.lit(gauge["lag_s"]), lag_u_s=pl.lit(gauge["lag_u_s"])
    )
    points = db.setpoints(
        db.fit_events(made.tests, lags, gauges=made.gauges), lags, made.gauges, repeatability=0.3
    )
    off = [points["open_pa"].to_numpy() - 60.0, points["close_pa"].to_numpy() - 66.0]
    return float(np.sqrt(np.mean(np.square(off))))


@pytest.mark.parametrize(
    ("ramp", "step", "noise"),
    [
        ((1.0, 0.1, 3, None), 1.0, 0.4),
        ((2.0, 0.5, 3, None), 2.5, 1.25),
        ((5.0, 0.2, 1, 0.01), 2.5, 1.25),
        ((12.0, 0.1, 3, None), 0.5, 0.2),
        ((12.0, 0.5, 10, None), 1.0, 1.0),
        ((2.0, 0.1, 1, None), 2.5, 0.05),
        ((5.0, 0.5, 3, 0.01), 2.5, 0.05),
    ],
)
def test_simulated_tests_are_off_by_what_the_plan_says(ramp, step, noise):
    gauge = {"resolution_pa": step, "noise_pa": noise, "accuracy_abs_pa": 0.1,
             "lag_s": 0.4, "lag_u_s": 0.02}  # fmt: skip
    rate, sample_s, cycles, clock = ramp
    ramp = Procedure(rate_pa_s=rate, sample_s=sample_s, cycles=cycles, contact_sample_s=clock)
    found = reachable(gauge, ramp, rated_pa=60.0, repeatability_pa=0.3)
    assert found.route == ("simulation" if noise < 0.25 * step else "formula")
    # The promise is 10 %; the root of 200 mean squares itself has a standard error of 5 %.
    assert found.u_pa == pytest.approx(delivered(gauge, ramp), rel=0.17)


def test_theory_and_simulation_agree_on_the_reading():
    ramp = Procedure(rate_pa_s=4.0)
    both = [
        reachable(GAUGE, ramp, rated_pa=60.0, route=route) for route in ("formula", "simulation")
    ]
    theory = math.hypot(line(both[0], "reading"), line(both[0], "resolution"))
    assert both[0].route == "formula"
    assert both[1].route == "simulation"
    assert line(both[1], "reading") == pytest.approx(theory, rel=0.15)
    assert line(both[1], "resolution") == 0.0


def test_the_reading_of_a_random_walk_has_its_closed_form():
    # Its rate forgets nothing within a stroke: the integral of q R / (q + R w^4), by residues.
    hand = Hand(rate_pa_s=10.0, unsteadiness=1.0, correlation_s=400.0, stroke_s=4000.0)
    q, density = 2.0 * 10.0**2 / 400.0, 0.01 * 0.02
    w0 = (q / density) ** 0.25
    closed = density * w0 / 8.0**0.5
    found = reading_variance(hand, 0.02, 0.01, [(0.0, 0.0)])
    assert found == pytest.approx(closed, rel=0.04)


def test_a_perfectly_steady_hand_leaves_a_straight_line():
    hand = Hand(rate_pa_s=5.0, unsteadiness=0.0, correlation_s=1.0, stroke_s=20.0)
    n = 20.0 / 0.1
    # Least squares at 0.15 of the stroke from its middle (JCGM 100, H.3): 1/n + 12 x²/n.
    closed = 0.16 / n * (1.0 + 12.0 * 0.15**2)
    assert reading_variance(hand, 0.1, 0.16, [(0.0, 0.0)]) == pytest.approx(closed, rel=0.15)


@pytest.mark.parametrize("n", [2, 3, 5, 10])
def test_the_overlap_of_exact_brackets_is_their_midrange(n):
    # Variance of the midrange of n uniform values: w² / (2 (n+1) (n+2)), of their mean w² / (12 n).
    exact = math.sqrt(12.0 * n / (2.0 * (n + 1.0) * (n + 2.0)))
    assert overlap_factor(n, 1.0, 0.0) == pytest.approx(exact, rel=0.05)
    assert overlap_factor(n, 1.0, 3.0) == pytest.approx(1.0, rel=0.02)
    assert overlap_factor(1, 1.0, 0.0) == 1.0


# --- properties -----------------------------------------------------------------------------------


@settings(max_examples=12)
@given(rate=RATES, cycles=st.integers(1, 9), noise=st.floats(0.3, 2.0))
def test_u_falls_with_cycles_and_rises_with_rate_noise_lag_and_accuracy(rate, cycles, noise):
    gauge = GAUGE | {"noise_pa": noise}
    ramp = Procedure(rate_pa_s=rate, cycles=cycles)

    def u(gauge, ramp, **given):
        return reachable(gauge, ramp, rated_pa=60.0, repeatability_pa=0.3, **given).u_pa

    here = u(gauge, ramp)
    assert u(gauge, Procedure(rate_pa_s=rate, cycles=cycles + 1)) < here * 1.005
    assert u(gauge, Procedure(rate_pa_s=1.2 * rate, cycles=cycles)) > here
    assert u(gauge | {"noise_pa": 1.5 * noise}, ramp) > here
    assert u(gauge | {"lag_u_s": 0.05}, ramp) > here
    assert u(gauge | {"accuracy_abs_pa": 1.0}, ramp) > here
    assert u(gauge, Procedure(rate_pa_s=rate, cycles=cycles, sample_s=0.2)) > here * 0.995


@settings(max_examples=8)
@given(scale=st.floats(0.2, 20.0), rate=RATES)
def test_a_stand_ten_times_as_large_is_ten_times_as_uncertain(scale, rate):
    larger = GAUGE | {name: scale * GAUGE[name] for name in
                      ("resolution_pa", "noise_pa", "accuracy_abs_pa")}  # fmt: skip
    here = reachable(GAUGE, Procedure(rate_pa_s=rate), rated_pa=60.0)
    there = reachable(larger, Procedure(rate_pa_s=scale * rate), rated_pa=scale * 60.0)
    assert there.u_pa == pytest.approx(scale * here.u_pa, rel=1e-6)
    assert there.ratio == pytest.approx(here.ratio, rel=1e-6)


def test_the_lines_add_up_and_are_those_of_the_packages_budget():
    found = reachable(GAUGE, Procedure(rate_pa_s=5.0, cycles=4), rated_pa=60.0)
    assert math.sqrt(found.lines["u_pa"].pow(2).sum()) == pytest.approx(found.u_pa)
    assert found.lines["share"].sum() == pytest.approx(1.0)
    assert line(found, "lag") == pytest.approx(5.0 * 0.02)
    assert line(found, "accuracy") == pytest.approx((0.5 + 0.005 * 60.0) / math.sqrt(3.0))
    assert line(found, "bracket") == pytest.approx(5.0 * 0.1 / math.sqrt(12.0 * 4))
    # Half a percent as one degree of freedom, and two directions of four events.
    assert line(found, "repeatability") == pytest.approx(0.3 / 2.0)
    assert found.lines["dof"][3] == 1.0 + 2.0 * 3.0
    assert found.ratio == pytest.approx(6.0 / found.expanded_pa)


def test_a_called_value_is_off_by_lag_and_reaction_against_each_other():
    ramp = Procedure(rate_pa_s=5.0)
    late = reachable(GAUGE, ramp, rated_pa=60.0, called=True, reaction=(1.0, 0.2))
    assert late.bias_pa == pytest.approx(-5.0 * (1.0 - 0.4))  # read after it had fallen further
    closing = reachable(GAUGE, ramp, rated_pa=60.0, called=True, reaction=(1.0, 0.2), event="close")
    assert closing.bias_pa == -late.bias_pa
    assert late.expanded_pa > 1.9 * late.u_pa + abs(late.bias_pa)
    operator = simulate.Operator(reaction_s=1.0, reaction_sd_s=0.2)
    switch = simulate.Switch(repeatability_pa=0.3)
    gauge = simulate.Gauge(dead_time_s=0.1, noise_pa=0.4)
    steady = simulate.Ramp(rate_spread=0.0, unsteadiness=0.1)
    called = [
        simulate.recording(switch, gauge, steady, operator=operator, seed=i).called_open_pa
        for i in range(200)
    ]
    assert np.mean(called) - 60.0 == pytest.approx(late.bias_pa, abs=0.15)
    alone = reachable({**GAUGE, "lag_u_s": 0.0, "accuracy_rel": None, "accuracy_abs_pa": None},
                      ramp, rated_pa=60.0, called=True, reaction=(1.0, 0.2))  # fmt: skip
    assert np.std(called) == pytest.approx(alone.u_pa, rel=0.15)


# --- statuses -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gauge", "ramp", "status", "says"),
    [
        (GAUGE | {"lag_s": None}, Procedure(), "lag_unidentified", "estimate_lag"),
        (GAUGE | {"lag_u_s": None}, Procedure(), "missing_value", "lag_u_s"),
        (GAUGE | {"resolution_pa": 0.0, "noise_pa": None}, Procedure(), "missing_value", "noise"),
        (GAUGE | {"accuracy_rel": -0.1}, Procedure(), "bad_value", "accuracy_rel"),
        (GAUGE | {"lag_s": math.nan}, Procedure(), "bad_value", "lag_s"),
        (GAUGE | {"noise_pa": "much"}, Procedure(), "bad_value", "noise_pa"),
        (GAUGE | {"dead_time_s": 0.4, "time_constant_s": 0.4}, Procedure(), "bad_value", "add up"),
        (GAUGE, Procedure(rate_pa_s=50.0, sample_s=0.5), "too_few_samples", "slowly"),
    ],
)  # fmt: skip
def test_what_cannot_be_told_has_a_status_and_no_number(gauge, ramp, status, says):
    found = reachable(gauge, ramp, rated_pa=60.0)
    assert (found.status, found.u_pa, found.ratio) == (status, None, None)
    assert says in found.reason
    assert found.lines.is_empty()


def test_a_plan_with_such_a_gauge_has_its_status():
    found = plan_test(GAUGE | {"lag_s": None}, rated_pa=60.0)
    assert (found.procedure, found.status) == (None, "lag_unidentified")
    assert found.options.is_empty()
    assert found.curves.is_empty()


def test_a_display_without_steps_needs_its_noise_and_no_more():
    smooth = GAUGE | {"resolution_pa": 0.0, "noise_pa": 0.3}
    found = reachable(smooth, Procedure(), rated_pa=60.0)
    assert found.status == "ok"
    assert found.route == "formula"
    assert line(found, "resolution") == 0.0


def test_a_steady_coarse_display_has_no_formula():
    coarse = GAUGE | {"resolution_pa": 2.5, "noise_pa": 0.05}
    assert reachable(coarse, Procedure(), rated_pa=60.0, route="formula").status == "coarse_display"


def test_options_that_cannot_be_are_refused():
    with pytest.raises(OptionError, match="cycles"):
        Procedure(cycles=0)
    with pytest.raises(OptionError, match="rate_pa_s"):
        Procedure(rate_pa_s=-1.0)
    with pytest.raises(OptionError, match="method"):
        Procedure(method="guess")
    with pytest.raises(DeadbandError, match="never passes 60 Pa"):
        reachable(GAUGE, Procedure(high_pa=50.0), rated_pa=60.0)
    with pytest.raises(OptionError, match="rated_pa"):
        reachable(GAUGE, Procedure(), rated_pa=math.nan)
    with pytest.raises(DeadbandError, match="two wishes"):
        plan_test(GAUGE, rated_pa=60.0, u_wanted_pa=1.0, expanded_wanted_pa=2.0)
    with pytest.raises(OptionError, match="cycles_most"):
        plan_test(GAUGE, rated_pa=60.0, cycles_least=5, cycles_most=4)
    with pytest.raises(OptionError, match="a row of the gauges table"):
        reachable(7, Procedure(), rated_pa=60.0)


# --- plans ----------------------------------------------------------------------------------------


def test_the_planned_rate_is_the_fastest_and_the_plan_the_shortest():
    found = plan_test(GAUGE, rated_pa=60.0, expanded_wanted_pa=1.05, repeatability_pa=0.3)
    assert found.status == "ok"
    assert found.options["status"].unique().to_list() == ["ok"]
    assert found.duration_s == found.options["duration_s"].min()
    assert found.options["rate_pa_s"].is_sorted()
    rate, cycles = found.procedure.rate_pa_s, found.procedure.cycles
    for factor, good in ((0.99, True), (1.03, False)):
        ramp = Procedure(rate_pa_s=factor * rate, cycles=cycles)
        there = reachable(GAUGE, ramp, rated_pa=60.0, repeatability_pa=0.3)
        # Between the rates of the grid the reading's variance is interpolated.
        assert (there.expanded_pa <= 1.05 * 1.002) is good


def test_more_is_wanted_more_slowly():
    plans = [plan_test(GAUGE, rated_pa=60.0, u_wanted_pa=u, cycles_most=4) for u in (0.6, 0.53)]
    fast, slow = (plan.options["rate_pa_s"] for plan in plans)
    assert (slow < fast).all()


def test_accuracy_above_the_wish_forbids_it_and_says_what_would_do():
    found = plan_test(GAUGE | {"accuracy_abs_pa": 3.0}, rated_pa=60.0)
    assert (found.status, found.forbids, found.procedure) == ("not_reachable", "accuracy", None)
    assert found.options["rate_pa_s"].null_count() == found.options.height
    assert "calibrated" in found.reason
    need = float(found.reason.split("it would have to be ")[1].split(" Pa")[0])
    better = GAUGE | {"accuracy_abs_pa": 0.0, "accuracy_rel": 0.99 * need * 3**0.5 / 60.0}
    assert plan_test(better, rated_pa=60.0).status == "ok"


def test_an_unsure_lag_forbids_a_wish():
    found = plan_test(
        GAUGE | {"lag_u_s": 2.0, "accuracy_rel": None, "accuracy_abs_pa": None}, rated_pa=60.0,
    )  # fmt: skip
    assert (found.status, found.forbids) == ("not_reachable", "lag")


# --- pinches --------------------------------------------------------------------------------------


def test_a_pinch_decides_when_it_is_slow_and_well_logged_but_not_when_called():
    gauge = GAUGE | {"lag_s": None, "dead_time_s": 0.05, "time_constant_s": 0.13, "lag_u_s": 0.01}
    found = pinch_decides(
        gauge, rated_pa=60.0, fall_s=[0.2, 0.8], contact_sample_s=0.01, sample_s=0.05, n=24
    )
    by = {(row["fall_s"], row["correction"]): row for row in found.iter_rows(named=True)}
    assert by[0.8, "parts"]["decides"]
    assert not by[0.2, "called"]["decides"]
    assert by[0.2, "parts"]["u_pa"] > by[0.8, "parts"]["u_pa"]
    assert by[0.2, "called"]["share_left"] == 0.0
    assert "it cannot decide; test by a slow ramp" in by[0.2, "called"]["sentence"]
    row = by[0.8, "parts"]
    # JCGM 106, 8.3.2: the guard band of 5 % is 1.645 u.
    assert row["guard_pa"] == pytest.approx(1.645 * row["u_pa"], rel=1e-3)
    assert row["share_left"] == pytest.approx(1.0 - row["guard_pa"] / 6.0)


def test_a_pinch_with_an_unknown_split_or_lag_says_so():
    found = pinch_decides(GAUGE, rated_pa=60.0, fall_s=[0.4], n=6)
    assert found["status"].to_list() == ["lag_unidentified", "ok", "ok"]
    unknown = pinch_decides(GAUGE | {"lag_s": None}, rated_pa=60.0, fall_s=[0.4], n=6)
    assert set(unknown["status"]) == {"lag_unidentified"}
    assert unknown["u_pa"].null_count() == 3
    assert unknown["decides"].null_count() == 3


def test_a_pinch_has_a_budget_too():
    pinch = Procedure(method="pinch", fall_s=0.8, hold_s=5.0)
    found = reachable(GAUGE, pinch, rated_pa=60.0)
    assert found.lines["source"].to_list() == ["simulated", "accuracy"]
    assert found.u_pa > reachable(GAUGE, Procedure(), rated_pa=60.0).u_pa


# --- the table ------------------------------------------------------------------------------------


def test_the_printed_table_has_units_remarks_and_cautions():
    gauges = pl.DataFrame([GAUGE, GAUGE | {"gauge_id": "G2", "lag_s": None}])
    table = procedure_table(gauges, rated_pa=60.0, rates_pa_s=[2.0, 5.0])
    assert table.height == 6
    assert set(table.filter(pl.col("gauge_id") == "G2")["status"]) == {"lag_unidentified"}
    lines = printed(table).splitlines()
    assert lines[0].startswith("gauge")
    assert "rate / Pa/s" in lines[0]
    assert "U / Pa" in lines[0]
    assert any("G2, ratio 4: the gauge's lag is not known" in line for line in lines)
    assert "Never bypass or jumper a safety switch." in lines[-2]


def test_a_lag_that_was_found_goes_before_a_stated_one():
    gauges = pl.DataFrame([GAUGE])
    lags = pl.DataFrame({"gauge_id": ["G1"], "lag_s": [0.4], "lag_u_s": [0.5]})
    stated, found = (
        procedure_table(gauges, told, rated_pa=60.0, ratios=[], rates_pa_s=[5.0])
        for told in (None, lags)
    )
    assert found["limited_by"].item() == "lag"
    assert stated["limited_by"].item() == "accuracy"


def test_a_gauge_that_stands_twice_is_refused():
    with pytest.raises(SchemaError, match="gauge_id"):
        procedure_table(pl.DataFrame([GAUGE, GAUGE]), rated_pa=60.0)
