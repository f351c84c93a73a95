"""The error of a method, and setpoints with it taken out."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

import deadband as db
from deadband._coverage import expanded
from deadband._errors import OptionError, SchemaError
from deadband.methods import common_bias, corrected, method_error

START = datetime(2024, 3, 1)
BIAS, SCATTER, BETWEEN, RAMP_U = -0.04, 0.02, 0.015, 0.008


def frame(rows: list[tuple[Any, ...]]) -> pl.DataFrame:
    """Rows of switch, method, day, value, u."""
    table = pl.DataFrame(
        rows, schema=["switch_id", "method", "day", "open_pa", "open_u_pa"], orient="row"
    ).with_columns(pl.col("open_pa", "open_u_pa").cast(pl.Float64))
    return table.with_row_index("n").select(
        "switch_id", "method", "open_pa", "open_u_pa", test_id=pl.format("t{}", "n"),
        tested_at=pl.lit(START) + pl.duration(days=pl.col("day")),
        open_dof=pl.lit(None, dtype=pl.Float64), operator_id=pl.lit("a"), gauge_id=pl.lit("G1"),
        close_pa=pl.lit(None, dtype=pl.Float64), close_u_pa=pl.lit(None, dtype=pl.Float64),
    )  # fmt: skip


def rated(names: list[str], rated_pa: list[float]) -> pl.DataFrame:
    return pl.DataFrame({"switch_id": names, "rated_pa": rated_pa, "action": "fall"})


def study_of(random: np.random.Generator, switches: int, repeats: tuple[int, int]) -> pl.DataFrame:
    """Switches of 45, 60 and 110 Pa, pinched some times each and ramped once or twice."""
    rows = []
    for i in range(switches):
        rating = (45.0, 60.0, 110.0)[i % 3]
        true = rating * (1.0 + random.normal(0.0, 0.04))
        off = BIAS + random.normal(0.0, BETWEEN)
        for _ in range(int(random.integers(repeats[0], repeats[1] + 1))):
            value = true + rating * (off + random.normal(0.0, SCATTER))
            rows.append((f"s{i}", "pinch", 0, value, 0.3 * SCATTER * rating))
        for _ in range(1 + i % 2):
            u = RAMP_U * rating
            rows.append((f"s{i}", "ramp", 0, true + random.normal(0.0, u), u))
    return frame(rows)


def ratings(switches: int) -> pl.DataFrame:
    names = [f"s{i}" for i in range(switches)]
    return rated(names, [(45.0, 60.0, 110.0)[i % 3] for i in range(switches)])


def test_bias_and_scatter_by_hand() -> None:
    points = frame([
        ("a", "ramp", 0, 60.0, 0.0), ("a", "pinch", 1, 57.0, 0.1), ("a", "pinch", 2, 59.0, 0.1),
        ("b", "ramp", 0, 62.0, 0.0), ("b", "pinch", 1, 58.0, 0.1),
        # Half a year apart: no round.
        ("c", "ramp", 0, 60.0, 0.0), ("c", "pinch", 180, 20.0, 0.1),
    ])  # fmt: skip
    row = method_error(points, scale="absolute").filter(method="pinch").row(0, named=True)
    assert row["bias_pa"] == -3.0  # switches -2 and -4
    assert row["bias_u_pa"] == pytest.approx(1.0)
    # Within: 2 of 1; between: 2, of which 2 * (1/2 + 1) / 2 is the scatter within.
    assert row["sd_pa"] == pytest.approx((2.0 + 0.5) ** 0.5)
    assert (row["n_switches"], row["n_results"], row["n_reference"]) == (2, 3, 2)
    assert row["bias_rel"] is None


def test_the_references_own_variance_is_taken_out() -> None:
    random = np.random.default_rng(5)
    found = method_error(study_of(random, 900, (1, 3)), ratings(900)).filter(method="pinch")
    row = found.row(0, named=True)
    assert row["bias_rel"] == pytest.approx(BIAS, abs=3.0 * row["bias_u_rel"])
    assert row["sd_rel"] == pytest.approx(np.hypot(SCATTER, BETWEEN), rel=0.05)


def test_corrected_values_hold_what_they_claim() -> None:
    """Values of switches that no reference saw, each study anew: 95 % are within -+ k u."""
    random = np.random.default_rng(17)
    held, whole = 0, 0
    for _ in range(60):
        n = int(random.integers(8, 16))
        points = study_of(random, n, (1, 3))
        true = 60.0 * (1.0 + random.normal(0.0, 0.04, 20))
        error = BIAS + random.normal(0.0, BETWEEN, 20) + random.normal(0.0, SCATTER, 20)
        new = frame([
            (f"new{i}", "pinch", 0, true[i] + 60.0 * error[i], 0.3) for i in range(20)
        ])  # fmt: skip
        names = [f"new{i}" for i in range(20)]
        switches = pl.concat([ratings(n), rated(names, [60.0] * 20)])
        found = method_error(points, switches, methods=["pinch"])
        fixed = corrected(new, found, switches).sort(pl.col("switch_id").str.slice(3).cast(int))
        half = expanded(fixed["open_u_pa"], fixed["open_dof"]).to_numpy()
        held += int((np.abs(fixed["open_pa"].to_numpy() - true) <= half).sum())
        whole += 20
    # The values of one study share its bias, hence the width around what 1000 studies gave.
    assert 0.925 <= held / whole <= 0.98


def mixed_history(random: np.random.Generator, years: int) -> tuple[pl.DataFrame, float]:
    """A switch ramped in its first years and pinched in the later ones, without a drift."""
    true = 60.0 * (1.0 + random.normal(0.0, 0.04))
    rows = []
    for year in range(years):
        if year < years // 2:
            value, method, u = true + random.normal(0.0, 0.5), "ramp", 0.5
        else:
            error = BIAS + random.normal(0.0, SCATTER)
            value, method, u = true + 60.0 * error, "pinch", 0.3
        rows.append(("x", method, 365 * year, value, u))
    return frame(rows), true


def test_a_line_through_mixed_methods_is_not_bent() -> None:
    random = np.random.default_rng(23)
    switches = pl.concat([ratings(12), rated(["x"], [60.0])])
    slopes: dict[str, list[float]] = {"raw": [], "corrected": []}
    held = {"alone": 0, "common": 0}
    runs = 80
    for _ in range(runs):
        # One study of few switches, so that its bias is in doubt; no differences between switches.
        few = study_of(random, 6, (1, 1))
        found = method_error(few, switches, methods=["pinch"])
        points, _ = mixed_history(random, 8)
        fixed = corrected(points, found, switches)
        known = common_bias(fixed, found)
        lines = {
            "raw": db.drift(points, methods=["ramp", "pinch"]),
            "alone": db.drift(fixed, methods=["ramp", "pinch"]),
            "common": db.drift(known.points, methods=["ramp", "pinch"], gauges=known.gauges),
        }
        slopes["raw"].append(lines["raw"]["slope_pa_year"][0])
        slopes["corrected"].append(lines["common"]["slope_pa_year"][0])
        for name in held:
            line = lines[name]
            half = expanded(line["slope_u_pa_year"], line["slope_dof"])[0]
            held[name] += abs(line["slope_pa_year"][0]) <= half
    error = np.std(slopes["corrected"]) / runs**0.5
    assert abs(np.mean(slopes["corrected"])) < 3.0 * error
    assert np.mean(slopes["raw"]) < -0.2  # the bias of -2.4 Pa over some eight years
    assert held["common"] >= 0.90 * runs
    assert held["common"] > held["alone"]


FOUND = pl.DataFrame(
    {
        "method": ["pinch"], "event": ["open"], "bias_rel": [-0.05], "bias_u_rel": [0.003],
        "bias_dof": [9.0], "sd_rel": [0.004], "sd_dof": [20.0], "status": ["ok"],
    }
)  # fmt: skip
FOUR = frame([
    ("a", "ramp", 0, 60.0, 0.1), ("a", "pinch", 1, 97.0, 0.1), ("b", "pinch", 1, 57.0, 2.0),
    ("a", "in_service", 1, 61.0, 0.2), ("none", "pinch", 1, 59.0, 0.3),
])  # fmt: skip


def test_who_is_corrected_and_who_is_not() -> None:
    points = FOUR.with_columns(deadband_pa=pl.lit(4.0), deadband_u_pa=pl.lit(0.3))
    fixed = corrected(points, FOUND, rated(["a", "b"], [100.0, 60.0]))
    assert fixed["correction"].to_list() == [
        "reference", "corrected", "corrected", "no_reference", "missing_value",
    ]  # fmt: skip
    assert fixed["open_pa"].to_list() == pytest.approx([60.0, 102.0, 60.0, 61.0, 59.0])
    # The scatter counts where the recording claims less, and the claim where it is more.
    expected = [0.1, 0.5, (2.0**2 + 0.18**2) ** 0.5, 0.2, 0.3]
    assert fixed["open_u_pa"].to_list() == pytest.approx(expected)
    free = 0.5**4 / (0.4**4 / 20.0 + 0.3**4 / 9.0)
    assert fixed["open_dof"][1] == pytest.approx(free)
    assert fixed["method_corrected"].to_list() == [None, "pinch", "pinch", None, None]
    assert fixed["deadband_pa"].to_list() == [4.0, None, None, 4.0, 4.0]
    assert fixed.columns[:-2] == db.schema.dtypes("setpoints").names()


def test_no_study_changes_nothing() -> None:
    failed = FOUND.with_columns(status=pl.lit("too_few_samples"))
    fixed = corrected(FOUR, failed)
    assert fixed["open_pa"].to_list() == FOUR["open_pa"].to_list()
    assert set(fixed["correction"]) == {"reference", "no_reference"}


def test_called_values_are_what_is_corrected_where_the_study_was_of_them() -> None:
    tests = pl.DataFrame(
        {"test_id": FOUR["test_id"], "called_open_pa": [61.0, 90.0, None, 1.0, 2.0]}
    )
    found = FOUND.with_columns(value=pl.lit("called"))
    fixed = corrected(FOUR, found, rated(["a", "b"], [100.0, 60.0]), tests=tests)
    assert fixed["open_pa"].to_list() == pytest.approx([60.0, 95.0, 57.0, 61.0, 59.0])
    assert fixed["correction"][2] == "missing_value"


def test_a_reference_is_told_by_no_one() -> None:
    alone = frame([("a", "pinch", 0, 57.0, 0.1), ("b", "pinch", 0, 57.0, 0.1)])
    found = method_error(alone, scale="absolute", methods=["pinch"])
    assert found["status"].to_list() == ["no_reference"]
    one = frame([("a", "pinch", 0, 57.0, 0.1), ("a", "ramp", 0, 57.0, 0.1)])
    found = method_error(one, scale="absolute", methods=["pinch"])
    assert found["status"].to_list() == ["one_switch"]
    assert found.select("bias_pa", "bias_u_pa", "sd_pa").row(0) == (0.0, None, None)


def test_operators_have_errors_of_their_own() -> None:
    random = np.random.default_rng(2)
    rows = []
    for i in range(12):
        true = 60.0 + random.normal()
        rows += [(f"s{i}", "ramp", 0, true, 0.01), (f"s{i}", "pinch", 1, true - 3.0, 0.01),
                 (f"s{i}", "pinch", 1, true + 1.0, 0.01)]  # fmt: skip
    points = frame(rows).with_columns(operator_id=pl.Series(["r", "low", "high"] * 12))
    found = method_error(points, scale="absolute", methods=["pinch"], by="operator_id")
    biases = dict(found.select("operator_id", "bias_pa").iter_rows())
    assert biases == pytest.approx({"low": -3.0, "high": 1.0})
    fixed = corrected(points, found)
    spread = fixed.group_by("switch_id").agg(pl.col("open_pa").max() - pl.col("open_pa").min())
    assert spread["open_pa"].max() == pytest.approx(0.0, abs=1e-9)
    known = common_bias(fixed, found)
    assert "bias of pinch by low" in known.points["gauge_id"].to_list()
    assert db.drift(known.points, gauges=known.gauges).height == 12


def test_what_is_refused() -> None:
    with pytest.raises(OptionError, match="scale"):
        method_error(FOUR)
    with pytest.raises(OptionError, match="within_days"):
        method_error(FOUR, scale="absolute", within_days=0)
    with pytest.raises(OptionError, match="switches"):
        corrected(FOUR, FOUND)
    with pytest.raises(SchemaError, match="twice"):
        corrected(FOUR, pl.concat([FOUND, FOUND]), rated(["a"], [60.0]))
    with pytest.raises(SchemaError, match="bias_dof"):
        corrected(FOUR, FOUND.drop("bias_dof"))
    with pytest.raises(SchemaError, match="method_corrected"):
        common_bias(FOUR, FOUND)


def test_later_tests_of_a_year_are_rounds_of_their_own() -> None:
    """Drift between rounds is no disagreement."""
    rows = []
    for i in range(5):
        for year in range(4):
            day = 365 * year
            rows += [(f"s{i}", "ramp", day, 60.0 - 3.0 * year, 0.0),
                     (f"s{i}", "pinch", day + 2, 59.0 - 3.0 * year, 0.0)]  # fmt: skip
    points = frame(rows).with_columns(tested_at=pl.col("tested_at") + timedelta(hours=1))
    row = method_error(points, scale="absolute").filter(method="pinch").row(0, named=True)
    assert row["bias_pa"] == pytest.approx(-1.0)
    assert row["sd_pa"] == pytest.approx(0.0, abs=1e-6)
