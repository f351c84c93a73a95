"""What speaks against an acquittal: switches that stay closed or may have, too few own results."""

from __future__ import annotations

from datetime import date, datetime

import numpy as np
import polars as pl
import pytest
from scipy.special import ndtri
from scipy.stats import binom, false_discovery_control

from deadband import lots
from deadband.lots._discovery import discovery
from lot_fleet import RATED_PA, lot_of, tables

NEVER_OPENED = pl.lit("does_not_conform")


def shaped(mean: float, n: int, sd: float = 0.02) -> list[float]:
    """Setpoints of a lot as its distribution has them, without chance."""
    return (RATED_PA * (1.0 + mean + sd * ndtri((np.arange(n) + 0.5) / n))).tolist()


def fleet(*odd: tuple[str, list[float | None]]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Verdicts and switches of four good lots of ten and of odd ones; None stayed closed."""
    made = [(f"G{i}", shaped(0.005 * (i - 1.5), 10)) for i in range(4)] + list(odd)
    values = [value for _, of_lot in made for value in of_lot]
    names = [lot for lot, of_lot in made for _ in of_lot]
    points, switches = tables(values, names, u_pa=0.3)
    closed = pl.col("open_pa").is_null()
    return points.with_columns(
        open_u_pa=pl.when(~closed).then("open_u_pa"),
        verdict=pl.when(closed).then(NEVER_OPENED).otherwise(pl.lit("conforms")),
        tested_at=pl.lit(datetime(2024, 5, 2)),
    ), switches


def row_of(screened: pl.DataFrame, lot: str | None) -> dict[str, object]:
    return screened.filter(pl.col("lot").eq_missing(lot)).row(0, named=True)


STUCK = ("S9", [60.0] + [None] * 9)


# --- switches that stay closed --------------------------------------------------------------------


def test_a_lot_of_which_nine_of_ten_stay_closed_exceeds() -> None:
    points, switches = fleet(STUCK, ("S2", [*shaped(0.0, 8), None, None]))
    found = lots.distribution(points, switches)
    screened = lots.screen(found)
    nine, two = row_of(screened, "S9"), row_of(screened, "S2")
    assert (nine["verdict"], nine["rank"]) == ("exceeds", 1)
    assert two["verdict"] == "undecided"
    assert nine["p_stuck"] == pytest.approx(binom.sf(8, 10, 0.05))
    assert two["p_stuck"] == pytest.approx(binom.sf(1, 10, 0.05))
    p = screened.select(
        pl.when(pl.col("p_stuck").is_null())
        .then("p_value")
        .otherwise((2.0 * pl.min_horizontal("p_value", "p_stuck")).clip(upper_bound=1.0))
    ).to_series()
    assert screened["q_value"].to_list() == pytest.approx(false_discovery_control(p).tolist())
    said = str(two["evidence"])
    assert said.startswith("S2 (M): 2 of 10 tested on 2024-05-02 stayed closed (p = 0.086)")
    assert said.index("97 % probable") < said.index("Of those that open below 0.1 %")
    nuisance = lots.screen(found, side="nuisance")
    assert row_of(nuisance, "S9")["p_stuck"] is None
    assert row_of(nuisance, "S2")["verdict"] == "within"
    assert "2 stayed closed and are in no mean" in str(row_of(nuisance, "S2")["evidence"])


def test_lots_whose_switches_all_stay_closed_count_among_those_compared() -> None:
    points, switches = fleet(("SA", [None] * 3))
    screened = lots.screen(lots.distribution(points, switches))
    row = row_of(screened, "SA")
    assert (row["status"], row["verdict"], row["rank"]) == ("too_few_samples", "exceeds", 1)
    assert row["q_value"] == pytest.approx(5 * 0.05**3)
    assert row["expected_fdr"] == pytest.approx(1.0 - float(str(row["p_exceeds_counted"])))
    assert "None has a setpoint." in str(row["evidence"])
    no_lot = switches.with_columns(lot=pl.when(pl.col("lot") != "SA").then("lot"))
    none = row_of(lots.screen(lots.distribution(points, no_lot)), None)
    assert (none["verdict"], none["q_value"]) == ("undecided", None)
    assert "They name no lot." in str(none["evidence"])


def test_rough_tests_of_a_lot_with_one_stuck_switch_do_not_call_it() -> None:
    """What was measured too low by error is no stuck switch: the p-value takes these alone."""
    values: list[float | None] = [*shaped(0.0, 30, sd=0.12), None]
    points, switches = fleet(("rough", values))
    rough = pl.col("switch_id").is_in(switches.filter(lot="rough")["switch_id"].to_list())
    points = points.with_columns(
        open_u_pa=pl.when(rough & pl.col("open_pa").is_not_null()).then(7.2).otherwise("open_u_pa")
    )
    row = row_of(lots.screen(lots.distribution(points, switches)), "rough")
    assert 10.0 * row["p_counted"] < 0.05 < row["p_stuck"]  # type: ignore[operator]
    assert row["verdict"] == "undecided"


# --- setpoints in place of verdicts ---------------------------------------------------------------


def test_setpoints_in_place_of_verdicts_acquit_no_lot_with_silent_tests() -> None:
    points, switches = fleet(STUCK)
    for silent in (points.drop("verdict"), points.with_columns(verdict=pl.lit(None, pl.String))):
        found = lots.distribution(silent, switches)
        told = lot_of(found, "S9")
        assert (told["n_stuck"], told["n_no_setpoint"], told["n_maybe_stuck"]) == (0, 9, 9)
        screened = lots.screen(found)
        row = row_of(screened, "S9")
        assert row["p_exceeds"] < 0.05  # type: ignore[operator]
        assert (row["verdict"], row["n_no_setpoint"]) == ("undecided", 9)
        said = str(row["evidence"])
        assert said.startswith(
            "S9 (M): 9 were tested without a setpoint. Of 9 the tests do not tell"
        )
        assert row_of(screened, "G1")["verdict"] == "within"
        assert row_of(lots.screen(found, side="nuisance"), "S9")["verdict"] == "within"


def test_a_silent_last_test_counts_also_after_an_older_result() -> None:
    points, switches = fleet()
    later = points.head(1).with_columns(
        test_id=pl.lit("later"), tested_at=pl.lit(datetime(2025, 5, 2)),
        open_pa=pl.lit(None, pl.Float64), open_u_pa=pl.lit(None, pl.Float64),
        verdict=pl.lit(None, pl.String),
    )  # fmt: skip
    both = pl.concat([points, later])
    told = lots.distribution(both, switches)
    assert lot_of(told, "G0")["n_maybe_stuck"] == 0
    assert row_of(lots.screen(told), "G0")["verdict"] == "within"
    untold = lots.distribution(both.drop("verdict"), switches)
    assert (lot_of(untold, "G0")["n_tested"], lot_of(untold, "G0")["n_maybe_stuck"]) == (10, 1)
    assert row_of(lots.screen(untold), "G0")["verdict"] == "undecided"


def test_a_test_that_stands_twice_hides_no_stuck_switch() -> None:
    points, switches = fleet(("S1", [*shaped(0.0, 9), None]))
    stuck = points.tail(1)
    twice = lots.distribution(pl.concat([points, stuck]), switches)
    assert (lot_of(twice, "S1")["n_stuck"], lot_of(twice, "S1")["n_no_setpoint"]) == (1, 0)
    other = stuck.with_columns(open_pa=59.0, open_u_pa=0.3, verdict=pl.lit("conforms"))
    for rows in ([points, other], [other, points]):
        doubtful = lots.distribution(pl.concat(rows), switches)
        told = lot_of(doubtful, "S1")
        assert (told["n_stuck"], told["n_no_setpoint"], told["n_maybe_stuck"]) == (0, 1, 1)
        row = row_of(lots.screen(doubtful), "S1")
        assert row["verdict"] == "undecided"
        assert "each test once" in str(row["evidence"])
    # Two rows with a setpoint each leave none, but no doubt that the switch opened.
    opened = lots.distribution(pl.concat([points, points.head(1)]), switches)
    assert lot_of(opened, "G0")["n_maybe_stuck"] == 0
    assert "1 was tested without a setpoint." in str(row_of(lots.screen(opened), "G0")["evidence"])


# --- own results ----------------------------------------------------------------------------------


def test_neighbours_alone_acquit_no_lot() -> None:
    points, switches = fleet(("doubtful", [0.952 * RATED_PA]), ("fine", [1.003 * RATED_PA]))
    screened = lots.screen(lots.distribution(points, switches))
    row = row_of(screened, "doubtful")
    assert row["p_exceeds"] < 0.05 < 1.0 - row["p_value"]  # type: ignore[operator]
    assert row["verdict"] == "undecided"
    assert 1 <= int(str(row["n_more"])) <= 10
    said = str(row["evidence"])
    assert "within by its model alone; its own result does not tell. Ramps of about" in said
    assert row_of(screened, "fine")["verdict"] == "within"


def test_no_verdict_within_without_both_chances() -> None:
    chance, alone = np.array([0.01, 0.01, 0.2]), np.array([0.01, 0.2, 0.01])
    found = discovery(chance, np.full(3, 0.9), 0.05, alone=alone)
    assert found.verdict.tolist() == ["within", "undecided", "undecided"]


def test_a_lot_without_curve_says_its_counts() -> None:
    points, switches = tables([50.0, 60.0], ["A", "B"])
    screened = lots.screen(lots.distribution(points, switches))
    said = str(row_of(screened, "A")["evidence"])
    assert "1 of 1 tested lies below the lower limit" in said
    assert "too few results to tell their scatter" in said
    assert row_of(screened, "A")["verdict"] is None


# --- dates and ratings ----------------------------------------------------------------------------


def test_dates_are_those_of_the_results_used() -> None:
    points, switches = fleet(("S1", [*shaped(0.0, 9), None]))
    days = pl.datetime(2023, 1, 1) + pl.duration(days=pl.int_range(pl.len()))
    dated = points.with_columns(tested_at=days)
    old = dated.with_columns(
        test_id=pl.col("test_id") + "-old", tested_at=pl.col("tested_at") - pl.duration(days=400)
    )
    found = lots.distribution(pl.concat([old, dated]), switches)
    row = lot_of(found, "G1")
    ends = date(2023, 1, 11), date(2023, 1, 20)
    assert (row["first_tested_on"], row["last_tested_on"]) == ends
    assert lot_of(found, "S1")["last_tested_on"] == date(2023, 2, 19)
    said = str(row_of(lots.screen(found), "G1")["evidence"])
    assert "0 of 10 tested from 2023-01-11 to 2023-01-20 lie there" in said
    undated = lots.distribution(points.drop("tested_at"), switches)
    assert lot_of(undated, "G1")["first_tested_on"] is None
    assert "0 of 10 tested lie there" in str(row_of(lots.screen(undated), "G1")["evidence"])


def test_tested_switches_without_a_rating_are_told() -> None:
    points, switches = fleet(("none", [60.0, 50.0]))
    whole = pl.col("lot") == "none"
    one = pl.col("switch_id") == "s000"
    unrated = switches.with_columns(rated_pa=pl.when(~whole & ~one).then("rated_pa"))
    found = lots.distribution(points, unrated)
    none, part = lot_of(found, "none"), lot_of(found, "G0")
    assert (none["status"], none["n_bad_rating"], none["n_tested"]) == ("bad_rating", 2, 0)
    assert (part["status"], part["n_bad_rating"], part["n_tested"]) == ("ok", 1, 9)
    states = dict(found.switches.select("switch_id", "state").iter_rows())
    assert (states["s000"], states["s001"]) == ("bad_rating", "tested")
    screened = lots.screen(found)
    assert "2 were tested but have no rating" in str(row_of(screened, "none")["evidence"])
    assert "1 was tested but has no rating" in str(row_of(screened, "G0")["evidence"])
    before = lots.distribution(points, unrated, at=date(2020, 1, 1))
    assert lot_of(before, "none")["status"] == "too_few_samples"
