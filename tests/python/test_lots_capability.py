"""Capability indices against published limits, the noncentral t and simulated lots."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.optimize import brentq
from scipy.stats import chi2, nct, norm

from deadband import lots
from deadband._errors import OptionError, SchemaError
from deadband.lots._sample import Sample
from deadband.lots.capability_indices import generalized

Reference = Callable[[str], Any]


def published(check: Any) -> dict[str, tuple[float, float]]:
    return {entry["name"]: (entry["value"], entry["abs_tol"]) for entry in check["expected"]}


def by_index(found: pl.DataFrame) -> dict[str, tuple[Any, ...]]:
    return {name: three for name, *three in found.iter_rows()}


# Scrucca (2004), R News 4/1, p. 15: piston rings. Limits of Cp by chi-square, of Cpk after Bissell
# (1990); those of Cpl and Cpu one-sided at 95 %. The limits of Cpm printed there are of a formula
# without a square; here those of Boyles (1991).
def test_piston_rings(reference: Reference) -> None:
    check = reference("P01-pistonrings-capability")
    inputs, expected = check["inputs"], published(check)
    options = {
        "n": inputs["n"], "limits": (inputs["LSL"], inputs["USL"]), "target": inputs["target"],
        "interval": "textbook",
    }  # fmt: skip
    found = by_index(
        lots.capability_indices(inputs["centre"], inputs["sd"], confidence=0.95, **options)
    )
    for name in ("Cp", "Cpl", "Cpu", "Cpk", "Cpm"):
        value, tolerance = expected[name]
        assert found[name.lower()][0] == pytest.approx(value, abs=tolerance)
    one_sided = by_index(
        lots.capability_indices(inputs["centre"], inputs["sd"], confidence=0.90, **options)
    )
    for name, of in (("Cp", found), ("Cpk", found), ("Cpl", one_sided), ("Cpu", one_sided)):
        low = "Cpl low (one-sided 95%)" if name == "Cpl" else f"{name} low"
        assert of[name.lower()][1] == pytest.approx(expected[low][0], abs=expected[low][1])
        value, tolerance = expected[f"{name} high"]
        assert of[name.lower()][2] == pytest.approx(value, abs=tolerance)
    assert found["cpm"][1:] == pytest.approx((1.4665, 1.8809), abs=5.5e-5)


# NIST/SEMATECH e-Handbook, 6.1.6, from memory.
def test_indices_of_the_handbook(reference: Reference) -> None:
    check = reference("P02-nist-cpk")
    inputs, expected = check["inputs"], published(check)
    found = by_index(
        lots.capability_indices(
            inputs["mean"], inputs["sd"], n=30, limits=(inputs["LSL"], inputs["USL"])
        )
    )
    for name in ("Cp", "Cpk", "Cpu", "Cpl"):
        assert found[name.lower()][0] == pytest.approx(expected[name][0], abs=expected[name][1])


@pytest.mark.parametrize("n", [3, 12])
def test_limits_of_one_side_are_exact(n: int) -> None:
    mean, sd, lower = 57.0, 1.5, 54.0
    found = by_index(lots.capability_indices(mean, sd, n=n, limits=(lower, 66.0)))
    observed = math.sqrt(n) * (mean - lower) / sd
    for end, share in ((1, 0.975), (2, 0.025)):
        score = brentq(lambda z, s=share: nct.cdf(observed, n - 1, math.sqrt(n) * z) - s, -4, 9)
        assert found["cpl"][end] == pytest.approx(score / 3.0, rel=1e-6)
        assert found["fraction_below"][3 - end] == pytest.approx(norm.sf(score), rel=1e-5)
    ends = [2.0 / 1.5 * math.sqrt(chi2.ppf(p, n - 1) / (n - 1)) for p in (0.025, 0.975)]
    assert found["cp"][1:] == pytest.approx(ends)


def test_one_limit_alone() -> None:
    found = by_index(lots.capability_indices(57.0, 1.5, n=8, limits=(54.0, math.inf)))
    both = by_index(lots.capability_indices(57.0, 1.5, n=8, limits=(54.0, 1e4)))
    assert found["cp"] == [None, None, None]
    assert found["cpu"] == [None, None, None]
    assert found["cpk"] == found["cpl"] == pytest.approx(both["cpl"])
    assert found["fraction_above"] == [0.0, 0.0, 0.0]
    assert found["fraction_outside"] == found["fraction_below"]


def test_sides_are_mirrors() -> None:
    left = by_index(lots.capability_indices(57.0, 1.5, n=8, limits=(54.0, 66.0), u=0.5))
    right = by_index(lots.capability_indices(63.0, 1.5, n=8, limits=(54.0, 66.0), u=0.5))
    assert left["cpl"] == pytest.approx(right["cpu"])
    assert left["fraction_below"] == pytest.approx(right["fraction_above"])
    for name in ("cp", "cpk", "cpm", "fraction_outside"):
        assert left[name] == pytest.approx(right[name], rel=1e-7)


def test_what_a_measurement_adds_is_taken_out() -> None:
    plain = by_index(lots.capability_indices(60.0, 1.5, n=20, limits=(54.0, 66.0)))
    known = by_index(lots.capability_indices(60.0, 1.5, n=20, limits=(54.0, 66.0), u=1.0))
    assert known["cp"][0] == pytest.approx(6.0 / (3.0 * math.sqrt(1.25)))
    for name in ("cp", "cpk", "cpm"):
        assert all(more > less for more, less in zip(known[name], plain[name], strict=True))
    assert known["fraction_outside"][2] < plain["fraction_outside"][2]
    nothing_left = by_index(lots.capability_indices(60.0, 0.95, n=20, limits=(54.0, 66.0), u=1.0))
    assert nothing_left["cpk"][0] is None
    assert nothing_left["cpk"][1] > known["cpk"][1]


@pytest.mark.parametrize(
    "odd",
    [
        {"n": 1}, {"sd": -1.0}, {"sd": 0.0}, {"limits": (66.0, 54.0)}, {"limits": 54.0},
        {"limits": (-math.inf, math.inf)}, {"confidence": 95}, {"interval": "exact"},
        {"mean": math.nan}, {"dof": 0.0}, {"u": -0.1}, {"target": math.inf},
    ],
)  # fmt: skip
def test_bad_options(odd: dict[str, Any]) -> None:
    options = {"mean": 60.0, "sd": 1.0, "n": 5, "limits": (54.0, 66.0), **odd}
    mean, sd = options.pop("mean"), options.pop("sd")
    with pytest.raises(OptionError, match=f"option {next(iter(odd))}"):
        lots.capability_indices(mean, sd, **options)


# --- coverage -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "ratio", "limits"), [(5, 0.5, (-2.0, 2.3)), (20, 0.0, (-2.0, 2.0))])
def test_intervals_hold(n: int, ratio: float, limits: tuple[float, float]) -> None:
    """50 lots each: 95 % would be below 84 % with a probability of 1 in 1000."""
    rng = np.random.default_rng(7 + n)
    low, high = limits
    truth = {
        "cp": (high - low) / 6.0, "cpk": min(high, -low) / 3.0, "cpl": -low / 3.0,
        "fraction_below": norm.cdf(low), "fraction_outside": norm.cdf(low) + norm.sf(high),
    }  # fmt: skip
    held = dict.fromkeys(truth, 0)
    for _ in range(50):
        y = rng.normal(size=n) + ratio * rng.normal(size=n)
        found = generalized(Sample.of(y, ratio).pivots(), limits, 0.0, 0.95)
        for name, value in truth.items():
            _, least, most = found[name]
            held[name] += (least or 0.0) <= value <= (math.inf if most is None else most)
    assert min(held.values()) >= 42, held


# --- tables ---------------------------------------------------------------------------------------


def fleet(per_lot: dict[str, list[float]]) -> tuple[pl.DataFrame, pl.DataFrame]:
    rows = [(lot, i, value) for lot, values in per_lot.items() for i, value in enumerate(values)]
    ids = [f"{lot}{i}" for lot, i, _ in rows]
    points = pl.DataFrame(
        {
            "test_id": ids, "switch_id": ids, "method": "ramp",
            "open_pa": [value for *_, value in rows], "open_u_pa": 0.4, "close_pa": None,
            "close_u_pa": None,
        },
        schema_overrides={"open_pa": pl.Float64},
    )  # fmt: skip
    switches = pl.DataFrame(
        {
            "switch_id": ids, "lot": [lot for lot, *_ in rows], "model": "M", "rated_pa": 60.0,
            "action": "fall",
        }
    )  # fmt: skip
    return points, switches


GOOD = [58.1, 60.3, 61.0, 59.2, 60.4, 57.9]
LOW = [one - 5.0 for one in GOOD]


def test_a_lot_by_its_numbers() -> None:
    found = lots.capability(*fleet({"A": GOOD})).row(0, named=True)
    plain = by_index(
        lots.capability_indices(
            float(np.mean(GOOD)), float(np.std(GOOD, ddof=1)), n=6, limits=(54.0, 66.0), u=0.4
        )
    )
    for name in ("cp", "cpk"):
        three = [found[f"{name}{end}"] for end in ("", "_low", "_high")]
        assert three == pytest.approx(plain[name])
        assert [found[f"p{name[1:]}{end}"] for end in ("", "_low", "_high")] == three
    assert found["fraction_unsafe_high"] == pytest.approx(plain["fraction_below"][2])
    assert found["fraction_nuisance_high"] == pytest.approx(plain["fraction_above"][2])


def test_lots_that_differ_have_less_pp_than_cp() -> None:
    found = lots.capability(*fleet({"A": GOOD, "B": LOW}), by="model").row(0, named=True)
    assert (found["n_tested"], found["n_subgroups"]) == (12, 2)
    assert found["sd_within_rel"] == pytest.approx(math.sqrt(np.var(GOOD, ddof=1) - 0.16) / 60.0)
    assert found["pp"] < found["cp"]
    assert found["ppk"] < found["cpk"]
    assert found["cp_low"] < found["cp"] < found["cp_high"]


def test_removed_switches_count_in_the_lot_and_not_in_service() -> None:
    points, switches = fleet({"A": GOOD})
    gone = pl.when(pl.col("switch_id") == "A0").then(date(2025, 1, 1))
    found = lots.capability(points, switches.with_columns(removed_on=gone)).row(0, named=True)
    assert (found["n_switches"], found["n_in_service"], found["n_tested"]) == (6, 5, 6)
    costs = lots.lot_costs(
        lots.capability(points, switches.with_columns(removed_on=gone)),
        lots.Prices(recall=90.0, test=60.0, harm_unsafe=1000.0),
    )
    assert costs["expected_cost"][0] == 5 * 90.0


def test_results_of_a_poor_test_weigh_less() -> None:
    exact = lots.capability(*fleet({"A": GOOD})).row(0, named=True)
    points, switches = fleet({"A": [*GOOD, 50.0, 71.0]})
    poor = points.with_columns(
        open_u_pa=pl.when(pl.col("switch_id").is_in(["A6", "A7"])).then(8.0).otherwise(0.4)
    )
    found = lots.capability(poor, switches).row(0, named=True)
    ignorant = lots.capability(points, switches).row(0, named=True)
    assert found["sd_rel"] == pytest.approx(exact["sd_rel"], rel=0.2)
    assert ignorant["sd_rel"] > 3.0 * exact["sd_rel"]
    assert found["cpk_low"] > 3.0 * ignorant["cpk_low"]


def test_sides_are_told_apart() -> None:
    found = lots.capability(*fleet({"A": LOW, "B": [120.0 - one for one in LOW]}))
    assert found["fraction_unsafe"].to_list() == pytest.approx(
        found["fraction_nuisance"].to_list()[::-1]
    )
    assert found["fraction_unsafe"][0] > 0.2 > found["fraction_unsafe"][1]


def test_lots_that_cannot_be_told_stand_in_the_table() -> None:
    points, switches = fleet({"A": [], "B": [60.0], "C": [60.0, 60.6, 60.3], "D": [53.5, 50.5]})
    untested = pl.DataFrame({**switches.row(0, named=True), "switch_id": "z", "lot": "A"})
    found = lots.capability(points, pl.concat([switches, untested]))
    assert found["lot"].to_list() == ["A", "B", "C", "D"]
    assert found["status"].to_list() == [
        "too_few_samples", "too_few_samples", "spread_not_told", "ok",
    ]  # fmt: skip
    assert found["cpk"].is_null().to_list() == [True, True, True, False]
    assert found["cpk_low"].is_null().to_list() == [True, True, False, False]
    worst = found.row(3, named=True)
    assert 0.0 <= worst["fraction_unsafe_low"] < 0.6 < worst["fraction_unsafe_high"] <= 1.0
    alone = lots.capability(points.clear(), switches)
    assert alone.schema == found.schema
    assert lots.capability(points, switches.clear()).schema == found.schema
    rated = lots.capability(points, switches, by=["rated_pa", "model"])
    assert rated.select("rated_pa", "model").rows() == [(60.0, "M")]
    singles = lots.capability(*fleet({"A": [60.0], "B": [61.0], "C": [59.0]}), by="model")
    assert singles["cp"].null_count() == 1
    assert singles["pp"].null_count() == 0
    with pytest.raises(SchemaError, match="column model"):
        lots.capability(points, switches.drop("model"), by="model")
    with pytest.raises(OptionError, match="option confidence"):
        lots.capability(points, switches, confidence=95)
