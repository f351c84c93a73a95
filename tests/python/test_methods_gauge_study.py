"""Gauge studies: a published one, simulated truth, and studies that lack something."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest

from deadband import DeadbandError, OptionError, SchemaError, plots
from deadband.methods import gauge_study, results

Reference = Callable[[str], dict[str, Any]]


def made(
    seed: int = 1,
    *,
    parts: int = 6,
    operators: int = 3,
    repeats: int = 2,
    sds: tuple[float, float, float, float] = (2.0, 1.0, 0.7, 0.5),
) -> pl.DataFrame:
    """A study of known truth: sds of part, operator, interaction, repeatability."""
    rng = np.random.default_rng(seed)
    part, operator, _ = (index.ravel() for index in np.indices((parts, operators, repeats)))
    value = 60.0 + rng.normal(0, sds[3], part.size)
    for of, sd in ((part, sds[0]), (operator, sds[1]), (part * operators + operator, sds[2])):
        value += rng.normal(0, sd, of.max() + 1)[of]
    return pl.DataFrame({"switch_id": part, "operator_id": operator, "value_pa": value}).select(
        pl.format("s{}", "switch_id").alias("switch_id"),
        pl.format("o{}", "operator_id").alias("operator_id"),
        "value_pa",
    )


def test_helicopter(reference: Reference) -> None:
    # Cano, Moguerza and Redchuk (2012), Six Sigma with R, chapter 5; values of the package's tests.
    check = reference("V01-gauge-rr-helicopter")
    inputs = check["inputs"]
    frame = pl.DataFrame(inputs["data"])
    told = {
        one["name"]: pytest.approx(one["value"], abs=one.get("abs_tol", 0.0))
        for one in check["expected"]
    }
    names = {"value": "time1", "operator": "operator", "part": "prototype"}
    width = inputs["usl"] - inputs["lsl"]
    whole, reduced = (
        gauge_study(frame, estimator="anova", interaction=both, tolerance_width_pa=width, **names)
        for both in (True, False)
    )
    anova = whole.anova.rows_by_key("source", named=True, unique=True)
    for mine, theirs in (("part", "prototype"), ("operator", "operator"),
                         ("interaction", "interaction")):  # fmt: skip
        assert anova[mine]["sum_of_squares_pa2"] == told[f"SS {theirs}"]
        assert anova[mine]["f"] == told[f"F {theirs}"]
        assert anova[mine]["p_value"] == told[f"p {theirs}"]
    assert anova["repeatability"]["sum_of_squares_pa2"] == told["SS repeatability"]
    assert whole.anova["sum_of_squares_pa2"].sum() == told["SS total"]
    anova = reduced.anova.rows_by_key("source", named=True, unique=True)
    assert anova["part"]["f"] == told["reduced F prototype"]
    assert anova["operator"]["f"] == told["reduced F operator"]
    assert anova["part"]["p_value"] == told["reduced p prototype"]
    line = reduced.components.rows_by_key("component", named=True, unique=True)
    mine = {"total R&R": "gauge", "repeatability": "repeatability", "operator": "operator",
            "part": "part", "total": "total"}  # fmt: skip
    for theirs, name in mine.items():
        assert line[name]["variance_pa2"] == told[f"var {theirs}"]
        assert line[name]["sd_pa"] == told[f"sd {theirs}"]
    for theirs, name in (("R&R", "gauge"), ("repeatability", "repeatability"), ("part", "part")):
        assert 100 * line[name]["share_of_variance"] == told[f"% contribution {theirs}"]
    assert 6 * line["gauge"]["sd_pa"] == told["study var R&R (6 sd)"]
    assert 100 * line["gauge"]["share_of_study"] == told["% study R&R"]
    assert 100 * line["part"]["share_of_study"] == told["% study part"]
    assert 100 * line["gauge"]["share_of_tolerance"] == told["% tolerance R&R"]
    assert reduced.categories == told["distinct categories"]
    assert line["interaction"]["status"] == "left_out"


def test_both_estimators_agree_where_nothing_is_missing_or_negative() -> None:
    frame = made(3)
    ways = [gauge_study(frame, estimator=way).components for way in ("reml", "anova")]
    assert ways[0]["status"].to_list() == ["ok"] * 7
    for column in ("variance_pa2", "sd_low_pa", "share_of_study_high"):
        assert ways[0][column].to_list() == pytest.approx(ways[1][column].to_list(), rel=1e-5)


def test_lines_add_up() -> None:
    gone = (pl.col("switch_id") == "s1") & (pl.col("operator_id") == "o2")
    frame = made(5).filter(~gone).sample(fraction=0.85, seed=2)
    study = gauge_study(frame)
    filled = frame.select(pl.struct("switch_id", "operator_id").n_unique()).item()
    assert study.missing_cells == 18 - filled > 0
    assert study.results == frame.height
    line = dict(study.components.select("component", "variance_pa2").iter_rows())
    assert line["operator"] + line["interaction"] == pytest.approx(line["reproducibility"])
    assert line["reproducibility"] + line["repeatability"] == pytest.approx(line["gauge"])
    assert line["gauge"] + line["part"] == pytest.approx(line["total"])
    for name in ("variance", "sd"):
        unit = "_pa2" if name == "variance" else "_pa"
        low, told, high = (study.components[f"{name}{end}{unit}"] for end in ("_low", "", "_high"))
        assert ((low <= told) & (told <= high) & (low >= 0.0)).all()
    for name in ("share_of_variance", "share_of_study"):
        low, told, high = (study.components[f"{name}{end}"] for end in ("_low", "", "_high"))
        assert ((low <= told) & (told <= high) & (low >= 0.0) & (high <= 1.0)).all()


@pytest.mark.parametrize("sds", [(2.0, 1.0, 0.7, 1.0), (2.0, 0.0, 0.0, 1.0)])
def test_shares_and_categories_cover(sds: tuple[float, float, float, float]) -> None:
    part, *gauge = (sd**2 for sd in sds)
    true = {"gauge": sum(gauge) / (part + sum(gauge)), "operator": gauge[0] / (part + sum(gauge))}
    classes = int(1.41 * (part / sum(gauge)) ** 0.5)
    inside = dict.fromkeys([*true, "categories"], 0)
    for seed in range(150):
        study = gauge_study(made(seed, sds=sds), estimator="anova")
        line = study.components.rows_by_key("component", named=True, unique=True)
        for name, share in true.items():
            row = line[name]
            inside[name] += row["share_of_variance_low"] <= share <= row["share_of_variance_high"]
        inside["categories"] += study.categories_low <= classes <= study.categories_high
    assert min(inside.values()) >= 0.895 * 150, inside
    assert max(inside.values()) <= 0.995 * 150, inside


def test_units_and_order_change_nothing_else() -> None:
    frame = made(9).sample(fraction=0.8, seed=1)
    one = gauge_study(frame, tolerance_width_pa=10.0)
    other = gauge_study(
        frame.with_columns(pl.col("value_pa") * 250.0 + 1e4).reverse(), tolerance_width_pa=2500.0
    )
    assert other.categories == one.categories
    for column, factor in (("sd_pa", 250.0), ("sd_high_pa", 250.0), ("share_of_tolerance", 1.0),
                           ("share_of_variance_low", 1.0)):  # fmt: skip
        told = (one.components[column] * factor).to_list()
        assert other.components[column].to_list() == pytest.approx(told, rel=2e-4, abs=1e-6)


def lacking(frame: pl.DataFrame, **options: Any) -> tuple[str, dict[str, str]]:
    study = gauge_study(frame, **options)
    lines = study.components.select("component", "sd_pa", "status").iter_rows()
    return study.status, {name: status for name, sd, status in lines if sd is None}


def test_a_study_that_lacks_something_says_so() -> None:
    frame = made(2)
    one_each = frame.unique(["switch_id", "operator_id"], maintain_order=True)
    assert lacking(one_each) == ("no_repeats", {"interaction": "no_repeats"})
    assert lacking(frame, interaction=False) == ("ok", {"interaction": "left_out"})
    status, gone = lacking(frame.filter(operator_id="o1"))
    assert status == "one_operator"
    assert set(gone) == {"gauge", "reproducibility", "operator", "interaction", "total"}
    status, gone = lacking(frame.filter(switch_id="s1"))
    assert (status, "part" in gone, "operator" in gone) == ("one_part", True, False)
    own = frame.filter(pl.col("switch_id").str.tail(1) == pl.col("operator_id").str.tail(1))
    status, gone = lacking(own)
    assert (status, 7 - len(gone)) == ("not_crossed", 1)
    assert "repeatability" not in gone
    chain = pl.concat([own, frame.filter(switch_id="s0")]).unique(maintain_order=True)
    assert lacking(chain) == ("no_interaction", {"interaction": "no_interaction"})
    for few in (frame.clear(), frame.head(1), one_each.filter(operator_id="o1"), frame.head(2)):
        status, gone = lacking(few)
        assert (status, len(gone)) == ("too_few_samples", 7)
    assert lacking(frame.with_columns(value_pa=60.0))[0] == "zero_spread"
    assert gauge_study(frame.filter(operator_id="o1")).categories is None


def test_results_without_a_number_are_left_out() -> None:
    frame = made(4)
    bad = pl.DataFrame(
        {"switch_id": ["s0", None, "s1"], "operator_id": ["o0", "o1", "o0"],
         "value_pa": [float("nan"), 3.0, None]}
    )  # fmt: skip
    one, other = gauge_study(frame), gauge_study(pl.concat([frame, bad]))
    assert one.components.equals(other.components)
    assert one.results == other.results == 36


def test_results_of_a_setpoints_table_are_studied() -> None:
    frame = made(7)
    count = frame.height
    points = pl.DataFrame(
        {
            "test_id": [f"t{k}" for k in range(count)], "switch_id": frame["switch_id"],
            "operator_id": frame["operator_id"], "method": ["pinch"] * count,
            "open_pa": frame["value_pa"], "open_u_pa": [0.2] * count,
            "close_pa": [None] * count, "close_u_pa": [None] * count,
        }
    )  # fmt: skip
    told = gauge_study(frame).components["sd_high_pa"].to_list()
    assert gauge_study(results(points)).components["sd_high_pa"].to_list() == pytest.approx(told)
    assert gauge_study(frame.to_pandas()).categories == gauge_study(frame.lazy()).categories


def test_wrong_questions_are_refused() -> None:
    frame = made()
    with pytest.raises(OptionError, match="option estimator"):
        gauge_study(frame, estimator="ml")
    for width in (0.0, -1.0, float("nan"), float("inf"), True):
        with pytest.raises(DeadbandError, match="option tolerance_width_pa"):
            gauge_study(frame, tolerance_width_pa=width)
    with pytest.raises(SchemaError, match="column operator_id"):
        gauge_study(frame.drop("operator_id"))


def test_picture_tells_operators_apart() -> None:
    frame = made(1, operators=14, parts=3)
    panel = plots.operators(frame)
    shown = [(line.get_marker(), line.get_markerfacecolor()) for line in panel.lines[-14:]]
    assert len(set(shown)) == 14
    assert [text.get_text() for text in panel.get_legend().get_texts()] == sorted(
        frame["operator_id"].unique()
    )
    # Of each switch the deviations from its mean add up to nothing.
    heights = np.concatenate([line.get_ydata() for line in panel.lines[-14:]])
    assert heights.sum() == pytest.approx(0.0, abs=1e-9)
    reference = frame.filter(switch_id="s0").with_columns(value_pa=pl.lit(50.0))
    against = plots.operators(frame, reference=reference, unit="hPa")
    assert [tick.get_text() for tick in against.get_xticklabels()] == ["s0"]
    assert against.get_ylabel() == "result less reference / hPa"
    top = max(line.get_ydata().max() for line in against.lines[-14:])
    assert top == pytest.approx((frame.filter(switch_id="s0")["value_pa"].max() - 50.0) / 100.0)
    assert not plots.operators(frame.clear()).lines


def test_switches_of_several_ratings_are_no_one_study() -> None:
    one = made(parts=6).with_columns(rated_pa=pl.lit(60.0))
    heavy = pl.col("switch_id").is_in(["s0", "s1", "s2"])
    rating = pl.when(heavy).then(110.0).otherwise(60.0)
    several = one.with_columns(rated_pa=rating, value_pa=pl.col("value_pa") * rating / 60.0)
    alone, both = (gauge_study(frame, tolerance_width_pa=12.0) for frame in (one, several))
    assert alone.status == "ok"
    assert (both.status, both.categories) == ("several_ratings", None)
    lines = both.components.rows_by_key("component", named=True, unique=True)
    for name in ("part", "total"):
        assert (lines[name]["status"], lines[name]["sd_pa"]) == ("several_ratings", None)
    assert lines["repeatability"]["sd_pa"] > 0.0
    shares = both.components.select("^share.*$")
    assert shares.null_count().sum_horizontal().item() == shares.width * shares.height
    # Over the rating, times one rating, it is the study that it was.
    again = gauge_study(
        several.with_columns(value_pa=pl.col("value_pa") / pl.col("rated_pa") * 60.0).drop(
            "rated_pa"
        )
    )
    assert again.categories == alone.categories
    with pytest.raises(DeadbandError, match="one method at a time"):
        gauge_study(one.with_columns(method=pl.Series(["ramp", "pinch"] * 18)))
