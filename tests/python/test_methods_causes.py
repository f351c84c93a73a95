"""Causes of a method's error against a simulator in which each can be switched off."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from deadband import methods
from deadband._errors import DeadbandError, OptionError, SchemaError
from deadband.methods._display import held
from deadband.methods._reaction import estimated
from method_study import OPERATORS, errors, recordings, study
from plain_study import plain

SWITCHES = 6
OFF = {"lag": False, "refresh": False, "reaction": False}


def found(**options) -> pl.DataFrame:
    made, whole = study(switches=SWITCHES)
    given = {"gauges": made.gauges, "tests": made.tests, **options}
    return methods.causes(whole.setpoints, whole.events, whole.lags, **given)


def line(table: pl.DataFrame, cause: str, **group: str) -> dict:
    return table.filter(cause=cause, **group).row(0, named=True)


@pytest.fixture(scope="module")
def called() -> pl.DataFrame:
    return found()


@pytest.mark.parametrize("method", ["ramp", "in_service", "pinch"])
def test_each_cause_is_what_switching_it_on_adds(called, method):
    off, before = dict(OFF), errors(recordings(switches=SWITCHES, **OFF))
    for cause in ("lag", "refresh", "reaction"):
        del off[cause]
        after = errors(recordings(switches=SWITCHES, **off))
        added = after.join(before, on="test_id", suffix="_before").filter(method=method)
        step = (added["error_pa"] - added["error_pa_before"]).to_numpy()
        told = line(called, cause, method=method)
        u = np.hypot(step.std(ddof=1) / step.size**0.5, told["bias_u_pa"])
        assert abs(told["bias_pa"] - step.mean()) < 3.0 * u + 0.1, (cause, told, step.mean(), u)
        assert abs(told["bias_pa"]) > 3.0 * u or method == "pinch", cause
        before = after


@pytest.mark.parametrize("method", ["ramp", "in_service", "pinch"])
def test_causes_add_up_to_what_is_observed(called, method):
    part = called.filter(method=method)
    parts = part.filter(~pl.col("cause").is_in(["predicted", "observed", "unexplained"]))
    told = {cause: line(part, cause) for cause in ("predicted", "observed", "unexplained")}
    assert told["predicted"]["bias_pa"] == pytest.approx(parts["bias_pa"].sum())
    squares = (parts["sd_pa"] * parts["sd_pa"].abs()).sum()
    assert told["predicted"]["sd_pa"] ** 2 == pytest.approx(squares)
    rest = told["unexplained"]
    assert rest["bias_pa"] == pytest.approx(
        told["observed"]["bias_pa"] - told["predicted"]["bias_pa"]
    )
    assert rest["bias_low_pa"] < 0.0 < rest["bias_high_pa"]
    assert rest["sd_low_pa"] <= 0.0 <= rest["sd_high_pa"]
    assert (
        told["observed"]["sd_low_pa"]
        < told["predicted"]["sd_pa"]
        < 1.2 * (told["observed"]["sd_high_pa"])
    )


def test_a_cause_nobody_knows_of_is_left_unexplained_and_not_spread():
    made, whole = study(switches=SWITCHES)
    misread = pl.when(pl.col("method") == "in_service").then(3.0).otherwise(0.0)
    tests = made.tests.with_columns(called_open_pa=pl.col("called_open_pa") - misread)
    stated = pl.DataFrame(
        {
            "operator_id": list(OPERATORS),
            "reaction_s": [one.reaction_s for one in OPERATORS.values()],
            "reaction_sd_s": [one.reaction_sd_s for one in OPERATORS.values()],
        }
    )
    tables = (whole.setpoints, whole.events, whole.lags)
    right = methods.causes(*tables, gauges=made.gauges, tests=made.tests, reaction=stated)
    wrong = methods.causes(*tables, gauges=made.gauges, tests=tests, reaction=stated)
    assert set(wrong.filter(cause="reaction")["source"]) == {"stated"}
    shift = [line(table, "unexplained", method="in_service")["bias_pa"] for table in (right, wrong)]
    assert shift[1] - shift[0] == pytest.approx(-3.0)
    assert line(wrong, "unexplained", method="in_service")["bias_high_pa"] < 0.0
    for cause in ("lag", "refresh", "reaction", "predicted"):
        before, after = (line(table, cause, method="in_service") for table in (right, wrong))
        assert before["bias_pa"] == after["bias_pa"]


def test_times_of_reaction_are_found():
    made, whole = study(switches=SWITCHES)
    table = found(by=["operator_id", "method"])
    ramp = table.filter(cause="reaction", method="ramp").sort("operator_id")
    assert set(ramp["source"]) == {"estimated"}
    rates = whole.events.filter(event="open", method="ramp").group_by("operator_id", "switch_id")
    mean = (
        rates.agg(pl.col("rate_pa_s").mean())
        .group_by("operator_id")
        .agg(pl.col("rate_pa_s").mean())
    )
    joined = ramp.join(mean, on="operator_id").sort("operator_id")
    told = (joined["bias_pa"] / joined["rate_pa_s"]).to_numpy()
    u = (joined["bias_u_pa"] / joined["rate_pa_s"].abs()).to_numpy()
    true = np.array([one.reaction_s for one in OPERATORS.values()])
    assert np.all(np.abs(told - true) < 3.5 * u + 0.01), (told, true, u)
    assert made.tests.height == 4 * 3 * SWITCHES


def test_readings_before_correction_show_lag_and_refresh_and_no_reaction():
    table = found(value="reading")
    assert "reaction" not in set(table["cause"])
    for method in ("ramp", "in_service"):
        part = table.filter(method=method)
        seen, rest = line(part, "observed"), line(part, "unexplained")
        late = line(part, "lag")["bias_pa"] + line(part, "refresh")["bias_pa"]
        assert seen["bias_pa"] == pytest.approx(late + rest["bias_pa"])
        assert seen["bias_pa"] > 2.0
        assert abs(rest["bias_pa"]) < 0.15 * seen["bias_pa"]


def test_of_fitted_values_the_lag_is_corrected_and_only_its_uncertainty_left():
    table = found(value="fitted")
    assert set(table["method"]) == {"pinch", "in_service"}
    part = table.filter(method="in_service")
    lag = line(part, "lag")
    assert lag["bias_pa"] == 0.0
    assert lag["bias_u_pa"] > 0.0
    rest = line(part, "unexplained")
    assert rest["bias_low_pa"] < 0.0 < rest["bias_high_pa"]
    assert {"sampling", "reading", "switch"} <= set(part.filter(pl.col("sd_pa") > 0.0)["cause"])


def test_coverage_of_what_is_unexplained():
    inside = {"est": [], "sd": []}
    for seed in range(60):
        points, events, lags, gauges, tests = plain(np.random.default_rng([7, seed]))
        stated = pl.DataFrame(
            {"operator_id": ["o0", "o1"], "reaction_s": [0.3, 0.5], "reaction_sd_s": [0.08, 0.1]}
        )
        table = methods.causes(points, events, lags, gauges=gauges, tests=tests, reaction=stated)
        for row in table.filter(cause="unexplained").iter_rows(named=True):
            inside["est"].append(row["bias_low_pa"] <= 0.0 <= row["bias_high_pa"])
            inside["sd"].append(row["sd_low_pa"] <= 0.0 <= row["sd_high_pa"])
    # 120 intervals of 95 %: 106 is three standard deviations below.
    assert sum(inside["est"]) >= 106
    assert sum(inside["sd"]) >= 106
    assert sum(inside["est"]) < 120


def test_the_same_changes_seen_by_both_sides_do_not_scatter_between_them():
    points, events, lags, gauges, tests = plain(np.random.default_rng(1), repeats=1, operators=1)
    table = methods.causes(points, events, lags, gauges=gauges, tests=tests, reaction=(0.3, 0.08))
    assert line(table, "switch", method="ramp")["sd_pa"] == 0.0
    assert line(table, "switch", method="in_service")["sd_pa"] > 0.1
    whole = line(table, "reference", method="in_service")["sd_pa"]
    assert line(table, "reference", method="ramp")["sd_pa"] < whole


def test_one_gauge_on_both_sides_cancels_its_calibration():
    points, events, lags, gauges, tests = plain(np.random.default_rng(2))
    rough = gauges.with_columns(accuracy_abs_pa=pl.lit(5.0))
    fine = methods.causes(points, events, lags, gauges=gauges, tests=tests, reaction=(0.4, 0.1))
    points = points.with_columns(open_u_pa=(pl.col("open_u_pa") ** 2 + 25.0 / 3.0).sqrt())
    table = methods.causes(points, events, lags, gauges=rough, tests=tests, reaction=(0.4, 0.1))
    assert line(table, "calibration", method="ramp")["bias_u_pa"] == 0.0
    for method in ("ramp", "in_service"):
        one, other = (line(frame, "unexplained", method=method) for frame in (fine, table))
        assert one["bias_u_pa"] == pytest.approx(other["bias_u_pa"], rel=1e-3)
    # What the reference's gauge is off by is in nobody's difference, and in the error all the same.
    seen = line(table, "observed", method="ramp")["bias_u_pa"]
    assert seen == pytest.approx(5.0 / 3**0.5, rel=0.05)
    assert line(table, "reference", method="ramp")["bias_u_pa"] < 0.1
    other = pl.when(method="in_service").then(pl.lit("other")).otherwise("gauge_id")
    points, events = (table.with_columns(gauge_id=other) for table in (points, events))
    both = [pl.concat([of, of.with_columns(gauge_id=pl.lit("other"))]) for of in (lags, rough)]
    apart = methods.causes(
        points, events, both[0], gauges=both[1], tests=tests, reaction=(0.4, 0.1)
    )
    of_both = line(apart, "calibration", method="in_service")["bias_u_pa"]
    assert of_both == pytest.approx(5.0 * (2 / 3) ** 0.5)
    assert line(apart, "calibration", method="ramp")["bias_u_pa"] == 0.0


def test_what_cannot_be_told_is_null_with_a_status():
    points, events, lags, gauges, tests = plain(np.random.default_rng(3))
    table = methods.causes(points, events, lags, tests=tests, reaction=(0.4, 0.1))
    refresh = line(table, "refresh", method="ramp")
    assert refresh["bias_pa"] is None
    assert refresh["status"] == "missing_value"
    assert line(table, "predicted", method="ramp")["status"] == "incomplete"
    assert line(table, "unexplained", method="ramp")["bias_pa"] is not None
    few = tests.with_columns(
        called_open_pa=pl.when(pl.int_range(pl.len()) < 2).then("called_open_pa")
    )
    table = methods.causes(points, events, lags, gauges=gauges, tests=few)
    assert set(table.filter(cause="reaction")["status"]) == {"missing_value"}
    assert set(table.filter(cause="observed")["status"]) == {"one_switch"}
    nothing = tests.with_columns(called_open_pa=pl.lit(None, dtype=pl.Float64))
    empty = methods.causes(points, events, lags, gauges=gauges, tests=nothing)
    assert set(empty["status"]) == {"missing_value"}
    assert empty.schema == table.schema
    assert methods.causes(points.clear(), events, lags, tests=tests).schema == table.schema


def test_groups_of_which_nothing_can_be_told_say_why():
    points, events, lags, gauges, tests = plain(np.random.default_rng(3))

    def told(points=points, events=events, lags=lags, tests=tests, **given):
        found = methods.causes(points, events, lags, gauges=gauges, tests=tests, **given)
        alone = found.filter(pl.len().over("method") == 1)
        assert set(alone["cause"]) <= {"observed"}
        assert alone.select("bias_pa", "sd_pa").null_count().sum_horizontal().sum() == 2 * len(
            alone
        )
        assert set(alone["n_results"]) <= {0}
        return dict(alone.select("method", "status").iter_rows())

    reason = {"reaction": (0.4, 0.1)}
    untold = lags.with_columns(lag_s=pl.lit(None, dtype=pl.Float64))
    both = {"in_service", "ramp"}
    assert told(lags=untold, **reason) == dict.fromkeys(both, "lag_unidentified")
    assert told(lags=untold, value="fitted") == {"in_service": "lag_unidentified"}
    assert told(events=events.filter(method="ramp"), **reason) == {"in_service": "no_event"}
    assert told(points=points.filter(method="in_service"), **reason) == {
        "in_service": "no_reference"
    }
    ramps = points.filter(method="ramp")["test_id"]
    silent = pl.when(pl.col("test_id").is_in(ramps.implode())).then("called_open_pa")
    assert told(tests=tests.with_columns(called_open_pa=silent), **reason) == {
        "in_service": "missing_value"
    }
    capital = points.with_columns(method=pl.col("method").replace("in_service", "In service"))
    assert told(points=capital, **reason) == {"In service": "unknown_method"}
    assert told(**reason) == {}


def test_refusals():
    points, events, lags, gauges, tests = plain(np.random.default_rng(4))
    tables = (points, events, lags)
    for option, bad in {
        "value": "guessed", "reference": "slow", "event": "both", "by": ["lot"], "confidence": 1.0,
        "reaction": (0.3,), "within_days": 0.0,
    }.items():  # fmt: skip
        with pytest.raises(OptionError, match=option):
            methods.causes(*tables, gauges=gauges, tests=tests, **{option: bad})
    assert methods.causes(*tables, tests=tests, by="method").columns[0] == "method"
    for early in ((-0.3, 0.1), (0.3, -0.1)):
        with pytest.raises(OptionError, match="reaction"):
            methods.causes(*tables, tests=tests, reaction=early)
        frame = pl.DataFrame([("a", *early)], ["operator_id", "reaction_s", "reaction_sd_s"],
                             orient="row")  # fmt: skip
        with pytest.raises(DeadbandError, match="operator a"):
            methods.causes(*tables, tests=tests, reaction=frame)
    for value in ("called", "reading"):
        with pytest.raises(DeadbandError, match="tests"):
            methods.causes(*tables, value=value)
    with pytest.raises(SchemaError, match="reaction_sd_s"):
        methods.causes(
            *tables, tests=tests, reaction=pl.DataFrame({"operator_id": ["a"], "reaction_s": [0.3]})
        )


def test_how_long_a_display_holds_is_found_in_recordings():
    for refresh, low, high in ((True, 0.37, 0.43), (False, 0.0, 0.0)):
        made = recordings(switches=2, refresh=refresh)
        told = [
            held(np.array(time), np.array(pressure))
            for time, pressure in made.tests.select("time_s", "pressure_pa").iter_rows()
        ]
        known = [one for one in told if one is not None]
        assert len(known) > 5
        assert low <= np.median(known) <= high


def test_an_operator_without_calls_has_no_time():
    from deadband.methods._display import changes

    points, events, lags, gauges, tests = plain(np.random.default_rng(5))
    seen = changes(events, lags, gauges, tests, event="open")
    rows = np.zeros(seen.table.height, np.int64)
    none = estimated(seen, rows, np.array([np.nan]), np.array([0.1]))
    assert np.isnan(none.mean_s)
    assert points.height > 0
