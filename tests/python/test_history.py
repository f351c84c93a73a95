"""Which tests make a history, and what is said of those that do not."""

from datetime import date

import numpy as np
import pandas as pd
import polars as pl
import pytest

import deadband as db
from deadband import plots
from test_drift import points_of
from test_forecast import UNTIL
from test_growth import fleet

VERBS = {
    "drift": db.drift,
    "changes": db.changes,
    "levels": db.levels,
    "known_steps": lambda points, **options: db.known_steps(points, STEPS, **options),
    "influence": db.influence,
    "chart": db.chart,
}
BY_HISTORY = ["drift", "changes", "levels", "known_steps"]
BY_TEST = ["influence", "chart"]
STEPS = pl.DataFrame({"switch_id": ["s1"], "on": [date(2018, 9, 1)]})
GAUGE = {"resolution_pa": 0.1, "accuracy_rel": 0.001, "accuracy_abs_pa": 0.1}


def history(n=8, seed=1):
    values = 60.0 - 0.3 * np.arange(n) + 0.2 * np.random.default_rng(seed).normal(size=n)
    return points_of(range(n), values)


def with_one_twice(points, test_id="t002", **changed):
    again = points.filter(test_id=test_id).with_columns(**changed)
    return pl.concat([points, again])


def without_note(table):
    return table.drop("status", "n_left_out", strict=False)


# --- tests that stand in several rows -------------------------------------------------------------


@pytest.mark.parametrize("verb", VERBS)
def test_a_table_that_is_doubled_loses_nothing(verb):
    points = history()
    found = VERBS[verb](pl.concat([points, points]))
    assert found.height == (16 if verb in BY_TEST else 1)
    assert set(found["status"]) == {"duplicate_id"}
    if verb in BY_TEST:
        assert sorted(found["test_id"]) == sorted([*points["test_id"], *points["test_id"]])
    numbers = found.select(pl.col(pl.Float64))
    assert numbers.drop("span_years", strict=False).null_count().sum_horizontal().item() == (
        numbers.drop("span_years", strict=False).width * found.height
    )


@pytest.mark.parametrize("verb", BY_HISTORY)
@pytest.mark.parametrize(
    "other", [{}, {"open_pa": pl.lit(50.0)}, {"open_pa": pl.lit(None, pl.Float64)}]
)
def test_a_history_that_lacks_a_doubled_test_says_so_beside_its_numbers(verb, other):
    points = history()
    found = VERBS[verb](with_one_twice(points, **other))
    alone = VERBS[verb](points.filter(pl.col("test_id") != "t002"))
    assert set(alone["status"]) == {"ok"}
    assert set(found["status"]) == {"duplicate_id"}
    assert without_note(found).equals(without_note(alone))


@pytest.mark.parametrize("verb", BY_TEST)
def test_a_doubled_test_has_rows_of_its_own_among_the_others(verb):
    points = history()
    found = VERBS[verb](with_one_twice(points))
    alone = VERBS[verb](points.filter(pl.col("test_id") != "t002"))
    assert found["test_id"].to_list() == [f"t{i:03}" for i in (0, 1, 2, 2, 3, 4, 5, 6, 7)]
    assert found.filter(status="duplicate_id")["test_id"].to_list() == ["t002"] * 2
    assert found.filter(status="ok").equals(alone)
    assert found.columns == alone.columns


@pytest.mark.parametrize("verb", BY_HISTORY)
def test_what_is_left_without_doubled_tests_keeps_its_own_status(verb):
    found = VERBS[verb](with_one_twice(history(4)))
    assert set(found["status"]) == {"too_few_samples"}


@pytest.mark.parametrize("verb", VERBS)
def test_a_test_under_two_switches_is_a_test_of_neither(verb):
    points = history()
    other = points.with_columns(switch_id=pl.lit("s2"), test_id="o" + pl.col("test_id"))
    astray = points.filter(test_id="t002").with_columns(switch_id=pl.lit("s2"))
    found = VERBS[verb](pl.concat([points, other, astray]))
    of = found.filter(switch_id="s1")
    alone = VERBS[verb](points.filter(pl.col("test_id") != "t002"))
    if verb in BY_TEST:
        assert found.filter(status="duplicate_id")["test_id"].to_list() == ["t002"] * 2
        assert of.filter(status="ok").equals(alone)
    else:
        assert set(found["status"]) == {"duplicate_id"}
        assert without_note(of).equals(without_note(alone))


@pytest.mark.parametrize("verb", VERBS)
def test_a_test_that_would_not_have_been_followed_may_stand_twice(verb):
    points = history().with_columns(
        method=pl.when(pl.col("test_id") == "t002").then(pl.lit("pinch")).otherwise(pl.lit("ramp"))
    )
    found = VERBS[verb](with_one_twice(points))
    assert set(found["status"]) == {"ok"}
    assert found.drop("n_left_out", strict=False).equals(
        VERBS[verb](points).drop("n_left_out", strict=False)
    )


@pytest.mark.parametrize("verb", VERBS)
def test_the_rows_are_the_same_where_frames_are_lazy(verb):
    points = with_one_twice(history())
    found = VERBS[verb](points.lazy())
    assert isinstance(found, pl.LazyFrame)
    assert found.collect().equals(VERBS[verb](points))
    assert found.collect_schema() == found.collect().schema


def test_the_picture_of_a_chart_leaves_doubled_tests_out():
    found = db.chart(with_one_twice(history(12), "t000"), "individuals")
    line = next(line for line in plots.chart(found, "s1").lines if line.get_label() == "statistic")
    assert len(line.get_xdata()) == 11
    assert np.isfinite(line.get_ydata()).all()
    doubled = db.chart(pl.concat([history(), history()]))
    assert "duplicate_id" in plots.chart(doubled, "s1").texts[0].get_text()


def test_a_fleet_tells_which_tests_it_left_out():
    points, _ = fleet(7, u=0.2)
    mixed = with_one_twice(points, "t000").with_columns(
        method=pl.when(pl.col("test_id") == "t011").then(pl.lit("pinch")).otherwise("method"),
        open_u_pa=pl.when(pl.col("test_id") == "t022").then(None).otherwise("open_u_pa"),
        open_pa=pl.when(pl.col("test_id") == "t033").then(None).otherwise("open_pa"),
    )
    found = db.growth(mixed)
    assert found.left_out.rows() == [
        ("s00", "t000", "duplicate_id"),
        ("s00", "t000", "duplicate_id"),
        ("s01", "t011", "method"),
        ("s02", "t022", "missing_value"),
    ]
    assert (found.n_tests, found.n_left_out) == (points.height - 4, 4)
    assert db.growth(points).left_out.is_empty()
    with pytest.raises(db.RecordingError, match="tests left out: 360 duplicate_id"):
        db.growth(pl.concat([points, points]))


def spoilt(points, **changed):
    """Test t011 of switch s01, changed."""
    return points.with_columns(
        pl.when(test_id="t011").then(value).otherwise(name).alias(name)
        for name, value in changed.items()
    )


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"open_pa": float("inf")}, "not_finite"),
        ({"open_pa": -1e200}, "not_finite"),
        ({"open_u_pa": float("inf")}, "not_finite"),
        ({"open_u_pa": -0.1}, "bad_value"),
        ({"lag_correction_pa": float("inf")}, "not_finite"),
    ],
)
def test_a_row_that_cannot_be_stops_no_fleet(changed, why):
    points, _ = fleet(7, u=0.2)
    points = points.with_columns(gauge_id=pl.lit("g0"), lag_correction_pa=-0.8)
    told = {
        "gauges": pl.DataFrame({**GAUGE, "gauge_id": ["g0"]}),
        "lags": pl.DataFrame({"gauge_id": ["g0"], "lag_s": [0.4], "lag_u_s": [0.02]}),
    }
    found = db.growth(spoilt(points, **changed), **told)
    alone = db.growth(points.filter(pl.col("test_id") != "t011"), **told)
    assert found.left_out.rows() == [("s01", "t011", why)]
    assert found.fixed.equals(alone.fixed)
    assert found.switches.equals(alone.switches)


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("gauges", "accuracy_rel", -0.01),
        ("gauges", "accuracy_abs_pa", float("nan")),
        ("gauges", "accuracy_abs_pa", float("inf")),
        ("lags", "lag_u_s", float("inf")),
        ("lags", "lag_u_s", -0.02),
    ],
)
def test_a_gauge_that_cannot_be_stops_no_fleet(table, column, value):
    points, _ = fleet(7, u=0.2)
    points = points.with_columns(
        gauge_id=pl.when(pl.col("test_id").str.ends_with("0")).then(pl.lit("g1")).otherwise(pl.lit("g0")),
        lag_correction_pa=-0.8,
    )  # fmt: skip
    names = ["g0", "g1"]
    told = {
        "gauges": pl.DataFrame(
            {name: [value] * 2 for name, value in GAUGE.items()} | {"gauge_id": names}
        ),
        "lags": pl.DataFrame({"gauge_id": names, "lag_s": [0.4] * 2, "lag_u_s": [0.02] * 2}),
    }
    odd = pl.when(gauge_id="g1").then(value).otherwise(column).alias(column)
    told[table] = told[table].with_columns(odd)
    found = db.growth(points, **told)
    assert set(found.left_out["why"]) == {"bad_gauge"}
    assert set(found.left_out["test_id"]) == set(points.filter(gauge_id="g1")["test_id"])
    assert found.gauges["gauge_id"].to_list() == ["g0"]
    told[table] = told[table].with_columns(pl.lit(value).alias(column))
    with pytest.raises(db.RecordingError, match="tests left out: 180 bad_gauge"):
        db.growth(points, **told)


# --- frames of another library --------------------------------------------------------------------


def test_pandas_frames_are_taken_wherever_frames_are():
    points, switches = fleet(4, u=0.2)
    steps = pl.DataFrame({"switch_id": ["s01"], "on": [date(2020, 1, 1)]})
    given = [frame.to_pandas() for frame in (points, switches, steps)]
    assert all(isinstance(frame, pd.DataFrame) for frame in given)

    def answers(points, switches, steps):
        found = db.growth(points, switches, effects=["model"])
        return [
            db.drift(points, switches=switches),
            db.influence(points),
            db.changes(points),
            db.levels(points),
            db.known_steps(points, steps),
            db.chart(points),
            found.switches,
            db.forecast(found, switches, by="model"),
            db.next_tests(found, switches, when=UNTIL),
        ]

    for ours, theirs in zip(answers(points, switches, steps), answers(*given), strict=True):
        assert ours.height
        assert ours.equals(theirs)
    charted = db.chart(points, "cusum")
    found = db.growth(points, switches)
    for panel in (
        plots.chart(charted.to_pandas(), "s01"),
        plots.fan(found, "s01", given[1], given[0]),
        plots.history(given[0], "s01", given[1]),
    ):
        assert panel.lines


# --- options --------------------------------------------------------------------------------------


@pytest.mark.parametrize("verb", [*VERBS, "growth"])
def test_a_method_that_is_named_twice_is_refused(verb):
    of = {**VERBS, "growth": lambda points, **odd: db.growth(points, effects=["method"], **odd)}
    with pytest.raises(db.OptionError, match=r"option methods: .*; give each method once"):
        of[verb](history(), methods=("ramp", "ramp", "pinch"))


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize(
    "odd", [{"by": ["switch_id"]}, {"methods": 5}, {"methods": None}, {"event": None}]
)
def test_an_option_of_the_wrong_type_is_named(verb, odd):
    with pytest.raises(db.OptionError, match=f"option {next(iter(odd))}"):
        VERBS[verb](history(), **odd)
