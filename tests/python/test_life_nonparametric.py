"""Survival, log-rank and causes against published tables, a second implementation and chance."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from lifelines import KaplanMeierFitter
from lifelines.statistics import multivariate_logrank_test
from scipy.stats import beta, binom, chi2, pearson3

from deadband import OptionError, SchemaError
from deadband.life import compare, cumulative_incidence, survival
from deadband.life._observed import Observed
from deadband.life.comparison import log_rank, two_sided
from deadband.life.kaplan_meier import counts, kaplan_meier
from deadband.life.turnbull import turnbull
from life_fleet import LIVES, dated, inspected, published, table

Reference = Callable[[str], dict[str, Any]]


def leukaemia(check: dict[str, Any]) -> pl.DataFrame:
    data = check["inputs"]
    return dated(data["time"], data["status"]).with_columns(lot=pl.Series(data["treat"]))


def maintenance(check: dict[str, Any]) -> pl.DataFrame:
    data = check["inputs"]
    return dated(data["time"], data["status"]).with_columns(lot=pl.Series(data["maintained"]))


def greenwood(seen: Observed) -> np.ndarray:
    found = counts(seen)
    share = np.cumprod(1.0 - found.failed / found.at_risk)
    left = found.at_risk - found.failed
    return share * np.sqrt(np.cumsum(found.failed / (found.at_risk * left)))


def test_remission_of_leukaemia(reference: Reference) -> None:
    # Gehan (1965), data of Freireich; Kaplan-Meier as in textbooks; written down from memory.
    check = reference("W11-gehan-km-logrank")
    told, lives = published(check), leukaemia(check)
    found = survival(lives, by="lot").filter(lot="6-MP")
    share = dict(found.select("years", "survival").rows())
    for years in (6, 7, 10, 13, 16, 22, 23):
        assert share[years] == told[f"S({years}) 6-MP"]
    mine = lives.filter(lot="6-MP")
    low, high = mine["low_years"].to_numpy(), mine["high_years"].fill_null(np.inf).to_numpy()
    seen = Observed(np.zeros(21), low, high)
    for years, u in zip(counts(seen).years, greenwood(seen), strict=True):
        assert u == told[f"Greenwood se at {years:g}"]
    both = compare(lives)
    assert both.statistic == told["log-rank chi-square"]
    row = both.groups.row(by_predicate=pl.col("lot") == "control", named=True)
    assert row["n_failed"] == told["observed control"]
    assert row["expected"] == told["expected control"]


def test_maintained_leukaemia(reference: Reference) -> None:
    # Miller (1981), tests/doaml.Rout.save and difftest.Rout.save of R's survival; the table of
    # survival is from memory.
    check = reference("W12-aml-logrank-km")
    told, lives = published(check), maintenance(check)
    found = compare(lives)
    assert found.statistic == told["chi-square"]
    assert chi2.sf(found.statistic, found.dof) == told["p"]
    for lot, word in ((1, "maintained"), (0, "non-maintained")):
        row = found.groups.row(by_predicate=pl.col("lot") == lot, named=True)
        assert row["n_failed"] == told[f"observed {word}"]
        assert row["expected"] == told[f"expected {word}"]
        apart = (row["n_failed"] - row["expected"]) ** 2 / row["expected"]
        assert apart == told[f"(O-E)^2/E {word}"]
    share = survival(lives.filter(lot=1))
    for years in (9, 13, 18, 23, 31, 34, 48):
        made = share.filter(years=float(years))["survival"][0]
        assert made == told[f"S({years}) maintained"]


def test_doubly_censored(reference: Reference) -> None:
    # Turnbull (1974), JASA 69, 169-173, as in tests/turnbull.Rout.save of R's survival.
    check = reference("W14-turnbull-doubly-censored")
    told, rows = published(check), []
    for years, died, right, left in check["inputs"]["time,events,right_censored,left_censored"]:
        rows += [(years, years)] * died + [(years, None)] * right + [(0, years)] * left
    found = survival(pl.DataFrame(rows, schema=LIVES, orient="row"))
    assert found["estimator"].unique().to_list() == ["turnbull"]
    for years, share in found.select("years", "survival").rows():
        assert share == told[f"S({years:g})"]


def test_survival_as_another_implementation_finds_it() -> None:
    rng = np.random.default_rng(1)
    seen = inspected(rng, 80, exact=True)
    late = Observed(np.minimum(rng.uniform(0.0, 1.0, 80), 0.9 * seen.low), seen.low, seen.high)
    found = survival(table(late))
    other = KaplanMeierFitter().fit(late.low, np.isfinite(late.high), entry=late.entry)
    expected = other.survival_function_at_times(found["years"].to_list())
    assert found["survival"].to_numpy() == pytest.approx(expected.to_numpy(), abs=1e-12)


def test_limits_of_uncensored_lives_are_those_of_a_count() -> None:
    years, _, low, high = kaplan_meier(
        Observed(np.zeros(10), np.arange(1.0, 11.0), np.arange(1.0, 11.0)), None, 0.95
    )
    for i in range(9):
        x = 9 - i  # survivors
        for end, share in ((low[i], 0.025), (high[i], 0.975)):
            halves = beta.cdf(end, x, 11 - x) + beta.cdf(end, x + 1, 10 - x)
            assert 0.5 * halves == pytest.approx(share, abs=1e-9)
    assert (low[9], years[9]) == (0.0, 10.0)


def test_exact_days_are_a_special_case_of_intervals() -> None:
    seen = inspected(np.random.default_rng(2), 40, exact=True)
    years, share, _, _ = kaplan_meier(seen, None, 0.95)
    assert turnbull(seen).survival(years)[0] == pytest.approx(share, abs=1e-6)


def test_estimate_of_intervals_is_self_consistent() -> None:
    seen = inspected(np.random.default_rng(3), 50)
    found = turnbull(seen)
    assert found.mass.sum() == pytest.approx(1.0)
    chance = found.holds.sums(found.mass)
    # No other place for mass would raise the likelihood (Gentleman and Geyer 1994).
    gain = found.holds.spread(found.weight / chance)
    assert gain.max() < found.weight.sum() * (1.0 + 1e-4)


def test_late_entry_of_intervals_has_the_exact_one_as_a_limit() -> None:
    rng = np.random.default_rng(4)
    seen = inspected(rng, 60, exact=True)
    late = Observed(np.minimum(rng.uniform(0.0, 1.0, 60), 0.5 * seen.low), seen.low, seen.high)
    years, share, _, _ = kaplan_meier(late, None, 0.95)
    assert turnbull(late).survival(years)[0] == pytest.approx(share, abs=1e-5)


def test_ages_within_an_interval_are_told_apart() -> None:
    lives = pl.DataFrame({"low_years": [1.0, 1.0, 3.0], "high_years": [2.0, 2.0, None]})
    found = survival(lives, at_years=[0.5, 1.5, 2.0, 9.0])
    assert found["status"].to_list() == ["ok", "not_told", "ok", "not_seen"]
    assert found["survival"].to_list() == pytest.approx([1.0, 2 / 3, 1 / 3, None])
    wide = found.row(1, named=True)
    assert wide["low"] <= found["low"][2] + 1e-4
    assert wide["high"] == found["high"][0] == 1.0
    assert found.row(3, named=True)["low"] == 0.0


@pytest.mark.parametrize("n", [5, 15])
def test_coverage_of_survival(n: int) -> None:
    """95 % limits at three ages hold 93 to 98 % on average in lots of 15, and more in lots of 5."""
    rng, at = np.random.default_rng(n), np.array([2.0, 3.5, 5.0])
    truth, held = np.exp(-((at / 5.0) ** 2)), np.zeros(3)
    for _ in range(300):
        _, _, low, high = kaplan_meier(inspected(rng, n, exact=True), at, 0.95)
        held += (low <= truth) & (truth <= high)
    assert 0.92 < held.mean() / 300 < (0.985 if n > 5 else 0.995)


def test_coverage_of_intervals() -> None:
    rng, truth, held = np.random.default_rng(8), np.exp(-((3.0 / 5.0) ** 2)), 0
    for _ in range(100):
        low, high = turnbull(inspected(rng, 15)).limits(3.0, 0.95)
        held += low <= truth <= high
    # Chance leaves 2 of 100.
    assert 90 <= held <= 100


def test_lots_as_another_implementation_compares_them() -> None:
    rng = np.random.default_rng(5)
    seen, code = inspected(rng, 60, exact=True), np.repeat(np.arange(3), 20)
    found = compare(table(seen).with_columns(lot=pl.Series(code)))
    other = multivariate_logrank_test(seen.low, code, np.isfinite(seen.high))
    assert found.statistic == pytest.approx(other.test_statistic)
    assert chi2.sf(found.statistic, found.dof) == pytest.approx(other.p_value)
    assert found.dof == 2
    assert found.dated == "days"


def test_order_of_rows_is_of_no_matter() -> None:
    seen, code = inspected(np.random.default_rng(6), 40), np.repeat(["b", "a"], 20)
    lives = table(seen).with_columns(lot=pl.Series(code))
    one, other = compare(lives), compare(lives.reverse())
    assert one.groups["lot"].to_list() == other.groups["lot"].to_list()
    assert one.statistic == pytest.approx(other.statistic)
    assert one.dated == "midpoints"


@pytest.mark.parametrize("exact", [True, False])
def test_lots_alike_are_seldom_called_different(exact: bool) -> None:
    """Twelve sound lots of ten, every other followed half as long: none is bad, but for 5 %."""
    rng, code, any_, each, n = np.random.default_rng(7), np.repeat(np.arange(12), 10), 0, 0, 300
    short = np.where(code % 2, 2.5, 6.0)
    for _ in range(n):
        seen = inspected(rng, 120, exact=exact)
        low, late = np.minimum(seen.low, short), seen.low > short
        high = np.where(late | (seen.high > short), np.inf, seen.high)
        excess, covariance, third = log_rank(Observed(seen.entry, low, high), code, 12)
        p = two_sided(excess, np.diag(covariance), third)
        any_ += p.min() < 0.05 / 12
        each += float((p < 0.05).mean())
    # Chance leaves 1.3 % and, of each, less than that.
    assert any_ / n < 0.09
    assert 0.02 < each / n < 0.08


@pytest.mark.parametrize(("excess", "third"), [(3.0, 1.5), (-1.2, 0.7), (2.5, -0.8), (0.4, -2.0)])
def test_tails_are_those_of_a_library(excess: float, third: float) -> None:
    found = two_sided(np.array([excess]), np.array([1.0]), np.array([third]))
    tails = pearson3.sf(excess, third), pearson3.cdf(excess, third)
    assert found[0] == pytest.approx(min(1.0, 2.0 * min(tails)), abs=1e-9)


def test_two_groups_are_one_question() -> None:
    lives = table(inspected(np.random.default_rng(14), 20)).with_columns(
        lot=pl.Series(["a", "b"] * 10)
    )
    found = compare(lives).groups
    assert found["p_adjusted"].to_list() == found["p_value"].to_list()
    assert found["p_value"][0] == pytest.approx(found["p_value"][1])


def test_many_failures_make_a_normal_tail() -> None:
    rng, code = np.random.default_rng(13), np.repeat([0, 1], 500)
    excess, covariance, third = log_rank(inspected(rng, 1000, exact=True), code, 2)
    p = two_sided(excess, np.diag(covariance), third)
    assert p == pytest.approx(chi2.sf(excess**2 / np.diag(covariance), 1), rel=0.02)
    assert p[0] == pytest.approx(p[1], rel=1e-6)


def test_a_bad_lot_is_found() -> None:
    rng = np.random.default_rng(9)
    parts = [
        table(inspected(rng, 15, scale=2.0 if lot == "c" else 8.0)).with_columns(lot=pl.lit(lot))
        for lot in "abcd"
    ]
    found = compare(pl.concat(parts))
    first = found.groups.row(0, named=True)
    assert first["lot"] == "c"
    assert first["p_adjusted"] < 0.01
    assert first["ratio"] > 2.0
    assert found.groups["p_adjusted"].is_sorted()
    assert found.groups["expected"].sum() == pytest.approx(found.groups["n_failed"].sum())


def test_a_lot_that_was_never_at_risk_says_nothing() -> None:
    lives = dated([1.0, 2.0, 3.0, 0.5, 9.0], [1, 1, 0, 0, 0]).with_columns(
        lot=pl.Series(["a", "b", "a", "c", "d"]), entry_years=pl.Series([0.0, 0.0, 0.0, 0.0, 8.0])
    )
    found = compare(lives).groups
    told = dict(found.select("lot", "p_value").rows())
    assert told["c"] is None
    assert told["d"] is None
    assert told["a"] == pytest.approx(told["b"])
    assert found["p_adjusted"].to_list() == found["p_value"].to_list()


def test_nothing_to_compare() -> None:
    lives = dated([1.0, 2.0], [1, 0]).with_columns(lot=pl.Series(["a", "a"]))
    assert compare(lives).status == "one_group"
    assert compare(lives.with_columns(high_years=None)).status == "no_failures"
    none = compare(lives.with_columns(lot=pl.lit(None, pl.String)))
    assert (none.status, none.n_left_out) == ("no_lives", 2)
    assert none.groups.is_empty()


@pytest.mark.parametrize("n", [5, 10])
def test_lives_that_are_tested_together_are_a_share(n: int) -> None:
    """At the age of the test `x` of `n` have failed: 95 % limits hold 92 % or more at any share."""
    limits = []
    for x in range(n + 1):
        low, high = np.full(n, 1.0), np.full(n, 2.0)
        low[x:], high[x:] = 2.0, np.where(np.arange(n - x) % 2, 3.0, np.inf)
        limits.append(turnbull(Observed(np.zeros(n), low, high)).limits(2.0, 0.95))
    least, most = np.array(limits).T
    assert least[0] == pytest.approx(0.05 ** (1.0 / n), abs=1e-4)
    assert most[n] == pytest.approx(1.0 - 0.05 ** (1.0 / n), abs=1e-4)
    share = np.linspace(0.01, 0.99, 197)
    chance = binom.pmf(np.arange(n + 1), n, 1.0 - share[:, None])
    held = (chance * ((least <= share[:, None]) & (share[:, None] <= most))).sum(axis=1)
    assert held.min() > 0.92
    assert held.mean() < 0.985


def test_groups_of_several_columns() -> None:
    rng = np.random.default_rng(15)
    lives = table(inspected(rng, 60, exact=True)).with_columns(
        model=pl.Series(["x", "y"] * 30), lot=pl.Series(["1"] * 30 + ["2"] * 28 + [None] * 2),
        cause=pl.lit("drifted"),
    )  # fmt: skip
    pair = ["model", "lot"]
    joined = lives.with_columns(lot=pl.concat_str(pair, separator="-"))
    for by_two, by_one in (
        (survival(lives, by=pair, at_years=[3.0]), survival(joined, by="lot", at_years=[3.0])),
        (cumulative_incidence(lives, by=pair), cumulative_incidence(joined, by="lot")),
        (compare(lives, by=pair).groups, compare(joined).groups),
    ):
        assert by_two.columns[:2] == pair
        assert by_two.select(pl.concat_str(pair, separator="-").alias("lot"), pl.all().exclude(pair)
        ).equals(by_one)  # fmt: skip
    assert compare(lives, by=pair).n_left_out == 2
    assert survival(lives, by=["lot"]).equals(survival(lives, by="lot"))


def test_a_lot_without_usable_lives_stops_no_other() -> None:
    lives = dated([1.0, 2.0, 3.0], [1, 0, 1]).with_columns(
        lot=pl.Series(["a", "a", "b"]), status=pl.Series(["ok", "ok", "no_tests"]),
        cause=pl.lit("stuck"),
    )  # fmt: skip
    found = survival(lives, by="lot", at_years=[1.5]).select("lot", "survival", "status")
    assert found.rows() == [("a", 0.5, "ok"), ("b", None, "no_lives")]
    assert cumulative_incidence(lives, by="lot", at_years=[1.5])["lot"].to_list() == ["a"]


def test_no_lives_are_told() -> None:
    none = dated([1.0], [1]).with_columns(lot=pl.lit("a"), status=pl.lit("no_tests"))
    assert survival(none)["status"].to_list() == ["no_lives"]
    assert survival(none, by="lot").select("lot", "status").rows() == [("a", "no_lives")]
    nameless = none.with_columns(lot=pl.lit(None, pl.String))
    assert survival(nameless, by="lot").is_empty()
    assert cumulative_incidence(none.with_columns(cause=pl.lit("x"))).is_empty()


@pytest.mark.parametrize("lives", [dated([2.0], [1]), dated([2.0], [0]), dated([2.0, 2.0], [1, 1])])
def test_lots_of_one_or_two(lives: pl.DataFrame) -> None:
    found = survival(lives)
    assert found["status"].to_list() == ["ok"]
    assert found["low"][0] <= found["survival"][0] <= found["high"][0]
    assert found["high"][0] - found["low"][0] > 0.7


def test_refusals() -> None:
    lives = dated([1.0, 2.0], [1, 0])
    with pytest.raises(OptionError, match="option confidence"):
        survival(lives, confidence=95.0)
    with pytest.raises(OptionError, match="option at_years"):
        survival(lives, at_years=[0.0])
    with pytest.raises(SchemaError, match="column lot"):
        survival(lives, by="lot")
    for wrong in ("low_years", "survival", [], 3, ["lot", None]):
        with pytest.raises(OptionError, match="option by"):
            survival(lives, by=wrong)  # type: ignore[arg-type]
    with pytest.raises(OptionError, match="option by"):
        compare(lives, by=["lot", "expected"])
    with pytest.raises(OptionError, match="option by"):
        compare(lives, by=None)  # type: ignore[arg-type]
    with pytest.raises(OptionError, match="option by"):
        cumulative_incidence(lives, by="cause")
    with pytest.raises(SchemaError, match="column lot"):
        compare(lives)
    with pytest.raises(SchemaError, match="column cause"):
        cumulative_incidence(lives)
