"""Expected costs against sums by hand, conjugate posteriors and their own limits."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr
from scipy.stats import beta, betabinom

from deadband import lots
from deadband._errors import DeadbandError, OptionError, SchemaError
from deadband.lots._fractions import fraction_of_mean

PRICES = lots.Prices(
    recall=90.0, test=60.0, replacement=80.0, harm_unsafe=600.0, nuisance=100.0,
    recall_fixed=500.0, test_fixed=200.0,
)  # fmt: skip


def by_action(found: lots.Decision) -> dict[str, dict[str, Any]]:
    return {row["action"]: row for row in found.actions.iter_rows(named=True)}


# --- fractions ------------------------------------------------------------------------------------


@given(st.floats(0.0, 0.98), st.floats(1e-4, 1.0))
def test_an_interval_comes_back(low: float, width: float) -> None:
    high = min(low + width, 1.0)
    parts = lots.fraction_of_interval(low, high)
    assert ((parts >= 0.0) & (parts <= 1.0)).all()
    assert (np.diff(parts) >= -1e-12).all()
    # Four hundred parts: the tenth from either end holds the quantile.
    assert parts[8] <= max(low, 1e-9) * (1 + 1e-6) + 1e-12 <= parts[11] * (1 + 1e-6) + 1e-9
    assert parts[388] <= high * (1 + 1e-6) + 1e-9
    assert parts[391] >= min(high, 1 - 1e-9) * (1 - 1e-6) - 1e-9


def test_counts_are_a_beta_distribution() -> None:
    parts = lots.fraction_of_counts(2, 20)
    told = beta(2.5, 18.5)
    assert parts.mean() == pytest.approx(told.mean(), rel=1e-9)
    assert parts.std() == pytest.approx(told.std(), rel=0.005)
    assert np.quantile(parts, 0.5) == pytest.approx(told.ppf(0.5), rel=0.002)


def test_impossible_fractions() -> None:
    with pytest.raises(DeadbandError, match="no limits"):
        lots.fraction_of_interval(0.5, 0.4)
    for odd in (lambda: lots.fraction_of_counts(3, 2), lambda: lots.fraction_of_counts(1.5, 20)):
        with pytest.raises(OptionError):
            odd()
    for low, high in (("a", "b"), (None, 0.1), (0.1, None)):
        with pytest.raises(OptionError, match=r"option (low|high)"):
            lots.fraction_of_interval(low, high)
    for odd in (-0.1, [0.1, 1.1], "few", [], None, math.nan):
        with pytest.raises(OptionError, match="option unsafe"):
            lots.cost(10, odd, PRICES)
    many = np.random.default_rng(1).beta(2.0, 20.0, 10_000)
    short = by_action(lots.cost(100, many, PRICES))
    assert short["wait"]["expected_cost"] == pytest.approx(100 * 600.0 * many.mean())


@pytest.mark.parametrize(
    ("mean", "low", "high"),
    [(3.1e-5, 0.0, 6.1e-7), (0.004, 1e-9, 1e-6), (0.02, 0.0, 0.001), (0.99997, 0.999998, 1.0)],
)
def test_a_mean_outside_its_interval_is_kept(mean: float, low: float, high: float) -> None:
    """Costs are linear: the mean has to stay, and no more than the risk lies beyond the limit."""
    parts = fraction_of_mean(mean, low, high)
    assert parts.mean() == pytest.approx(mean, rel=1e-6)
    assert ((parts >= 0.0) & (parts <= 1.0)).all()
    assert (np.diff(parts) >= 0.0).all()
    beyond = parts > high if mean > high else parts < low
    assert 9 <= beyond.sum() <= 11


@pytest.mark.parametrize(
    ("mean", "low", "high"),
    [
        (0.04, 0.01, 0.1),
        (0.001, 1e-9, 0.004),
        (0.42, 0.15, 0.73),
        (0.88, 0.65, 0.99),
        (0.3, 0.0, 1.0),
    ],
)
def test_a_mean_within_its_interval_is_kept(mean: float, low: float, high: float) -> None:
    parts = fraction_of_mean(mean, low, high)
    kept = (low, high) != (0.0, 1.0)
    assert (parts.mean() == pytest.approx(mean, rel=1e-6)) == kept
    limit = high if mean <= 0.5 else low
    beyond = parts > limit if mean <= 0.5 else parts < limit
    assert 0 <= beyond.sum() <= 11


def test_expected_fractions_of_distribution_are_means_and_those_of_capability_medians() -> None:
    row = {"lot": "L", "n_switches": 100, "fraction_unsafe": 0.04, "fraction_unsafe_low": 0.005,
           "fraction_unsafe_high": 0.2}  # fmt: skip
    table = pl.DataFrame([row])
    for drawn, mean in ((table.with_columns(shrinkage=0.3), 0.04), (table, None)):
        costs = lots.lot_costs(drawn, PRICES).row(
            by_predicate=pl.col("action") == "wait", named=True
        )
        share = lots.fraction_of_interval(0.005, 0.2).mean() if mean is None else mean
        assert costs["expected_cost"] == pytest.approx(100 * 600.0 * share, rel=1e-6)


def test_what_a_rare_fraction_is_worth_is_that_of_its_draws() -> None:
    """A lot far within its limits: the draws of its fraction against mean and interval alone."""
    z = -6.0 + 0.55 * np.random.default_rng(3).standard_t(6, 200_000)
    draws = ndtr(z)
    low, high = np.quantile(draws, [0.025, 0.975])
    assert draws.mean() > high
    for harm in (1e6, 1e7, 1e8):
        prices = lots.Prices(recall=90.0, test=60.0, harm_unsafe=harm)
        known = np.minimum(np.minimum(90.0, 60.0 + 90.0 * draws), harm * draws).mean()
        mean = float(draws.mean())
        worth = 500 * (min(90.0, 60.0 + 90.0 * mean, harm * mean) - known)
        told = lots.cost(500, fraction_of_mean(mean, low, high), prices)
        assert by_action(told)["wait"]["expected_cost"] == pytest.approx(500 * harm * mean)
        assert told.value_of_knowing == pytest.approx(worth, rel=0.5)


def test_fractions_next_to_nothing_are_nothing() -> None:
    for tiny in (5e-324, 1.4e-308, 1e-306):
        assert lots.cost(500, tiny, PRICES).best == "wait"


# --- actions --------------------------------------------------------------------------------------


def test_known_fractions_are_sums_by_hand() -> None:
    test = lots.Classification(p_passed_of_bad=0.1, p_condemned_of_good=0.05)
    found = lots.cost(200, 0.04, PRICES, nuisance=0.1, test=test)
    rows = by_action(found)
    assert rows["recall"]["expected_cost"] == pytest.approx(500 + 200 * 90)
    condemned = 200 * (0.14 * 0.9 + 0.86 * 0.05)
    missed = 200 * 0.1 * (0.04 * 600 + 0.1 * 100)
    assert rows["test_all"]["expected_cost"] == pytest.approx(
        200 + 200 * 60 + condemned * 80 + missed
    )
    assert rows["wait"]["expected_cost"] == pytest.approx(200 * (0.04 * 600 + 0.1 * 100))
    assert [rows[name]["unsafe_left"] for name in ("recall", "test_all", "wait")] == pytest.approx(
        [0.0, 0.8, 8.0]
    )
    assert found.best == "wait"
    assert found.value_of_knowing == 0.0
    assert rows["wait"]["cost_low"] == rows["wait"]["cost_high"] == pytest.approx(6800.0)
    # What is known already no sample tells: it costs its tests.
    assert (found.samples["saving"] < 0.0).all()
    assert found.samples["p_change"].to_list() == [0.0] * found.samples.height


def test_a_sample_is_worth_what_conjugate_posteriors_say() -> None:
    """Raiffa & Schlaifer (1961): with tests that do not err all sums have closed forms."""
    prices = lots.Prices(recall=90.0, test=60.0, harm_unsafe=600.0)
    n_switches, a, b = 400, 2.5, 18.5
    found = lots.cost(n_switches, lots.fraction_of_counts(2, 20), prices)
    now = min(90.0, 60.0 + 90.0 * a / (a + b), 600.0 * a / (a + b)) * n_switches
    for n, expected, saving, p_change, act_from in found.samples.iter_rows():
        x = np.arange(n + 1)
        chance = betabinom.pmf(x, n, a, b)
        mean = (a + x) / (a + b + n)
        rest = np.array([90.0 + 0.0 * mean, 60.0 + 90.0 * mean, 600.0 * mean])
        told = n * (60.0 + 90.0 * a / (a + b)) + (n_switches - n) * chance @ rest.min(axis=0)
        assert expected == pytest.approx(told, rel=2e-4)
        assert saving == pytest.approx(now - told, abs=2e-4 * now)
        best = rest.argmin(axis=0)
        prior = int(np.argmin([90.0, 60.0 + 90.0 * a / (a + b), 600.0 * a / (a + b)]))
        assert p_change == pytest.approx(chance[best != prior].sum(), abs=0.01)
        acting = np.flatnonzero(best != 2)
        assert act_from == (acting[0] if acting.size else None)
    p = beta(a, b)
    fraction = np.linspace(0.0, 1.0, 200_001)
    known = np.minimum(np.minimum(90.0, 60.0 + 90.0 * fraction), 600.0 * fraction)
    perfect = n_switches * np.trapezoid(known * p.pdf(fraction), fraction)
    assert found.value_of_knowing == pytest.approx(now - perfect, rel=2e-3)
    assert found.samples["saving"].max() < found.value_of_knowing


def test_the_sample_of_the_table_is_the_best_one() -> None:
    found = lots.cost(400, lots.fraction_of_counts(2, 20), PRICES)
    least = found.samples.sort("expected_cost").row(0, named=True)
    row = by_action(found)["sample"]
    assert found.n_best == least["n"]
    assert row["expected_cost"] == pytest.approx(least["expected_cost"])
    assert row["cost_low"] < row["expected_cost"] < row["cost_high"]
    assert least["n"] < row["n_tests"] < 400
    assert 0.0 < row["unsafe_left"] < by_action(found)["wait"]["unsafe_left"]
    assert found.actions.filter("best")["action"].to_list() == [found.best]
    assert found.actions["p_best"].drop_nulls().sum() == pytest.approx(1.0)


@settings(max_examples=12)
@given(st.integers(0, 12), st.floats(0.1, 50.0))
def test_currency_does_not_matter(bad: int, rate: float) -> None:
    known = lots.fraction_of_counts(bad, 20)
    prices = {"recall": 90.0, "test": 60.0, "harm_unsafe": 600.0, "test_fixed": 100.0}
    base = lots.cost(150, known, lots.Prices(**prices))
    other = lots.cost(150, known, lots.Prices(**{name: rate * p for name, p in prices.items()}))
    assert other.best == base.best
    assert other.actions["expected_cost"].to_list() == pytest.approx(
        (rate * base.actions["expected_cost"]).to_list()
    )


@pytest.mark.parametrize("fixed", [(1e5, 1e4), (500.0, 200.0)])
@pytest.mark.parametrize("fraction", [0.1, 0.15, 0.3])
def test_a_sample_that_can_change_nothing_is_not_best(
    fixed: tuple[float, float], fraction: float
) -> None:
    prices = lots.Prices(
        recall=90.0, test=60.0, harm_unsafe=4000.0, recall_fixed=fixed[0], test_fixed=fixed[1]
    )
    found = lots.cost(500, fraction, prices)
    assert found.value_of_knowing == 0.0
    assert found.best != "sample"
    assert found.actions["best"].sum() == 1
    # Where the rest is tested whatever the sample shows, one of any size costs the same.
    if found.best == "test_all":
        assert found.n_best == 1
    assert found.samples["p_change"].max() == pytest.approx(0.0, abs=1e-12)


def test_of_equal_costs_the_safest_action_is_best() -> None:
    # In floating-point numbers 0.1 + 0.2 is dearer than 0.3.
    prices = lots.Prices(recall=0.1 + 0.2, test=0.3, replacement=0.0, harm_unsafe=0.3)
    assert lots.cost(10, 1.0, prices).best == "recall"


def test_more_bad_ones_call_for_more() -> None:
    best = [lots.cost(400, lots.fraction_of_counts(bad, 40), PRICES).best for bad in (0, 5, 40)]
    assert best == ["wait", "sample", "recall"]


def test_small_lots() -> None:
    none = lots.cost(0, 0.1, PRICES)
    assert (none.status, none.best, none.actions.height) == ("no_switches", None, 0)
    one = lots.cost(1, 0.5, PRICES)
    assert one.actions["action"].to_list() == ["recall", "test_all", "wait"]
    assert one.samples.is_empty()
    assert one.n_best is None
    tie = lots.cost(5, 0.5, lots.Prices(recall=1.0, test=0.5, harm_unsafe=2.0))
    assert tie.actions["p_best"].drop_nulls().to_list() == pytest.approx([1 / 3] * 3)


@pytest.mark.parametrize("odd", [-1.0, math.inf, math.nan, "much", True])
def test_bad_prices(odd: Any) -> None:
    with pytest.raises(OptionError, match="option harm_unsafe"):
        lots.Prices(recall=1.0, test=1.0, harm_unsafe=odd)
    with pytest.raises(OptionError, match="option replacement"):
        lots.Prices(recall=1.0, test=1.0, harm_unsafe=1.0, replacement=odd)


@pytest.mark.parametrize("n_switches", [0, 10])
def test_prices_and_tests_that_are_none(n_switches: int) -> None:
    table = pl.DataFrame(
        {
            "lot": ["A"], "n_switches": [n_switches], "fraction_unsafe_low": [0.1],
            "fraction_unsafe_high": [0.2],
        }
    )  # fmt: skip
    measured = lots.Measurement(sd=1.0, u=0.5)
    with pytest.raises(OptionError, match="option prices"):
        lots.cost(n_switches, 0.1, None)
    with pytest.raises(OptionError, match="option prices"):
        lots.lot_costs(table.clear(), {"recall": 90.0})
    for odd in ("x", measured):
        with pytest.raises(OptionError, match="option test"):
            lots.cost(n_switches, 0.1, PRICES, test=odd)
        with pytest.raises(OptionError, match="option test"):
            lots.lot_costs(table.clear(), PRICES, test=odd)


# --- tables ---------------------------------------------------------------------------------------


def test_lots_of_a_table() -> None:
    table = pl.DataFrame(
        {
            "lot": ["A", "B", "C", "D", "E", "F"],
            "n_switches": [400, None, 0, 400, 400, -3],
            "fraction_unsafe_low": [0.02, 0.02, 0.02, None, 0.6, 0.1],
            "fraction_unsafe_high": [0.3, 0.3, 0.3, 0.3, 0.3, 0.2],
        }
    )
    found = lots.lot_costs(table, PRICES)
    assert found["lot"].to_list() == [*["A"] * 4, "B", "C", "D", "E", "F"]
    assert found["status"].to_list() == [
        *["ok"] * 4, "missing_value", "no_switches", "missing_value", "bad_value", "bad_value",
    ]  # fmt: skip
    rare = table.head(1).with_columns(
        fraction_unsafe=3.1e-5, fraction_unsafe_low=0.0, fraction_unsafe_high=6.1e-7
    )
    row = lots.lot_costs(rare, PRICES).row(by_predicate=pl.col("action") == "wait", named=True)
    assert row["expected_cost"] == pytest.approx(400 * 600.0 * 3.1e-5)
    assert row["unsafe_left"] == pytest.approx(400 * 3.1e-5)
    stuck = rare.with_columns(n_stuck=1, n_tested=9, fraction_unsafe_high=0.0)
    row = lots.lot_costs(stuck, PRICES).row(by_predicate=pl.col("action") == "wait", named=True)
    assert row["unsafe_left"] == pytest.approx(400 * (1.5 + 9.5 * 3.1e-5) / 11)
    for odd in (0.5, -0.1, 1.1):
        told = lots.lot_costs(rare.with_columns(fraction_unsafe=odd), PRICES)
        assert told["status"].to_list() == ["bad_value"]
    with pytest.raises(SchemaError, match="column fraction_unsafe: it is String"):
        lots.lot_costs(rare.with_columns(fraction_unsafe=pl.lit("few")), PRICES)
    # Null, or that of nobody: the interval alone.
    for one in (table, table.with_columns(fraction_unsafe=pl.lit(None, pl.Float64))):
        assert lots.lot_costs(one, PRICES).equals(found)
    plain = lots.cost(400, lots.fraction_of_interval(0.02, 0.3), PRICES)
    assert found.head(4)["expected_cost"].to_list() == plain.actions["expected_cost"].to_list()
    assert found["n_sample"].drop_nulls().to_list() == [plain.n_best]
    both = lots.lot_costs(
        table.with_columns(fraction_nuisance_low=0.1, fraction_nuisance_high=0.4), PRICES
    )
    waits = [one.filter(pl.col("action") == "wait")["expected_cost"][0] for one in (found, both)]
    more = lots.fraction_of_interval(0.1, 0.4).mean()
    assert waits[1] - waits[0] == pytest.approx(400 * 100.0 * more)
    assert lots.lot_costs(table.clear(), PRICES).schema == found.schema
    with pytest.raises(SchemaError, match="column n_in_service"):
        lots.lot_costs(table, PRICES, count="n_in_service")
    with pytest.raises(SchemaError, match="not a number"):
        lots.lot_costs(table.with_columns(n_switches=pl.lit("many")), PRICES)
    with pytest.raises(OptionError, match="option confidence"):
        lots.lot_costs(table, PRICES, confidence=95)


def test_lots_named_by_several_columns() -> None:
    table = pl.DataFrame(
        {
            "model": ["M", "N"], "lot": ["A", "A"], "site": ["x", "y"], "n_switches": [40, 40],
            "fraction_unsafe_low": [0.02, 0.2], "fraction_unsafe_high": [0.3, 0.4],
        }
    )  # fmt: skip
    found = lots.lot_costs(table, PRICES, by=["lot", "site"])
    assert found.columns[:3] == ["model", "lot", "site"]
    plain = lots.lot_costs(table, PRICES)
    assert found.drop("site").equals(plain)
    assert lots.lot_costs(table, PRICES, by=["lot"]).equals(plain)
    for odd in ([], 3, ["lot", 3]):
        with pytest.raises(OptionError, match="option by"):
            lots.lot_costs(table, PRICES, by=odd)
    with pytest.raises(SchemaError, match="column place"):
        lots.lot_costs(table, PRICES, by=["lot", "place"])
