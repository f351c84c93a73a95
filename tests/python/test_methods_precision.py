"""Repeatability, reproducibility and the tests of cells, against published values."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest

from deadband import DeadbandError, SchemaError
from deadband.methods import _outliers, precision
from deadband.methods._relation import relation

Reference = Callable[[str], dict[str, Any]]


def long(cells: dict[str, list[list[float]]]) -> pl.DataFrame:
    rows = [
        (level, f"lab {lab}", value)
        for level, labs in cells.items()
        for lab, cell in enumerate(labs)
        for value in cell
    ]
    return pl.DataFrame(rows, ["switch_id", "operator_id", "value_pa"], orient="row")


def test_glucose_of_astm_e691(reference: Reference) -> None:
    # ASTM E691-99, tables 1, 5 and 7, from memory of the source; its method is that of ISO 5725-2.
    check = reference("I01-astm-e691-glucose")
    found = precision(long(check["inputs"]["cells_by_material"]))
    levels = found.levels.rows_by_key("switch_id", named=True, unique=True)
    column = {
        "average": "mean_pa", "s_r": "repeatability_sd_pa", "s_R": "reproducibility_sd_pa",
        "r=2.8 s_r": "repeatability_limit_pa", "R=2.8 s_R": "reproducibility_limit_pa",
    }  # fmt: skip
    seen = 0
    for one in check["expected"]:
        level, _, name = one["name"].partition(" ")
        if name in column:
            told = levels[level][column[name]]
        elif name == "sd of cell averages":
            told = found.cells.filter(switch_id=level)["mean_pa"].std()
        elif level == "h":
            told = _outliers.mandel_h_critical(8, 0.005)
        else:
            told = _outliers.mandel_k_critical(2, 14, 0.005)
        assert told == pytest.approx(one["value"], abs=one["abs_tol"]), one["name"]
        seen += 1
    assert seen == 26


def test_grubbs_of_the_nist_handbook(reference: Reference) -> None:
    # NIST/SEMATECH e-Handbook 1.3.5.17.1, from memory; 2.126 is also in ISO 5725-2, from memory.
    check = reference("I03-nist-grubbs")
    found = precision(long({"u": [[one, one] for one in check["inputs"]["y"]]}))
    assert found.levels["status"].to_list() == ["zero_spread"]
    row = found.tests.filter(test="grubbs_largest").row(0, named=True)
    expected = {one["name"]: one for one in check["expected"]}
    for name, told in (
        ("G", row["statistic"]),
        ("critical value, one-sided 5 %", _outliers.grubbs_critical(8, 0.10)),
        ("critical value, two-sided 5 % (ISO 5725-2 p=8)", row["critical_5"]),
    ):
        assert told == pytest.approx(expected[name]["value"], abs=expected[name]["abs_tol"]), name
    assert (row["lab"], row["finding"]) == ("lab 7", "outlier")


@pytest.mark.parametrize(
    ("labs", "results", "hard", "soft"),
    [(3, 2, 0.993, 0.967), (5, 3, 0.788, 0.684), (8, 3, 0.615, 0.516), (10, 2, 0.718, 0.602)],
)
def test_cochran_critical_values(labs: int, results: int, hard: float, soft: float) -> None:
    # ISO 5725-2, table of Cochran's critical values, from memory; its last digit is not always
    # that of the formula.
    nu = results - 1
    for risk, told in ((0.01, hard), (0.05, soft)):
        made = _outliers.cochran_critical(nu, (labs - 1) * nu, labs, risk)
        assert made == pytest.approx(told, abs=0.0015)


@pytest.mark.parametrize(
    ("labs", "hard", "soft"),
    [
        (4, 0.0000, 0.0002), (5, 0.0018, 0.0090), (6, 0.0116, 0.0349), (7, 0.0308, 0.0708),
        (8, 0.0563, 0.1101), (9, 0.0851, 0.1492), (10, 0.1150, 0.1864),
    ],
)  # fmt: skip
def test_grubbs_critical_values_of_two(labs: int, hard: float, soft: float) -> None:
    # ISO 5725-2, table of Grubbs' critical values for two outlying observations (Grubbs and Beck
    # 1972), from memory. One in the last place for the draws.
    assert _outliers.grubbs_pair_critical(labs, 0.01) == pytest.approx(hard, abs=1.5e-4)
    assert _outliers.grubbs_pair_critical(labs, 0.05) == pytest.approx(soft, abs=1.5e-4)


@pytest.mark.parametrize(
    ("labs", "hard", "soft"), [(3, 1.155, 1.155), (10, 2.482, 2.290), (20, 3.001, 2.709)]
)
def test_grubbs_critical_values_of_one(labs: int, hard: float, soft: float) -> None:
    # ISO 5725-2, table of Grubbs' critical values, from memory; one in the last place.
    assert _outliers.grubbs_critical(labs, 0.01) == pytest.approx(hard, abs=1.1e-3)
    assert _outliers.grubbs_critical(labs, 0.05) == pytest.approx(soft, abs=1.1e-3)


def test_risks_hold_where_nothing_stands_out() -> None:
    rng = np.random.default_rng(8)
    made = long({f"s{k:03}": rng.normal(60.0, 1.0, (6, 3)).tolist() for k in range(400)})
    found = precision(made)
    assert set(found.tests["status"]) == {"ok"}
    called = found.tests.group_by("test").agg((pl.col("p_value") < 0.05).mean())
    for test, share in called.iter_rows():
        # Two-sided risk of 5 % is 2.5 % at either end; Cochran's has but one.
        told = 0.05 if test == "cochran" else 0.025
        assert abs(share - told) < 3.5 * (told * (1 - told) / 400) ** 0.5, test
    for letter in "hk":
        share = (found.cells[f"{letter}_finding"] != "none").mean()
        assert 0.035 < share < 0.065
    assert (found.cells["h_critical_1"] > found.cells["h_critical_5"]).all()


@pytest.mark.parametrize(("between", "sizes"), [(1.0, [2, 2, 2]), (0.7, [1, 2, 3, 2, 4])])
def test_intervals_cover(between: float, sizes: list[int]) -> None:
    rng = np.random.default_rng(3)
    cells = {
        f"s{k:03}": [(rng.normal(60.0, between) + rng.normal(0.0, 1.0, n)).tolist() for n in sizes]
        for k in range(500)
    }
    levels = precision(long(cells)).levels
    for name, true in (("repeatability", 1.0), ("reproducibility", (1 + between**2) ** 0.5)):
        inside = (levels[f"{name}_sd_low_pa"] <= true) & (levels[f"{name}_sd_high_pa"] >= true)
        assert 0.92 <= inside.mean() <= 0.98, name
        assert (levels[f"{name}_sd_low_pa"] > 0.0).all()


def test_unequal_cells_follow_the_formulas() -> None:
    cells = [[60.0, 61.0, 60.4], [58.9, 59.5], [61.2]]
    row = precision(long({"s": cells})).levels.row(0, named=True)
    n = np.array([3.0, 2.0, 1.0])
    means = np.array([np.mean(cell) for cell in cells])
    s_r2 = (2 * np.var(cells[0], ddof=1) + np.var(cells[1], ddof=1)) / 3
    mean = n @ means / 6
    n0 = (6 - (n @ n) / 6) / 2
    s_l2 = (n @ (means - mean) ** 2 / 2 - s_r2) / n0
    assert row["repeatability_sd_pa"] ** 2 == pytest.approx(s_r2)
    assert row["between_lab_sd_pa"] ** 2 == pytest.approx(s_l2)
    assert row["reproducibility_sd_pa"] ** 2 == pytest.approx(s_r2 + s_l2)


def test_what_cannot_be_told_is_null() -> None:
    frame = pl.concat(
        [
            long({"one lab": [[1.0, 2.0]], "no repeats": [[1.0], [2.0], [4.0]], "few": [[3.0]]}),
            long({"same": [[5.0, 5.0], [6.0, 6.0]], "ok": [[1.0, 1.5], [2.0, 2.1]]}),
            long({"none": [[float("nan")], [float("inf")]]}),
            pl.DataFrame({"switch_id": [None], "operator_id": ["x"], "value_pa": [9.0]}),
        ]
    )
    levels = precision(frame).levels.rows_by_key("switch_id", named=True, unique=True)
    told = {
        name: (
            row["status"],
            row["repeatability_sd_pa"] is not None,
            row["reproducibility_sd_pa"] is not None,
        )
        for name, row in levels.items()
    }
    assert told == {
        "one lab": ("one_lab", True, False),
        "no repeats": ("no_repeats", False, True),
        "few": ("too_few_samples", False, False),
        "same": ("zero_spread", False, False),
        "ok": ("ok", True, True),
        "none": ("missing_value", False, False),
    }
    empty = precision(frame.clear())
    assert not empty.levels.height + empty.cells.height + empty.tests.height


def test_scale_and_order_change_nothing_else() -> None:
    rng = np.random.default_rng(2)
    frame = long({k: rng.normal(60.0, 2.0, (4, 2)).tolist() for k in "ab"})
    one = precision(frame).levels
    other = precision(frame.with_columns(pl.col("value_pa") * 10).reverse()).levels
    for name in ("mean_pa", "repeatability_sd_high_pa", "reproducibility_sd_low_pa"):
        assert other[name].to_list() == pytest.approx((10 * one[name]).to_list())


def test_relation_finds_the_form() -> None:
    rng = np.random.default_rng(12)
    mean = np.linspace(30.0, 200.0, 12)
    sd = 0.02 * mean * np.sqrt(rng.chisquare(10, 12) / 10)
    levels = pl.DataFrame(
        {
            "mean_pa": mean, "repeatability_sd_pa": sd, "repeatability_dof": [10.0] * 12,
            "reproducibility_sd_pa": [1.0] * 12, "reproducibility_dof": [10.0] * 12,
        }
    )  # fmt: skip
    found = relation(levels).rows_by_key(["quantity", "form"], named=True, unique=True)
    assert found["repeatability", "proportional"]["slope"] == pytest.approx(0.02, rel=0.1)
    assert found["repeatability", "proportional"]["p_value"] > 0.05
    assert found["repeatability", "constant"]["p_value"] < 1e-4
    assert found["reproducibility", "constant"]["intercept_pa"] == pytest.approx(1.0)
    assert found["reproducibility", "linear"]["slope"] == pytest.approx(0.0, abs=1e-9)
    few = relation(levels.head(2))
    assert set(few["status"]) == {"too_few_samples"}


def test_wrong_questions_are_refused() -> None:
    frame = long({"s": [[1.0, 2.0], [3.0, 4.0]]})
    with pytest.raises(SchemaError, match="column laboratory"):
        precision(frame, lab="laboratory")
    with pytest.raises(SchemaError, match="not a number"):
        precision(frame, value="operator_id", lab="value_pa")
    with pytest.raises(SchemaError, match="two things"):
        precision(frame, lab="switch_id")
    with pytest.raises(DeadbandError, match="option confidence"):
        precision(frame, confidence=95)


@pytest.mark.parametrize("apart", [1, 2])
def test_equal_values_of_a_coarse_display_make_no_outlier(apart: int) -> None:
    cells = [[60.0, 60.0]] * 4 + [[62.0, 63.0 + k] for k in range(apart)]
    found = precision(long({"s": cells}))
    told = dict(found.tests.select("test", "status").iter_rows())
    assert told["grubbs_two_largest" if apart == 2 else "grubbs_largest"] == "zero_spread"
    assert told["cochran"] == ("zero_spread" if apart == 1 else "ok")
    hidden = found.tests.filter(status="zero_spread")
    assert hidden.select("p_value", "finding").null_count().row(0) == (hidden.height,) * 2
    for name in ("k_finding", "h_finding"):
        assert found.cells[name].is_null().all() == (apart == 1)
    # A step finer the same labs are told apart, and one does stand out.
    fine = [[60.0, 60.1], [60.1, 60.0], [60.0, 60.0], [60.1, 60.1], *cells[4:]]
    seen = precision(long({"s": fine})).tests
    assert "zero_spread" not in set(seen["status"])
    assert "outlier" in set(seen["finding"])


def test_methods_are_not_mixed() -> None:
    rows = long({"s": [[60.0, 60.2], [61.0, 61.1]]})
    mixed = rows.with_columns(method=pl.Series(["ramp", "pinch"] * 2))
    with pytest.raises(DeadbandError, match="pinch, ramp in one study"):
        precision(mixed)
    # Of a method without any value nothing is mixed in, and a method may be what is asked for.
    alone = mixed.with_columns(value_pa=pl.when(method="ramp").then("value_pa"))
    assert precision(alone).levels["results"].to_list() == [2]
    assert precision(mixed, lab="method").levels["labs"].to_list() == [2]
