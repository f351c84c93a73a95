"""The distribution chosen by AIC, and intervals that do not take the choice for granted."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from deadband.life import fit, returns
from deadband.life._candidates import best_of, try_one
from deadband.life._likelihood import standard_quantile
from life_fleet import inspected, table

NAMES = ("weibull", "lognormal", "exponential")


def test_the_best_by_aic() -> None:
    seen = inspected(np.random.default_rng(9), 1000, exact=True)
    found = fit(table(seen), distribution="best", quantiles=[0.1])
    assert found.distribution == "weibull"
    assert found.comparison["distribution"].to_list()[0] == "weibull"
    assert found.comparison["aic"].is_sorted()
    alone = fit(table(seen), distribution="lognormal", quantiles=[])
    row = found.comparison.row(by_predicate=pl.col("distribution") == "lognormal", named=True)
    assert row["aic"] == alone.aic
    # The others are far off: nothing of theirs is possible.
    assert found.quantiles.equals(fit(table(seen), quantiles=[0.1]).quantiles)


def test_few_failures_leave_every_distribution_possible() -> None:
    lives = table(inspected(np.random.default_rng(12), 15))
    found = fit(lives, distribution="best", quantiles=[0.1])
    apart = [fit(lives, distribution=name, quantiles=[0.1]) for name in NAMES]  # type: ignore[arg-type]
    chosen = next(one for one in apart if one.distribution == found.distribution)
    assert found.comparison["difference"].max() < 3.0
    _, years, low, high = found.quantiles.row(0)
    assert years == chosen.quantiles["years"].item()
    assert low == min(one.quantiles["low_years"].item() for one in apart)
    assert high == max(one.quantiles["high_years"].item() for one in apart)
    share = found.share_failed([3.0]).row(0, named=True)
    told = [one.share_failed([3.0]).row(0, named=True) for one in apart]
    assert share["low"] == min(one["low"] for one in told)
    assert share["high"] == max(one["high"] for one in told)
    assert found.parameters.equals(chosen.parameters)


def test_coverage_of_b10_after_the_choice() -> None:
    """Weibull lots of 15, tested once a year; without the other distributions it is 87 %."""
    rng, held, lots = np.random.default_rng(22), 0, 0
    age = np.log(5.0 * np.sqrt(-np.log(0.9)))
    while lots < 150:
        seen = inspected(rng, 15)
        tried = [try_one(name, seen, np.ones((15, 1)), None, 0.95) for name in NAMES]
        limits = best_of(tried).limits
        if limits is None:
            continue
        lots += 1
        for one in (limits, *limits.others):
            z = float(standard_quantile(one.model.family, 0.1))
            lost = 2.0 * (one.value - one.model.profile(age, z, one.theta)[1])
            if lost < one.allowed:
                held += 1
                break
    # Chance leaves 2 %.
    assert held / lots > 0.91


def test_without_any_the_status_is_that_of_the_first() -> None:
    found = fit(pl.DataFrame({"low_years": [1.0], "high_years": [2.0]}), distribution="best")
    assert found.status == "too_few_failures"
    assert found.quantiles["years"].null_count() == 4


def test_failures_to_come_do_not_rest_on_the_choice() -> None:
    age = pl.when(pl.col("high_years").is_null()).then(pl.col("low_years") + 0.5)
    lives = table(inspected(np.random.default_rng(12), 15)).with_columns(age_years=age)
    found = fit(lives, distribution="best", quantiles=[])
    year = returns(found, lives, draws=4000).row(-1, named=True)
    apart, aic = [], []
    for name in NAMES:
        alone = fit(lives, distribution=name, quantiles=[])  # type: ignore[arg-type]
        apart.append(returns(alone, lives, draws=4000).row(-1, named=True)["expected"])
        aic.append(alone.aic)
    weights = np.exp(-0.5 * np.array(aic))
    assert max(apart) / min(apart) > 1.1
    # Each expectation of so many draws moves by some 1 %.
    assert year["expected"] == pytest.approx(np.average(apart, weights=weights), rel=0.04)
