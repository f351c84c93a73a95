"""Reasons for a missing verdict, and questions about input that failed nowhere."""

from pathlib import Path

import polars as pl
import pytest

from deadband._console import without_verdict
from deadband._notices import notices
from deadband._reasons import with_causes, with_rating_reasons
from deadband.read import read_gauges, read_switches


def verdicts_of(**columns):
    size = max(map(len, columns.values()), default=1)
    usual = {
        "test_id": [f"t{n}" for n in range(size)],
        "switch_id": ["s1"] * size,
        "gauge_id": ["g1"] * size,
        "open_pa": [60.0] * size,
        "close_pa": [70.0] * size,
        "verdict": ["conforms"] * size,
        "status": ["ok"] * size,
    }
    return pl.DataFrame({**usual, **columns}, strict=False)


def rated_of(**columns):
    usual = {"switch_id": ["s1"], "rated_pa": [60.0], "action": ["fall"], "reason": [None]}
    return pl.DataFrame({**usual, **columns}).with_columns(pl.col("reason").cast(pl.String))


STATED = pl.DataFrame(
    {"gauge_id": ["g1"], "accuracy_rel": [0.005], "lag_s": [0.4], "lag_u_s": [0.02]}
)


def reasons(verdicts, switches):
    found = with_rating_reasons(verdicts.lazy(), switches.lazy()).collect()
    assert found.columns == [*verdicts.columns, "reason"]
    return found["reason"].to_list()


# --- reasons ------------------------------------------------------------------------------------


def test_a_switch_that_is_not_listed_is_named():
    verdicts = verdicts_of(
        switch_id=["s1", "S-1", "s9", None], verdict=[None] * 4, status=["missing_value"] * 4
    )
    found = reasons(verdicts, rated_of())
    assert found[0] is None
    assert found[1] == (
        "switch_id 'S-1' is not in the switches table, which has 's1'; write the same id in both"
    )
    assert found[2] == "switch_id 's9' is not in the switches table; add it"
    assert found[3] == "the test names no switch; fill in the column switch_id"


def test_a_bad_switch_says_its_line(tmp_path):
    (tmp_path / "switches.csv").write_text("switch_id,rated_pa,action\ns1,60,drop\ns2,60,fall\n")
    verdicts = verdicts_of(switch_id=["s1", "s2"], verdict=[None, "conforms"],
                           status=["bad_value", "ok"])  # fmt: skip
    assert reasons(verdicts, read_switches(tmp_path)) == [
        "switches.csv, line 2, column action: 'drop' is not known; write fall or rise",
        None,
    ]


def test_a_status_of_the_recording_is_not_blamed_on_the_switch():
    nothing = {"open_pa": [None], "close_pa": [None], "verdict": [None]}
    for status in ("no_event", "missing_value", "saturated"):
        verdicts = verdicts_of(switch_id=["s9"], status=[status], **nothing)
        assert reasons(verdicts, rated_of()) == [None]


def test_a_lag_without_a_gauge_says_so():
    nothing = {"open_pa": [None] * 2, "close_pa": [None] * 2, "verdict": [None] * 2}
    verdicts = verdicts_of(gauge_id=[None, "g1"], status=["lag_unidentified"] * 2, **nothing)
    found = reasons(verdicts, rated_of())
    assert "name the gauge in the column gauge_id" in found[0]
    assert found[1] is None
    lags = pl.DataFrame({"gauge_id": ["g1"], "reason": ["the rates are too alike"]})
    rows = with_rating_reasons(verdicts.lazy(), rated_of().lazy()).collect()
    causes = with_causes(rows, lags, pl.LazyFrame({"test_id": ["t0"]}))["reason"].to_list()
    assert causes == [found[0], "the rates are too alike"]


def test_why_a_file_was_not_read_reaches_the_verdict():
    nothing = dict.fromkeys(["verdict", "open_pa", "close_pa"], (None, None))
    rows = verdicts_of(status=["missing_value", "no_event"], **nothing)
    rows = with_rating_reasons(rows.lazy(), rated_of().lazy()).collect()
    asked = []

    def opened(frame: pl.DataFrame) -> pl.DataFrame:
        asked.extend(frame["test_id"])
        return frame

    tests = pl.LazyFrame({"test_id": ["t0", "t1"], "read_error": ["a.csv: empty", "never"]})
    tests = tests.map_batches(opened, predicate_pushdown=True)
    found = with_causes(rows, pl.DataFrame({"gauge_id": []}), tests)
    assert found["reason"].to_list() == ["a.csv: empty", None]
    assert asked == ["t0"]  # recordings that were read are not read again
    assert with_causes(rows, pl.DataFrame({"gauge_id": []}), pl.LazyFrame({"test_id": []})).equals(
        rows
    )


def test_the_summary_prints_reasons_instead_of_a_guess():
    rows = verdicts_of(
        test_id=["a", "b", "c", "d", "e", "f"],
        verdict=[None] * 6,
        status=["missing_value"] * 5 + ["no_event"],
    ).with_columns(reason=pl.Series(["x.csv: empty"] * 4 + ["s2 is not listed", None]))
    lines = without_verdict(rows)
    assert lines[:3] == [
        "  missing value (5):",
        "    a, b, c and 1 more: x.csv: empty",
        "    e: s2 is not listed",
    ]
    assert "such as the rating" not in " ".join(lines)
    assert lines[3].startswith("  no event (1): The contact never changed.")
    many = rows.head(5).with_columns(reason=pl.format("reason {}", "test_id"))
    many = pl.concat([many, many.with_columns(test_id="test_id", reason=pl.lit("other"))])
    assert "more reasons in verdicts.csv" in without_verdict(many)[-1]


# --- questions ----------------------------------------------------------------------------------


def test_nothing_is_asked_of_a_sound_fleet():
    assert notices(verdicts_of(), rated_of(), STATED) == []


@pytest.mark.parametrize(
    ("column", "action", "value", "words"),
    [
        ("open_pa", "fall", 5207.0, "about 87 times the rating"),
        ("open_pa", "fall", 180.1, "about 3 times the rating"),
        ("open_pa", "fall", 0.6, "about 1/100 of the rating"),
        ("close_pa", "rise", 6.0, "about 1/10 of the rating"),
    ],
)
def test_a_setpoint_far_from_its_rating_asks_about_the_unit(column, action, value, words):
    verdicts = verdicts_of(**{column: [value]})
    [line] = notices(verdicts, rated_of(action=[action]), STATED)
    assert words in line
    assert "(t0)" in line
    assert "is a unit wrong" in line
    other = {"open_pa": "close_pa", "close_pa": "open_pa"}[column]
    assert notices(verdicts_of(**{other: [value]}), rated_of(action=[action]), STATED) == []


@pytest.mark.parametrize("value", [21.0, 60.0, 179.0, None, -5.0])
def test_a_switch_out_of_adjustment_is_no_wrong_unit(value):
    assert notices(verdicts_of(open_pa=[value, 60.0]), rated_of(), STATED) == []


def test_gauges_that_nobody_states_are_named():
    [line] = notices(verdicts_of(), rated_of(), None)
    assert line.startswith("no gauges table: ")
    [line] = notices(verdicts_of(gauge_id=["g7", "g7", "g1"]), rated_of(), STATED)
    assert line.startswith("1 gauge is not in the gauges table (g7)")
    assert "2 tests" in line
    [line] = notices(verdicts_of(gauge_id=[None, "g1"]), rated_of(), STATED)
    assert line.startswith("1 test names no gauge (t0)")
    assert line.endswith("name it in the column gauge_id")


def test_many_names_are_cut():
    verdicts = verdicts_of(gauge_id=[f"g{n}" for n in range(2, 10)])
    [line] = notices(verdicts, rated_of(), STATED)
    assert "(g2, g3, g4, g5, g6, ...)" in line


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("g1,1,Pa,0.5,1,,", "gauges.csv, line 2, column accuracy_rel: '0.5'"),
        ("g1,1,Pa,0.005,1,400,20", "gauges.csv, line 2, column lag_s: '400'"),
        ("g1,1,Pa,0.005,1,0.4,", "its stated lag has no uncertainty (lag_u_s), and is not used"),
    ],
)
def test_statements_that_cannot_be_used_are_told(tmp_path, row, words):
    head = "gauge_id,resolution,unit,accuracy_rel,accuracy_abs_pa,lag_s,lag_u_s\n"
    (Path(tmp_path) / "gauges.csv").write_text(head + row + "\n")
    found = notices(verdicts_of(), rated_of(), read_gauges(tmp_path))
    assert words in found[0]


def test_statements_in_a_frame_are_asked_about():
    frame = STATED.with_columns(accuracy_rel=0.5, lag_s=400.0)
    found = notices(verdicts_of(), rated_of(), frame)
    assert found == [
        "gauge g1: accuracy_rel 0.5 is 50% of the reading; 0.5 % is 0.005",
        "gauge g1: its stated lag is 400 s; is that in milliseconds?",
    ]


def test_values_of_switches_left_out_are_told_where_no_verdict_says_so():
    switches = rated_of(reason=["switches.csv, line 2, column installed_on: no"])
    assert notices(verdicts_of(), switches, STATED) == switches["reason"].to_list()
    unjudged = verdicts_of(verdict=[None], status=["bad_value"])
    assert notices(unjudged, switches, STATED) == []
