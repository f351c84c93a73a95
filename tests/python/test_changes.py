"""Jumps of a history's level through the Python verbs."""

from datetime import date, datetime, time, timedelta, timezone

import numpy as np
import polars as pl
import pytest

import deadband as db
from test_drift import START, YEAR, points_of


def day(years: float) -> date:
    return (START + years * YEAR).date()


def stair(seed, sizes, tests=6, u=0.2):
    """Levels that differ by `sizes`, each of so many yearly tests."""
    rng = np.random.default_rng(seed)
    level = 60.0 + np.repeat(np.cumsum([0.0, *sizes]), tests)
    return points_of(range(level.size), level + rng.normal(0, u, level.size), u)


def test_a_jump_is_found_between_its_tests():
    found = db.changes(stair(1, [-2.0])).row(0, named=True)
    assert found["p_value"] < 0.01
    assert found["p_change"] > 0.95
    assert found["change_after"] <= day(5) <= day(6) <= found["change_before"] + timedelta(days=1)
    assert found["tests_before"] == 6
    assert abs(found["size_pa"] + 2.0) < 4 * found["size_u_pa"]
    parts = ["p_steady", "p_shift", "p_drift", "p_drift_and_shift"]
    assert sum(found[part] for part in parts) == pytest.approx(1.0)


def test_a_drift_is_no_jump_and_a_jump_no_drift():
    rng = np.random.default_rng(2)
    drifting = points_of(range(12), 60.0 - 0.4 * np.arange(12) + rng.normal(0, 0.2, 12))
    found = db.changes(drifting).row(0, named=True)
    assert found["p_drift"] > found["p_shift"] + found["p_drift_and_shift"]
    jumping = db.changes(stair(3, [-2.5])).row(0, named=True)
    assert jumping["p_shift"] > jumping["p_drift"]


def test_the_nile_fell_in_1898(reference):
    data = reference("K02-nile-breakpoints")["inputs"]
    flow = next(value for value in data.values() if isinstance(value, list) and len(value) == 100)
    years = [datetime(1871 + index, 7, 1) for index in range(100)]
    points = points_of(range(100), flow, 1.0).with_columns(tested_at=pl.Series(years))
    found = db.changes(points).row(0, named=True)
    assert found["tests_before"] == 28  # 1871 to 1898
    assert found["change_after"].year <= 1898 <= found["change_before"].year
    assert found["p_value"] < 0.01
    parts = db.levels(points)
    assert parts["n_tests"].to_list() == [28, 72]
    assert parts["level_last"][0].year == 1898


def test_levels_are_told_with_the_steps_between_them():
    found = db.levels(stair(4, [-2.0, 3.0]))
    assert found["level"].to_list() == [1, 2, 3]
    assert found["n_tests"].to_list() == [6, 6, 6]
    assert found["step_pa"].to_list()[0] is None
    assert abs(found["step_pa"][1] + 2.0) < 0.4
    steady = db.levels(stair(5, [0.0]))
    assert steady.height == 1


def test_a_known_date_takes_the_step_out_of_the_drift():
    points = stair(6, [-1.5], u=0.1)
    replaced = pl.DataFrame({"switch_id": ["s1", "s9"], "on": [day(5.5), day(1)]})
    found = db.known_steps(points, replaced)
    assert found.height == 1
    row = found.row(0, named=True)
    assert row["step"] == day(5.5)
    assert abs(row["step_pa"] + 1.5) < 4 * row["step_u_pa"]
    assert row["p_value"] < 0.01
    assert abs(row["slope_pa_year"]) < 3 * row["slope_u_pa_year"]
    assert row["slope_without_pa_year"] < -3 * row["slope_without_u_pa_year"]
    early = pl.DataFrame({"switch_id": ["s1"], "on": [datetime(1990, 1, 1)]})
    told = db.known_steps(points, early).row(0, named=True)
    assert (told["status"], told["step_pa"]) == ("bad_value", None)


@pytest.mark.parametrize("n", [0, 1, 2, 3, 4])
def test_short_histories_have_a_status(n):
    points = points_of(range(n), [60.0, 59.0, 60.5, 59.5][:n])
    for table in (db.changes(points), db.levels(points)):
        assert table.height == min(n, 1)
        assert table["status"].to_list() == ["too_few_samples"] * table.height


def test_degenerate_histories_have_a_status_or_an_honest_answer():
    same_day = points_of([1.0] * 6, [60.0, 59.0, 60.5, 59.5, 60.1, 59.7])
    assert db.changes(same_day)["status"][0] == "too_few_samples"
    equal = db.changes(points_of(range(8), [60.0] * 8)).row(0, named=True)
    assert equal["status"] == "ok"
    assert equal["p_value"] > 0.5
    exact = db.changes(points_of(range(8), [60.0] * 4 + [55.0] * 4, 0.0))
    assert exact["status"][0] == "bad_value"
    missing = points_of(range(8), [60.0] * 8).with_columns(
        tested_at=pl.lit(None, pl.Datetime("us"))
    )
    assert db.changes(missing)["status"][0] == "too_few_samples"


def test_bad_calls_are_told():
    points = stair(7, [-1.0])
    with pytest.raises(db.DeadbandError, match="false_alarm"):
        db.levels(points, false_alarm=0.0)
    with pytest.raises(db.SchemaError, match="on"):
        db.known_steps(points, pl.DataFrame({"switch_id": ["s1"]}))
    with pytest.raises(db.SchemaError, match="dates or instants"):
        db.known_steps(points, pl.DataFrame({"switch_id": ["s1"], "on": ["2020"]}))
    with pytest.raises(db.OptionError, match="excess"):
        db.changes(points, excess="some")
    with pytest.raises(db.OptionError, match="beside_drift"):
        db.changes(points, beside_drift="x")
    with pytest.raises(db.OptionError, match="false_alarm"):
        db.levels(points, false_alarm="x")


@pytest.mark.parametrize("on", [time(3), timedelta(days=3), "2020-01-01", 2020, None])
def test_dates_that_are_none_are_refused_by_name(on):
    dates = pl.DataFrame({"switch_id": ["s1"], "on": [on]})
    with pytest.raises(db.SchemaError, match=r"column on: .*give dates or instants"):
        db.known_steps(stair(7, [-1.0]), dates)


def test_an_instant_with_a_zone_is_the_instant():
    points = stair(6, [-1.5], u=0.1)
    west = timezone(timedelta(hours=-5))
    zoned = pl.DataFrame({"switch_id": ["s1"], "on": [datetime(2020, 8, 31, 23, tzinfo=west)]})
    naive = pl.DataFrame({"switch_id": ["s1"], "on": [datetime(2020, 9, 1, 4)]})
    assert db.known_steps(points, zoned).equals(db.known_steps(points, naive))


def test_groups_that_are_no_values_are_refused_by_name():
    dates = pl.DataFrame({"switch_id": [["s1"]], "on": [date(2020, 1, 1)]})
    with pytest.raises(db.SchemaError, match="column switch_id"):
        db.known_steps(stair(7, [-1.0]), dates)


def test_a_lazy_frame_stays_lazy_and_streams():
    points = pl.concat(
        [stair(seed, [-2.0]).with_columns(switch_id=pl.lit(f"s{seed}")) for seed in range(4)]
    )
    lazy = db.changes(points.lazy())
    assert lazy.collect(engine="streaming").equals(db.changes(points))
