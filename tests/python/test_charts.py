"""Control charts through the Python verbs, against worked examples and published run lengths."""

import math

import numpy as np
import polars as pl
import pytest

import deadband as db
from test_drift import points_of


def test_the_worked_example_of_an_ewma_chart(reference):
    """NIST/SEMATECH e-Handbook 6.3.2.4: lambda 0.3, steady limits of three standard deviations."""
    check = reference("S08-nist-ewma-example")
    data = next(v for v in check["inputs"].values() if isinstance(v, list) and len(v) >= 20)
    mean, sd = 50.0, 2.0539
    found = db.chart(
        points_of(range(len(data)), data, 0.0), weight=0.3, limit=3.0, target_pa=mean, sd_pa=sd
    )
    statistic = mean
    for value, row in zip(data, found.iter_rows(named=True), strict=True):
        statistic = 0.7 * statistic + 0.3 * value
        assert row["statistic"] == pytest.approx(statistic, abs=1e-9)
    steady = 3.0 * sd * math.sqrt(0.3 / 1.7)
    assert found["high"][-1] == pytest.approx(mean + steady, rel=1e-4)
    printed = {entry["name"]: entry["value"] for entry in check["expected"]}
    upper = next(value for name, value in printed.items() if name.upper().startswith("UCL"))
    assert mean + steady == pytest.approx(upper, abs=5e-5)


@pytest.mark.parametrize(
    ("shift", "published"), [(0.0, 168.0), (0.5, 26.6), (1.0, 8.38), (2.0, 3.34), (3.0, 2.19)]
)
def test_run_lengths_of_cusum_are_those_of_lucas_and_crosier(shift, published):
    """Lucas and Crosier (1982), table 1: k 0.5, h 4, no head start."""
    digits = 0.5 if published > 100 else 0.05 if published > 10 else 0.005
    found = db.run_length("cusum", shift, limit=4.0)
    assert found.mean == pytest.approx(published, abs=digits)


def test_run_lengths_of_ewma_are_those_of_simulation():
    random = np.random.default_rng(1)
    limits = 2.7 * np.sqrt(0.2 / 1.8 * (1.0 - 0.8 ** (2.0 * np.arange(1, 3000))))
    runs = []
    for _ in range(4000):
        z = 0.0
        for n, limit in enumerate(limits, 1):
            z = 0.8 * z + 0.2 * (random.normal() + 0.7)
            if abs(z) > limit:
                runs.append(n)
                break
    found = db.run_length("ewma", 0.7, limit=2.7)
    assert found.mean == pytest.approx(np.mean(runs), abs=4 * np.std(runs) / 4000**0.5)
    assert found.median == np.median(runs)


def test_limits_are_found_for_a_wanted_run_length():
    for kind in ("individuals", "ewma", "cusum"):
        limit = db.limit_for(kind, 500.0)
        assert db.run_length(kind, limit=limit).mean == pytest.approx(500.0, rel=1e-3)
    assert db.limit_for("individuals", 370.398) == pytest.approx(3.0, abs=1e-4)


def test_single_tests_and_their_ranges_have_limits_of_their_own():
    values = [60.1, 59.7, 60.3, 59.9, 60.2, 59.8, 60.0, 62.5]
    found = db.chart(points_of(range(8), values, 0.0), "individuals", baseline=7)
    mean_range = np.mean(np.abs(np.diff(values[:7])))
    sd = mean_range / (2.0 / math.sqrt(math.pi))
    assert found["sd_pa"][0] == pytest.approx(sd)
    assert found["high"][0] == pytest.approx(np.mean(values[:7]) + 3 * sd)
    assert found["signal"].to_list() == [None] * 7 + ["above"]
    assert found["range_signal"].to_list() == [False] * 7 + [True]
    assert found["range_pa"][0] is None


def test_a_rough_test_widens_its_own_limits():
    values, u = [60.0, 60.2, 59.9, 61.2, 61.2], [0.1, 0.1, 0.1, 0.1, 0.6]
    found = db.chart(points_of(range(5), values, u), "individuals", target_pa=60.0, sd_pa=0.2)
    assert found["signal"].to_list() == [None, None, None, "above", None]
    half = found["high"] - 60.0
    np.testing.assert_allclose(half, 3.0 * np.hypot(0.2, u))


@pytest.mark.parametrize("kind", ["individuals", "ewma", "cusum"])
def test_histories_that_tell_nothing_have_a_status(kind):
    for n in (1, 2):
        found = db.chart(points_of(range(n), [60.0, 59.0][:n]), kind)
        assert found["status"].to_list() == ["too_few_samples"] * n
    equal = db.chart(points_of(range(6), [60.0] * 6, 0.0), kind)
    assert equal["status"].to_list() == ["bad_value"] * 6
    assert equal["statistic"].is_null().all()
    assert db.chart(points_of([], []), kind).height == 0
    known = db.chart(points_of([0.0], [60.0]), kind, target_pa=60.0, sd_pa=0.2)
    assert known["status"].to_list() == ["ok"]


@pytest.mark.parametrize("kind", ["individuals", "ewma"])
def test_limits_beyond_all_numbers_are_no_limits(kind):
    good = points_of(range(6), [60.0, 60.3, 59.9, 60.1, 60.2, 59.8], test_id=[*"abcdef"])
    huge = points_of(range(6), [1e300, -1e300, 1e300, 0.0, 1e299, 3.0], switch_id=["s2"] * 6)
    found = db.chart(pl.concat([good, huge]), kind).partition_by("switch_id")
    assert found[0].equals(db.chart(good, kind))
    assert set(found[1]["status"]) == {"not_finite"}
    numbers = found[1].select(pl.col(pl.Float64))
    assert numbers.null_count().sum_horizontal().item() == 6 * numbers.width


def test_bad_options_are_refused():
    points = points_of(range(4), [60.0, 59.0, 60.0, 61.0])
    with pytest.raises(db.OptionError, match="kind"):
        db.chart(points, "pareto")
    for option in ({"weight": 0.0}, {"limit": -1.0}, {"head_start": 1.0}, {"sd_pa": -0.1}):
        with pytest.raises(db.DeadbandError, match=next(iter(option))):
            db.chart(points, **option)
    with pytest.raises(db.RecordingError):
        db.run_length("cusum", float("nan"))


NUMBERS = ["baseline", "target_pa", "sd_pa", "limit", "weight", "allowance", "head_start"]


@pytest.mark.parametrize(
    ("option", "value"),
    [(name, "x") for name in NUMBERS]
    + [(name, True) for name in NUMBERS]
    + [("restart", "x"), ("restart", 1), ("baseline", 2.5), ("baseline", -1), ("weight", None)],
)
def test_an_option_of_the_wrong_type_is_named(option, value):
    with pytest.raises(db.OptionError, match=f"option {option}: .*; (use one of|give) "):
        db.chart(points_of(range(4), [60.0, 59.0, 60.0, 61.0]), **{option: value})


def test_numbers_of_numpy_are_numbers():
    points = points_of(range(12), np.linspace(60.0, 58.0, 12))
    given = {"baseline": np.int64(6), "weight": np.float32(0.25), "restart": np.bool_(True)}
    usual = {"baseline": 6, "weight": 0.25, "restart": True}
    assert db.chart(points, **given).equals(db.chart(points, **usual))


def test_run_lengths_of_no_number_are_refused_by_name():
    with pytest.raises(db.OptionError, match="shift"):
        db.run_length("ewma", "x")
    with pytest.raises(db.OptionError, match="weight"):
        db.run_length("ewma", weight="x")
    with pytest.raises(db.OptionError, match="in_control"):
        db.limit_for("ewma", None)


def test_false_alarms_come_as_often_as_the_run_length_says():
    """200 histories in control of 60 tests: a chart of mean run length 370."""
    random = np.random.default_rng(7)
    frames = [
        points_of(range(60), random.normal(60.0, 0.5, 60), 0.3).with_columns(
            switch_id=pl.lit(f"s{i:03}"), test_id=pl.col("test_id") + f"s{i:03}"
        )
        for i in range(200)
    ]
    found = db.chart(pl.concat(frames), target_pa=60.0, sd_pa=0.4)
    alarmed = found.group_by("switch_id").agg(pl.col("signal").is_not_null().any())["signal"]
    expected = 1.0 - math.exp(-60.0 / db.run_length("ewma").mean)
    assert abs(alarmed.mean() - expected) < 3.3 * math.sqrt(expected * (1 - expected) / 200)


@pytest.mark.parametrize(("kind", "half"), [("ewma", 70), ("cusum", 66)])
def test_half_of_the_charts_told_by_ten_tests_signal_early(kind, half):
    """400 quiet charts: half of them, within 4 standard errors of both shares, by that test."""
    count = 400
    values = np.random.default_rng(11).normal(60.0, 0.3, (count, half))
    points = points_of(list(range(half)) * count, values.ravel(), 0.0).with_columns(
        switch_id=pl.int_range(pl.len()) // half,
        test_id=pl.int_range(pl.len()).cast(pl.String),
    )
    found = db.chart(points, kind).group_by("switch_id").agg(pl.col("signal").is_not_null().any())
    error = 0.5 * (1 / count + 1 / 1000) ** 0.5
    assert found["signal"].mean() == pytest.approx(0.5, abs=4.0 * error)
    known = db.chart(points, kind, target_pa=60.0, sd_pa=0.3)["signal"].is_not_null()
    assert known.mean() < 0.01


@pytest.mark.parametrize("kind", ["individuals", "ewma", "cusum"])
def test_a_chart_is_drawn_with_its_signals(kind):
    random = np.random.default_rng(3)
    values = np.concatenate([random.normal(60.0, 0.4, 15), random.normal(56.5, 0.4, 10)])
    found = db.chart(points_of(range(25), values, 0.1), kind, baseline=12)
    panel = db.plots.chart(found, "s1")
    labels = panel.get_legend_handles_labels()[1]
    assert "signal, below" in labels
    assert "limits" in labels
    assert ("sum below" in labels) == (kind == "cusum")
    marked = next(line for line in panel.lines if line.get_label() == "signal, below")
    assert len(marked.get_xdata()) == (found["signal"] == "below").sum()
    assert panel.get_ylabel().startswith("sum" if kind == "cusum" else "statistic")


def test_a_group_without_a_chart_says_so():
    found = db.chart(points_of([0.0], [60.0]))
    assert "too_few_samples" in db.plots.chart(found, "s1").texts[0].get_text()
    with pytest.raises(db.OptionError, match="name"):
        db.plots.chart(found, "s2")
    with pytest.raises(db.SchemaError, match="column gauge_id"):
        db.plots.chart(found, "s1", by="gauge_id")
    with pytest.raises(db.SchemaError, match="column statistic"):
        db.plots.chart(points_of([0.0], [60.0]), "s1")
    with pytest.raises(db.DeadbandError, match="no table"):
        db.plots.chart(3, "s1")
