"""Feedback to operators: each call against the truth, in order, and what practice does."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy import stats

from deadband import methods
from deadband._errors import OptionError, SchemaError
from deadband.methods.feedback import trend
from method_study import OPERATORS, study

START = datetime(2024, 5, 1, 9)


def tables(errors, *, operator="ann", truth=60.0, event="open", days=1.0):
    n = len(errors)
    other = "close" if event == "open" else "open"
    nothing = pl.Series([None] * n, dtype=pl.Float64)
    points = pl.DataFrame(
        {
            "test_id": [f"{operator}{i:03}" for i in range(n)],
            "switch_id": ["s"] * n,
            "operator_id": [operator] * n,
            "method": ["ramp"] * n,
            "gauge_id": ["g"] * n,
            "tested_at": [START + timedelta(days=days * i) for i in range(n)],
            f"{event}_pa": [truth] * n,
            f"{event}_u_pa": [0.2] * n,
            f"{other}_pa": nothing,
            f"{other}_u_pa": nothing,
        }
    )
    called = pl.Series([truth + error for error in errors], dtype=pl.Float64)
    return points, points.select("test_id", pl.Series(f"called_{event}_pa", called))


def told(errors, **options):
    return methods.feedback(*tables(errors), **options).operators.row(0, named=True)


def test_a_change_of_gauge_is_no_practice():
    points, tests = tables(np.linspace(-4.0, -0.5, 16).tolist())
    assert "better by" in methods.feedback(points, tests).operators["sentence"][0]
    later = pl.int_range(pl.len()) >= 8
    two = points.with_columns(gauge_id=pl.when(later).then(pl.lit("h")).otherwise("gauge_id"))
    sentence = methods.feedback(two, tests).operators["sentence"][0]
    assert "better" not in sentence
    assert "change of gauge" in sentence
    by_gauge = methods.feedback(two, tests, by=["operator_id", "gauge_id"]).operators
    assert by_gauge.height == 2
    assert all("better by" in sentence for sentence in by_gauge["sentence"])


def test_calls_stand_in_order_of_time_with_their_errors():
    points, tests = tables([-2.0, -1.0, 0.5], days=0.4)
    found = methods.feedback(points.reverse(), tests.sample(fraction=1.0, shuffle=True, seed=1))
    calls = found.calls
    assert calls["error_pa"].to_list() == [-2.0, -1.0, 0.5]
    assert calls["number"].to_list() == [1, 2, 3]
    assert calls["error_pct"].to_list() == pytest.approx([-100 / 30, -100 / 60, 50 / 60])
    assert calls["session"].n_unique() == found.operators["n_sessions"][0] == 2


@pytest.mark.parametrize(
    ("event", "mean", "words"),
    [
        ("open", -1.8, "low on falling pressure, the eye later"),
        ("open", 1.8, "high on falling pressure, the gauge later"),
        ("close", 1.8, "high on rising pressure, the eye later"),
        ("close", -1.8, "low on rising pressure, the gauge later"),
    ],
)
def test_late_is_what_the_pressure_moved_on(event, mean, words):
    scatter = np.tile([-0.3, 0.3], 6)
    points, tests = tables(mean + scatter, event=event)
    row = methods.feedback(points, tests, event=event).operators.row(0, named=True)
    assert row["sentence"].startswith(f"called 1.8 Pa too {words}")
    assert "no change seen in 12 tests" in row["sentence"]


def test_nothing_is_said_of_an_error_within_its_interval():
    assert told([-0.5, 0.6, -0.4, 0.5, 0.1])["sentence"].startswith("neither too low nor too high")


def test_practice_is_seen_and_its_loss_too():
    falling = np.linspace(-4.0, -0.5, 12) + np.tile([0.1, -0.1], 6)
    row = told(falling)
    assert row["size_per_test_pa"] == pytest.approx(-0.32, abs=0.03)
    assert row["size_per_test_low_pa"] < row["size_per_test_pa"] < row["size_per_test_high_pa"] < 0
    assert "better by 0.32 Pa a test over 12 tests" in row["sentence"]
    assert row["error_per_test_pa"] > 0.0
    assert "worse by" in told(falling[::-1])["sentence"]


def test_trend_is_that_of_scipy():
    values = np.abs(np.random.default_rng(3).normal(size=18)) + np.linspace(1.0, 0.0, 18)
    found = trend(values)
    theil = stats.theilslopes(values, np.arange(1, 19))
    kendall = stats.kendalltau(np.arange(18), values, method="exact")
    assert found["sen_pa_year"] == pytest.approx(theil.slope)
    assert found["kendall_tau"] == pytest.approx(kendall.statistic)
    assert found["p_trend"] == pytest.approx(kendall.pvalue, rel=1e-6)


def test_coverage_of_means_and_scatters_and_level_of_the_trend():
    rng = np.random.default_rng(11)
    hits = np.zeros(3)
    runs = 400
    for _ in range(runs):
        n = int(rng.integers(10, 41))
        row = told(-1.5 + 0.9 * rng.normal(size=n))
        hits += (
            row["mean_low_pa"] <= -1.5 <= row["mean_high_pa"],
            row["sd_low_pa"] <= 0.9 <= row["sd_high_pa"],
            row["size_p"] < 0.05,
        )
    # Three standard deviations about 95 and 5 %: 0.033.
    assert abs(hits[0] / runs - 0.95) < 0.033
    assert abs(hits[1] / runs - 0.95) < 0.033
    assert hits[2] / runs < 0.083


def test_an_error_of_the_lag_is_common_to_all_calls():
    points, tests = tables(np.tile([-1.0, -1.2], 10))
    points = points.with_columns(lag_correction_pa=pl.lit(-2.0), open_u_pa=pl.lit(0.6))
    lags = pl.DataFrame({"gauge_id": ["g"], "lag_s": [0.4], "lag_u_s": [0.1]})
    alone = methods.feedback(points, tests).operators["mean_u_pa"][0]
    whole = methods.feedback(points, tests, lags=lags).operators["mean_u_pa"][0]
    assert whole == pytest.approx((alone**2 + 0.5**2) ** 0.5)


def test_simulated_operators_are_as_late_as_they_are():
    made, whole = study(switches=6)
    found = methods.feedback(
        whole.setpoints.filter(method="ramp"), made.tests, events=whole.events, lags=whole.lags
    )
    table = found.operators.sort("operator_id")
    lag = 0.1 + 0.25 + 0.2
    true = np.array([one.reaction_s - lag for one in OPERATORS.values()])
    late, u = table["late_s"].to_numpy(), table["late_u_s"].to_numpy()
    assert np.all(np.abs(late - true) < 3.5 * u + 0.02), (late, true, u)
    assert "too high on falling" in table["sentence"][0]
    assert table["mean_pa"][0] > table["mean_pa"][1] > table["mean_pa"][2]
    assert table["rate_share"][0] > 0.5
    assert table["rate_share"][2] > 0.3


def test_what_cannot_be_told():
    row = told([-1.0])
    assert (row["status"], row["mean_pa"], row["mean_u_pa"]) == ("too_few_samples", -1.0, None)
    row = told([-1.0, -1.1, -0.9])
    assert (row["status"], row["size_p"]) == ("ok", None)
    assert "too few to tell practice" in row["sentence"]
    points, tests = tables([-1.0, -1.1, -0.9, -1.0, -1.2, -0.8])
    holes = tests.with_columns(
        called_open_pa=pl.when(pl.col("test_id") != "ann002").then("called_open_pa")
    )
    undated = points.with_columns(
        tested_at=pl.when(pl.col("test_id") != "ann004").then("tested_at")
    )
    found = methods.feedback(undated, holes)
    assert found.operators["n_calls"][0] == 4
    lost = found.calls.filter(pl.col("status") != "ok")
    assert set(lost["test_id"]) == {"ann002", "ann004"}
    assert lost["number"].to_list() == [None, None]
    nobody = methods.feedback(points.with_columns(operator_id=pl.lit(None, pl.String)), tests)
    assert nobody.operators.select("n_calls", "mean_pa", "status").rows() == [
        (6, None, "missing_value")
    ]
    alike = told([-1.0] * 12)
    assert (alike["sd_pa"], alike["size_p"]) == (0.0, 1.0)
    assert "no change seen in 12 tests" in alike["sentence"]


def test_refusals():
    points, tests = tables([-1.0, -2.0])
    for option, bad in {"by": "lot", "event": "both", "confidence": 0.0}.items():
        with pytest.raises(OptionError, match=option):
            methods.feedback(points, tests, **{option: bad})
    with pytest.raises(OptionError, match="by"):
        methods.feedback(points, tests, by=[])
    with pytest.raises(SchemaError, match="called_open_pa"):
        methods.feedback(points, tests.drop("called_open_pa"))
