"""Which tests of a switch count: one rule, by which every table of lots counts alike."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import polars as pl
import pytest

from deadband import lots
from deadband._errors import SchemaError

SILENT = None
CLOSED = "closed"
COUNTS = ("n_switches", "n_in_service", "n_tested", "n_no_setpoint", "n_stuck")

# Of each switch its lot, its tests in order of time, and what it then is. A test is a setpoint,
# SILENT, CLOSED, or several rows of one id.
FLEET: dict[str, tuple[str, list[Any], str]] = {
    "plain": ("A", [59.0], "tested"),
    "again": ("A", [59.5, 60.5], "tested"),
    "unread": ("A", [60.2, SILENT], "tested"),
    "never read": ("A", [SILENT], "no_setpoint"),
    "untested": ("A", [], "not_tested"),
    "stuck": ("B", [60.4, CLOSED], "stuck"),
    "stuck and unread": ("B", [60.4, CLOSED, SILENT], "stuck"),
    "freed": ("B", [CLOSED, 61.0], "tested"),
    "ever stuck": ("B", [CLOSED, CLOSED], "stuck"),
    "freed by a doubled test": ("B", [59.0, CLOSED, (60.0, 60.1)], "no_setpoint"),
    "fine": ("B", [59.9], "tested"),
    "doubled closed": ("C", [59.9, (CLOSED, CLOSED)], "stuck"),
    "doubled open": ("C", [59.8, (60.0, 60.1)], "tested"),
    "doubled only": ("C", [(60.0, 60.1)], "no_setpoint"),
    "contradictory": ("C", [60.1, (CLOSED, 60.1)], "tested"),
    "contradictory only": ("C", [(CLOSED, SILENT)], "no_setpoint"),
    "contradictory, then fine": ("C", [(CLOSED, 58.0), 60.6], "tested"),
    "removed": ("D", [60.3], "tested"),
    "removed and stuck": ("D", [CLOSED], "stuck"),
    "in service": ("D", [60.0], "tested"),
    "closed in a pinch": ("D", [60.0], "stuck"),
    "opened in a pinch": ("D", [CLOSED], "no_setpoint"),
    "no rating": ("E", [60.0], "bad_rating"),
    "no action": ("E", [CLOSED], "bad_rating"),
    "no limits": ("E", [60.0], "bad_rating"),
    "limits": ("E", [59.4, 59.5], "tested"),
}
MAYBE = {"contradictory", "contradictory only"}


def fleet(action: str = "fall") -> tuple[pl.DataFrame, pl.DataFrame]:
    """Verdicts and switches; a pinch tells only whether a switch stayed closed, and the test of a
    switch of no register nothing."""
    rated, other = ("open", "close") if action == "fall" else ("close", "open")
    rows = []
    for switch, (_, tests, _) in FLEET.items():
        for i, test in enumerate(tests):
            for value in test if isinstance(test, tuple) else (test,):
                opened = isinstance(value, float)
                rows.append(
                    {
                        "test_id": f"{switch} {i}", "switch_id": switch, "gauge_id": "G",
                        "method": "ramp", "tested_at": datetime(2024, 1 + i, 1),
                        f"{rated}_pa": value if opened else None,
                        f"{rated}_u_pa": 0.3 if opened else None,
                        f"{other}_pa": None, f"{other}_u_pa": None,
                        "verdict": "conforms" if opened
                        else "does_not_conform" if value == CLOSED else None,
                    }
                )  # fmt: skip
    later = {"tested_at": datetime(2025, 1, 1), "verdict": "does_not_conform"}
    odd = {f"{rated}_pa": None, f"{rated}_u_pa": None, **later}
    low = {f"{rated}_pa": 40.0, f"{rated}_u_pa": 0.3, **later}
    plain = rows[0]
    rows += [
        plain | low | {"test_id": "pinch", "method": "pinch"},
        plain | odd | {"test_id": "p1", "method": "pinch", "switch_id": "closed in a pinch"},
        plain | low | {"test_id": "p2", "method": "pinch", "switch_id": "opened in a pinch"},
        plain | odd | {"test_id": "elsewhere", "switch_id": "of no register"},
        # Values that are none: without uncertainty, with one that cannot be.
        plain | later | {"test_id": "bare", f"{rated}_u_pa": None, "verdict": None},
        plain | later | {"test_id": "wrong", f"{rated}_u_pa": -1.0, "verdict": None},
    ]
    switches = pl.DataFrame(
        {"switch_id": list(FLEET), "lot": [lot for lot, *_ in FLEET.values()]}
    ).with_columns(
        model=pl.lit("M"),
        rated_pa=pl.when(pl.col("switch_id") != "no rating").then(60.0),
        action=pl.when(pl.col("switch_id") != "no action").then(pl.lit(action)),
        tolerance=pl.when(pl.col("switch_id") == "no limits").then(0.0).otherwise(0.1),
        removed_on=pl.when(pl.col("switch_id").str.starts_with("removed")).then(date(2025, 1, 1)),
    )
    numbers = dict.fromkeys(
        (f"{event}{end}" for event in ("open", "close") for end in ("_pa", "_u_pa")), pl.Float64
    )
    return pl.DataFrame(rows, schema_overrides=numbers), switches


def counts(found: pl.DataFrame) -> list[tuple[Any, ...]]:
    return found.select("model", "lot", *COUNTS).sort("lot").rows()


def alike(
    points: pl.DataFrame,
    switches: pl.DataFrame,
    tables: tuple[Any, ...] = (lots.lot_tolerance,),
    **options: Any,
) -> lots.Lots:
    """What `distribution` found, if the other tables count the same."""
    found = lots.distribution(points, switches, **options)
    for table in tables:
        others = table(points, switches, **options)
        for name in COUNTS:
            if name in others.columns:
                assert others.sort("lot")[name].to_list() == found.lots[name].to_list(), name
    return found


@pytest.mark.parametrize("action", ["fall", "rise"])
def test_every_table_counts_alike(action: str) -> None:
    points, switches = fleet(action)
    found = alike(points, switches, (lots.capability, lots.lot_tolerance))
    assert dict(found.switches.select("switch_id", "state").iter_rows()) == {
        switch: state for switch, (*_, state) in FLEET.items()
    }
    assert counts(found.lots) == [
        ("M", "A", 5, 5, 3, 1, 0), ("M", "B", 6, 6, 2, 1, 3), ("M", "C", 6, 6, 3, 2, 1),
        ("M", "D", 5, 3, 2, 1, 2), ("M", "E", 4, 4, 1, 0, 0),
    ]  # fmt: skip
    assert dict(found.lots.select("lot", "n_maybe_stuck").iter_rows()) == {
        "A": 0, "B": 0, "C": len(MAYBE), "D": 0, "E": 0,
    }  # fmt: skip
    within = dict(lots.lot_tolerance(points, switches, coverage=0.5).select("lot", "within").rows())
    assert (within["A"], within["B"], within["C"], within["D"]) == (True, False, False, False)


@pytest.mark.parametrize("event", ["open", "close"])
def test_a_setpoint_that_was_not_rated_counts_alike(event: Any) -> None:
    """A verdict is about the rated setpoint, whichever is asked for."""
    points, switches = fleet()
    also = points.with_columns(
        close_pa=pl.col("open_pa") + 4.0, close_u_pa=pl.when(pl.col("open_pa") < 60.05).then(0.3)
    )
    found = alike(also, switches, event=event)
    assert found.lots["n_stuck"].to_list() == [0, 3, 1, 2, 0]
    assert (found.lots["n_tested"].sum() < 11) == (event == "close")


def test_without_verdicts_every_table_counts_alike() -> None:
    points, switches = fleet()
    bare, null = points.drop("verdict"), points.with_columns(verdict=pl.lit(None, pl.String))
    found = alike(bare, switches)
    assert found.lots["n_stuck"].sum() == 0
    assert lots.distribution(null.reverse(), switches).lots.equals(found.lots)
    told = lots.lot_tolerance(null.reverse(), switches, coverage=0.5)
    assert told["n_tested"].to_list() == found.lots["n_tested"].to_list()
    assert found.lots["n_tested"].to_list() == [3, 5, 4, 3, 1]
    # A result from before a silent test stands, but nothing tells that the switch still opens.
    assert found.lots["n_maybe_stuck"].to_list() == [2, 3, 3, 1, 0]
    assert told["within"].to_list()[:4] == [None] * 4


def test_gauges_that_cannot_be_count_alike() -> None:
    points, switches = fleet()
    lags = pl.DataFrame(
        {"gauge_id": ["G"], "lag_s": [0.3], "lag_u_s": [-1.0], "n_events": [9], "status": ["ok"]}
    )
    found = alike(points.with_columns(lag_correction_pa=pl.lit(0.1)), switches, lags=lags)
    assert found.lots["n_tested"].sum() == 0


def test_setpoints_from_before_it_stayed_closed_do_not_count() -> None:
    points, switches = fleet()
    freed = pl.concat(
        [
            points,
            points.filter(test_id="stuck 0").with_columns(
                test_id=pl.lit("after"),
                tested_at=pl.lit(datetime(2024, 2, 9)),
                open_pa=pl.lit(57.0),
            ),
        ]
    )
    found = lots.distribution(freed, switches, within_days=float("inf")).switches
    row = found.row(by_predicate=pl.col("switch_id") == "stuck", named=True)
    assert (row["n_tests"], row["deviation"]) == (1, pytest.approx(57.0 / 60.0 - 1.0))
    # Nor do, of the first tests, those from after it.
    first = lots.capability(points, switches, take="first")
    assert first["n_stuck"].to_list() == [0, 2, 0, 2, 0]
    assert first["n_tested"].to_list() == [3, 4, 4, 3, 1]


def test_one_id_of_two_switches_is_sure_of_neither() -> None:
    points, switches = fleet()
    other = points.filter(test_id="plain 0").with_columns(
        test_id=pl.lit("ever stuck 1"), tested_at=pl.lit(datetime(2025, 2, 1))
    )
    found = alike(pl.concat([points, other]), switches)
    states = dict(found.switches.select("switch_id", "state").iter_rows())
    # Its first test found it closed, and no later one says otherwise for sure.
    assert (states["ever stuck"], states["plain"]) == ("stuck", "tested")
    assert dict(found.lots.select("lot", "n_maybe_stuck").iter_rows())["A"] == 1


@pytest.mark.parametrize("table", [lots.distribution, lots.capability, lots.lot_tolerance])
def test_a_column_that_is_not_there(table: Any) -> None:
    points, switches = fleet()
    with pytest.raises(SchemaError, match="table switches, column lot: there is no such column"):
        table(points, switches.drop("lot"))


@pytest.mark.parametrize("day", [datetime(2024, 1, 1), None])
def test_closed_and_opened_on_one_day_or_on_none_may_be_stuck(day: datetime | None) -> None:
    points, switches = fleet()
    closed = points.filter(test_id="stuck 1").with_columns(
        test_id=pl.lit("before"), switch_id=pl.lit("fine"), tested_at=pl.lit(day, pl.Datetime)
    )
    found = alike(pl.concat([points, closed]), switches)
    row = found.lots.row(by_predicate=pl.col("lot") == "B", named=True)
    before = lots.distribution(points, switches).lots.row(
        by_predicate=pl.col("lot") == "B", named=True
    )
    assert (row["n_tested"], row["n_maybe_stuck"]) == (before["n_tested"], 1)
    assert before["n_maybe_stuck"] == 0


def test_one_day_of_old_holds_no_lot_open_and_an_unknown_one_does_at_any_date() -> None:
    points, switches = fleet()
    closed = points.filter(test_id="stuck 1")
    # "again" opened in January and February: closed in January is old.
    old = closed.with_columns(
        test_id=pl.lit("a"), switch_id=pl.lit("again"), tested_at=pl.lit(datetime(2024, 1, 1))
    )
    assert alike(pl.concat([points, old]), switches).lots["n_maybe_stuck"][0] == 0
    some_day = closed.with_columns(
        test_id=pl.lit("b"), switch_id=pl.lit("again"), tested_at=pl.lit(None, pl.Datetime)
    )
    for at in (None, date(2024, 6, 1)):
        found = lots.distribution(pl.concat([points, some_day]), switches, at=at)
        assert found.lots["n_maybe_stuck"][0] == 1
