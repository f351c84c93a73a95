"""Replacements by age against published curves, and failures to come against simulated futures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from deadband import OptionError, SchemaError
from deadband.life import fit, recurrence, returns
from deadband.life._candidates import try_one
from deadband.life._observed import arrays, usable
from deadband.life.recurrence import Sums, limits
from life_fleet import dated, inspected, published, table

Reference = Callable[[str], dict[str, Any]]
HISTORIES = {"place_id": pl.String, "years": pl.Float64, "replaced": pl.Boolean}


def histories(*places: tuple[str, list[float], float]) -> pl.DataFrame:
    rows = [(name, t, True) for name, events, _ in places for t in events]
    rows += [(name, end, False) for name, _, end in places]
    return pl.DataFrame(rows, schema=HISTORIES, orient="row")


def test_valve_seats(reference: Reference) -> None:
    # Nelson (1995), Technometrics 37, 147-157, as in tests/r_sas.Rout.save of R's survival.
    check = reference("W15-valve-seat-mcf")
    told, data = published(check), check["inputs"]
    given = pl.DataFrame(
        {"place_id": data["id"], "years": data["days"], "replaced": [e == 1 for e in data["event"]]}
    )
    found = recurrence(given)
    assert (found.n_places, found.n_replaced, found.status) == (41, 48, "ok")
    curve = {row["years"]: row for row in found.curve.iter_rows(named=True)}
    for name, expected in told.items():
        kind, _, rest = name.replace("at risk at ", "risk(").partition("(")
        row = curve.get(float(rest.rstrip(")")))
        if row is None:
            continue
        column = {"risk": "at_risk", "MCF": "mean", "se MCF": "u"}[kind]
        assert row[column] == expected, name


def test_five_systems(reference: Reference) -> None:
    # Example in the documentation of the package reliability. Its variance is that of independent
    # events, which ours is not.
    check = reference("W16-mcf-five-systems")
    told = published(check)
    systems = check["inputs"]["times_last_is_retirement"]
    given = histories(*((f"s{i}", times[:-1], times[-1]) for i, times in enumerate(systems)))
    curve = recurrence(given).curve
    # Of events on one day the last step counts.
    steps = {
        float(name.rpartition("t=")[2]): value
        for name, value in told.items()
        if name.startswith("MCF step")
    }
    assert len(steps) == curve.height == 11
    for years, expected in steps.items():
        row = curve.row(by_predicate=pl.col("years") == years, named=True)
        assert row["mean"] == expected


def test_late_entry_counts_no_place_before_it_was_seen() -> None:
    given = histories(("a", [1.0], 4.0), ("b", [3.0], 4.0)).with_columns(
        entry_years=pl.when(place_id="b").then(2.0).otherwise(0.0)
    )
    curve = recurrence(given).curve
    assert curve.select("at_risk", "mean").rows() == [(1, 1.0), (2, 1.5)]


def test_places_that_cannot_be_used_are_counted() -> None:
    good = histories(("a", [1.0], 4.0), ("b", [2.0], 4.0))
    bad = pl.DataFrame(
        [
            ("no end", 1.0, True), ("after", 5.0, True), ("after", 4.0, False),
            ("two", 3.0, False), ("two", 4.0, False), ("gap", None, True), ("gap", 4.0, False),
            ("odd", 1.0, None), ("odd", 2.0, False),
        ],
        schema=HISTORIES, orient="row",
    )  # fmt: skip
    found = recurrence(pl.concat([good, bad]))
    assert (found.n_places, found.n_left_out) == (2, 5)
    assert found.curve.equals(recurrence(good).curve)


def test_few_places() -> None:
    assert recurrence(histories()).status == "no_places"
    alone = recurrence(histories(("a", [1.0, 2.0], 3.0)))
    assert alone.status == "one_place"
    assert alone.curve["mean"].to_list() == [1.0, 2.0]
    assert alone.curve["low"].null_count() == 2
    quiet = recurrence(histories(("a", [], 3.0), ("b", [], 3.0)), at_years=[2.0, 9.0]).curve
    assert quiet["status"].to_list() == ["ok", "not_seen"]
    assert quiet.row(0, named=True)["high"] == pytest.approx(-np.log(0.025) / 2.0)


def simulated(rng: np.random.Generator, n: int) -> pl.DataFrame:
    """Places of unequal rates, followed for four to eight years."""
    places = []
    for i in range(n):
        end = rng.uniform(4.0, 8.0)
        number = rng.poisson(0.4 * rng.gamma(2.0, 0.5) * end)
        places.append((f"p{i}", rng.uniform(0.0, end, number).tolist(), end))
    return histories(*places)


def test_coverage_of_replacements() -> None:
    """95 % limits of the mean after four years, 0.4 a year, in fleets of 20 places."""
    rng, held, n = np.random.default_rng(3), 0, 150
    for _ in range(n):
        row = recurrence(simulated(rng, 20), at_years=[4.0]).curve.row(0, named=True)
        held += row["low"] <= 1.6 <= row["high"]
    # Chance leaves 1.8 %.
    assert 0.91 < held / n < 0.995


def test_limits_by_how_far_places_are_apart() -> None:
    # Student's t of 29 degrees of freedom is 2.04523 at 97.5 %.
    places, one = 30.0, np.ones(1)
    low, high = limits(Sums(one, 0.4 * one, one / 30.0, places * one, places * one), 0.95)
    reach = np.exp(2.04523 * 0.4 * np.sqrt(places / (places - 1.0)))
    assert (low[0], high[0]) == pytest.approx((1.0 / reach, reach), rel=1e-5)


def fleet(rng: np.random.Generator, n: int = 60) -> tuple[pl.DataFrame, int]:
    """Lives of switches five years old today, and how many more fail within a year."""
    age = rng.uniform(2.0, 5.0, n)
    life = 6.0 * np.sqrt(rng.exponential(size=n))
    failed = life <= age
    made = dated(np.where(failed, life, age), failed).with_columns(
        age_years=pl.Series(np.where(failed, np.nan, age)).fill_nan(None)
    )
    return made, int(((life > age) & (life <= age + 1.0)).sum())


def test_coverage_of_failures_to_come() -> None:
    """95 % prediction intervals of the failures within a year, at least at their level."""
    rng, held, n = np.random.default_rng(4), 0, 60
    whole = fit(fleet(rng)[0], quantiles=[])
    for _ in range(n):
        lives, more = fleet(rng)
        # Its distribution is all that is asked for: limits of parameters take most of the time.
        seen = arrays(usable(lives)[0])
        made = try_one("weibull", seen, np.ones((seen.n, 1)), None, 0.95)
        fitted = replace(whole, limits=made.limits)
        row = returns(fitted, lives, months=12, draws=200).row(-1, named=True)
        held += row["low"] <= more <= row["high"]
    # A count has steps: more than 95 % is its rule. Chance leaves 2.8 %.
    assert held / n >= 0.88


def test_the_same_seed_gives_the_same_rows() -> None:
    lives, _ = fleet(np.random.default_rng(5))
    found = fit(lives)
    ahead = returns(found, lives)
    assert ahead.equals(returns(found, lives))
    assert ahead["months"].to_list() == list(range(13))
    assert ahead["expected"].is_sorted()
    assert ahead["high"].is_sorted()
    assert ahead.row(0)[1:4] == (0.0, 0, 0)
    inside = (ahead["low"] <= ahead["expected"]) & (ahead["expected"] <= ahead["high"])
    assert inside.all()


def test_the_expected_number_is_the_sum_of_the_chances() -> None:
    lives, _ = fleet(np.random.default_rng(6), 4000)
    found = fit(lives, quantiles=[])
    shape, scale = found.parameters["value"]
    ages = lives["age_years"].drop_nulls().to_numpy()
    wanted = -np.expm1((ages / scale) ** shape - ((ages + 1.0) / scale) ** shape).sum()
    ahead = returns(found, lives, draws=200).row(-1, named=True)
    assert ahead["expected"] == pytest.approx(wanted, rel=0.02)


def test_tests_leave_failures_that_nobody_has_seen() -> None:
    rng = np.random.default_rng(7)
    lives = table(inspected(rng, 60)).with_columns(
        age_years=pl.when(pl.col("high_years").is_null()).then(pl.col("low_years") + 1.0),
        status=pl.lit("ok"),
    )
    found = fit(lives)
    first = returns(found, lives).row(0, named=True)
    assert first["expected"] > 1.0
    untold = pl.DataFrame({"age_years": [4.0], "status": ["no_tests"]})
    more = returns(found, pl.concat([lives, untold], how="diagonal")).row(0, named=True)
    assert more["n_in_service"] == first["n_in_service"] + 1
    share = found.share_failed([4.0])["share_failed"][0]
    assert more["expected"] - first["expected"] == pytest.approx(share, abs=0.1)


def test_without_failures_there_is_an_upper_limit() -> None:
    lives = dated([5.0] * 20, [0] * 20).with_columns(age_years=5.0)
    found = returns(fit(lives, shape=2.0), lives)
    assert found["status"].unique().to_list() == ["no_failures"]
    assert found["expected"].null_count() == found["low"].null_count() == 13
    assert 1 <= found["high"][-1] <= 6


def test_nothing_to_foretell() -> None:
    lives, _ = fleet(np.random.default_rng(8))
    gone = returns(fit(lives), lives.with_columns(age_years=pl.lit(None, pl.Float64)))
    assert gone["status"].unique().to_list() == ["none_in_service"]
    none = returns(fit(lives.head(0)), lives)
    assert none["status"].unique().to_list() == ["no_lives"]
    assert none["high"].null_count() == 13


def test_refusals() -> None:
    lives, _ = fleet(np.random.default_rng(9))
    found = fit(lives)
    with pytest.raises(OptionError, match="option months"):
        returns(found, lives, months=0)
    with pytest.raises(OptionError, match="option draws"):
        returns(found, lives, draws=10)
    with pytest.raises(OptionError, match="option fit"):
        returns(None, lives)  # type: ignore[arg-type]
    more = lives.with_columns(x=pl.int_range(pl.len()).cast(pl.Float64))
    with pytest.raises(OptionError, match="option fit"):
        returns(fit(more, covariates=["x"]), more)
    with pytest.raises(SchemaError, match="column age_years"):
        returns(found, lives.drop("age_years"))
    with pytest.raises(SchemaError, match="column place_id"):
        recurrence(lives)
    with pytest.raises(SchemaError, match="column replaced"):
        recurrence(histories(("a", [1.0], 2.0)).with_columns(replaced=pl.lit("yes")))
    with pytest.raises(OptionError, match="option confidence"):
        recurrence(histories(("a", [1.0], 2.0)), confidence=95)
