"""Sampling plans against published plans and curves, and against simulated inspections."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import hypergeom, nct, norm

from deadband import lots, plots
from deadband._errors import DeadbandError, OptionError

Reference = Callable[[str], Any]

NEAR = {"producer_fraction": 0.01, "consumer_fraction": 0.10}


def published(check: Any) -> dict[str, tuple[float, float]]:
    return {
        entry["name"]: (entry["value"], entry.get("abs_tol", 1e-12)) for entry in check["expected"]
    }


# --- published plans and curves -------------------------------------------------------------------


# Kiermeier (2008), J. Stat. Softw. 26(6): plans through (0.05, 0.95) and (0.15, 0.075).
def test_plans_through_two_points(reference: Reference) -> None:
    check = reference("Q01-variables-plan-design")
    (good, accepted), (bad, risk) = check["inputs"]["PRP"], check["inputs"]["CRP"]
    points = {
        "producer_fraction": good, "producer_risk": 1.0 - accepted, "consumer_fraction": bad,
        "consumer_risk": risk,
    }  # fmt: skip
    expected = published(check)
    by_attributes = lots.attributes_plan(**points)
    assert by_attributes.n == expected["binomial n"][0]
    assert by_attributes.c == expected["binomial c"][0]
    known = lots.variables_plan(**points, sigma_known=True)
    assert known.n == expected["known sigma n"][0]
    value, tolerance = expected["known sigma k (meets the producer point exactly)"]
    assert known.k == pytest.approx(value, abs=tolerance)
    unknown = lots.variables_plan(**points)
    assert unknown.n == expected["unknown sigma n (smallest feasible)"][0]
    name = "unknown sigma k, largest meeting the producer point (manual, OC curve section)"
    assert unknown.k == pytest.approx(expected[name][0], abs=expected[name][1])


# The manual of the same program.
def test_curve_of_ten(reference: Reference) -> None:
    check = reference("Q03-attributes-oc-n10-c3")
    for name, (value, tolerance) in published(check).items():
        fraction = float(name.rpartition("=")[2])
        n, c = (20, 0) if name.startswith("n=20") else (check["inputs"]["n"], check["inputs"]["c"])
        found = lots.AttributesPlan(n=n, c=c).p_accept(fraction)
        assert found == pytest.approx(value, abs=tolerance), name


# NIST/SEMATECH e-Handbook, 6.2.3.2, from memory.
def test_curve_of_the_handbook(reference: Reference) -> None:
    check = reference("Q04-nist-oc-52-3")
    plan = lots.AttributesPlan(**check["inputs"])
    for name, (value, tolerance) in published(check).items():
        found = plan.p_accept(float(name.rpartition("=")[2]))
        assert found == pytest.approx(value, abs=tolerance), name


# NIST/SEMATECH e-Handbook, 6.2.6: lines -0.939 + 0.0397 n and 1.205 + 0.0397 n; first acceptance
# after 24 tests, first rejection with 2 nonconforming. From memory.
def test_lines_of_the_handbook() -> None:
    plan = lots.sequential_plan(**NEAR)
    assert plan.slope == pytest.approx(0.0397, abs=5e-5)
    assert plan.accept_intercept == pytest.approx(0.939, abs=5e-4)
    assert plan.reject_intercept == pytest.approx(1.205, abs=5e-4)
    lines = plan.lines()
    assert lines.drop_nulls("accept_at_most")["n"][0] == 24
    assert lines.drop_nulls("reject_at_least").row(0) == (2, None, 2)
    assert lines.row(23) == (24, 0, 3)


# --- attributes -----------------------------------------------------------------------------------


@given(
    st.floats(0.005, 0.2), st.floats(0.05, 0.4), st.floats(0.01, 0.3), st.floats(0.01, 0.3),
)  # fmt: skip
def test_smallest_plans_meet_their_points(p1: float, more: float, alpha: float, beta: float):
    p2 = p1 + more
    plan = lots.attributes_plan(
        producer_fraction=p1, producer_risk=alpha, consumer_fraction=p2, consumer_risk=beta
    )
    good, bad = plan.p_accept([p1, p2])
    assert good >= 1.0 - alpha - 1e-9
    assert bad <= beta + 1e-9
    # No smaller sample with any acceptance number does.
    for c in range(plan.c + 1):
        n = plan.n - 1
        if c < n:
            less = lots.AttributesPlan(n=n, c=c).p_accept([p1, p2])
            assert less[0] < 1.0 - alpha or less[1] > beta


def test_small_lots_are_hypergeometric() -> None:
    plan = lots.AttributesPlan(n=13, c=1, lot_size=60)
    bad = np.arange(61)
    assert plan.p_accept(bad / 60) == pytest.approx(hypergeom.cdf(1, 60, bad, 13), abs=1e-10)
    few = lots.attributes_plan(consumer_fraction=0.1, lot_size=30)
    many = lots.attributes_plan(consumer_fraction=0.1)
    assert few.n < many.n
    all_of_it = lots.attributes_plan(consumer_fraction=0.02, consumer_risk=0.01, lot_size=50)
    assert all_of_it.n == 50
    whole = lots.AttributesPlan(n=60, c=0, lot_size=60)
    assert whole.p_accept([0.0, 1 / 60]).tolist() == [1.0, 0.0]


def least_plan(size: int, bad: tuple[int, int], risks: tuple[Fraction, Fraction]) -> Any:
    """The first acceptance number whose least sample meets both points, by counting samples."""

    def accepted(n: int, c: int, of: int) -> Fraction:
        ways = sum(math.comb(of, x) * math.comb(size - of, n - x) for x in range(c + 1) if x <= n)
        return Fraction(ways, math.comb(size, n))

    for c in range(size):
        enough = (n for n in range(c + 1, size + 1) if accepted(n, c, bad[1]) <= risks[1])
        n = next(enough, None)
        if n is None or 1 - accepted(n, c, bad[0]) <= risks[0]:
            return None if n is None else (n, c)
    return None


@pytest.mark.parametrize("size", [3, 10, 17, 20, 24, 25, 34])
def test_plans_of_small_lots_are_the_smallest_of_all(size: int) -> None:
    """Against whole numbers: where a probability equals the risk, logarithms are off."""
    rng = np.random.default_rng(size)
    for _ in range(20):
        few, many = sorted(rng.choice(size // 2 + 1, 2, replace=False).tolist())
        good, bad = (max(number / size, 0.1 / size) for number in (few, many))
        # As many tenths or thirds as a lot of twenty or so often has for a probability.
        risks = [Fraction(int(rng.integers(1, 5)), int(rng.choice([10, 12]))) for _ in range(2)]
        points = {
            "producer_fraction": good, "consumer_fraction": bad,
            "producer_risk": float(risks[0]), "consumer_risk": float(risks[1]),
        }  # fmt: skip
        told = least_plan(size, (few, many), (risks[0], risks[1]))
        if told is None:
            with pytest.raises(DeadbandError, match="no plan"):
                lots.attributes_plan(**points, lot_size=size)
        else:
            plan = lots.attributes_plan(**points, lot_size=size)
            assert (plan.n, plan.c) == told


@pytest.mark.parametrize(("size", "n"), [(20, 18), (25, 22)])
def test_a_risk_that_is_met_exactly_is_met(size: int, n: int) -> None:
    points = {"producer_fraction": 0.00818, "producer_risk": 0.3, "consumer_fraction": 0.02603}
    plan = lots.attributes_plan(**points, lot_size=size, consumer_risk=(size - n) / size)
    assert (plan.n, plan.c) == (n, 0)
    # Binomial: half of a half of a half.
    coins = lots.attributes_plan(consumer_fraction=0.5, consumer_risk=0.5**20)
    assert (coins.n, coins.c) == (20, 0)


def test_outgoing_quality_has_a_limit_and_testing_its_price() -> None:
    plan = lots.AttributesPlan(n=52, c=3, lot_size=10_000)
    fraction = np.linspace(0.0, 0.3, 301)
    outgoing = plan.average_outgoing_fraction(fraction)
    binomial = lots.AttributesPlan(n=52, c=3)
    told = binomial.p_accept(fraction) * fraction * (1 - 52 / 10_000)
    assert binomial.average_outgoing_fraction(fraction, lot_size=10_000) == pytest.approx(told)
    # NIST/SEMATECH e-Handbook, 6.2.3.2: a limit of 0.0372 at 0.06, from memory.
    assert outgoing.max() == pytest.approx(0.0372, abs=2e-4)
    assert fraction[outgoing.argmax()] == pytest.approx(0.06, abs=0.004)
    assert plan.average_total_tests(0.0) == pytest.approx(52.0)
    assert plan.average_total_tests(0.9) == pytest.approx(10_000.0)


ERRING = [
    lots.Classification(p_passed_of_bad=0.1, p_condemned_of_good=0.03),
    lots.Measurement(sd=1.5, u=1.0, bias=-0.3, guard_band=0.2),
]


@pytest.mark.parametrize("test", ERRING)
def test_a_test_that_errs_counts_what_a_simulation_counts(test: Any) -> None:
    rng = np.random.default_rng(3)
    fraction, n, size = 0.1, 20, 50_000
    missed, condemned = test.errors(fraction)
    apparent = fraction * (1 - missed) + (1 - fraction) * condemned
    assert test.apparent(fraction) == pytest.approx(float(apparent))
    for lot_size in (None, 50):
        plan = lots.AttributesPlan(n=n, c=2, lot_size=lot_size)
        bad = (
            rng.binomial(n, fraction, size)
            if lot_size is None
            else rng.hypergeometric(5, 45, n, size)
        )
        found = rng.binomial(bad, 1 - missed) + rng.binomial(n - bad, condemned)
        assert plan.p_accept(fraction, test=test) == pytest.approx((found <= 2).mean(), abs=0.01)


def test_a_measurement_condemns_what_a_simulation_condemns() -> None:
    rng = np.random.default_rng(4)
    test = ERRING[1]
    true = -norm.ppf(0.1) * 1.5 + 1.5 * rng.normal(size=200_000)
    told = true - 0.3 + rng.normal(size=true.size)
    rejected = told < 0.2
    passed, condemned = test.errors(0.1)
    assert test.apparent(0.1) == pytest.approx(rejected.mean(), abs=0.004)
    assert passed == pytest.approx((~rejected)[true < 0.0].mean(), abs=0.01)
    assert condemned == pytest.approx(rejected[true >= 0.0].mean(), abs=0.004)
    exact = lots.Measurement(sd=1.5, u=0.0)
    assert exact.apparent([0.0, 0.2, 1.0]) == pytest.approx([0.0, 0.2, 1.0])


# --- variables ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "k"), [(2, 0.5), (8, 1.2), (30, 2.0)])
def test_curve_is_noncentral_t(n: int, k: float) -> None:
    fraction = np.array([0.001, 0.02, 0.1, 0.5, 0.9])
    shift = -norm.ppf(fraction) * math.sqrt(n)
    found = lots.VariablesPlan(n=n, k=k).p_accept(fraction)
    assert found == pytest.approx(nct.sf(math.sqrt(n) * k, n - 1, shift), abs=1e-8)


@pytest.mark.parametrize("sigma_known", [False, True])
def test_measured_lots_are_accepted_as_often_as_told(*, sigma_known: bool) -> None:
    rng = np.random.default_rng(5)
    test = ERRING[1]
    plan = lots.VariablesPlan(n=12, k=1.2, sigma_known=sigma_known)
    true = -norm.ppf(0.05) * test.sd + test.sd * rng.normal(size=(40_000, 12))
    told = true + test.bias + test.u * rng.normal(size=true.shape) - test.guard_band
    spread = test.sd if sigma_known else told.std(axis=1, ddof=1)
    counted = (told.mean(axis=1) / spread >= plan.k).mean()
    assert plan.p_accept(0.05, test=test) == pytest.approx(counted, abs=0.01)


def test_points_near_each_other_take_many() -> None:
    plan = lots.variables_plan(producer_fraction=0.001, consumer_fraction=0.0015)
    good, bad = plan.p_accept([0.001, 0.0015])
    assert good == pytest.approx(0.95, abs=1e-6)
    assert bad <= 0.10
    less = lots.VariablesPlan(n=plan.n - 1, k=plan.k)
    assert less.p_accept(0.001) < 0.95 or less.p_accept(0.0015) > 0.0999
    with pytest.raises(DeadbandError, match="no sample"):
        lots.variables_plan(producer_fraction=0.001, consumer_fraction=0.00100001)


def test_a_sample_is_judged_by_its_distance() -> None:
    plan = lots.VariablesPlan(n=10, k=1.5)
    assert plan.accepts(mean=60.0, s=2.0, lower=57.0)
    assert not plan.accepts(mean=60.0, s=2.0, lower=57.1)
    assert plan.margin(mean=60.0, s=2.0, upper=66.0) == pytest.approx(3.0)
    for limits in ({}, {"lower": 54.0, "upper": 66.0}):
        with pytest.raises(OptionError, match="option lower"):
            plan.margin(mean=60.0, s=2.0, **limits)


# --- sequential -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "points",
    [
        NEAR,
        {"producer_fraction": 0.05, "consumer_fraction": 0.15, "consumer_risk": 0.075},
        {"producer_fraction": 0.02, "consumer_fraction": 0.20, "consumer_risk": 0.05},
        {"producer_fraction": 0.1, "consumer_fraction": 0.5, "producer_risk": 0.01},
    ],
)
def test_sequential_plans_meet_their_points_with_fewer_tests(points: dict[str, float]) -> None:
    plan = lots.sequential_plan(**points)
    single = lots.attributes_plan(**points)
    ends = [points["producer_fraction"], points["consumer_fraction"]]
    good, bad = plan.p_accept(ends)
    assert good >= 1.0 - points.get("producer_risk", 0.05)
    assert bad <= points.get("consumer_risk", 0.10)
    assert (plan.average_tests(ends) < single.n).all()
    assert plan.n_most <= 3 * single.n + 1


def test_exact_risks_are_those_of_a_simulation() -> None:
    rng = np.random.default_rng(6)
    plan = lots.sequential_plan(**NEAR)
    size, fraction = 4000, 0.04
    bad = (rng.random((size, plan.n_most)) < fraction).cumsum(axis=1)
    n = np.arange(1, plan.n_most + 1)
    low = np.array([plan.accept_at_most(one) for one in n])
    high = np.array([plan.reject_at_least(one) for one in n])
    over = (bad <= low) | (bad >= high)
    first = over.argmax(axis=1)
    accepted = bad[np.arange(size), first] <= low[first]
    assert over.any(axis=1).all()
    assert plan.p_accept(fraction) == pytest.approx(accepted.mean(), abs=0.03)
    assert plan.average_tests(fraction) == pytest.approx((first + 1).mean(), abs=1.2)
    asked = [
        plan.decision(int(one) + 1, int(row[one])) for one, row in zip(first, bad, strict=True)
    ]
    assert [word == "accept" for word in asked] == accepted.tolist()
    erring = lots.Classification(p_passed_of_bad=0.0, p_condemned_of_good=0.05)
    assert plan.p_accept(0.01, test=erring) == pytest.approx(
        float(plan.p_accept(float(erring.apparent(0.01))))
    )


@given(
    st.sampled_from([0.004, 0.02, 0.05, 0.2]), st.floats(1.15, 6.0), st.floats(0.01, 0.3),
    st.floats(0.01, 0.3), st.none() | st.sampled_from([60, 333, 1500]),
)  # fmt: skip
@settings(max_examples=15, deadline=None)
def test_the_acceptance_number_is_the_smallest(
    good: float, ratio: float, alpha: float, beta: float, lot_size: int | None
) -> None:
    bad = min(good * ratio, 0.9)
    consumer = {"consumer_fraction": bad, "consumer_risk": beta, "lot_size": lot_size}
    points = {**consumer, "producer_fraction": good, "producer_risk": alpha}
    for c in range(60):
        try:
            one = lots.attributes_plan(**consumer, c=c)
        except DeadbandError:
            with pytest.raises(DeadbandError, match="no plan"):
                lots.attributes_plan(**points)
            return
        if float(one.p_accept(good)) >= 1.0 - alpha:
            assert lots.attributes_plan(**points) == one
            return


def test_plans_near_the_limit_are_found_or_refused_at_once() -> None:
    started = time.process_time()
    plan = lots.attributes_plan(producer_fraction=0.097, consumer_fraction=0.1)
    assert plan.p_accept(0.097) >= 0.95
    assert plan.p_accept(0.1) <= 0.10
    smaller = lots.AttributesPlan(n=plan.n - 1, c=plan.c)
    assert smaller.p_accept(0.1) > 0.10
    with pytest.raises(DeadbandError, match="no plan within a sample of 1000000"):
        lots.attributes_plan(producer_fraction=0.0999, consumer_fraction=0.1)
    # Far below what trying each acceptance number would take, on any machine.
    assert time.process_time() - started < 4.0


# --- options --------------------------------------------------------------------------------------


def test_bad_options() -> None:
    for make in (
        lambda: lots.AttributesPlan(n=5, c=5),
        lambda: lots.AttributesPlan(n=5, c=1, lot_size=4),
        lambda: lots.AttributesPlan(n=5.0, c=1),
        lambda: lots.AttributesPlan(n=5, c=1).p_accept(1.5),
        lambda: lots.AttributesPlan(n=5, c=1).p_accept("a"),
        lambda: lots.AttributesPlan(n=5, c=1).p_accept(0.1, test="x"),
        lambda: lots.AttributesPlan(n=5, c=1).average_outgoing_fraction(0.1, test="x"),
        lambda: lots.VariablesPlan(n=5, k=1.0).p_accept(0.1, test=lots.Classification()),
        lambda: lots.sequential_plan(**NEAR).p_accept(0.1, test="x"),
        lambda: plots.operating_characteristic({"a": lots.AttributesPlan(n=5, c=1)}),
        lambda: plots.operating_characteristic(lots.AttributesPlan(n=5, c=1), test="x"),
        lambda: lots.AttributesPlan(n=5, c=1).average_total_tests(0.1),
        lambda: lots.VariablesPlan(n=1, k=1.0),
        lambda: lots.VariablesPlan(n=5, k=math.nan),
        lambda: lots.Classification(p_passed_of_bad=0.6, p_condemned_of_good=0.5),
        lambda: lots.Measurement(sd=0.0, u=1.0),
        lambda: lots.attributes_plan(consumer_fraction=0.0),
        lambda: lots.attributes_plan(producer_fraction=0.2, consumer_fraction=0.1),
        lambda: lots.variables_plan(**NEAR, producer_risk=0.6, consumer_risk=0.6),
        lambda: lots.sequential_plan(**NEAR).decision(3, 4),
        lambda: lots.SequentialPlan(
            slope=0.1, accept_intercept=1.0, reject_intercept=1.0, n_most=5, c_most=5
        ),
    ):
        with pytest.raises(OptionError):
            make()
    with pytest.raises(DeadbandError, match="two wishes"):
        lots.attributes_plan(**NEAR, c=0)
    with pytest.raises(DeadbandError, match="single plan"):
        lots.sequential_plan(producer_fraction=0.01, consumer_fraction=0.0105)
