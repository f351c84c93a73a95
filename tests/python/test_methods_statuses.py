"""What studies of method error say where they cannot tell, and what they leave out."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import numpy as np
import polars as pl
import pytest

from deadband import methods
from deadband._errors import DeadbandError, OptionError, SchemaError
from test_methods_edges import GAUGE, POINTS, SWITCHES, TESTS

VERBS: dict[str, Any] = {
    "misjudgement": methods.misjudgement,
    "method_error": methods.method_error,
}
BAD = {"tolerance": 10.0, "rated_pa": 0.0, "action": "both"}


@pytest.mark.parametrize("verb", VERBS)
def test_the_true_reason_is_named(verb: str) -> None:
    def told(points: pl.DataFrame, switches: pl.DataFrame, **given: Any) -> list[str]:
        found = VERBS[verb](points, switches, **given)
        assert found.select("n_switches", "n_results").sum().row(0) in {(0, 0), (1, 2)}
        return found["status"].to_list()

    for name, wrong in BAD.items():
        assert told(POINTS, SWITCHES.with_columns(pl.lit(wrong).alias(name))) == ["bad_value"]
    for ids in (pl.lit("x") + pl.col("switch_id"), pl.int_range(6)):
        assert told(POINTS, SWITCHES.with_columns(switch_id=ids)) == ["unknown_switch"]
    ramps = POINTS.filter(method="ramp")
    assert told(ramps, SWITCHES) == []
    assert told(ramps, SWITCHES, methods=["pinch"]) == ["no_tests"]
    assert told(POINTS.filter(method="pinch"), SWITCHES) == ["no_reference"]
    late = POINTS.with_columns(
        tested_at=pl.when(method="ramp").then(pl.lit(datetime(2020, 1, 1))).otherwise("tested_at")
    )
    assert told(late, SWITCHES) == ["no_reference"]
    assert told(POINTS.with_columns(open_u_pa=None), SWITCHES) == ["missing_value"]
    capital = POINTS.with_columns(method=pl.col("method").replace("pinch", "Pinch"))
    assert told(capital, SWITCHES) == ["unknown_method"]
    assert told(POINTS.with_columns(method=pl.lit(None, pl.String)), SWITCHES) == ["unknown_method"]
    assert told(POINTS.filter(switch_id="s0"), SWITCHES) == ["one_switch"]


@pytest.mark.parametrize("verb", VERBS)
def test_switches_left_out_are_counted(verb: str) -> None:
    odd = SWITCHES.with_columns(
        tolerance=pl.when(switch_id="s0").then(1.5).otherwise(0.1),
        action=pl.when(switch_id="s1").then(pl.lit("none")).otherwise("action"),
    ).filter(pl.col("switch_id") != "s2")
    # Nothing sets a ramp beside the pinches of s3.
    points = POINTS.filter(pl.col("test_id") != "r3")
    row = VERBS[verb](points, odd).row(0, named=True)
    left = (row["n_switches"], row["n_results"], row["n_switches_left_out"])
    assert (*left, row["status"]) == (2, 4, 4, "too_few_samples" if "mis" in verb else "ok")
    whole = methods.method_error(points, odd, scale="absolute").row(0, named=True)
    assert (whole["n_switches"], whole["n_switches_left_out"]) == (5, 1)


@pytest.mark.parametrize("verb", VERBS)
def test_operators_without_a_reference_keep_their_row(verb: str) -> None:
    points = POINTS.with_columns(
        operator_id=pl.when(test_id="p50").then(pl.lit("new")).otherwise("operator_id")
    ).filter(pl.col("test_id") != "r5")
    found = VERBS[verb](points, SWITCHES, by="operator_id").filter(method="pinch")
    assert found.filter(operator_id="new")["status"].to_list() == ["no_reference"]
    assert found.filter(operator_id="ann")["n_switches_left_out"].to_list() == [0]


def test_readings_are_taken_by_all() -> None:
    points = POINTS.with_columns(lag_correction_pa=pl.lit(-1.5))
    fitted, read = (methods.results(points, value=value) for value in ("fitted", "reading"))
    apart = (read["value_pa"] - fitted["value_pa"]).round(9)
    assert set(apart.drop_nulls()) == {1.5}
    assert set(read.filter(pl.col("value_pa").is_null())["method"]) == {"pinch"}
    service = points.with_columns(method=pl.col("method").replace("pinch", "in_service"))
    for verb in (
        lambda **given: methods.agreement(service, "in_service", **given).table["bias_pa"],
        lambda **given: methods.method_error(service, scale="absolute", **given)["bias_pa"],
    ):
        off = [verb(value=value)[-1] for value in ("fitted", "reading")]
        assert off[1] - off[0] == pytest.approx(1.5)
    lines = [methods.regression(service, "in_service", value=v) for v in ("fitted", "reading")]
    levels = service.filter(method="ramp")["open_pa"]
    at = [line.intercept + line.slope * levels.mean() for line in lines]
    assert at[1] - at[0] == pytest.approx(1.5, abs=0.05)
    refused = [
        lambda: methods.results(points, value="read"),
        lambda: methods.agreement(points, "pinch", value="read"),
        lambda: methods.method_error(points, SWITCHES, value="read"),
        lambda: methods.misjudgement(points, SWITCHES, value="read"),
        lambda: methods.causes(points, POINTS, POINTS, value="read"),
    ]
    said = set()
    for call in refused:
        with pytest.raises(OptionError) as error:
            call()
        said.add(str(error.value))
    assert said == {"option value: 'read' is not known; use one of fitted, called, reading"}


def test_rounds_of_a_switch_count_alike() -> None:
    random = np.random.default_rng(7)
    rows = []
    for i in range(8):
        for year, off, repeats in ((2022, -6.0, 1), (2024, -2.0, 4)):
            at, true = datetime(year, 5, 1), 60.0 + random.normal()
            rows.append((f"r{i}{year}", f"s{i}", "ramp", true, at))
            for k in range(repeats):
                value = true + off + 0.1 * random.normal()
                rows.append((f"p{i}{year}{k}", f"s{i}", "pinch", value, at))
    names = ["test_id", "switch_id", "method", "open_pa", "tested_at"]
    nothing = pl.lit(None, pl.Float64)
    points = pl.DataFrame(rows, names, orient="row").with_columns(
        open_u_pa=pl.lit(0.05), close_pa=nothing, close_u_pa=nothing
    )
    error = methods.method_error(points, scale="absolute").row(0, named=True)
    agreed = methods.agreement(points, "pinch").table.row(0, named=True)
    assert error["bias_pa"] == pytest.approx(agreed["bias_pa"], abs=1e-12)
    assert error["bias_u_pa"] == pytest.approx(agreed["bias_u_pa"], abs=1e-12)
    # Rounds lie 2 Pa to either side of the bias, of every switch.
    assert error["bias_pa"] == pytest.approx(-4.0, abs=0.1)
    assert error["sd_pa"] == pytest.approx(2.0, rel=0.05)
    assert error["sd_pa"] == pytest.approx(agreed["method_sd_pa"], rel=0.02)


def test_a_test_is_corrected_once() -> None:
    found = methods.method_error(POINTS, SWITCHES)
    once = methods.corrected(POINTS, found, SWITCHES)
    twice = methods.corrected(once, found, SWITCHES)
    assert twice["open_pa"].equals(once["open_pa"])
    assert twice["open_u_pa"].equals(once["open_u_pa"])
    assert set(twice.filter(method="pinch")["correction"]) == {"corrected_before"}
    assert set(twice.filter(method="ramp")["correction"]) == {"reference"}
    assert twice["method_corrected"].equals(once["method_corrected"])
    # New tests beside old ones are corrected all the same.
    mixed = pl.concat([once.filter(switch_id="s0"), POINTS.filter(switch_id="s1")], how="diagonal")
    both = methods.corrected(mixed, found, SWITCHES).filter(method="pinch")
    assert both["correction"].to_list() == ["corrected_before"] * 2 + ["corrected"] * 2
    assert both["open_pa"].equals(once.filter(method="pinch")["open_pa"].head(4))


def test_a_gauge_of_the_common_errors_name_is_refused() -> None:
    found = methods.method_error(POINTS, SWITCHES)
    fixed = methods.corrected(POINTS, found, SWITCHES)
    told = methods.common_bias(fixed, found, pl.DataFrame([GAUGE]))
    with pytest.raises(SchemaError, match="bias of pinch"):
        methods.common_bias(fixed, found, told.gauges)


def test_a_tolerance_is_a_share() -> None:
    for call in (
        lambda: methods.reachable(GAUGE, methods.Procedure(), rated_pa=60.0, tolerance=10),
        lambda: methods.plan_test(GAUGE, rated_pa=60.0, tolerance=1.0),
        lambda: methods.pinch_decides(GAUGE, rated_pa=60.0, tolerance=10),
        lambda: methods.procedure_table(pl.DataFrame([GAUGE]), rated_pa=60.0, tolerance=10),
    ):
        with pytest.raises(OptionError, match=r"0\.10 is 10 %"):
            call()


@pytest.mark.parametrize("by", ["operator_id", ["operator_id"], ("operator_id",)])
def test_columns_are_named_by_a_text_or_a_list(by: Any) -> None:
    found = methods.agreement(POINTS, "pinch", by=by)
    assert (found.by, found.table["operator_id"].to_list()) == (("operator_id",), ["ann", "ben"])
    for verb in VERBS.values():
        assert verb(POINTS, SWITCHES, by=by)["operator_id"].to_list() == ["ann", "ben"]
    assert methods.feedback(POINTS, TESTS, by=by).operators["operator_id"].to_list() == [
        "ann", "ben",
    ]  # fmt: skip
    parts = methods.variance_components(methods.results(POINTS).filter(method="pinch"), by)
    assert parts["component"].to_list() == ["operator_id", "residual", "total"]


def test_groups_of_several_columns_and_of_nobody() -> None:
    nobody = POINTS.with_columns(
        operator_id=pl.when(switch_id="s0").then(None).otherwise("operator_id")
    )
    tests = TESTS.with_columns(session=pl.lit("am"))
    found = methods.agreement(nobody, "pinch", by=["operator_id", "session"], tests=tests)
    assert found.table.select("operator_id", "session", "n_method").rows() == [
        ("ann", "am", 5), ("ben", "am", 5), (None, "am", 2),
    ]  # fmt: skip
    assert found.switches.columns[:3] == ["operator_id", "session", "switch_id"]
    each = methods.agreement(nobody, "pinch", by="operator_id")
    for name, only in (("ann", nobody.filter(pl.col("operator_id") == "ann")), (None, nobody)):
        mine = only if name else nobody.filter(pl.col("operator_id").is_null())
        ramps = nobody.filter(method="ramp")
        alone = methods.agreement(
            pl.concat([ramps, mine.filter(method="pinch")]), "pinch"
        ).table["bias_pa"][0]  # fmt: skip
        row = each.table.filter(pl.col("operator_id").eq_missing(pl.lit(name, pl.String)))
        assert row["bias_pa"][0] == pytest.approx(alone)
    called = methods.feedback(nobody, TESTS).operators
    assert called["operator_id"].to_list() == ["ann", "ben", None]
    assert called.select("n_calls", "mean_pa", "status").row(2) == (3, None, "missing_value")
    with pytest.raises(SchemaError, match="operator_id"):
        methods.feedback(POINTS.drop("operator_id"), TESTS)
    with pytest.raises(DeadbandError, match="tests"):
        methods.agreement(POINTS, "pinch", by="session")
