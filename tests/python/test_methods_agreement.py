"""Bias, limits of agreement and scatter of a method against the reference."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nct

from deadband._errors import DeadbandError, OptionError, SchemaError
from deadband.methods import Agreement, agreement
from deadband.methods._differences import Rounds, Term, limits, variance_of

Reference = Callable[[str], dict[str, Any]]
NORMAL_95 = 1.959963985


def table(sides: dict[str, list[list[float]]], u: float = 0.2, **columns: Any) -> pl.DataFrame:
    """Setpoints of switches: for each method a list of results for each switch."""
    rows = [
        (f"{method}-{i:02}-{k}", f"s{i:02}", method, value, u, f"op{k % 2}", "g1")
        for method, switches in sides.items()
        for i, values in enumerate(switches)
        for k, value in enumerate(values)
    ]
    names = ["test_id", "switch_id", "method", "open_pa", "open_u_pa", "operator_id", "gauge_id"]
    nothing = pl.lit(None, pl.Float64)
    return pl.DataFrame(rows, names, orient="row").with_columns(
        close_pa=nothing, close_u_pa=nothing, **columns
    )


def only(found: Agreement) -> dict[str, Any]:
    return found.table.row(0, named=True)


def expected(data: dict[str, Any]) -> dict[str, tuple[float, float]]:
    return {one["name"]: (one["value"], one["abs_tol"]) for one in data["expected"]}


# --- published studies --------------------------------------------------------------------------


def test_peak_flow_of_1986(reference: Reference) -> None:
    # Bland and Altman 1986, Lancet i, 307; digits of a package's output, see the file.
    data = reference("B01-bland-altman-pefr-1986")
    inputs = data["inputs"]
    first = {
        "pinch": [[x] for x in inputs["Wright_first"]],
        "ramp": [[x] for x in inputs["mini_first"]],
    }
    row = only(agreement(table(first), "pinch"))
    assert row["status"] == "no_repeats"
    ours = {
        "bias": row["bias_pa"], "sd of differences": row["sd_pa"], "se of bias": row["bias_u_pa"],
        "bias lower 95%": row["bias_low_pa"], "bias upper 95%": row["bias_high_pa"],
        # Printed with z of three digits.
        "lower limit (1.96)": row["lower_pa"] + (NORMAL_95 - 1.96) * row["sd_pa"],
        "upper limit (1.96)": row["upper_pa"] - (NORMAL_95 - 1.96) * row["sd_pa"],
        "se of limits sqrt(s^2(1/n + 1.96^2/(2(n-1))))": row["limit_u_pa"],
        "t statistic": row["bias_pa"] / row["bias_u_pa"], "p": row["bias_p"],
    }  # fmt: skip
    for name, (value, tolerance) in expected(data).items():
        if name in ours:
            assert ours[name] == pytest.approx(value, abs=tolerance), name
            del ours[name]
    assert not ours


@pytest.mark.parametrize("switches", [6, 17, 60])
def test_interval_of_a_limit_is_near_the_exact_one(switches: int) -> None:
    # Of single results it is exact: (bias + z sd) is a quantile, and its interval non-central t.
    root = switches**0.5
    _, upper, u = limits((0.0, 1.0 / root, switches - 1), [Term(1.0, 1.0, switches - 1.0)], 0.95)
    low, high = nct.ppf([0.025, 0.975], switches - 1, NORMAL_95 * root) / root
    assert upper.low == pytest.approx(low, rel=0.13 if switches == 6 else 0.04)
    assert upper.high == pytest.approx(high, rel=0.04)
    assert upper.low < low  # on the safe side inwards
    assert upper.value + NORMAL_95 * u < high  # the approximate one is too short outwards


def test_replicates_of_1999(reference: Reference) -> None:
    # Bland and Altman 1999, Stat. Methods Med. Res. 8, 135, sections 2 and 5 (file: from memory of
    # the source, recomputed).
    data = reference("B02-bland-altman-1999-replicates")
    told = expected(data)
    sides = {"pinch": data["inputs"]["J"], "ramp": data["inputs"]["S"]}
    row = only(agreement(table(sides), "pinch"))
    single = only(agreement(table({k: [v[:1] for v in x] for k, x in sides.items()}), "pinch"))
    between = row["sd_pa"] ** 2 - 2.0 / 3.0 * (
        row["method_repeatability_pa"] ** 2 + row["reference_repeatability_pa"] ** 2
    )
    ours = {
        "within-subject variance J": row["method_repeatability_pa"] ** 2,
        "within-subject variance S": row["reference_repeatability_pa"] ** 2,
        "variance of difference of means": between,
        "bias of means": row["bias_pa"],
        "variance for single measurements": row["sd_pa"] ** 2,
        "sd for single measurements": row["sd_pa"],
        "lower limit": row["lower_pa"], "upper limit": row["upper_pa"],
        "first readings: bias": single["bias_pa"], "first readings: sd": single["sd_pa"],
        "first readings: lower limit": single["lower_pa"],
        "first readings: upper limit": single["upper_pa"],
    }  # fmt: skip
    assert ours.keys() == told.keys()
    for name, (value, tolerance) in told.items():
        assert ours[name] == pytest.approx(value, abs=tolerance), name


# --- variances ----------------------------------------------------------------------------------


def simulated(
    random: np.random.Generator, switches: int, sds: tuple[float, float, float, float]
) -> Rounds:
    """Unbalanced rounds of a biased method: -3, sds of switch, round, method and reference."""
    of_switch, of_round, of_method, of_reference = sds
    rows, squares, dofs = [], np.zeros(2), np.zeros(2, int)
    for i in range(switches):
        own = random.normal(-3.0, of_switch)
        for k in range(1 + (i % 3 == 0) + (i % 4 == 0)):
            m, r = 1 + (i + k) % 3, 1 + i % 2
            x = own + random.normal(0, of_round) + random.normal(0, of_method, m)
            y = random.normal(0, of_reference, r)
            rows.append((i, x.mean() - y.mean(), m, r))
            squares += [m * x.var(), r * y.var()]
            dofs += [m - 1, r - 1]
    switch, apart, m, r = (np.array(column) for column in zip(*rows, strict=True))
    variances = squares / np.maximum(dofs, 1)
    return Rounds(
        switch, apart, m.astype(float), r.astype(float),
        (float(variances[0]), int(dofs[0])), (float(variances[1]), int(dofs[1])),
    )  # fmt: skip


def test_the_sum_of_mean_squares_is_unbiased_for_unequal_numbers() -> None:
    random = np.random.default_rng(8)
    sds = (0.6, 0.9, 1.2, 0.7)
    sums = [
        sum(term.weight * term.mean_square for term in simulated(random, 7, sds).terms())
        for _ in range(800)
    ]
    truth = sum(sd**2 for sd in sds)
    assert abs(np.mean(sums) - truth) < 3.0 * np.std(sums) / len(sums) ** 0.5


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    random = np.random.default_rng(9)
    runs, bias_hits, limit_hits, variance_hits = 600, 0, 0, 0
    for switches, sds in ((6, (1.0, 0.5, 1.0, 0.5)), (12, (0.3, 0.0, 1.5, 0.7))):
        total = sum(sd**2 for sd in sds) ** 0.5
        for _ in range(runs // 2):
            what = simulated(random, switches, sds)
            value, u, dof = what.bias()
            reach = {5: 2.5706, 11: 2.2010}[dof] * u  # Student's t, tabled
            bias_hits += abs(value + 3.0) <= reach
            _, upper, _ = limits((value, u, dof), what.terms(), 0.95)
            limit_hits += upper.low <= -3.0 + NORMAL_95 * total <= upper.high
            method = variance_of(what.terms(), 0.95, sds[3] ** 2)
            variance_hits += method.low <= total**2 - sds[3] ** 2 <= method.high
    for hits in (bias_hits, limit_hits, variance_hits):
        assert 0.925 <= hits / runs <= 0.99


def test_one_repeat_does_not_make_limits_boundless() -> None:
    terms = [Term(1.0, 4.0, 10.0), Term(0.05, 4.0, 1.0)]
    bare = variance_of(terms[:1], 0.95)
    assert variance_of(terms, 0.95).high == pytest.approx(bare.high, rel=0.08)


@settings(max_examples=12)
@given(
    shift=st.floats(-50, 50), scale=st.floats(0.1, 10), seed=st.integers(0, 10**6),
)  # fmt: skip
def test_it_shifts_and_scales_with_the_results(shift: float, scale: float, seed: int) -> None:
    random = np.random.default_rng(seed)
    truth = random.uniform(40, 110, 5)
    ramp = [(level + random.normal(0, 0.3, 2)).tolist() for level in truth]
    pinch = [(level - 2 + random.normal(0, 2, 2)).tolist() for level in truth]
    before = only(agreement(table({"pinch": pinch, "ramp": ramp}), "pinch"))
    moved = [[scale * (x + shift) for x in row] for row in pinch]
    base = [[scale * x for x in row] for row in ramp]
    after = only(agreement(table({"pinch": moved, "ramp": base}, 0.2 * scale), "pinch"))
    assert after["bias_pa"] == pytest.approx(scale * (before["bias_pa"] + shift), abs=1e-9)
    for name in ("bias_u_pa", "sd_pa", "limit_u_pa", "method_sd_pa", "method_repeatability_pa"):
        assert after[name] == pytest.approx(scale * before[name], rel=1e-6), name
    assert before["lower_low_pa"] < before["lower_pa"] < before["lower_high_pa"]
    assert after["slope"] == pytest.approx(before["slope"], abs=1e-5)


# --- scatter and slope --------------------------------------------------------------------------


def test_method_sd_is_found_where_the_reference_is_known_and_where_it_repeats() -> None:
    random = np.random.default_rng(3)
    truth = random.uniform(40, 110, 60)
    pinch = [[level + random.normal(0, 3.0)] for level in truth]
    once = [[level + random.normal(0, 2.0)] for level in truth]
    known = only(agreement(table({"pinch": pinch, "ramp": once}, u=2.0), "pinch"))
    assert known["reference_dof"] == np.inf
    assert known["reference_sd_pa"] == pytest.approx(2.0)
    assert known["sd_pa"] ** 2 - known["method_sd_pa"] ** 2 == pytest.approx(4.0)
    assert known["method_sd_low_pa"] < 3.0 < known["method_sd_high_pa"]
    often = [(level + random.normal(0, 2.0, 3)).tolist() for level in truth]
    repeats = only(agreement(table({"pinch": pinch, "ramp": often}, u=0.01), "pinch"))
    assert repeats["reference_dof"] == 120.0
    assert repeats["method_sd_low_pa"] < 3.0 < repeats["method_sd_high_pa"]
    assert repeats["status"] == "ok"
    assert repeats["method_repeatability_pa"] is None


def test_method_sd_is_never_below_zero() -> None:
    random = np.random.default_rng(4)
    pinch = [[60.0 + random.normal(0, 0.1)] for _ in range(8)]
    row = only(agreement(table({"pinch": pinch, "ramp": [[60.0]] * 8}, u=1.0), "pinch"))
    assert (row["method_sd_pa"], row["method_sd_low_pa"]) == (0.0, 0.0)


def test_slope_of_the_bias_on_the_level_is_found() -> None:
    random = np.random.default_rng(5)
    truth = np.linspace(40, 110, 20)
    pinch = [[1.05 * level - 6 + random.normal(0, 0.5)] for level in truth]
    ramp = [[level + random.normal(0, 0.2)] for level in truth]
    row = only(agreement(table({"pinch": pinch, "ramp": ramp}), "pinch"))
    assert row["slope_on"] == "reference"
    assert row["slope_low"] < 0.05 < row["slope_high"]
    assert row["slope_p"] < 0.001
    assert row["slope_u"] < 0.01


def called(sides: dict[str, list[list[float]]]) -> tuple[pl.DataFrame, pl.DataFrame]:
    points = table(sides)
    return points, points.select("test_id", called_open_pa="open_pa", session="operator_id")


def test_called_values_on_both_sides_are_regressed_on_their_mean() -> None:
    random = np.random.default_rng(6)
    truth = np.linspace(40, 110, 20)
    sides = {
        "pinch": [[1.1 * level + random.normal(0, 0.5)] for level in truth],
        "ramp": [[level + random.normal(0, 0.5)] for level in truth],
    }
    points, tests = called(sides)
    row = only(agreement(points, "pinch", value="called", reference_value="called", tests=tests))
    assert row["slope_on"] == "mean"
    assert row["slope"] == pytest.approx(0.1 / 1.05, abs=0.02)  # 0.1 of 2.1 halves of the level
    assert row["reference_sd_pa"] is None
    assert row["method_sd_pa"] is None
    other = np.polynomial.polynomial.polyfit(
        [(a[0] + b[0]) / 2 for a, b in zip(*sides.values(), strict=True)],
        [a[0] - b[0] for a, b in zip(*sides.values(), strict=True)],
        1,
    )
    assert row["slope"] == pytest.approx(other[1], abs=1e-8)


def test_called_against_fitted_goes_test_by_test() -> None:
    random = np.random.default_rng(7)
    ramp = [(60 + 5 * i + random.normal(0, 2.0, 4)).tolist() for i in range(6)]
    points = table({"ramp": ramp})
    error = random.normal(1.0, 0.3, points.height)
    tests = points.select("test_id", called_open_pa=pl.col("open_pa") + pl.Series(error))
    row = only(agreement(points, "ramp", value="called", tests=tests))
    # The switches' own scatter of 2 Pa is in both and in no difference.
    assert row["sd_pa"] == pytest.approx(0.3, rel=0.35)
    assert row["method_sd_pa"] == pytest.approx(row["sd_pa"])
    assert (row["n_rounds"], row["n_switches"]) == (24, 6)
    assert row["bias_pa"] == pytest.approx(error.mean())


# --- groups and statuses ------------------------------------------------------------------------


def test_each_operator_has_a_row() -> None:
    sides = {"pinch": [[57.0 + i, 59.0 + i % 2] for i in range(5)], "ramp": [[60.0]] * 5}
    found = agreement(table(sides), "pinch", by="operator_id")
    assert found.table["operator_id"].to_list() == ["op0", "op1"]
    assert found.table["bias_pa"].to_list() == pytest.approx([-1.0, -0.6])
    assert found.table["n_method"].to_list() == [5, 5]
    assert found.switches.filter(operator_id="op1")["difference_pa"].to_list() == [
        -1.0, 0.0, -1.0, 0.0, -1.0,
    ]  # fmt: skip
    points, tests = called(sides)
    session = agreement(points, "pinch", by="session", tests=tests)
    assert session.table["bias_pa"].to_list() == found.table["bias_pa"].to_list()


def test_rounds_of_a_switch_count_as_one_difference() -> None:
    at = datetime(2024, 1, 1)
    rows = [
        (f"{side}{i}{k}", f"s{i}", side, at + timedelta(days=400 * k), value, 0.2)
        for i in range(4)
        for k in range(3 if i == 0 else 1)
        for side, value in (("ramp", 60.0 - k), ("pinch", 59.0 - k + (i == 0) * (k - 1) * 3 + i))
    ]
    columns = ["test_id", "switch_id", "method", "tested_at", "open_pa", "open_u_pa"]
    nothing = pl.lit(None, pl.Float64)
    points = pl.DataFrame(rows, columns, orient="row").with_columns(
        close_pa=nothing, close_u_pa=nothing
    )
    row = only(agreement(points, "pinch"))
    assert (row["n_switches"], row["n_rounds"]) == (4, 6)
    assert row["bias_pa"] == pytest.approx(np.mean([-1.0, 0.0, 1.0, 2.0]))
    # Between switches 5/3; between rounds 9, of which averaging took (1 - 1/3) / 4 out.
    assert row["sd_pa"] ** 2 == pytest.approx(5 / 3 + 9.0 * (1 - (1 / 3 + 3) / 4))


@pytest.mark.parametrize(
    ("pinch", "ramp", "status"),
    [
        ([[57.0], [58.0]], [[], []], "no_reference"),
        ([[57.0, 58.0]], [[60.0]], "one_switch"),
        ([[57.0], [67.0], [77.0]], [[60.0], [70.0], [80.0]], "zero_spread"),
        ([[57.0], [68.0]], [[60.0], [70.0]], "no_repeats"),
        ([[57.0, 58.0], [68.0]], [[60.0], [70.0]], "ok"),
    ],
)
def test_what_cannot_be_told_is_null(
    pinch: list[list[float]], ramp: list[list[float]], status: str
) -> None:
    row = only(agreement(table({"pinch": pinch, "ramp": ramp}), "pinch"))
    assert row["status"] == status
    assert (row["bias_pa"] is None) == (status == "no_reference")
    told = status in ("no_repeats", "ok")
    for name in ("bias_u_pa", "sd_pa", "lower_low_pa", "upper_pa", "method_sd_pa"):
        assert (row[name] is not None) == told, name
    assert row["slope"] is None  # two switches are on every line


def test_a_method_that_nobody_used_and_results_left_out() -> None:
    empty = agreement(table({"ramp": [[60.0]]}), "pinch")
    assert only(empty)["status"] == "no_reference"
    assert empty.switches.height == 0
    sides = {"pinch": [[57.0], [58.0], [59.5]], "ramp": [[60.0], [60.0], []]}
    assert only(agreement(table(sides), "pinch"))["n_left_out"] == 1


def test_bad_options_are_told() -> None:
    points = table({"pinch": [[57.0]], "ramp": [[60.0]]})
    with pytest.raises(OptionError, match="confidence"):
        agreement(points, "pinch", confidence=95)
    with pytest.raises(OptionError, match="bias_pa"):
        agreement(points, "pinch", by="bias_pa")
    with pytest.raises(OptionError, match="method"):
        agreement(points, "squeeze")
    with pytest.raises(DeadbandError, match="tests="):
        agreement(points, "pinch", by="session")
    with pytest.raises(SchemaError, match="session"):
        agreement(points, "pinch", by="session", tests=points.select("test_id"))


def test_a_large_fleet_takes_a_moment() -> None:
    random = np.random.default_rng(2)
    truth = random.uniform(40, 110, 1500)
    sides = {
        "pinch": [(level + random.normal(-2, 2, 2)).tolist() for level in truth],
        "ramp": [(level + random.normal(0, 0.3, 2)).tolist() for level in truth],
    }
    points = table(sides)
    start = time.perf_counter()
    row = only(agreement(points, "pinch"))
    assert time.perf_counter() - start < 20.0
    assert row["bias_low_pa"] < -2.0 < row["bias_high_pa"]
