"""The distribution of lots against known truth, closed forms and published estimates."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.special import ndtri
from scipy.stats import nct

import deadband as db
from deadband import lots
from deadband._errors import OptionError, SchemaError
from deadband.lots._exceed import exceeds
from deadband.lots._joint import together
from deadband.lots._likelihood import Results, sums_at
from deadband.lots._lot_rows import Tolerances
from deadband.lots._posterior import posterior, summary
from lot_fleet import RATED_PA, drawn, lot_of, tables

SIZES = [12, 9, 20, 7, 15, 11]
MODELS = [0, 0, 0, 1, 1, 1]


def one_tolerance(lots_: int) -> Tolerances:
    return Tolerances(np.array([0.1]), np.ones((lots_, 1)))


# --- against closed forms and published estimates -------------------------------------------------


def test_restricted_likelihood_of_dyestuff(reference: Any) -> None:
    """lme4 reference documentation, Dyestuff (Davies and Goldsmith 1972): REML criterion."""
    data = reference("V04-lme4-dyestuff")
    told = {row["name"]: row for row in data["expected"]}
    y = np.array(data["inputs"]["Yield"])
    lot = np.repeat(np.arange(6), 5)
    results = Results(y - 1500.0, np.zeros(30), np.zeros((30, 0)), lot, np.zeros(6, dtype=int))
    # The criterion is stationary in the standard deviations: printed digits are more than enough.
    sums = sums_at(results, np.array([told["sigma"]["value"]]))
    between = np.array([told["sigma"]["value"] * told["theta"]["value"]])
    *_, log = together(results, sums, np.zeros((1, 6), dtype=int), between)
    criterion = -2.0 * log[0] + 29.0 * np.log(2.0 * np.pi)
    assert criterion == pytest.approx(told["REML criterion"]["value"], abs=1e-7)


def test_p_value_of_one_lot_without_error_is_that_of_noncentral_t() -> None:
    """Right Haar prior: the posterior of a normal quantile is that of the noncentral t."""
    rng = np.random.default_rng(5)
    value = -0.03 + 0.02 * rng.normal(size=9)
    results = Results(
        value, np.full(9, 1e-12), np.zeros((9, 0)), np.zeros(9, dtype=int), np.zeros(1, dtype=int)
    )
    told = posterior(results, 4000, rng)
    for level in (0.01, 0.05, 0.2):
        found = exceeds(told, one_tolerance(1), level, "unsafe")
        t = (value.mean() + 0.1) / (value.std(ddof=1) / 3.0)
        # Small t: the mean is near the limit, which speaks for more than the level below it.
        expected = nct.cdf(t, 8, 3.0 * -ndtri(level))
        assert found.p_value[0] == pytest.approx(expected, abs=0.012), level


def test_shared_error_of_all_shifts_all() -> None:
    """An error common to every test adds its variance to each mean and tells nothing else."""
    rng = np.random.default_rng(6)
    made = drawn(rng, SIZES, models=MODELS)
    alone = posterior(made.results, 4000, np.random.default_rng(1))
    n = made.results.value.size
    common = Results(
        made.results.value, made.results.variance, np.full((n, 1), 0.012), made.results.lot,
        made.results.model,
    )  # fmt: skip
    told = posterior(common, 4000, np.random.default_rng(1))
    assert told.effective > 4000
    more = told.mean.var(axis=0) - alone.mean.var(axis=0)
    assert np.sqrt(more) == pytest.approx(np.full(6, 0.012), rel=0.1)
    assert told.sd.mean(axis=0) == pytest.approx(alone.sd.mean(axis=0), rel=0.05)
    assert told.mean.mean(axis=0) == pytest.approx(alone.mean.mean(axis=0), abs=0.001)
    # Differences between lots know nothing of it.
    apart = [(one.mean[:, 0] - one.mean[:, 4]).std() for one in (told, alone)]
    assert apart[0] == pytest.approx(apart[1], rel=0.06)


def test_gauges_that_differ_are_told_apart_by_lots_that_both_tested() -> None:
    rng = np.random.default_rng(7)
    lot = np.repeat(np.arange(4), 20)
    shared = np.zeros((80, 2))
    shared[np.arange(80), np.arange(80) % 2] = 0.05
    value = 0.02 * rng.normal(size=80) + 0.06 * (np.arange(80) % 2)
    results = Results(value, np.full(80, 1e-6), shared, lot, np.zeros(4, dtype=int))
    told = posterior(results, 2000, rng)
    # Taken for one spread the two levels would make it 0.036.
    assert told.sd.mean(axis=0) == pytest.approx(np.full(4, 0.02), rel=0.35)
    assert told.effective > 1000


def test_coverage() -> None:
    """Intervals of 95 % hold, in lots of 5 to 40 switches, some roughly tested, with gauges."""
    rng = np.random.default_rng(8)
    hits = []
    for turn in range(40):
        sizes = rng.integers(5, 41, 8)
        shared = 0.01 * np.eye(2)[np.arange(8) % 2] if turn % 2 else None
        u = np.where(np.arange(8) % 3, 0.008, 0.04)
        made = drawn(rng, sizes, models=[0] * 4 + [1] * 4, unlike=0.2, u=u, shared=shared)
        told = posterior(made.results, 300, rng)
        unsafe, nuisance = one_tolerance(8).fractions(told.mean, told.sd)
        pairs = ((told.mean, made.mean), (told.sd, made.sd), (unsafe, made.unsafe),
                 (nuisance, made.nuisance))  # fmt: skip
        for draws, truth in pairs:
            _, _, low, high = summary(draws, 0.95)
            hits.append((low <= truth) & (truth <= high))
    shares = np.array(hits).reshape(40, 4, 8).mean(axis=(0, 2))
    # 320 intervals of each kind: three standard errors of 95 % are 4 %.
    assert ((shares > 0.92) & (shares < 0.995)).all(), shares


def test_rough_tests_make_no_lot_worse() -> None:
    """A lot tested by pinch is less sure, and its scatter is not that of the pinch."""
    rng = np.random.default_rng(9)
    made = drawn(rng, [30] * 6, mean=np.zeros(6), u=np.array([0.005, 0.06] * 3))
    told = posterior(made.results, 2000, rng)
    _, u, _, _ = summary(told.mean, 0.95)
    assert u[1::2].min() > u[::2].max()
    assert told.sd.mean(axis=0) == pytest.approx(np.full(6, 0.03), rel=0.4)
    unsafe, _ = one_tolerance(6).fractions(told.mean, told.sd)
    assert unsafe.mean() < 0.01
    # As measured, one in twenty lies beyond the limit.
    measured = made.results.value < -0.1
    assert measured[made.results.lot % 2 == 1].mean() > 0.03


# --- the verb -------------------------------------------------------------------------------------


def fleet(**options: Any) -> tuple[pl.DataFrame, pl.DataFrame]:
    rng = np.random.default_rng(3)
    centre = np.repeat([60.0, 59.5, 53.0], 12)
    values = centre + rng.normal(0.0, 1.2, 36) + rng.normal(0.0, 0.5, 36)
    return tables(values, np.repeat(["L1", "L2", "L3"], 12).tolist(), **options)


@pytest.mark.parametrize("action", ["fall", "rise"])
def test_the_rated_event_counts(action: str) -> None:
    points, switches = fleet(action=action)
    found = lots.distribution(points, switches)
    bad, good = lot_of(found, "L3"), lot_of(found, "L1")
    # Phi((54 - 53) / 1.2) = 0.80
    assert bad["fraction_unsafe_low"] < 0.8 < bad["fraction_unsafe_high"]
    assert bad["mean"] == pytest.approx(53.0 / 60.0 - 1.0, abs=0.015)
    assert good["fraction_outside"] < 0.01
    event = "open_pa" if action == "fall" else "close_pa"
    below = points.filter(pl.col(event) < 54.0).join(switches, on="switch_id")
    counted = below.filter(pl.col("lot") == "L3").height
    assert (bad["status"], bad["n_tested"], bad["counted_unsafe"]) == ("ok", 12, counted)
    assert found.switches["residual"].std() == pytest.approx(1.0, rel=0.25)
    other: Any = "close" if action == "fall" else "open"
    none = lots.distribution(points, switches, event=other)
    assert none.lots["status"].unique().to_list() == ["too_few_samples"]


def test_rows_in_any_order_make_the_same_lots() -> None:
    points, switches = fleet()
    one = lots.distribution(points, switches).lots
    other = lots.distribution(points.reverse(), switches.sample(fraction=1.0, shuffle=True, seed=2))
    assert one.equals(other.lots)


def test_scale_and_laziness_change_nothing() -> None:
    points, switches = fleet()
    larger = points.with_columns(pl.col("open_pa", "open_u_pa") * 1.5)
    scaled = lots.distribution(
        larger.lazy(), switches.with_columns(rated_pa=pl.lit(1.5 * RATED_PA)).lazy()
    )
    one = lots.distribution(points, switches).lots
    for name in ("mean", "sd_high", "fraction_unsafe", "p_normal"):
        assert scaled.lots[name].to_list() == pytest.approx(one[name].to_list(), rel=1e-6), name


def test_components() -> None:
    rng = np.random.default_rng(12)
    centre = np.repeat(rng.normal(60.0, 2.0, 12), 15)
    lot = np.repeat([f"L{i:02}" for i in range(12)], 15)
    points, switches = tables(centre + rng.normal(0.0, 1.5, 180), lot.tolist(), u_pa=0.1)
    between, within = lots.distribution(points, switches).components.rows()
    assert between[2] < 2.0 / RATED_PA < between[3]
    assert within[2] < 1.5 / RATED_PA < within[3]
    lonely = lots.distribution(points, switches.with_columns(model=pl.col("lot")))
    assert lonely.components["sd"][0] is None


def test_gauge_is_in_the_interval() -> None:
    points, switches = fleet(gauge="G", u_pa=0.9)
    gauges = pl.DataFrame(
        {"gauge_id": ["G"], "resolution_pa": [0.1], "accuracy_rel": [0.0], "accuracy_abs_pa": [1.2]}
    )
    alone = lots.distribution(points, switches)
    known = lots.distribution(points, switches, gauges=gauges)
    row = lot_of(known, "L1")
    assert row["gauge_u"] == pytest.approx(1.2 / 3.0**0.5 / RATED_PA, rel=1e-6)
    assert row["mean_u"] > 1.5 * lot_of(alone, "L1")["mean_u"]
    # What the tests share is not in their scatter: more of it is the switches' own.
    assert row["sd"] > lot_of(alone, "L1")["sd"]


def test_last_round_and_the_day() -> None:
    points, switches = fleet()
    old = points.with_columns(
        open_pa=pl.col("open_pa") + 5.0, tested_at=pl.lit(datetime(2022, 5, 1)),
        test_id=pl.col("test_id") + "-old",
    )  # fmt: skip
    new = points.with_columns(tested_at=pl.lit(datetime(2024, 5, 1)))
    both = pl.concat([old, new])
    last = lots.distribution(both, switches)
    assert lot_of(last, "L1")["raw_mean"] == pytest.approx(
        lot_of(lots.distribution(new, switches), "L1")["raw_mean"]
    )
    then = lots.distribution(both, switches, at=date(2023, 1, 1))
    assert lot_of(then, "L1")["raw_mean"] == pytest.approx(
        lot_of(last, "L1")["raw_mean"] + 5.0 / RATED_PA, abs=1e-4
    )
    every = lots.distribution(both, switches, within_days=float("inf"))
    assert lot_of(every, "L1")["raw_mean"] == pytest.approx(
        lot_of(last, "L1")["raw_mean"] + 2.5 / RATED_PA, abs=1e-4
    )
    assert lot_of(every, "L1")["n_tests"] == 24


def test_results_are_carried_to_a_day() -> None:
    rng = np.random.default_rng(4)
    n, years = 24, 4
    level = 60.0 + rng.normal(0.0, 1.0, n)
    parts = []
    points, switches = tables(level, ["A", "B"] * 12)
    for year in range(years):
        slope = np.where(np.arange(n) % 2, -1.5, 0.0)
        parts.append(
            points.with_columns(
                open_pa=pl.Series(level + slope * year + rng.normal(0.0, 0.3, n)),
                open_u_pa=pl.lit(0.3), tested_at=pl.lit(datetime(2020 + year, 6, 1)),
                test_id=pl.col("test_id") + f"-{year}",
            )
        )  # fmt: skip
    tests = pl.concat(parts)
    growth = db.growth(tests, switches, effects=["lot"])
    then = lots.distribution(tests, switches, growth=growth, at=date(2026, 6, 1))
    assert lot_of(then, "A")["mean"] == pytest.approx(0.0, abs=0.02)
    assert lot_of(then, "B")["mean"] == pytest.approx(-9.0 / RATED_PA, abs=0.02)
    now = lots.distribution(tests, switches)
    assert lot_of(then, "B")["mean_u"] > lot_of(now, "B")["mean_u"]
    closing = db.growth(
        tests.rename({"open_pa": "close_pa", "close_pa": "open_pa", "open_u_pa": "close_u_pa",
                      "close_u_pa": "open_u_pa"}), switches, effects=["lot"], event="close",
    )  # fmt: skip
    lost = lots.distribution(tests, switches, growth=closing, at=date(2026, 6, 1))
    assert lost.switches["state"].unique().to_list() == ["no_setpoint"]
    both = lots.distribution(tests, switches, growth=[closing, growth], at=date(2026, 6, 1))
    assert both.lots.equals(then.lots)


def test_switches_that_stay_closed_are_counted() -> None:
    points, switches = fleet()
    silent = pl.col("switch_id").is_in(["s000", "s001"])
    gone = pl.when(~silent).then("open_pa").alias("open_pa")
    points = points.with_columns(gone, open_u_pa=pl.when(~silent).then("open_u_pa"))
    verdicts = points.with_columns(
        verdict=pl.when(pl.col("switch_id") == "s000")
        .then(pl.lit("does_not_conform"))
        .when(~silent)
        .then(pl.lit("conforms"))
    )
    row = lot_of(lots.distribution(verdicts, switches), "L1")
    assert (row["n_stuck"], row["n_no_setpoint"], row["n_tested"]) == (1, 1, 10)
    assert row["counted_unsafe"] == 1
    assert row["counted_p_unsafe"] == pytest.approx(1.0 / 11.0)
    twice = lots.distribution(pl.concat([verdicts, verdicts.head(1)]), switches)
    assert lot_of(twice, "L1")["n_stuck"] == 1
    assert lot_of(twice, "L1")["n_no_setpoint"] == 1
    plain = lot_of(lots.distribution(points, switches), "L1")
    assert (plain["n_stuck"], plain["n_no_setpoint"]) == (0, 2)


def test_statuses() -> None:
    points, switches = fleet()
    switches = pl.concat(
        [
            switches.with_columns(
                lot=pl.when(pl.col("switch_id") != "s035").then("lot")
            ),
            switches.head(1).with_columns(switch_id=pl.lit("new"), lot=pl.lit("L9")),
        ]
    )  # fmt: skip
    found = lots.distribution(points, switches)
    assert lot_of(found, "L9")["status"] == "too_few_samples"
    assert lot_of(found, None)["status"] == "missing_value"
    assert lot_of(found, None)["mean"] is None
    assert lot_of(found, "L9")["n_switches"] == 1
    few = lots.distribution(points.head(3), switches)
    assert set(few.lots["status"]) == {"too_few_samples", "missing_value"}
    assert few.components.height == 0
    assert few.normality is None
    none = lots.distribution(points.head(0), switches.head(0))
    assert none.lots.height == 0


def test_one_switch_is_honest_and_wide() -> None:
    points, switches = fleet()
    kept = ~pl.col("switch_id").is_in([f"s{i:03}" for i in range(25, 36)])
    found = lots.distribution(points.filter(kept), switches.filter(kept))
    single, other = lot_of(found, "L3"), lot_of(found, "L1")
    assert (single["status"], single["n_tested"]) == ("ok", 1)
    assert single["sd_high"] - single["sd_low"] > 1.5 * (other["sd_high"] - other["sd_low"])
    assert single["fraction_unsafe_high"] - single["fraction_unsafe_low"] > 0.4


def test_lots_by_model_and_by_another_column() -> None:
    points, switches = fleet()
    by_model = lots.distribution(points, switches, by="model")
    assert by_model.lots.columns[0] == "model"
    assert by_model.lots["n_tested"].to_list() == [36]
    year = switches.with_columns(built=pl.col("lot").replace_strict({"L1": 1, "L2": 1, "L3": 2}))
    found = lots.distribution(points, year, by="built")
    assert found.lots["built"].to_list() == ["1", "2"]


def test_shape_is_tested() -> None:
    points, switches = fleet()
    normal = lots.distribution(points, switches)
    assert normal.normality is not None
    assert normal.normality.p_value > 0.05
    # Every fourth switch of each lot reads far too low.
    broken = pl.int_range(pl.len()) % 6 == 0
    some = points.with_columns(
        open_pa=pl.col("open_pa") - pl.when(broken).then(15.0).otherwise(0.0)
    )
    found = lots.distribution(some, switches)
    assert found.normality is not None
    assert found.normality.p_value < 0.001
    assert found.normality.skewness < -1.0
    assert lot_of(found, "L1")["p_normal"] < 0.02


@pytest.mark.parametrize(
    ("options", "error"),
    [
        ({"by": "status"}, OptionError),
        ({"by": 3}, OptionError),
        ({"by": "colour"}, SchemaError),
        ({"event": "both"}, OptionError),
        ({"methods": "ramp"}, OptionError),
        ({"confidence": 95}, OptionError),
        ({"within_days": 0}, OptionError),
        ({"at": "2024"}, OptionError),
        ({"growth": 3}, OptionError),
        ({"growth": ["x"]}, OptionError),
        ({"seed": -1}, OptionError),
    ],
)
def test_bad_options(options: dict[str, Any], error: type[Exception]) -> None:
    points, switches = fleet()
    with pytest.raises(error):
        lots.distribution(points, switches, **options)
