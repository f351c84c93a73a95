"""Options and tables of lots that cannot be used are refused at once, with what is wrong."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import polars as pl
import pytest

from deadband import lots
from deadband._errors import OptionError
from deadband.lots._both_sides import both_sides
from lot_fleet import RATED_PA, tables

PRICES = lots.Prices(recall=90.0, test=60.0, harm_unsafe=600.0)


def fleet() -> tuple[pl.DataFrame, pl.DataFrame]:
    rng = np.random.default_rng(2)
    return tables(RATED_PA + rng.normal(0.0, 1.0, 24), np.repeat(["A", "B", "C"], 8).tolist())


def test_no_lots_are_made_by_a_column_that_a_table_of_them_has() -> None:
    points, switches = fleet()
    found = lots.distribution(points, switches)
    both = both_sides(found, fraction=0.05, fdr=0.05)
    told = (
        found.lots, found.switches, lots.screen(found), both.table(), both.by_shape(),
        lots.lot_costs(found.lots, PRICES),
    )  # fmt: skip
    names = {name for table in told for name in table.columns} - {"model", "lot"}
    assert {"evidence", "verdict", "rank", "shape", "stands", "side", "level", "best"} <= names
    for name in sorted(names | {"_row", "_normal", "x", "variance", "removed_on"}):
        with pytest.raises(OptionError, match="option by"):
            lots.distribution(points, switches.with_columns(pl.col("lot").alias(name)), by=name)


def test_a_column_that_is_named_twice_is_one() -> None:
    points, switches = fleet()
    for table in (lots.capability, lots.lot_tolerance):
        once = table(points, switches, by=["lot"])
        assert table(points, switches, by=["lot", "lot"]).equals(once)
        for odd in ([], ["colour"], [3], 3):
            with pytest.raises(OptionError, match="option by"):
                table(points, switches, by=odd)


@pytest.mark.parametrize("number", [2**63, 2**64, 2**130, -(2**63) - 1])
def test_counts_beyond_all_counts(number: int) -> None:
    for n, x, option in ([number], [1], "n"), ([5], [number], "x"):
        with pytest.raises(OptionError, match=f"option {option}"):
            lots.screen_counts(n, x)
    assert lots.screen_counts([2**63 - 1], [0])["status"].to_list() == ["ok"]


@pytest.mark.parametrize("odd", [math.nan, math.inf, "60", None])
def test_a_sample_without_a_mean_or_a_limit_is_not_judged(odd: Any) -> None:
    plan = lots.VariablesPlan(n=10, k=1.5)
    with pytest.raises(OptionError, match="option mean"):
        plan.accepts(mean=odd, s=2.0, lower=54.0)
    for limit in ("lower", "upper"):
        with pytest.raises(OptionError, match=r"option (lower|upper)"):
            plan.margin(mean=60.0, s=2.0, **{limit: odd})
