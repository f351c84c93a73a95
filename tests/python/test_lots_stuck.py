"""Lots of which switches stay closed, and lots of two models that bear one name."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.stats import beta

from deadband import lots
from deadband._errors import SchemaError

PRICES = lots.Prices(recall=90.0, test=60.0, harm_unsafe=600.0, nuisance=100.0)
GOOD = [59.8, 60.3, 60.5, 59.6, 60.1, 59.9, 60.2, 60.0, 59.7, 60.4]

Tables = tuple[pl.DataFrame, pl.DataFrame]


def tables(setpoints: dict[str, list[float]], model: str = "M") -> Tables:
    rows = [(lot, i, one) for lot, each in setpoints.items() for i, one in enumerate(each)]
    ids = [f"{model}{lot}{i}" for lot, i, _ in rows]
    points = pl.DataFrame(
        {
            "test_id": ids, "switch_id": ids, "method": "ramp", "tested_at": datetime(2025, 5, 1),
            "open_pa": [one for *_, one in rows], "open_u_pa": 0.1, "close_pa": None,
            "close_u_pa": None, "verdict": "conforms",
        },
        schema_overrides={"close_pa": pl.Float64, "close_u_pa": pl.Float64},
    )  # fmt: skip
    switches = pl.DataFrame(
        {
            "switch_id": ids, "model": model, "lot": [lot for lot, *_ in rows], "rated_pa": 60.0,
            "action": "fall", "removed_on": pl.Series([None] * len(ids), dtype=pl.Date),
        }
    )  # fmt: skip
    return points, switches


def later(points: pl.DataFrame, n: int, verdict: str | None) -> pl.DataFrame:
    """The tests, and a year later one without a setpoint of each of the first `n` switches."""
    silent = points.head(n).with_columns(
        open_pa=pl.lit(None, pl.Float64), open_u_pa=pl.lit(None, pl.Float64),
        test_id=pl.col("test_id") + "later", tested_at=pl.lit(datetime(2026, 5, 1)),
        verdict=pl.lit(verdict, pl.String),
    )  # fmt: skip
    return pl.concat([silent, points])


def only(found: pl.DataFrame) -> dict[str, Any]:
    assert found.height == 1
    return found.row(0, named=True)


# --- lots -----------------------------------------------------------------------------------------


def test_a_sound_test_does_not_stand_for_a_switch_that_is_stuck_now() -> None:
    points, switches = tables({"A": GOOD})
    before = only(lots.lot_tolerance(points, switches))
    assert (before["within"], before["status"], before["n_stuck"]) == (True, "ok", 0)
    stuck = later(points, 3, "does_not_conform")
    found = only(lots.lot_tolerance(stuck, switches))
    assert (found["within"], found["status"]) == (False, "stuck_switches")
    assert [found[name] for name in ("n_tested", "n_stuck", "n_no_setpoint")] == [7, 3, 0]
    others = only(lots.lot_tolerance(points.tail(7), switches))
    assert found["low_pa"] == others["low_pa"]
    capable = only(lots.capability(stuck, switches))
    assert (capable["status"], capable["n_stuck"], capable["n_tested"]) == ("stuck_switches", 3, 7)
    assert capable["ppk"] == only(lots.capability(points.tail(7), switches))["ppk"]
    # It is the last test that tells: one that was freed and tested again is sound.
    freed = stuck.with_columns(
        tested_at=pl.when(pl.col("open_pa").is_null())
        .then(datetime(2024, 1, 1))
        .otherwise("tested_at")
    )
    assert only(lots.lot_tolerance(freed, switches))["within"] is True
    assert only(lots.lot_tolerance(freed, switches, take="first"))["n_stuck"] == 3
    # Asked of the other setpoint, a switch that opened is not stuck for want of a closing.
    assert (
        only(
            lots.lot_tolerance(
                points.with_columns(verdict=pl.lit("does_not_conform")), switches, event="close"
            )
        )["n_stuck"]
        == 0
    )


def test_a_switch_that_is_rated_for_closing_is_stuck_without_closing() -> None:
    points, switches = tables({"A": GOOD})
    rising = switches.with_columns(action=pl.lit("rise"))
    closing = points.with_columns(
        close_pa="open_pa", close_u_pa="open_u_pa", open_pa=None, open_u_pa=None
    ).cast({"open_pa": pl.Float64})
    stuck = closing.with_columns(
        pl.when(pl.col("switch_id") == "MA0").then(None).otherwise(pl.col(name)).alias(name)
        for name in ("close_pa", "close_u_pa")
    )
    told = pl.when(pl.col("switch_id") == "MA0").then(pl.lit("does_not_conform"))
    found = only(lots.lot_tolerance(stuck.with_columns(verdict=told), rising))
    assert (found["n_stuck"], found["n_tested"], found["within"]) == (1, 9, False)
    assert only(lots.lot_tolerance(closing, rising))["within"] is True


def test_all_that_were_tested_are_stuck() -> None:
    points, switches = tables({"A": GOOD})
    stuck = later(points, 10, "does_not_conform")
    for table in (lots.lot_tolerance, lots.capability):
        row = only(table(stuck, switches))
        assert (row["n_tested"], row["n_stuck"], row["status"]) == (0, 10, "stuck_switches")
        assert row["mean_rel"] is None
    assert only(lots.lot_tolerance(stuck, switches))["within"] is False


def test_without_verdicts_a_silent_switch_may_be_stuck() -> None:
    points, switches = tables({"A": GOOD})
    silent = later(points, 1, None)
    known = only(lots.lot_tolerance(silent, switches))
    assert (known["within"], known["n_no_setpoint"], known["status"]) == (True, 0, "ok")
    unknown = only(lots.lot_tolerance(silent.drop("verdict"), switches))
    # The result from before stands, but nothing tells that the switch still opens.
    assert (unknown["within"], unknown["n_tested"], unknown["n_no_setpoint"]) == (None, 10, 0)
    assert (
        known["low_pa"] == unknown["low_pa"] == only(lots.lot_tolerance(points, switches))["low_pa"]
    )
    # Of two rows with one id neither is surely right, but what both say is told.
    again = later(points, 1, "does_not_conform").filter(pl.col("open_pa").is_null())
    twice = only(lots.lot_tolerance(pl.concat([silent, again]), switches))
    assert (twice["n_stuck"], twice["n_tested"], twice["within"]) == (0, 10, None)
    both = only(lots.lot_tolerance(pl.concat([points, again, again]), switches))
    assert (both["n_stuck"], both["n_tested"], both["within"]) == (1, 9, False)


def test_lots_of_two_models_with_one_name_are_two() -> None:
    one, other = tables({"A": GOOD}), tables({"A": [50.0 + one for one in GOOD]}, model="N")
    points, switches = (pl.concat(pair) for pair in zip(one, other, strict=True))
    for table in (lots.lot_tolerance, lots.capability):
        found = table(points, switches)
        assert found.select("model", "lot", "n_tested").rows() == [("M", "A", 10), ("N", "A", 10)]
        assert table(points, switches, by=["lot"])["n_tested"].to_list() == [20]
        unnamed = table(points, switches.drop("model"))
        assert unnamed.select("model", "lot", "n_tested").rows() == [(None, "A", 20)]
        empty = table(points, switches.clear())
        assert empty.columns[:2] == ["model", "lot"]
        assert empty.schema == found.schema
    spread = lots.capability(points, switches, by="action").row(0, named=True)
    assert spread["n_subgroups"] == 2
    costs = lots.lot_costs(lots.capability(points, switches), PRICES)
    assert costs.filter("best").select("model", "lot").rows() == [("M", "A"), ("N", "A")]


def test_switches_that_name_no_lot_are_none() -> None:
    points, switches = tables({"A": GOOD, "B": GOOD})
    switches = switches.with_columns(lot=pl.when(pl.col("lot") != "B").then("lot"))
    for table in (lots.lot_tolerance, lots.capability):
        found = table(points, switches)
        assert found["status"].to_list() == ["ok", "missing_value"]
        assert found["n_tested"].to_list() == [10, 10]
        assert found["mean_rel"].is_null().to_list() == [False, True]
    assert lots.lot_tolerance(points, switches)["within"].to_list() == [True, None]


def test_removed_switches_are_not_in_service() -> None:
    points, switches = tables({"A": GOOD, "B": GOOD})
    gone = pl.when(pl.col("switch_id").is_in(["MA0", "MA1"])).then(date(2025, 6, 1))
    found = lots.distribution(points, switches.with_columns(removed_on=gone)).lots
    assert found["n_switches"].to_list() == [10, 10]
    assert found["n_in_service"].to_list() == [8, 10]
    recall = lots.lot_costs(found, PRICES).filter(pl.col("action") == "recall")
    assert recall["expected_cost"].to_list() == [8 * 90.0, 10 * 90.0]


# --- costs ----------------------------------------------------------------------------------------


def table_of(**columns: Any) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "lot": ["A"], "n_switches": 100, "n_tested": 1, "fraction_unsafe_low": 0.001,
            "fraction_unsafe_high": 0.02, **columns,
        }
    )  # fmt: skip


def waiting(found: pl.DataFrame) -> float:
    cost: float = found.filter(pl.col("action") == "wait")["expected_cost"].item()
    return cost


def test_stuck_switches_are_paid_for() -> None:
    assert lots.lot_costs(table_of(), PRICES).filter("best")["action"].item() == "wait"
    assert lots.lot_costs(table_of(n_stuck=0), PRICES).equals(lots.lot_costs(table_of(), PRICES))
    found = lots.lot_costs(table_of(n_stuck=9), PRICES)
    assert found.filter("best")["action"].item() == "recall"
    # Means of a mixture by hand.
    stuck, rest = 9.5 / 11.0, float(lots.fraction_of_interval(0.001, 0.02).mean())
    assert waiting(found) == pytest.approx(600.0 * 100 * (stuck + (1.0 - stuck) * rest))
    sides = {"fraction_nuisance_low": 0.1, "fraction_nuisance_high": 0.4}
    high = float(lots.fraction_of_interval(0.1, 0.4).mean())
    both = lots.lot_costs(table_of(n_stuck=9, **sides), PRICES)
    assert waiting(both) - waiting(found) == pytest.approx(100 * 100.0 * (1.0 - stuck) * high)


def test_stuck_switches_are_as_uncertain_as_their_count() -> None:
    found = lots.lot_costs(table_of(n_stuck=2, n_tested=18), PRICES)
    row = found.row(by_predicate=pl.col("action") == "wait", named=True)
    random = np.random.default_rng(3)
    share = beta(2.5, 18.5).rvs(200_000, random_state=random)
    rest = random.choice(lots.fraction_of_interval(0.001, 0.02), 200_000)
    cost = 600.0 * 100 * (share + (1.0 - share) * rest)
    ends = np.quantile(cost, [0.025, 0.975])
    assert [row["cost_low"], row["cost_high"]] == pytest.approx(ends, rel=0.02)


def test_a_lot_without_a_fraction_has_its_counts() -> None:
    nothing = dict.fromkeys(
        f"fraction_{side}_{end}" for side in ("unsafe", "nuisance") for end in ("low", "high")
    )
    alone = lots.lot_costs(
        table_of(n_stuck=10, n_tested=0).with_columns(
            pl.lit(value).alias(name) for name, value in nothing.items()
        ),
        PRICES,
    )
    plain = lots.cost(100, lots.fraction_of_counts(10, 10), PRICES)
    assert alone["expected_cost"].to_list() == pytest.approx(
        plain.actions["expected_cost"].to_list()
    )
    assert alone.filter("best")["action"].item() == "recall"
    # Of the others nothing is known, and they may be as bad.
    rest = lots.lot_costs(
        table_of(n_stuck=1, n_tested=30, **{name: [None] for name in nothing}), PRICES
    )
    assert waiting(rest) == pytest.approx(600.0 * 100 * (1.5 / 32.0 + 0.5 * 30.5 / 32.0))


@pytest.mark.parametrize(
    ("columns", "status"),
    [
        ({"n_stuck": -1}, "bad_value"), ({"n_stuck": 1.5}, "bad_value"),
        ({"n_stuck": 1, "n_tested": -1}, "bad_value"),
        ({"n_stuck": 1, "n_tested": [None]}, "missing_value"),
        ({"n_stuck": [None]}, "ok"),
        ({"n_stuck": 0, "fraction_unsafe_low": [None]}, "missing_value"),
    ],
)  # fmt: skip
def test_counts_that_cannot_be(columns: dict[str, Any], status: str) -> None:
    assert lots.lot_costs(table_of(**columns), PRICES)["status"].unique().to_list() == [status]


def test_stuck_switches_of_unknown_trials_are_refused() -> None:
    with pytest.raises(SchemaError, match="column n_tested"):
        lots.lot_costs(table_of(n_stuck=1).drop("n_tested"), PRICES)
    with pytest.raises(SchemaError, match="column n_stuck: it is String"):
        lots.lot_costs(table_of(n_stuck="few"), PRICES)


def test_the_lots_of_stuck_switches_are_recalled_from_either_table() -> None:
    points, switches = tables({"A": GOOD, "B": GOOD, "C": GOOD})
    stuck = pl.concat([later(points.slice(0, 9), 9, "does_not_conform"), points.slice(9)])
    for table in (lots.capability(stuck, switches), lots.distribution(stuck, switches).lots):
        best = lots.lot_costs(table, PRICES).filter(pl.col("best") | (pl.col("status") != "ok"))
        assert best.select("lot", "action").rows() == [
            ("A", "recall"), ("B", "wait"), ("C", "wait"),
        ]  # fmt: skip
