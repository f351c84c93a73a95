"""Lives from switches and verdicts: intervals between tests, causes, late entry, bad rows."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from deadband import DeadbandError, OptionError, SchemaError
from deadband.life import fit, lives

NEW = date(2020, 1, 1)
YEAR = 365.2425
STATES = {
    "good": (1.0, 0.0, 0.0, "conforms"),
    "unsafe": (0.0, 1.0, 0.0, "does_not_conform"),
    "nuisance": (0.0, 0.0, 1.0, "does_not_conform"),
    "leaning": (0.4, 0.6, 0.0, "undecided"),
    "stuck": (None, None, None, "does_not_conform"),
    "sticks": (0.99, 0.01, 0.0, "undecided"),
    "none": (None, None, None, None),
}


def switches(*rows: tuple[Any, ...], **more: Any) -> pl.DataFrame:
    names = ["switch_id", "installed_on", "removed_on", "failed"]
    types = [pl.String, pl.Date, pl.Date, pl.Boolean]
    made = pl.DataFrame(rows, schema=dict(zip(names, types, strict=True)), orient="row")
    return made.with_columns(rated_pa=60.0, action=pl.lit("fall"), **more)


def at(years: float) -> datetime:
    return datetime(2020, 1, 1, 12) + timedelta(days=round(years * YEAR))


def verdicts(*rows: tuple[str, float, str], method: str = "ramp") -> pl.DataFrame:
    made = [
        (f"t{i}", switch, method, at(years), 60.0, 0.5, 64.0, 0.5, *STATES[state])
        for i, (switch, years, state) in enumerate(rows)
    ]
    schema = {
        "test_id": pl.String, "switch_id": pl.String, "method": pl.String,
        "tested_at": pl.Datetime("us"), "open_pa": pl.Float64, "open_u_pa": pl.Float64,
        "close_pa": pl.Float64, "close_u_pa": pl.Float64, "p_conform": pl.Float64,
        "p_unsafe": pl.Float64, "p_nuisance": pl.Float64, "verdict": pl.String,
    }  # fmt: skip
    return pl.DataFrame(made, schema=schema, orient="row")


def one(table: pl.DataFrame, switch: str = "a") -> dict[str, Any]:
    return table.row(by_predicate=pl.col("switch_id") == switch, named=True)


def interval(found: dict[str, Any]) -> tuple[Any, Any]:
    return tuple(
        None if found[name] is None else round(found[name], 2)
        for name in ("low_years", "high_years")
    )  # type: ignore[return-value]


SWITCH = switches(("a", NEW, None, None))


@pytest.mark.parametrize(
    ("tests", "expected", "cause"),
    [
        ([(1.0, "good"), (2.0, "unsafe")], (1.0, 2.0), "drifted"),
        ([(1.0, "unsafe"), (2.0, "unsafe")], (0.0, 1.0), "outside"),
        ([(1.0, "good"), (2.0, "good")], (2.0, None), None),
        # What tells nothing is passed over, on either side of the failure.
        ([(1.0, "good"), (2.0, "leaning"), (3.0, "unsafe")], (1.0, 3.0), "drifted"),
        ([(1.0, "good"), (2.0, "none"), (3.0, "leaning")], (1.0, None), None),
        ([(1.0, "good"), (2.0, "sticks")], (1.0, None), None),
        # Stuck has no probability, and is on the unsafe side.
        ([(1.0, "good"), (2.0, "stuck")], (1.0, 2.0), "stuck"),
        # Too high is sound where the unsafe side is asked for.
        ([(1.0, "nuisance"), (2.0, "unsafe")], (1.0, 2.0), "drifted"),
        # Once failed, failed.
        ([(1.0, "good"), (2.0, "unsafe"), (3.0, "good")], (1.0, 2.0), "drifted"),
    ],
)
def test_between_two_tests(tests: list[Any], expected: Any, cause: str | None) -> None:
    found = one(lives(SWITCH, verdicts(*(("a", *test) for test in tests))))
    assert interval(found) == expected
    assert found["cause"] == cause
    assert found["event"] is (expected[1] is not None)
    assert found["status"] == "ok"


def test_the_sides_are_told_apart() -> None:
    tests = verdicts(("a", 1.0, "good"), ("a", 2.0, "nuisance"), ("a", 3.0, "unsafe"))
    assert interval(one(lives(SWITCH, tests, side="nuisance"))) == (1.0, 2.0)
    assert interval(one(lives(SWITCH, tests, side="any"))) == (1.0, 2.0)
    assert interval(one(lives(SWITCH, tests, side="unsafe"))) == (2.0, 3.0)
    stuck = verdicts(("a", 1.0, "good"), ("a", 2.0, "stuck"))
    assert interval(one(lives(SWITCH, stuck, side="nuisance"))) == (1.0, None)


def test_what_is_likelier() -> None:
    tests = verdicts(("a", 1.0, "good"), ("a", 2.0, "leaning"))
    assert interval(one(lives(SWITCH, tests, risk=0.5))) == (1.0, 2.0)


def test_failures_that_must_be_repeated() -> None:
    tests = verdicts(
        ("a", 1.0, "good"), ("a", 2.0, "unsafe"), ("a", 3.0, "good"), ("a", 4.0, "unsafe"),
        ("a", 4.5, "leaning"), ("a", 5.0, "unsafe"),
    )  # fmt: skip
    assert interval(one(lives(SWITCH, tests, repeats=2))) == (3.0, 4.0)
    assert interval(one(lives(SWITCH, tests, repeats=3))) == (3.0, None)


def test_findings_tell_the_cause() -> None:
    tests = verdicts(("a", 1.0, "good"), ("a", 2.0, "unsafe"))

    def findings(kind: str) -> pl.DataFrame:
        return pl.DataFrame(
            {
                "test_id": ["t1"], "switch_id": ["a"], "kind": [kind], "value": [1.0],
                "flagged": [True], "side": ["unsafe"], "sentence": [""],
            }
        )  # fmt: skip

    for kind, cause in (("leak", "leaked"), ("sticking_open", "stuck"), ("chatter", "drifted")):
        assert one(lives(SWITCH, tests, findings=findings(kind)))["cause"] == cause


def test_removed_as_failed_without_a_test_that_says_so() -> None:
    table = switches(("a", NEW, at(3.0).date(), True), ("b", NEW, at(3.0).date(), True))
    tests = verdicts(
        ("a", 1.0, "good"), ("a", 2.0, "leaning"), ("b", 1.0, "good"), ("b", 1.5, "nuisance"),
    )  # fmt: skip
    found = lives(table, tests)
    assert interval(one(found)) == (1.0, 3.0)
    assert one(found)["cause"] == "recorded"
    # It leaned the other way.
    assert one(found, "b")["event"] is False
    assert one(lives(table, tests, side="nuisance"), "b")["cause"] == "outside" or (
        interval(one(lives(table, tests, side="nuisance"), "b")) == (1.0, 1.5)
    )


def test_a_test_after_the_removal_speaks_of_that_day() -> None:
    table = switches(("a", NEW, at(3.0).date(), None))
    found = one(lives(table, verdicts(("a", 1.0, "good"), ("a", 3.4, "unsafe"))))
    assert interval(found) == (1.0, 3.0)


def test_by_record_the_day_is_known() -> None:
    table = switches(
        ("a", NEW, at(3.0).date(), True), ("b", NEW, at(2.0).date(), False), ("c", NEW, None, None)
    )
    found = lives(table, failure="record", today=at(5.0).date())
    assert interval(one(found)) == (3.0, 3.0)
    assert one(found)["cause"] == "recorded"
    assert interval(one(found, "b")) == (2.0, None)
    assert interval(one(found, "c")) == (5.0, None)
    assert [round(age, 1) if age else None for age in found["age_years"]] == [None, None, 5.0]


def test_today_is_the_last_day_of_the_tables() -> None:
    table = switches(("a", NEW, None, None), ("b", NEW, at(2.0).date(), False))
    assert one(lives(table, failure="record"))["age_years"] == pytest.approx(2.0, abs=0.01)
    tests = verdicts(("b", 6.0, "good"))
    assert one(lives(table, tests, failure="record"))["age_years"] == pytest.approx(6.0, abs=0.01)


def history() -> tuple[pl.DataFrame, pl.DataFrame]:
    """Switches put in over six years, tested, and some removed: sound, failed, or unstated."""
    months = 2 + 7 * pl.int_range(30) % 60
    start = pl.lit(NEW).dt.offset_by(pl.format("{}mo", months - 2))
    number = pl.int_range(30, dtype=pl.Int64)
    gone = start.dt.offset_by(pl.format("{}mo", 3 + 11 * number % 40))
    table = pl.select(
        switch_id=pl.format("s{}", number),
        installed_on=start,
        removed_on=pl.when(number % 3 != 0).then(gone),
        failed=pl.when(number % 3 == 1).then(number % 2 == 0),
        rated_pa=60.0,
        action=pl.lit("fall"),
    )
    rows = [
        (f"s{i}", 0.3 + 0.9 * j + 0.05 * i, ["good", "good", "leaning", "unsafe"][(i + j) % 4])
        for i in range(30)
        for j in range(7)
    ]
    return table, verdicts(*rows)


@pytest.mark.parametrize("failure", ["verdict", "record"])
@pytest.mark.parametrize("years", [-1.0, 0.2, 1.0, 2.5, 4.0, 6.0])
def test_an_earlier_day_is_told_as_the_tables_were_on_it(failure: Any, years: float) -> None:
    table, tests = history()
    day = at(years).date()
    removed = pl.col("removed_on") <= day
    then = table.filter(pl.col("installed_on") <= day).with_columns(
        removed_on=pl.when(removed).then("removed_on"),
        failed=pl.when(removed | pl.col("removed_on").is_null()).then("failed"),
    )
    earlier = tests.filter(pl.col("tested_at").dt.date() <= day)
    expected = lives(then, earlier, failure=failure, today=day)
    found = lives(table, tests, failure=failure, today=day)
    late = found.filter(status="not_installed")
    assert_frame_equal(found.filter(pl.col("status") != "not_installed"), expected)
    assert late.height == table.height - then.height
    untold = late.select("low_years", "high_years", "event", "cause", "age_years").null_count()
    assert untold.row(0) == (late.height,) * 5
    assert found["age_years"].drop_nulls().ge(0.0).all()
    if years < 0.0:
        assert late.height == found.height
        assert fit(found).status == "no_lives"


def test_what_was_not_known_yet_is_not_used() -> None:
    table = switches(("a", NEW, at(3.0).date(), True), ("b", at(2.5).date(), at(4.0).date(), False))
    tests = verdicts(("a", 1.0, "good"), ("a", 2.0, "unsafe"), ("b", 3.0, "good"))
    found = lives(table, tests, today=at(1.5).date())
    assert interval(one(found)) == (1.0, None)
    assert one(found)["age_years"] == pytest.approx(1.5, abs=0.01)
    assert one(found)["n_tests"] == 1
    assert one(found, "b")["status"] == "not_installed"
    # Of the day itself all is known.
    assert interval(one(lives(table, tests, today=at(2.0).date()))) == (1.0, 2.0)
    record = lives(table, failure="record", today=at(3.0).date())
    assert interval(one(record)) == (3.0, 3.0)
    before = lives(table, failure="record", today=at(3.0).date() - timedelta(days=1))
    assert interval(one(before)) == (3.0, None)
    # A test that stands in two rows since is one that stood in one.
    twice = pl.concat([tests, tests.head(1).with_columns(tested_at=pl.lit(at(3.0)))])
    assert interval(one(lives(table, twice, today=at(1.5).date()))) == (1.0, None)
    assert interval(one(lives(table, twice, today=at(4.0).date()))) == (0.0, 2.0)


def test_late_entry() -> None:
    table = switches(("a", NEW, None, None), ("b", NEW, None, None), ("c", NEW, None, None))
    tests = verdicts(
        ("a", 2.0, "good"), ("a", 3.0, "unsafe"), ("b", 1.0, "unsafe"), ("c", 1.0, "good")
    )
    found = lives(table, tests, entry="first_test")
    assert one(found)["entry_years"] == pytest.approx(2.0, abs=0.01)
    # Found failed when it was first looked at: it would not be here had it been sound.
    assert one(found, "b")["status"] == "before_entry"
    since = lives(table, tests, entry=at(1.5).date())
    assert one(since)["entry_years"] == pytest.approx(1.5, abs=0.01)
    assert one(since, "b")["status"] == "before_entry"
    later = switches(("a", at(2.0).date(), None, None))
    assert one(lives(later, verdicts(("a", 4.0, "good")), entry=at(1.5).date()))["entry_years"] == 0


def test_what_cannot_be_told_says_why() -> None:
    table = switches(
        ("a", None, None, None), ("b", NEW, date(2019, 1, 1), None), ("c", NEW, None, None),
        ("d", NEW, None, None), ("e", NEW, None, None),
    )  # fmt: skip
    tests = verdicts(("a", 1.0, "good"), ("c", 1.0, "none"), ("d", 0.0, "unsafe"),
                     ("e", -0.5, "good"), ("e", 1.0, "unsafe"))  # fmt: skip
    found = lives(table, tests)
    assert found["status"].to_list() == [
        "missing_value", "bad_value", "no_tests", "failed_new", "ok",
    ]  # fmt: skip
    assert interval(one(found, "e")) == (0.0, 1.0)
    unfit = found.filter(pl.col("status") != "ok")
    assert unfit.select("low_years", "high_years", "event", "cause").null_count().row(0) == (4,) * 4
    assert one(found, "c")["age_years"] is not None
    assert fit(found).n_left_out == 4


def test_failed_or_not_must_be_stated_by_record() -> None:
    table = switches(("a", NEW, at(3.0).date(), None))
    assert one(lives(table, failure="record"))["status"] == "missing_value"


def test_a_switch_that_stayed_closed_in_a_pinch_has_failed() -> None:
    """No lag and no bias touches that; a setpoint by a pinch counts for nothing."""
    tests = pl.concat(
        [
            verdicts(("a", 1.0, "good"), ("b", 1.0, "good")),
            verdicts(("a", 2.0, "stuck"), ("b", 2.0, "unsafe"), method="pinch").with_columns(
                test_id=pl.lit("pinch ") + pl.col("test_id")
            ),
        ]
    )
    both = switches(("a", NEW, None, None), ("b", NEW, None, None))
    found = lives(both, tests)
    assert (interval(one(found)), one(found)["cause"]) == ((1.0, 2.0), "stuck")
    assert interval(one(found, "b")) == (1.0, None)
    assert interval(one(lives(both, tests, side="nuisance"))) == (1.0, None)


def test_methods_duplicates_and_unknown_switches() -> None:
    tests = pl.concat(
        [
            verdicts(("a", 1.0, "good"), ("x", 1.0, "unsafe")),
            verdicts(("a", 2.0, "unsafe"), method="pinch").with_columns(test_id=pl.lit("p")),
            verdicts(("a", 1.5, "unsafe"), ("a", 1.5, "unsafe")).with_columns(
                test_id=pl.lit("twice")
            ),
        ]
    )
    found = lives(SWITCH, tests)
    assert found.height == 1
    assert interval(one(found)) == (1.0, None)
    assert interval(one(lives(SWITCH, tests, methods=["ramp", "pinch"]))) == (1.0, 2.0)


def test_order_of_rows_is_of_no_matter() -> None:
    names = [f"s{i:03}" for i in range(300)]
    table = switches(*((name, NEW, None, None) for name in names))
    rows = [
        (name, year + 0.001 * i, "unsafe" if year > 1 + i % 4 else "good")
        for i, name in enumerate(names)
        for year in (1.0, 2.0, 3.0, 4.0, 5.0)
    ]
    tests = verdicts(*rows)
    first = lives(table, tests)
    for i, (low, high) in enumerate(first.select("low_years", "high_years").rows()):
        years = 1.0 + i % 4 + 0.001 * i
        assert low == pytest.approx(years, abs=0.003)
        assert high == pytest.approx(years + 1.0, abs=0.003)
    for seed in range(3):
        mixed = tests.sample(fraction=1.0, shuffle=True, seed=seed)
        assert lives(table.reverse(), mixed).equals(first)


def test_empty_tables() -> None:
    found = lives(SWITCH.clear(), verdicts())
    assert found.is_empty()
    assert lives(SWITCH, verdicts(), today=at(1.0).date())["status"].to_list() == ["no_tests"]
    assert fit(found).status == "no_lives"


def test_refusals() -> None:
    with pytest.raises(DeadbandError, match="option verdicts"):
        lives(SWITCH)
    with pytest.raises(DeadbandError, match="option verdicts"):
        lives(SWITCH, failure="record", entry="first_test")
    for wrong in (
        {"failure": "test"}, {"side": "either"}, {"risk": 0.6}, {"repeats": 0}, {"entry": "new"},
        {"today": "2024"}, {"methods": "ramp"},
    ):  # fmt: skip
        with pytest.raises(OptionError, match=f"option {next(iter(wrong))}"):
            lives(SWITCH, verdicts(), **wrong)  # type: ignore[arg-type]
    with pytest.raises(SchemaError, match="column installed_on"):
        lives(SWITCH.drop("installed_on"), verdicts())
    with pytest.raises(SchemaError, match="a stands in more than one row"):
        lives(pl.concat([SWITCH, SWITCH]), verdicts())
    with pytest.raises(SchemaError, match="column tested_at"):
        lives(SWITCH, verdicts().drop("tested_at"))


@pytest.mark.parametrize("failure", ["verdict", "record"])
def test_a_failure_on_a_day_that_nobody_stated_is_no_survivor(failure: Any) -> None:
    table = switches(("a", NEW, None, True), ("b", NEW, None, True))
    tests = verdicts(("a", 1.0, "good"), ("b", 1.0, "good"), ("b", 2.0, "unsafe"))
    found = lives(table, tests, failure=failure)
    assert (one(found)["status"], one(found)["event"]) == ("missing_value", None)
    # Tests that found it failed tell when, whatever the record lacks.
    told = "ok" if failure == "verdict" else "missing_value"
    assert one(found, "b")["status"] == told
    assert found["age_years"].to_list() == [None, None]
