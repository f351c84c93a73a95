"""Lives on which limits, a choice or a comparison would tell more than the data do."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from deadband import OptionError, SchemaError
from deadband.life import compare, cumulative_incidence, fit, recurrence, returns, survival
from deadband.life._observed import Observed
from deadband.life._ranges import Ranges
from deadband.life.cumulative_incidence import incidence
from deadband.life.kaplan_meier import counts
from deadband.life.recurrence import limits, sums
from deadband.life.turnbull import _shared, _top, _value, turnbull
from life_fleet import inspected

NUMBERS = {"low_years": pl.Float64, "high_years": pl.Float64}


def lives(low: list[float], high: list[float | None], **more: Any) -> pl.DataFrame:
    return pl.DataFrame(
        {"low_years": low, "high_years": high, **more},
        schema_overrides=NUMBERS | ({"age_years": pl.Float64} if "age_years" in more else {}),
    )


def histories(**places: list[float]) -> pl.DataFrame:
    """Places with the ages of their replacements and, last, of the end."""
    rows = [(name, t, t != ages[-1]) for name, ages in places.items() for t in ages]
    return pl.DataFrame(rows, schema=["place_id", "years", "replaced"], orient="row")


def test_limits_of_one_cause_are_those_of_survival_where_the_last_life_failed() -> None:
    given = lives(
        [1.0] * 48 + [2.0, 2.0], [None] * 48 + [2.0, 2.0], cause=[None] * 48 + ["stuck"] * 2
    )
    row = cumulative_incidence(given).row(0, named=True)
    left = survival(given, at_years=[2.0]).row(0, named=True)
    assert row["share_failed"] == 1.0
    assert (row["low"], row["high"]) == pytest.approx((1.0 - left["high"], 1.0 - left["low"]))
    # Two of two failed: half the chance of that is 2.5 % at a share of sqrt(0.05).
    assert row["low"] == pytest.approx(np.sqrt(0.05))


def test_coverage_of_a_cause_right_after_the_last_life_failed() -> None:
    rng, held, n = np.random.default_rng(7), 0, 0
    while n < 200:
        life, other = 5.0 * rng.weibull(2.0, 10), 8.0 * rng.weibull(1.5, 10)
        end = rng.uniform(0.0, 6.0, 10)
        seen = np.minimum(np.minimum(life, other), end)
        if end[np.argmax(seen)] == seen.max():
            continue
        failed = seen < end
        table = counts(Observed(np.zeros(10), seen, np.where(failed, seen, np.inf)))
        own = np.isin(table.years, life[failed & (life < other)]).astype(float)
        age = seen.max()
        _, low, high = incidence(table, own, np.array([age]), 0.95)
        t = np.linspace(0.0, age, 400)
        density = 2.0 * t / 25.0 * np.exp(-((t / 5.0) ** 2) - (t / 8.0) ** 1.5)
        truth = float(np.diff(t) @ (density[1:] + density[:-1])) / 2.0
        held += bool(low[0] <= truth <= high[0])
        n += 1
    # Of lives whose last is chosen by what happened, no interval holds just 95 %.
    assert held / n > 0.9


def test_replacements_at_one_place_that_is_left_have_no_limits() -> None:
    gone = {f"p{i}": [1.0] for i in range(9)}
    curve = recurrence(histories(**gone, z=[0.5, 2.0, 3.0, 4.0, 5.0, 6.0])).curve
    assert curve["status"].to_list() == ["ok", *["one_place"] * 4]
    assert curve["mean"].to_list() == pytest.approx([0.1, 1.1, 2.1, 3.1, 4.1])
    assert curve.tail(4).select("u", "low", "high").null_count().row(0) == (4, 4, 4)
    assert curve["high"][0] > 0.1 > curve["low"][0] > 0.0


def test_places_that_are_alike_leave_what_a_count_leaves() -> None:
    row = recurrence(histories(a=[1.0, 2.0], b=[1.0, 2.0], c=[1.0, 2.0])).curve.row(0, named=True)
    assert row["u"] == 0.0
    # By definition: a Poisson count as large as 3, or as small, then has a chance of 2.5 %.
    low, high = 3.0 * row["low"], 3.0 * row["high"]
    assert np.exp(-low) * (1.0 + low + low**2 / 2.0) == pytest.approx(0.975)
    assert np.exp(-high) * (1.0 + high + high**2 / 2.0 + high**3 / 6.0) == pytest.approx(0.025)


def test_coverage_of_replacements_where_few_places_are_left() -> None:
    """Ten places with half a replacement a year, followed for one to ten years."""
    rng, held, n = np.random.default_rng(3), 0, 0
    for _ in range(300):
        end = rng.uniform(1.0, 10.0, 10)
        place = np.repeat(np.arange(10), rng.poisson(0.5 * end))
        at = rng.uniform(0.0, end[place])
        order = np.argsort(at)
        there = end[:, None] >= at[order]
        made = (place[order] == np.arange(10)[:, None]).astype(float)
        until = np.array([np.searchsorted(at[order], 9.0)])
        found = sums(there, made).at(until, np.array([(end >= 9.0).sum()]))
        if found.fewest[0] >= 2.0:
            low, high = limits(found, 0.95)
            held, n = held + bool(low[0] <= 4.5 <= high[0]), n + 1
    assert n > 60
    # 88 % with as many degrees of freedom as there were places.
    assert held / n > 0.93


def test_best_is_none_where_a_likelier_distribution_has_no_maximum() -> None:
    given = lives(
        [3.0] * 8 + [4.0] + [3.0] * 12, [4.0] * 8 + [5.0] + [None] * 12,
        age_years=[None] * 9 + [3.0] * 12,
    )  # fmt: skip
    assert fit(given, distribution="exponential").status == "ok"
    assert fit(given).status == "no_maximum"
    found = fit(given, distribution="best")
    assert found.status == "no_maximum"
    assert found.quantiles["years"].null_count() == 4
    assert returns(found, given).row(-1, named=True)["expected"] is None


@pytest.mark.parametrize("ages", [[1.0, 2.0, 11.0, 12.0], [1.0, 1.0, 1.0, 1.0]])
def test_groups_that_no_failure_compares(ages: list[float]) -> None:
    entry = [0.0, 0.0, 10.0, 10.0] if ages[-1] > 10.0 else [0.0] * 4
    found = compare(lives(ages, list(ages), entry_years=entry, lot=["a", "a", "b", "b"]))
    assert (found.status, found.p_value, found.statistic, found.dof) == (
        "not_comparable", None, None, 0,
    )  # fmt: skip
    assert found.groups["n_failed"].to_list() == [2, 2]


FIVE = lives([1.0, 2.0, 3.0, 4.0, 5.0], [1.0, 2.0, 3.0, 4.0, None]).with_columns(
    x=pl.Series([1.0, 2.0, 1.0, 3.0, 2.0]), lot=pl.lit("a"), cause=pl.lit("stuck")
)
LISTS = FIVE.with_columns(lot=pl.concat_list("lot"), cause=pl.concat_list("cause"))


@pytest.mark.parametrize("name", ["low_years", "high_years", "entry_years", "_usable"])
def test_columns_of_lives_are_no_covariates_and_no_causes(name: str) -> None:
    given = FIVE.with_columns(pl.lit(1.0).alias(name))
    with pytest.raises(OptionError, match="option covariates"):
        fit(given, covariates=[name])
    with pytest.raises(OptionError, match="option cause"):
        cumulative_incidence(given, cause=name)
    with pytest.raises(OptionError, match="option by"):
        survival(given, by=name)


@pytest.mark.parametrize("name", ["_ok", "_why"])
def test_any_other_name_may_be_used(name: str) -> None:
    given = FIVE.rename({"x": name})
    told = fit(given, covariates=[name]).parameters["parameter"].to_list()
    assert told == ["shape", "scale_years", name]
    assert survival(given, by=name)[name].unique().sort().to_list() == [1.0, 2.0, 3.0]


def test_columns_of_the_result_are_no_groups() -> None:
    for call, names in (
        (survival, ["years", "estimator"]),
        (cumulative_incidence, ["years", "cause", "dated"]),
        (compare, ["n", "ratio", "p_adjusted"]),
    ):
        for name in names:
            with pytest.raises(OptionError, match="option by"):
                call(FIVE.with_columns(pl.lit("a").alias(name)), by=name)


@pytest.mark.parametrize("left", [FIVE.clear(), FIVE.with_columns(low_years=None)])
def test_no_lives_of_any_cause(left: pl.DataFrame) -> None:
    assert cumulative_incidence(left, at_years=[1.5]).is_empty()


def test_columns_of_the_wrong_type() -> None:
    for call in (survival, compare, cumulative_incidence):
        with pytest.raises(SchemaError, match="column lot"):
            call(LISTS, by="lot")
    with pytest.raises(SchemaError, match="column cause"):
        cumulative_incidence(LISTS)
    with pytest.raises(SchemaError, match="column status"):
        fit(FIVE.with_columns(status=pl.concat_list("lot")))
    with pytest.raises(SchemaError, match="column entry_years"):
        recurrence(histories(a=[1.0, 2.0]).with_columns(entry_years=pl.lit("late")))
    with pytest.raises(SchemaError, match="column place_id"):
        recurrence(histories(a=[1.0, 2.0]).with_columns(pl.concat_list("place_id")))


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_covariates_are_wanted_at_numbers(value: float) -> None:
    with pytest.raises(OptionError, match=r"option at: .* give a number"):
        fit(FIVE, covariates=["x"], at={"x": value})


def test_ages_far_from_all_failures_have_narrow_limits() -> None:
    given = lives([1.0, 2.0, 3.0, 4.0], [1.0, 2.0, 3.0, 4.0])
    for name in ("weibull", "lognormal", "exponential"):
        found = fit(given, distribution=name).share_failed([1e-30, 1e30, 1e300])  # type: ignore[arg-type]
        assert found["low"].to_list() == pytest.approx([0.0, 1.0, 1.0], abs=1e-20)
        assert found["high"].to_list() == pytest.approx([0.0, 1.0, 1.0], abs=1e-20)


def test_failures_to_come_are_of_ages_in_years() -> None:
    given = FIVE.with_columns(age_years=pl.Series([None] * 4 + [5.0]))
    days = given.with_columns(pl.col("low_years", "high_years", "age_years") * 365.25)
    assert fit(days).status == "ok"
    with pytest.raises(OptionError, match=r"option fit: .*1826\.25 years"):
        returns(fit(days), given)
    with pytest.raises(OptionError, match=r"option lives: .*1826\.25 years"):
        returns(fit(given), days)


def test_lives_of_one_age_are_forecast_as_others() -> None:
    ages = np.repeat([3.0, 4.0], 40)
    given = lives(
        [1.0, 2.0, 3.0, 4.0, *ages], [1.0, 2.0, 3.0, 4.0] + [None] * 80,
        age_years=[None] * 4 + ages.tolist(),
    )  # fmt: skip
    apart = given.with_columns(age_years=pl.col("age_years") + 1e-13 * pl.int_range(pl.len()))
    fitted = fit(given)
    one, other = (returns(fitted, table, draws=200) for table in (given, apart))
    assert one.select("low", "high").equals(other.select("low", "high"))
    assert one["expected"].to_list() == pytest.approx(other["expected"].to_list(), abs=1e-9)


def test_sums_of_runs_are_those_of_the_matrix() -> None:
    rng = np.random.default_rng(5)
    ends = np.sort(rng.integers(0, 8, (30, 2)), axis=1)
    rows = Ranges(ends[:, 0], ends[:, 1] + 1, 8)
    full, value, mass = rows.flags().astype(float), rng.random(30), rng.random(8)
    assert Ranges.of(rows.flags()).sums(mass) == pytest.approx(full @ mass)
    assert rows.spread(value) == pytest.approx(value @ full)
    some = np.array([1, 2, 6])
    assert rows.gram(value, some) == pytest.approx((full.T * value @ full)[np.ix_(some, some)])


def test_limits_by_intervals_take_no_matrix_of_all_lives(monkeypatch: Any) -> None:
    optimize = pytest.importorskip("scipy.optimize")
    solve, rows = optimize.nnls, []

    def counted(left: Any, right: Any) -> Any:
        rows.append(left.shape)
        return solve(left, right)

    monkeypatch.setattr(optimize, "nnls", counted)
    found = turnbull(inspected(np.random.default_rng(5), 400))
    n = len(rows)
    found.limits(2.0, 0.95)
    # A row a place, and two for the shares on either side.
    assert all(height <= width + 2 for height, width in rows)
    assert max(width for _, width in rows[n:]) < 100
    assert len(rows) - n < 80


def test_limits_of_lives_seen_late_hold_what_is_likely() -> None:
    rng = np.random.default_rng(15)
    seen = inspected(rng, 25)
    end = np.where(np.isfinite(seen.high), seen.high, seen.low)
    late = rng.random(25) < 0.4
    entry = np.where(late, np.minimum(rng.uniform(0.0, 2.0, 25), 0.9 * end), 0.0)
    found = turnbull(Observed(entry, np.maximum(seen.low, entry), seen.high))
    low, high = found.limits(3.3, 0.95)
    split = found._split(3.3)
    gone = split.end <= 3.3
    # A mass that keeps so many and is likely enough.
    mass = _top(split, _shared(split.mass, gone, 0.6), gone, 0.6)
    assert _value(found, found.mass) - _value(split, mass) < 1.92
    assert low < 0.6 < high
