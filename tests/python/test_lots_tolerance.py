"""Tolerance intervals against published factors, SciPy and simulated lots."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import ndtr
from scipy.stats import binom, chi2, nct, norm

from deadband import lots
from deadband._errors import DeadbandError, OptionError, SchemaError
from deadband.lots._sample import Sample
from deadband.lots._spread import Unlike, spread_of

Reference = Callable[[str], Any]


def published(check: Any) -> dict[str, tuple[float, float]]:
    return {entry["name"]: (entry["value"], entry["abs_tol"]) for entry in check["expected"]}


# NIST/SEMATECH e-Handbook, 7.2.6.3: 43 wafers and 6 wafers.
def test_factors_of_the_handbook(reference: Reference) -> None:
    check = reference("L01-nist-tolerance-factors")
    inputs, expected = check["inputs"], published(check)
    options = {"coverage": inputs["p"], "confidence": inputs["gamma"]}
    for n, side, method, name in (
        (inputs["N"], "both", "howe", "k2 (Howe, 4 decimals)"),
        (inputs["N"], "upper", "natrella", "k1 (Natrella)"),
        (inputs["N"], "upper", "exact", "k1 (noncentral t)"),
        (inputs["second_N"], "lower", "exact", "N=6 k1 (noncentral t)"),
        (inputs["second_N"], "lower", "natrella", "N=6 k1 (Natrella)"),
    ):
        value, tolerance = expected[name]
        found = lots.tolerance_factor(n, side=side, method=method, **options)
        assert found == pytest.approx(value, abs=tolerance), name


# Natrella (1963), table A-7, Owen (1963) and ISO 16269-6, from memory.
def test_factors_of_tables(reference: Reference) -> None:
    for name, (value, tolerance) in published(reference("L03-one-sided-tolerance-factors")).items():
        n, p, gamma = (float(part.partition("=")[2]) for part in name.split()[-3:])
        side = "both" if name.startswith("two-sided") else "upper"
        found = lots.tolerance_factor(int(n), coverage=p, confidence=gamma, side=side)
        assert found == pytest.approx(value, abs=tolerance), name


@given(
    st.integers(2, 300),
    st.floats(0.3, 0.999),
    st.floats(0.05, 0.999),
    st.none() | st.floats(3.0, 400.0),
)
def test_one_side_is_noncentral_t(n: int, p: float, gamma: float, dof: float | None) -> None:
    found = lots.tolerance_factor(n, coverage=p, confidence=gamma, side="upper", dof=dof)
    # The factor's own probability, which SciPy tells more surely than its quantile.
    with np.errstate(all="ignore"):
        reached = nct.cdf(found * math.sqrt(n), dof or n - 1, norm.ppf(p) * math.sqrt(n))
    if math.isfinite(reached) and norm.ppf(p) * math.sqrt(n) < 30.0:
        assert reached == pytest.approx(gamma, abs=1e-6)


# Krishnamoorthy & Mathew (2009), Statistical Tolerance Regions, the integral over the sample mean.
@pytest.mark.parametrize(("n", "p", "gamma"), [(2, 0.95, 0.95), (5, 0.9, 0.99), (40, 0.99, 0.9)])
def test_two_sides_are_the_integral(n: int, p: float, gamma: float) -> None:
    def inner(z: float, k: float) -> float:
        mean = z / math.sqrt(n)
        radius = brentq(lambda r: norm.cdf(mean + r) - norm.cdf(mean - r) - p, 0.0, mean + 20.0)
        return 2.0 * norm.pdf(z) * chi2.sf((n - 1) * (radius / k) ** 2, n - 1)

    k = lots.tolerance_factor(n, coverage=p, confidence=gamma)
    reached = quad(inner, 0.0, 9.0, args=(k,), epsabs=1e-10)[0]
    assert reached == pytest.approx(gamma, abs=1e-8)


def test_howe_is_near_and_natrella_ends() -> None:
    exact, howe = (lots.tolerance_factor(20, method=name) for name in ("exact", "howe"))
    assert 0.0 < abs(exact / howe - 1.0) < 0.01
    with pytest.raises(DeadbandError, match="no factor"):
        lots.tolerance_factor(2, confidence=0.99, side="lower", method="natrella")
    for options in ({}, {"side": "upper"}, {"method": "howe"}):
        with pytest.raises(DeadbandError, match="option dof: the factor is too large"):
            lots.tolerance_factor(5, dof=1e-3, **options)


def test_scale_and_shift() -> None:
    values = np.array([58.1, 60.3, 61.0, 59.2, 60.4, 57.9])
    base = lots.tolerance_interval(values, u=0.5, common_u=0.3)
    other = lots.tolerance_interval(10.0 * values - 7.0, u=5.0, common_u=3.0)
    assert other.low == pytest.approx(10.0 * base.low - 7.0)
    assert other.high == pytest.approx(10.0 * base.high - 7.0)
    mirrored = lots.tolerance_interval(-values, u=0.5, side="lower")
    assert mirrored.low == pytest.approx(-lots.tolerance_interval(values, u=0.5, side="upper").high)


def test_what_a_measurement_adds_is_taken_out_of_the_spread_alone() -> None:
    values = [58.1, 60.3, 61.0, 59.2, 60.4, 57.9]
    plain = lots.tolerance_interval(values)
    known = lots.tolerance_interval(values, u=0.8)
    assert known.sd == pytest.approx(math.sqrt(plain.sd**2 - 0.64))
    assert plain.low < known.low < known.high < plain.high
    shared = lots.tolerance_interval(values, u=0.8, common_u=2.0)
    assert shared.low < known.low - 1.5


def test_order_statistics() -> None:
    values = np.random.default_rng(5).normal(60.0, 1.0, 200)
    found = lots.tolerance_interval(values, method="distribution_free")
    ordered = np.sort(values)
    rank = int(np.flatnonzero(ordered == found.low)[0]) + 1
    assert found.high == ordered[-rank]
    assert found.confidence_reached == pytest.approx(binom.cdf(200 - 2 * rank, 200, 0.95))
    assert found.confidence_reached >= 0.95 > binom.cdf(200 - 2 * rank - 2, 200, 0.95)
    one = lots.tolerance_interval(values, method="distribution_free", side="lower")
    assert one.high is None
    assert one.low > found.low


# Wilks (1941): 93 results for both ends, 59 for one; from memory.
def test_results_that_order_statistics_need() -> None:
    assert lots.n_needed() == 93
    assert lots.n_needed(side="lower") == 59
    fewer = lots.tolerance_interval(range(92), method="distribution_free")
    assert (fewer.status, fewer.low, fewer.n_needed) == ("too_few_samples", None, 93)
    assert lots.tolerance_interval(range(93), method="distribution_free").low == 0.0
    with pytest.raises(OptionError, match="coverage"):
        lots.n_needed(1.0 - 1e-12)


@pytest.mark.parametrize(
    ("values", "u", "status"),
    [
        ([], None, "too_few_samples"),
        ([60.0], None, "too_few_samples"),
        ([60.0, None, math.nan], None, "too_few_samples"),
        ([60.0, 61.0], [None, 0.2], "too_few_samples"),
        ([60.0, 60.0, 60.0], None, "zero_spread"),
        ([60.0, math.inf], None, "bad_value"),
        ([60.0, 61.0], -1.0, "bad_value"),
        ([60.0, 60.0, 60.0], 0.3, "ok"),
        ([60.0, 61.0], None, "ok"),
    ],
)
def test_what_cannot_be_told(values: list[Any], u: Any, status: str) -> None:
    found = lots.tolerance_interval(values, u=u)
    assert found.status == status
    assert (found.low is None) == (status != "ok")


@pytest.mark.parametrize(
    ("name", "option"),
    [
        ("coverage", 1.0), ("confidence", 0.0), ("side", "left"), ("method", "wilks"),
        ("u", [0.1]), ("common_u", -0.1),
    ],
)  # fmt: skip
def test_bad_options(name: str, option: Any) -> None:
    with pytest.raises(OptionError, match=f"option {name}"):
        lots.tolerance_interval([60.0, 61.0, 62.0], **{name: option})
    with pytest.raises(OptionError):
        lots.tolerance_factor(1)
    with pytest.raises(OptionError, match="option method"):
        lots.tolerance_factor(10, method="howe", side="lower")


@pytest.mark.parametrize("values", [[1.0, 2.0, "x"], "abc", "123", None, 5.0, [[1.0], [2.0, 3.0]]])
def test_what_is_no_list_of_numbers(values: Any) -> None:
    with pytest.raises(OptionError, match="option values"):
        lots.tolerance_interval(values)
    with pytest.raises(OptionError, match="option u"):
        lots.tolerance_interval([60.0, 61.0], u="a" if values is None else [0.1, "x"])
    single = lots.tolerance_interval([60.0, 61.0], u=np.float32(0.5))
    assert single.low == lots.tolerance_interval([60.0, 61.0], u=0.5).low


# --- coverage -------------------------------------------------------------------------------------


@given(
    st.lists(st.tuples(st.floats(50.0, 70.0), st.floats(0.01, 3.0)), min_size=3, max_size=12),
    st.floats(0.02, 5.0),
)
def test_each_variance_has_its_score(results: list[tuple[float, float]], sd: float) -> None:
    values, own = (np.array(column) for column in zip(*results, strict=True))
    if np.ptp(values) < 0.5:
        return
    spread = Unlike(values=values, own=own, group=np.zeros(own.size, dtype=np.intp))
    score = spread.score(sd**2)
    assert score <= spread.score(0.0)
    if abs(score) < 6.0 and score < spread.score(0.0) - 1e-6:
        assert spread.score(float(spread.variance(np.array([score]))[0])) == pytest.approx(
            score, abs=0.005
        )


@pytest.mark.parametrize("group", [[0] * 6, [0, 0, 0, 1, 1, 1]])
@pytest.mark.parametrize("u", [0.3, 3.0])
def test_uncertainties_that_are_alike_have_a_closed_form(group: list[int], u: float) -> None:
    values = np.array([58.1, 60.3, 61.0, 59.2, 60.4, 57.9])
    at = np.array(group, dtype=np.intp)
    closed = spread_of(values, np.full(6, u), at)
    sums = Unlike(values=values, own=np.full(6, u), group=at)
    score = np.array([-3.0, -1.0, 0.0, 1.5])
    assert sums.variance(score) == pytest.approx(closed.variance(score), rel=1e-4, abs=1e-6)
    assert closed.score(2.0) == pytest.approx(sums.score(2.0))
    assert closed.estimate == pytest.approx(sums.estimate)
    variance = np.array([0.0, 1.0, 5.0])
    for one, other in zip(closed.mean_at(variance), sums.mean_at(variance), strict=True):
        assert one == pytest.approx(other)


@pytest.mark.parametrize(
    ("n", "ratio", "common"),
    [(5, [0.0], 0.0), (10, [1.0], 0.0), (20, [0.5], 0.3), (10, [0.2, 1.5], 0.0)],
)
def test_limits_hold_as_often_as_claimed(n: int, ratio: list[float], common: float) -> None:
    """300 lots each: 95 % would be missed by 4 % with a probability of 1 in 600."""
    rng = np.random.default_rng(100 * n)
    own = np.resize(ratio, n)
    held = np.zeros(2)
    score = norm.ppf(0.95)
    for _ in range(300):
        y = rng.normal(size=n) + own * rng.normal(size=n) + common * rng.normal()
        sample = Sample.of(y, own)
        pivots = sample.pivots(common)
        # The limit holds if the true quantile lies below it: its probability is below 95 %.
        held[0] += pivots.p_mean_below(lambda sd: score - score * sd) <= 0.95
        m = sample.mean
        needed = brentq(lambda h: ndtr(m + h) - ndtr(m - h) - 0.95, 0.0, abs(m) + 9.0)  # noqa: B023 - used at once
        held[1] += pivots.p_within(m, needed, 0.05) <= 0.95
    assert held / 300 == pytest.approx(0.95, abs=0.04)


# --- tables ---------------------------------------------------------------------------------------


def fleet(per_lot: dict[str, list[float]]) -> tuple[pl.DataFrame, pl.DataFrame]:
    rows = [(lot, i, value) for lot, values in per_lot.items() for i, value in enumerate(values)]
    ids = [f"{lot}{i}" for lot, i, _ in rows]
    points = pl.DataFrame(
        {
            "test_id": ids, "switch_id": ids, "method": "ramp", "gauge_id": "g",
            "tested_at": datetime(2025, 5, 1), "open_pa": [value for *_, value in rows],
            "open_u_pa": 0.4, "close_pa": [value + 5.0 for *_, value in rows], "close_u_pa": 0.4,
        },
        schema_overrides={"open_pa": pl.Float64, "close_pa": pl.Float64},
    )  # fmt: skip
    switches = pl.DataFrame(
        {"switch_id": ids, "lot": [lot for lot, *_ in rows], "rated_pa": 60.0, "action": "fall"}
    )
    return points, switches


def test_a_lot_is_its_switches_relative_to_rating() -> None:
    values = [58.1, 60.3, 61.0, 59.2, 60.4, 57.9]
    points, switches = fleet({"A": values, "B": [60.0]})
    found = lots.lot_tolerance(points, switches)
    plain = lots.tolerance_interval(values, u=0.4)
    assert found["lot"].to_list() == ["A", "B"]
    assert found["low_pa"][0] == pytest.approx(plain.low)
    assert found["high_rel"][0] == pytest.approx(plain.high / 60.0 - 1.0)
    assert found["status"].to_list() == ["ok", "too_few_samples"]
    assert found["within"].to_list() == [False, None]
    rising = lots.lot_tolerance(points, switches.with_columns(action=pl.lit("rise")))
    assert rising["low_pa"][0] == pytest.approx(plain.low + 5.0)
    asked = lots.lot_tolerance(points, switches, event="close")
    assert asked["low_pa"][0] == pytest.approx(plain.low + 5.0)


def test_the_last_test_counts_or_the_first() -> None:
    points, switches = fleet({"A": [58.1, 60.3, 61.0, 59.2]})
    later = points.with_columns(
        pl.col("open_pa") - 3.0, test_id=pl.col("test_id") + "b",
        tested_at=pl.lit(datetime(2026, 1, 1)),
    )  # fmt: skip
    pinched = later.with_columns(
        pl.col("open_pa") - 20.0, test_id=pl.col("test_id") + "c", method=pl.lit("pinch"),
        tested_at=pl.lit(datetime(2027, 1, 1)),
    )  # fmt: skip
    all_tests = pl.concat([pinched, points, later])
    first = lots.lot_tolerance(all_tests, switches, take="first")
    last = lots.lot_tolerance(all_tests, switches)
    assert last["low_pa"][0] == pytest.approx(first["low_pa"][0] - 3.0)
    both = lots.lot_tolerance(all_tests, switches, methods=("ramp", "pinch"))
    assert both["low_pa"][0] == pytest.approx(first["low_pa"][0] - 23.0)


def test_a_last_test_without_setpoint_leaves_open_whether_it_stays_closed() -> None:
    points, switches = fleet({"A": [58.1, 60.3, 61.0, 59.2]})
    silent = points.head(1).with_columns(
        open_pa=pl.lit(None, pl.Float64), open_u_pa=pl.lit(None, pl.Float64),
        test_id=pl.lit("later"), tested_at=pl.lit(datetime(2026, 1, 1)),
    )  # fmt: skip
    undated = points.head(1).with_columns(
        pl.col("open_pa") - 9.0, test_id=pl.lit("undated"), tested_at=pl.lit(None, pl.Datetime)
    )
    every = pl.concat([silent, points, undated])
    wide = {"coverage": 0.5}
    rest = lots.lot_tolerance(points, switches, **wide)
    for take, within in (("last", None), ("first", True)):
        found = lots.lot_tolerance(every, switches, take=take, **wide)
        assert (found["n_no_setpoint"].to_list(), found["within"].to_list()) == ([0], [within])
        assert found["low_pa"].to_list() == rest["low_pa"].to_list()
    # Verdicts tell who is stuck: a recording that could not be read takes nothing from the others.
    judged = every.with_columns(
        verdict=pl.when(pl.col("open_pa").is_not_null()).then(pl.lit("conforms"))
    )
    found = lots.lot_tolerance(judged, switches)
    assert (found["n_no_setpoint"].to_list(), found["n_tested"].to_list()) == ([0], [4])
    stuck = judged.with_columns(pl.col("verdict").fill_null("does_not_conform"))
    found = lots.lot_tolerance(stuck, switches)
    assert (found["n_stuck"].to_list(), found["within"].to_list()) == ([1], [False])
    nothing = lots.lot_tolerance(points, switches.clear())
    assert nothing.is_empty()
    assert nothing.schema == rest.schema


def test_the_error_of_one_gauge_stays_in_the_mean() -> None:
    points, switches = fleet({"A": [58.1, 60.3, 61.0, 59.2, 60.4, 57.9]})
    points = points.with_columns(open_u_pa=pl.lit(1.0))
    gauges = pl.DataFrame({"gauge_id": ["g"], "resolution_pa": [1.0], "accuracy_rel": [0.0],
                           "accuracy_abs_pa": [1.5]})  # fmt: skip
    alone = lots.lot_tolerance(points, switches).row(0, named=True)
    shared = lots.lot_tolerance(points, switches, gauges=gauges).row(0, named=True)
    common = 1.5 / math.sqrt(3.0)
    own = math.sqrt(1.0 - common**2)
    plain = lots.tolerance_interval(points["open_pa"], u=own, common_u=common)
    assert shared["low_pa"] == pytest.approx(plain.low)
    assert shared["low_pa"] < alone["low_pa"]


def test_lots_that_cannot_be_told_stand_in_the_table() -> None:
    points, switches = fleet({"A": [58.0, 60.0, 61.0], "B": [58.0, 60.0, 61.0], "C": [58.0, 59.0]})
    switches = switches.with_columns(
        rated_pa=pl.when(pl.col("lot") == "A").then(None).otherwise("rated_pa"),
        tolerance=pl.when(pl.col("switch_id") == "B1").then(0.2).otherwise(0.1),
    )
    found = lots.lot_tolerance(points.filter(~pl.col("switch_id").str.starts_with("C")), switches)
    assert found["status"].to_list() == ["bad_rating", "mixed_limits", "too_few_samples"]
    assert found["within"].null_count() == 3
    assert found["low_rel"].is_null().to_list() == [True, False, True]
    assert found["n_switches"].to_list() == [3, 3, 2]
    empty = lots.lot_tolerance(points.clear(), switches)
    assert empty.schema == found.schema
    with pytest.raises(SchemaError, match="column lot"):
        lots.lot_tolerance(points, switches.drop("lot"))
    for options in ({"by": []}, {"by": "colour"}, {"take": "middle"}, {"methods": "ramp"}):
        with pytest.raises(OptionError):
            lots.lot_tolerance(points, switches, **options)
