"""The growth of a fleet through the Python verb, against a reference library and published fits."""

from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pytest
import statsmodels.formula.api as smf

import deadband as db


def fleet(
    seed: int, *, switches: int = 30, tests: int = 6, u: float = 0.0, slope_sd: float = 0.3
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Setpoints of an invented fleet of two models, and its switches."""
    random = np.random.default_rng(seed)
    rows, known = [], []
    for i in range(switches):
        model = "AB"[i % 2]
        known.append((f"s{i:02}", model, f"L{i % 3}", 60.0, "fall"))
        level, slope = 60 + random.normal(0, 1.5), random.normal(-0.5 - 0.4 * (i % 2), slope_sd)
        for k in range(tests):
            when = datetime(2018, 3, 1) + timedelta(days=365.2425 * k + int(random.integers(0, 90)))
            years = (when - datetime(2020, 9, 1)).days / 365.2425
            value = level + slope * years + random.normal(0, np.hypot(0.4, u))
            rows.append((f"t{i:02}{k}", f"s{i:02}", "ramp", when, value, u))
    points = pl.DataFrame(
        rows,
        schema=["test_id", "switch_id", "method", "tested_at", "open_pa", "open_u_pa"],
        orient="row",
    ).with_columns(close_pa=pl.lit(None, pl.Float64), close_u_pa=pl.lit(None, pl.Float64))
    columns = ["switch_id", "model", "lot", "rated_pa", "action"]
    return points, pl.DataFrame(known, schema=columns, orient="row")


def years_of(points: pl.DataFrame, origin: date) -> Any:
    start = datetime(origin.year, origin.month, origin.day)
    seconds = [(when - start).total_seconds() for when in points["tested_at"]]
    return np.array(seconds) / (365.2425 * 86400.0)


# Its search may end by lack of precision, depending on the processor: what it found is compared.
@pytest.mark.filterwarnings("ignore::statsmodels.tools.sm_exceptions.ConvergenceWarning")
@pytest.mark.parametrize("restricted", [True, False])
@pytest.mark.parametrize("seed", [1, 2])
def test_it_agrees_with_statsmodels_mixed_lm(seed: int, *, restricted: bool) -> None:
    points, switches = fleet(seed)
    found = db.growth(points, switches, effects=["model"], restricted=restricted)
    data = pd.DataFrame(
        {
            "y": points["open_pa"].to_numpy(),
            "t": years_of(points, found.origin),
            "s": points["switch_id"].to_numpy(),
            "m": points.join(switches, on="switch_id", maintain_order="left")["model"].to_numpy(),
        }
    )
    model = smf.mixedlm("y ~ t * m", data, groups=data["s"], re_formula="~t")
    other = model.fit(reml=restricted, method="bfgs", gtol=1e-8, maxiter=5000)
    terms = ["Intercept", "t", "m[T.B]", "t:m[T.B]"]
    np.testing.assert_allclose(found.fixed["value"], other.fe_params[terms], rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(found.fixed["u"], other.bse_fe[terms], rtol=2e-5)
    assert found.log_likelihood >= other.llf - 1e-6  # its search stops a little lower
    assert found.log_likelihood == pytest.approx(other.llf, abs=1e-5)
    variances = [other.cov_re.iloc[0, 0], other.cov_re.iloc[0, 1], other.cov_re.iloc[1, 1]]
    np.testing.assert_allclose(
        found.components["variance"], [*variances, other.scale], rtol=2e-4, atol=1e-4
    )
    effects = [other.random_effects[name].to_numpy() for name in found.switches["switch_id"]]
    model_b = (switches["model"] == "B").to_numpy()
    fixed = found.fixed["value"]
    level = fixed[0] + fixed[2] * model_b + [effect[0] for effect in effects]
    slope = fixed[1] + fixed[3] * model_b + [effect[1] for effect in effects]
    # Ours are drawn by components that are kept off the edges: a part of their uncertainty away.
    apart = np.abs(found.switches["level_pa"] - level) / found.switches["level_u_pa"]
    steeper = np.abs(found.switches["slope_pa_year"] - slope) / found.switches["slope_u_pa_year"]
    assert max(apart.max(), steeper.max()) < 0.25


def test_terms_are_named_and_effects_found() -> None:
    points, switches = fleet(3, u=0.2)
    found = db.growth(points, switches, effects=["model", "lot"])
    assert found.fixed["term"].to_list() == [
        "level", "slope", "model B", "slope of model B", "lot L1", "lot L2", "slope of lot L1",
        "slope of lot L2",
    ]  # fmt: skip
    of = {row["term"]: row for row in found.fixed.iter_rows(named=True)}
    assert of["slope of model B"]["low"] < -0.4 < of["slope of model B"]["high"]
    assert of["slope of model B"]["p_value"] < 0.05 < of["slope of lot L1"]["p_value"]
    assert found.n_tests == points.height
    assert found.switches.height == switches.height


def test_the_level_at_a_date_is_that_of_another_origin() -> None:
    points, _ = fleet(4, u=0.2)
    found = db.growth(points)
    there = found.at(found.origin + timedelta(days=3652))
    moved = there["level_pa"] - found.switches["level_pa"]
    assert (moved.sign() == found.switches["slope_pa_year"].sign()).all()
    assert (there["level_u_pa"] > found.switches["level_u_pa"]).all()
    same = found.at(found.origin)
    np.testing.assert_allclose(same["level_pa"], found.switches["level_pa"])
    np.testing.assert_allclose(same["level_u_pa"], found.switches["level_u_pa"])


def test_lines_of_few_tests_are_drawn_to_the_fleet() -> None:
    points, _ = fleet(5, u=0.3)
    few = points.filter(~((pl.col("switch_id") == "s00") & (pl.col("test_id") != "t002")))
    found = db.growth(few)
    line = found.switches.row(by_predicate=pl.col("switch_id") == "s00", named=True)
    assert line["n_tests"] == 1
    assert line["slope_shrinkage"] > 0.9
    assert line["slope_u_pa_year"] > found.switches["slope_u_pa_year"].median()  # type: ignore[operator]
    assert abs(line["slope_pa_year"] - found.fixed["value"][1]) < 0.2


def test_slopes_that_differ_are_told_by_likelihood() -> None:
    points, switches = fleet(6, u=0.2)
    full = db.growth(points, random_slope=True)
    alike = db.growth(points, random_slope=False)
    assert full.compare(alike).p_value < 1e-6
    with pytest.raises(db.RecordingError, match="fewer than the larger"):
        alike.compare(full)
    models = db.growth(points, switches, effects=["model"], restricted=False)
    none = db.growth(points, restricted=False)
    found = models.compare(none)
    assert found.more == 2
    assert found.p_value < 0.05
    with pytest.raises(db.RecordingError, match="both restricted or both full"):
        models.compare(full)


def test_what_is_left_out_is_counted() -> None:
    points, switches = fleet(7, u=0.2)
    mixed = points.with_columns(
        method=pl.when(pl.col("test_id").str.ends_with("5")).then(pl.lit("pinch")).otherwise("method"),
        open_pa=pl.when(pl.col("test_id") == "t010").then(None).otherwise("open_pa"),
    )  # fmt: skip
    found = db.growth(mixed)
    assert (found.n_tests, found.n_left_out) == (149, 30)
    both = db.growth(mixed, effects=["method"], methods=["ramp", "pinch"])
    assert (both.n_tests, both.n_left_out) == (179, 0)
    assert both.fixed["term"].to_list() == ["level", "slope", "method pinch"]
    unknown = db.growth(points, switches.head(20), effects=["model"])
    assert unknown.switches.height == 20


@pytest.mark.parametrize(
    ("keep", "kind"),
    [
        (pl.col("switch_id") == "s00", "too_few_samples"),
        (pl.col("switch_id") < "s02", "too_few_samples"),
        (pl.lit(value=False), "too_few_samples"),
    ],
)
def test_a_fleet_that_tells_nothing_is_refused(keep: pl.Expr, kind: str) -> None:
    points, _ = fleet(8, u=0.2)
    with pytest.raises(db.RecordingError) as error:
        db.growth(points.filter(keep))
    assert error.value.kind == kind
    assert "tests of more switches or years" in error.value.advice
    assert "log faster" not in str(error.value)


def test_without_an_excess_every_test_needs_an_uncertainty() -> None:
    points, _ = fleet(8, u=0.2)
    some = pl.col("test_id").is_in(["t001", "t013"])
    exact = points.with_columns(open_u_pa=pl.when(some).then(0.0).otherwise("open_u_pa"))
    with pytest.raises(db.RecordingError, match=r"open_u_pa: .* 2 of the tests: t001, t013;"):
        db.growth(exact, excess=False)
    assert db.growth(exact).n_tests == points.height
    assert db.growth(points, excess=False).components["variance"][3] == 0.0
    none = points.with_columns(open_u_pa=pl.lit(0.0))
    with pytest.raises(db.RecordingError, match=r"180 of the tests: .*, \.\.\.; .*excess=True"):
        db.growth(none, excess=False)
    assert db.growth(none).n_tests == points.height


def test_bad_calls_are_told() -> None:
    points, switches = fleet(9, u=0.2)
    with pytest.raises(db.OptionError, match="effects"):
        db.growth(points, effects=["colour"])
    with pytest.raises(db.SchemaError, match="switches"):
        db.growth(points, effects=["model"])
    with pytest.raises(db.SchemaError, match="model"):
        db.growth(points, switches.drop("model"), effects=["model"])
    each = switches.with_columns(lot=pl.col("switch_id"))
    with pytest.raises(db.RecordingError, match="switches in the fleet"):
        db.growth(points, each, effects=["lot"])
    twice = switches.with_columns(lot=pl.col("model"))
    with pytest.raises(db.RecordingError, match="told apart"):
        db.growth(points, twice, effects=["model", "lot"])
    for flag in ("slopes", "restricted", "random_slope", "excess"):
        with pytest.raises(db.OptionError, match=f"option {flag}: 'x'"):
            db.growth(points, **{flag: "x"})
    for effects in ("lot", None):
        with pytest.raises(db.OptionError, match="option effects"):
            db.growth(points, switches, effects=effects)  # type: ignore[arg-type]
    for other in (None, 3, points):
        with pytest.raises(db.OptionError, match="option smaller"):
            db.growth(points).compare(other)  # type: ignore[arg-type]


def test_rows_may_come_in_any_order() -> None:
    points, _ = fleet(10, u=0.2)
    one, other = db.growth(points), db.growth(points.sample(fraction=1.0, shuffle=True, seed=1))
    assert one.fixed.equals(other.fixed)
    assert one.switches.equals(other.switches)


def test_what_a_gauge_adds_to_all_tests_alike_hides_no_differences() -> None:
    points, _ = fleet(11, u=0.2, slope_sd=0.15)
    with_accuracy = points.with_columns(
        gauge_id=pl.lit("g1"), open_u_pa=(pl.col("open_u_pa") ** 2 + 1.0**2).sqrt()
    )
    gauges = pl.DataFrame(
        {"gauge_id": ["g1"], "resolution_pa": [0.1], "accuracy_rel": [0.0],
         "accuracy_abs_pa": [3.0**0.5]}
    )  # fmt: skip
    plain, told = db.growth(points), db.growth(with_accuracy, gauges=gauges)
    np.testing.assert_allclose(told.components["variance"], plain.components["variance"])
    hidden = db.growth(with_accuracy)
    assert hidden.components["variance"][2] < 0.7 * plain.components["variance"][2]


def test_only_a_model_within_another_is_compared_with_it() -> None:
    points, switches = fleet(12, u=0.2)
    by_lot = db.growth(points, switches, effects=["lot"], restricted=False)
    by_model = db.growth(points, switches, effects=["model"], restricted=False)
    with pytest.raises(db.RecordingError, match="effects that the larger model has"):
        by_lot.compare(by_model)
    nested = switches.with_columns(lot=pl.col("model") + pl.col("lot"))
    lots = db.growth(points, nested, effects=["lot"], restricted=False)
    assert lots.compare(by_model).more == 8
    other, _ = fleet(13, u=0.2)
    with pytest.raises(db.RecordingError, match="those of the larger"):
        by_model.compare(db.growth(other, restricted=False))


def test_lines_hold_for_the_first_of_the_methods() -> None:
    points, _ = fleet(14, u=0.2)
    pinched = pl.int_range(pl.len()) % 2 == 0
    mixed = points.with_columns(
        method=pl.when(pinched).then(pl.lit("pinch")).otherwise(pl.lit("ramp")),
        open_pa=pl.col("open_pa") - pl.when(pinched).then(5.0).otherwise(0.0),
    )
    ramps = db.growth(mixed, effects=["method"], methods=["ramp", "pinch"])
    pinches = db.growth(mixed, effects=["method"], methods=["pinch", "ramp"])
    apart = ramps.switches["level_pa"] - pinches.switches["level_pa"]
    assert (abs(apart - 5.0) < 0.3).all()


def test_an_uncertainty_below_zero_is_refused() -> None:
    points, _ = fleet(15, u=0.2)
    turned = points.with_columns(open_u_pa=-pl.col("open_u_pa"))
    with pytest.raises(db.RecordingError, match="tests left out: 180 bad_value"):
        db.growth(turned)
    assert db.drift(turned)["status"].unique().to_list() == ["bad_value"]


def test_tests_that_all_find_the_same_are_refused_with_what_to_do() -> None:
    points, _ = fleet(15, u=0.2)
    with pytest.raises(
        db.RecordingError, match="column open_pa: all 180 tests have 60 Pa; give what each"
    ):
        db.growth(points.with_columns(open_pa=60.0))


def test_one_test_a_switch_tells_no_slopes() -> None:
    points, _ = fleet(16, u=0.2)
    first = points.group_by("switch_id", maintain_order=True).first()
    with pytest.raises(db.RecordingError, match="two dates"):
        db.growth(first)
    assert db.growth(first, random_slope=False).switches["slope_shrinkage"].to_list() == [1.0] * 30


def test_a_test_that_stands_twice_is_left_out_and_counted() -> None:
    points, _ = fleet(17, u=0.2)
    found = db.growth(pl.concat([points, points.head(2)]))
    assert (found.n_tests, found.n_left_out) == (178, 4)
    trend = db.drift(pl.concat([points, points.head(1)])).row(0, named=True)
    assert (trend["n_tests"], trend["n_left_out"]) == (5, 2)


def test_a_gauge_worse_than_the_whole_uncertainty_makes_nothing_surer() -> None:
    points, _ = fleet(18, u=0.2)
    known = points.with_columns(gauge_id=pl.lit("g1"))

    def gauges(limit: float) -> pl.DataFrame:
        return pl.DataFrame({"gauge_id": ["g1"], "resolution_pa": [0.1], "accuracy_rel": [0.0],
                             "accuracy_abs_pa": [limit]})  # fmt: skip

    plain, told = db.drift(points), db.drift(known, gauges=gauges(5.0))
    assert (told["slope_u_pa_year"] > 0.99 * plain["slope_u_pa_year"]).all()
    for bad in (-1.0, float("inf")):
        assert set(db.drift(known, gauges=gauges(bad))["status"]) <= {"bad_value", "not_finite"}


def test_bad_effects_columns_and_dates_are_told() -> None:
    points, switches = fleet(19, u=0.2)
    with pytest.raises(db.OptionError, match="effects"):
        db.growth(points, switches, effects=["lot", "lot"])
    with pytest.raises(db.OptionError, match="by"):
        db.influence(points, by="test_id")
    found = db.growth(points)
    with pytest.raises(db.OptionError, match="when"):
        found.at("2026-01-01")  # type: ignore[arg-type]
    noon = datetime(2026, 1, 1, 12)
    assert found.at(noon).equals(found.at(noon.date()))
