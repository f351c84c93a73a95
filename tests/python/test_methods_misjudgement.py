"""Shares of a fleet that a method judges wrongly, and their picture."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from matplotlib import pyplot
from scipy.stats import norm

import deadband as db
from deadband import plots
from deadband._errors import DeadbandError, OptionError, SchemaError
from deadband.methods import global_risk, misjudgement
from deadband.methods._error import method_error_of
from deadband.methods._fleet import fleet_of
from deadband.methods._global_risk import risks
from deadband.methods.misjudgement import _TAILS

TOLERANCE = 0.10
SHARES = ("p_passed_unsafe", "p_passed_nuisance", "p_condemned_unsafe", "p_condemned_nuisance")


def fleet(
    n: int = 200,
    *,
    bias: float = -0.03,
    sd: float = 0.02,
    spread: float = 0.05,
    action: str = "fall",
    seed: int = 3,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Switches of two ratings, each ramped and pinched once; bias and spreads over the rating."""
    random = np.random.default_rng(seed)
    rating = np.where(np.arange(n) % 2, 60.0, 110.0)
    true = 1.0 + random.normal(0.0, spread, n)
    event, other = ("open", "close") if action == "fall" else ("close", "open")
    parts = [
        pl.DataFrame(
            {
                "test_id": [f"{method}-{i}" for i in range(n)],
                "switch_id": [f"s{i}" for i in range(n)],
                "operator_id": ["ann" if i % 2 else "ben" for i in range(n)],
                "method": method,
                f"{event}_pa": rating * (true + off + random.normal(0.0, error, n)),
                f"{event}_u_pa": 0.008 * rating,
                f"{other}_pa": rating * 1.5,
                f"{other}_u_pa": 0.008 * rating,
                "lag_correction_pa": -0.1 * rating,
            }
        )
        for method, off, error in (("ramp", 0.0, 0.008), ("pinch", bias, sd))
    ]
    switches = pl.DataFrame(
        {"switch_id": [f"s{i}" for i in range(n)], "rated_pa": rating, "action": action}
    )
    return pl.concat(parts), switches


def one(found: pl.DataFrame, method: str = "pinch") -> dict[str, Any]:
    return found.filter(method=method).row(0, named=True)


@pytest.mark.parametrize("shape", ["normal", "mixture"])
def test_known_truth(shape: Any) -> None:
    points, switches = fleet(800)
    row = one(misjudgement(points, switches, shape=shape))
    true = global_risk(0.0, 0.05, -0.03, 0.02, limits=(-TOLERANCE, TOLERANCE))
    for name, share in zip(
        ("p_bad_unsafe", "p_bad_nuisance", *SHARES),
        (true.bad_low, true.bad_high, true.passed_low, true.passed_high, true.condemned_low,
         true.condemned_high), strict=True,
    ):  # fmt: skip
        assert row[f"{name}_low"] <= share <= row[f"{name}_high"], name
    assert row["p_condemned_good"] == pytest.approx(true.producer, rel=0.15)
    good = 1.0 - true.bad_low - true.bad_high
    assert row["p_condemned_of_good"] == pytest.approx(true.producer / good, rel=0.15)
    # What was counted, its trials being independent here, agrees.
    assert row["counted_p_condemned_unsafe_low"] <= true.condemned_low
    assert row["counted_p_condemned_unsafe_high"] >= true.condemned_low
    assert row["n_switches"] == row["n_results"] == row["n_fleet"] == 800


def test_one_bad_lot_does_not_widen_the_others() -> None:
    points, switches = fleet(80)
    lot = pl.col("switch_id").is_in([f"s{i}" for i in range(12)])
    moved = pl.when(lot).then(pl.col("open_pa") * 0.6).otherwise("open_pa")
    points = points.with_columns(open_pa=moved)
    rows = {
        shape: one(misjudgement(points, switches, shape=shape)) for shape in ("normal", "mixture")
    }
    # One normal distribution as wide as that has a tenth of the fleet above the upper limit.
    assert rows["normal"]["p_bad_nuisance"] > 0.10
    assert rows["mixture"]["p_bad_nuisance"] < 0.06
    assert rows["mixture"]["p_bad_unsafe"] == pytest.approx(0.15 + 0.02, abs=0.05)


def test_guarded_acceptance_passes_less_and_condemns_more() -> None:
    points, switches = fleet(bias=0.0)
    simple, guarded, strict = (
        one(misjudgement(points, switches, **options))
        for options in ({}, {"rule": "guarded"}, {"rule": "guarded", "risk": 0.01})
    )
    passed = [row["p_passed_bad"] for row in (simple, guarded, strict)]
    condemned = [row["p_condemned_good"] for row in (simple, guarded, strict)]
    assert passed == sorted(passed, reverse=True)
    assert condemned == sorted(condemned)
    assert guarded["counted_passed_unsafe"] <= simple["counted_passed_unsafe"]
    edge = TOLERANCE - norm.ppf(0.95) * guarded["sd"]
    fine = global_risk(0.0, 0.05, guarded["bias"], guarded["sd"], limits=(-0.1, 0.1),
                       acceptance=(-edge, edge))  # fmt: skip
    assert guarded["p_condemned_good"] == pytest.approx(fine.producer, rel=0.15)


def test_a_guard_band_wider_than_the_tolerance_passes_nothing() -> None:
    points, switches = fleet(sd=0.2)
    row = one(misjudgement(points, switches, rule="guarded"))
    assert row["p_passed_bad"] == pytest.approx(0.0, abs=1e-12)
    assert row["counted_passed_unsafe"] + row["counted_passed_nuisance"] == 0
    assert row["p_bad_of_passed"] is None


def test_the_rated_event_counts() -> None:
    points, switches = fleet(action="rise")
    row = one(misjudgement(points, switches))
    assert row["bias"] == pytest.approx(-0.03, abs=0.006)
    other = one(misjudgement(points, switches, event="open"))
    assert other["p_bad_nuisance"] > 0.99  # open is 50 % above the rating here
    # The lag correction belongs to the open setpoint: there is no reading of these.
    none = one(misjudgement(points, switches, value="reading"))
    assert (none["status"], none["p_passed_unsafe"]) == ("missing_value", None)


def test_before_and_after_the_lag_correction() -> None:
    points, switches = fleet()
    tests = points.select("test_id", called_open_pa=pl.col("open_pa") * 1.02)
    read = misjudgement(points, switches, value="reading")
    called = misjudgement(points, switches, value="called", tests=tests)
    fitted = misjudgement(points, switches)
    assert fitted["method"].to_list() == ["pinch"]
    assert fitted["status"].to_list() == ["ok"]
    # Lag times rate is not what the display of a bent fall is off by.
    assert (one(read)["status"], one(read)["bias"]) == ("missing_value", None)
    service = points.with_columns(method=pl.col("method").replace("pinch", "in_service"))
    read_service = one(misjudgement(service, switches, value="reading"), "in_service")
    fitted_service = one(misjudgement(service, switches), "in_service")
    assert read_service["bias"] == pytest.approx(fitted_service["bias"] + 0.1, abs=1e-9)
    assert one(read, "ramp")["bias"] == pytest.approx(0.1, abs=1e-9)
    # Its own reading is off by nothing but the bias here; the fitted value's error is in it too.
    assert one(read, "ramp")["sd"] == pytest.approx(0.008, abs=1e-6)
    assert one(called, "ramp")["bias"] == pytest.approx(0.02, abs=0.001)
    assert pl.concat([read, called, fitted])["value"].n_unique() == 3


def test_operators_and_scales() -> None:
    points, switches = fleet()
    both = misjudgement(points, switches, by=("method", "operator_id"), methods=["pinch"])
    assert both["operator_id"].to_list() == ["ann", "ben"]
    assert both["n_switches"].to_list() == [100, 100]
    row = one(misjudgement(points, switches, scale="absolute"))
    assert row["bias"] == pytest.approx(-0.03 * 85.0, abs=0.5)
    alike = points.with_columns(pl.col("^open.*$") / 1.0)
    assert misjudgement(alike, switches, seed=4).equals(misjudgement(points, switches, seed=4))


def test_too_little_is_said_and_never_a_number() -> None:
    points, switches = fleet(2)
    row = one(misjudgement(points, switches))
    assert (row["status"], row["n_fleet"], row["p_passed_unsafe"]) == ("too_few_samples", 2, None)
    points, switches = fleet(30)
    few = points.filter((pl.col("method") == "ramp") | (pl.col("switch_id") == "s1"))
    alone = one(misjudgement(few, switches))
    assert (alone["status"], alone["sd"]) == ("one_switch", None)
    assert alone["bias"] == pytest.approx(-0.03, abs=0.05)
    assert misjudgement(points.clear(), switches).is_empty()


def test_bad_rows_stop_nothing() -> None:
    points, switches = fleet(40)
    bad = points.with_columns(
        open_pa=pl.when(pl.col("test_id") == "ramp-3").then(float("nan")).otherwise("open_pa")
    )
    bad = pl.concat([bad, bad.filter(pl.col("test_id") == "pinch-5")])
    spoilt = switches.with_columns(
        rated_pa=pl.when(pl.col("switch_id") == "s7").then(-1.0).otherwise("rated_pa")
    )
    row = one(misjudgement(bad, spoilt))
    assert (row["status"], row["n_fleet"], row["n_switches"]) == ("ok", 38, 37)


@pytest.mark.parametrize(
    "wrong",
    [{"rule": "strict"}, {"risk": 0.7}, {"shape": "round"}, {"scale": "pa"}, {"value": "told"},
     {"by": "gauge_id"}, {"confidence": 95}, {"reference": "guess"}, {"event": "both"},
     {"methods": ["squeeze"]}, {"within_days": -1.0}],
)  # fmt: skip
def test_options_that_cannot_be(wrong: dict[str, Any]) -> None:
    points, switches = fleet(10)
    with pytest.raises(OptionError, match=next(iter(wrong))):
        misjudgement(points, switches, **wrong)


def test_tables_that_are_missing() -> None:
    points, switches = fleet(10)
    with pytest.raises(DeadbandError, match="tests"):
        misjudgement(points, switches, value="called")
    with pytest.raises(SchemaError, match="lag_correction_pa"):
        misjudgement(points.drop("lag_correction_pa"), switches, value="reading")


def test_intervals_hold_what_they_claim() -> None:
    """Thirty switches, six of them tested three times by the method: 95 % of studies hold it."""
    random = np.random.default_rng(11)
    limits = (-TOLERANCE, TOLERANCE)
    true = risks(0.0, 0.05, -0.03, np.hypot(0.01, 0.02), limits=limits, acceptance=limits)
    held, runs = np.zeros(6), 250
    for _ in range(runs):
        value = random.normal(0.0, np.hypot(0.05, 0.008), 30)
        behind = fleet_of(value, np.full(30, 0.008**2), "normal", random, 800)
        rows = []
        for i in range(6):
            off = -0.03 + random.normal(0.0, 0.01)
            rows += [(i, 0, "method", off + random.normal(0.0, 0.02), 0.01) for _ in range(3)]
            rows += [(i, 0, "reference", random.normal(0.0, 0.008), 0.008) for _ in range(2)]
        columns = ["switch_id", "round", "side", "scaled", "scaled_u"]
        error = method_error_of(pl.DataFrame(rows, schema=columns, orient="row"))
        bias, sd = error.draws(random, 800)
        drawn = risks(behind.mean[0], behind.sd[0], bias, sd, limits=limits, acceptance=limits)
        low, high = np.quantile(drawn, [0.025, 0.975], axis=1)
        held += (low <= true) & (true <= high)
    # Of 250 studies with 95 % each, 91 % are three standard deviations off.
    assert (held / runs).min() > 0.905
    assert (held / runs).max() < 0.995


def test_intervals_of_two_lots_hold_what_they_claim() -> None:
    """Sixty switches, one in seven of a lot that opens far too low, the method known."""
    random = np.random.default_rng(12)
    limits = (-TOLERANCE, TOLERANCE)

    def shares(parts: Any, bias: float, sd: float) -> np.ndarray:
        return sum(
            weight * np.array(risks(mean, spread, bias, sd, limits=limits, acceptance=limits))
            for weight, mean, spread in zip(*parts, strict=True)
        )

    lots = [np.array([[1.0 - 1.0 / 7.0], [1.0 / 7.0]]), np.array([[0.01], [-0.13]]),
            np.array([[0.035], [0.03]])]  # fmt: skip
    true = shares(lots, -0.03, 0.02)[:, 0]
    held, runs = np.zeros(6), 60
    for _ in range(runs):
        lot = (random.random(60) < 1.0 / 7.0).astype(int)
        value = random.normal(lots[1][lot, 0], np.hypot(lots[2][lot, 0], 0.008))
        behind = fleet_of(value, np.full(60, 0.008**2), "mixture", random, 600)
        drawn = shares((behind.weight, behind.mean, behind.sd), -0.03, 0.02)
        tail = 0.025 * _TAILS["mixture"]
        low, high = np.quantile(drawn, [tail, 1.0 - tail], axis=1)
        held += (low <= true) & (true <= high)
    # Of 60 studies with 95 % each, 86 % are three standard deviations off.
    assert (held / runs).min() > 0.86


def test_demonstration_fleet(demo_data: Path) -> None:
    tests = db.read_tests(demo_data).collect()
    switches = db.read_switches(demo_data)
    points = db.analyse(tests, switches, db.read_gauges(demo_data)).setpoints
    found = pl.concat(
        [misjudgement(points, switches, value=value) for value in ("reading", "fitted")]
    )
    raw = found.filter(value="reading", method="in_service").row(0, named=True)
    fixed = found.filter(value="fitted", method="in_service").row(0, named=True)
    assert raw["p_condemned_good"] > 3.0 * fixed["p_condemned_good"]
    axes = plots.risk(found)
    labels = [text.get_text() for text in axes.get_yticklabels()]
    assert "in service, as read" in labels
    assert "slow ramp, as read" in labels


@pytest.fixture(autouse=True)
def _close_figures():
    yield
    pyplot.close("all")


def test_picture_of_zeros_on_a_logarithmic_axis() -> None:
    points, switches = fleet(60, bias=0.0, sd=0.001)
    found = misjudgement(points, switches, shape="normal", methods=["pinch", "in_service"])
    names = ["p_passed_unsafe", "p_passed_unsafe_low"]
    found = found.with_columns(pl.lit(0.0).alias(name) for name in names)
    axes = plots.risk(found, axis="log")
    drawn = np.concatenate([line.get_xdata() for line in axes.get_lines()])
    assert (drawn > 0.0).all()
    words = [text.get_text() for text in axes.get_legend().get_texts()]
    assert "unsafe and passed: below 0.01 %" in words
    assert "no tests" in [text.get_text() for text in axes.texts]
    each = plots.risk(found, of="each")
    assert each.get_xlim()[0] <= 0.0
    with pytest.raises(OptionError, match="axis"):
        plots.risk(found, axis="cubic")  # type: ignore[arg-type]
    with pytest.raises(SchemaError, match="p_passed_unsafe"):
        plots.risk(found.drop("p_passed_unsafe"))
    assert "no method" in plots.risk(found.clear()).texts[0].get_text()
