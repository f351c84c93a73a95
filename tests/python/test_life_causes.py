"""Shares that failed of each cause: limits, intervals, a second implementation and chance."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from lifelines import AalenJohansenFitter
from scipy.optimize import brentq
from scipy.stats import beta

from deadband.life import cumulative_incidence, survival
from deadband.life._observed import Observed
from deadband.life.cumulative_incidence import incidence
from deadband.life.kaplan_meier import counts, places
from life_fleet import dated, inspected, table


def test_causes_add_up_to_all_failures() -> None:
    rng = np.random.default_rng(11)
    lives = table(inspected(rng, 60, exact=True)).with_columns(
        cause=pl.Series(rng.choice(["stuck", "drifted", "leaked"], 60))
    )
    found = cumulative_incidence(lives)
    total = found.group_by("years").agg(pl.col("share_failed").sum()).sort("years")
    left = survival(lives, at_years=total["years"].to_list())["survival"]
    assert total["share_failed"].to_numpy() == pytest.approx(1.0 - left.to_numpy())
    one = cumulative_incidence(lives.with_columns(cause=pl.lit("any")))
    assert one["share_failed"].to_numpy() == pytest.approx(total["share_failed"].to_numpy())


def test_a_cause_not_seen_in_a_lot_has_an_upper_limit() -> None:
    lives = dated([1.0, 2.0, 3.0, 3.0, 3.0, 3.0], [1, 1, 0, 0, 0, 0]).with_columns(
        lot=pl.Series(["a", "b", "a", "a", "a", "b"]), cause=pl.Series(["stuck", "leaked"] * 3)
    )
    found = cumulative_incidence(lives, by="lot", at_years=[2.5, 4.0])
    row = found.filter(lot="a", cause="leaked").row(0, named=True)
    assert (row["share_failed"], row["low"], row["n_failed"]) == (0.0, 0.0, 0)
    # None of four: three still seen and one that failed otherwise.
    assert row["high"] == pytest.approx(1.0 - 0.05 ** (1 / 4))
    assert found.filter(years=4.0)["status"].unique().to_list() == ["not_seen"]


def test_a_second_implementation_of_shares() -> None:
    rng = np.random.default_rng(16)
    seen, stuck = inspected(rng, 80, exact=True), rng.random(80) < 0.3
    cause = np.where(np.isfinite(seen.high), np.where(stuck, 1, 2), 0)
    other = AalenJohansenFitter(calculate_variance=False).fit(seen.low, cause, event_of_interest=1)
    named = pl.Series(np.array(["none", "stuck", "drifted"])[cause])
    found = cumulative_incidence(table(seen).with_columns(cause=named), at_years=[2.0, 4.0])
    mine = found.filter(cause="stuck")["share_failed"].to_numpy()
    assert mine == pytest.approx(other.predict([2.0, 4.0]).to_numpy(), abs=1e-9)


def test_limits_without_censoring_are_those_of_a_share() -> None:
    rng = np.random.default_rng(17)
    life, stuck = np.sort(rng.weibull(2.0, 12)), rng.random(12) < 0.4
    seen = Observed(np.zeros(12), life, life)
    share, low, high = incidence(counts(seen), stuck.astype(float), life, 0.95)
    assert share == pytest.approx(np.cumsum(stuck) / 12.0)
    for x, least, most in zip(np.cumsum(stuck), low, high, strict=True):
        # Mid-p: half of each of the two beta distributions of Clopper and Pearson.
        def below(p: float, k: int = int(x)) -> float:
            lower = beta.cdf(p, k, 13 - k) if k else 1.0
            return float(0.5 * (lower + beta.cdf(p, k + 1, 12 - k)))

        if x:
            assert least == pytest.approx(brentq(lambda p: below(p) - 0.025, 1e-9, 1.0), abs=1e-8)
        assert most == pytest.approx(brentq(lambda p: below(p) - 0.975, 1e-9, 1.0), abs=1e-8)


def test_one_cause_has_the_limits_of_survival() -> None:
    lives = table(inspected(np.random.default_rng(18), 25, exact=True)).with_columns(
        cause=pl.lit("any"), entry_years=pl.int_range(25) % 3 * 0.01
    )
    found = cumulative_incidence(lives)
    left = survival(lives, at_years=found["years"].to_list())
    assert found["low"].to_numpy() == pytest.approx(1.0 - left["high"].to_numpy(), abs=1e-9)
    assert found["high"].to_numpy() == pytest.approx(1.0 - left["low"].to_numpy(), abs=1e-9)


def test_a_failure_between_two_tests_is_spread_over_them() -> None:
    lives = pl.DataFrame(
        {
            "low_years": [1.0, 2.0, 4.0, 4.0],
            "high_years": [2.0, 2.0, None, None],
            "cause": "drifted",
        }
    )
    found = cumulative_incidence(lives, at_years=[1.0, 1.25, 1.5, 2.0, 3.0])
    assert found["share_failed"].to_numpy() == pytest.approx([0.0, 1 / 16, 1 / 8, 0.5, 0.5])
    assert found["n_failed"].to_list() == [0, 0, 0, 2, 2]
    assert found["dated"].unique().to_list() == ["spread"]
    assert cumulative_incidence(lives)["years"].to_list() == [2.0]
    # By the end of an interval it is of no matter when within it the failure was.
    days = lives.with_columns(low_years=pl.coalesce("high_years", "low_years"))
    exact = cumulative_incidence(days, at_years=[3.0])
    limits = ["share_failed", "low", "high"]
    last = found.filter(years=3.0)
    assert last.select(limits).row(0) == pytest.approx(exact.select(limits).row(0), abs=1e-9)


def test_all_failed_between_tests() -> None:
    lives = pl.DataFrame({"low_years": [1.0, 2.0], "high_years": [2.0, 3.0], "cause": "stuck"})
    found = cumulative_incidence(lives, at_years=[3.0, 9.0])
    assert found["share_failed"].to_numpy() == pytest.approx([1.0, 1.0])
    assert found["status"].to_list() == ["ok", "ok"]


@pytest.mark.parametrize(("n", "exact"), [(10, True), (20, False)])
def test_coverage_of_causes(n: int, exact: bool) -> None:
    """95 % limits after four years of one of two causes, of which the other is the commoner."""
    rng, held, fleets = np.random.default_rng(12), 0, 200
    truth = 0.4 * (1.0 - np.exp(-((4.0 / 5.0) ** 2)))
    for _ in range(fleets):
        seen, stuck = inspected(rng, n, exact=exact), rng.random(n) < 0.4
        table_, (life, ages) = counts(seen, 16), places(seen, 16)
        mine = (stuck & np.isfinite(seen.high))[life]
        weight = 1.0 / np.bincount(life)[life][mine]
        where = np.searchsorted(table_.years, ages[mine])
        of_it = np.bincount(where, weights=weight, minlength=table_.years.size).astype(float)
        _, low, high = incidence(table_, of_it, np.array([4.0]), 0.95)
        held += bool(low[0] <= truth <= high[0])
    # Chance leaves 1.5 %.
    assert 0.92 < held / fleets < 0.995
