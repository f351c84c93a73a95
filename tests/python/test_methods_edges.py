"""Studies of method error on tables and options that are not as they should be."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl
import pytest

from deadband import methods
from deadband._errors import OptionError, SchemaError
from deadband.methods._compared import Comparison, rated_switches
from deadband.methods._fleet import fleet_of
from deadband.methods._truths import truths

GAUGE = {
    "gauge_id": "G1", "resolution_pa": 1.0, "accuracy_abs_pa": 0.5, "accuracy_rel": 0.0,
    "lag_s": 0.4, "lag_u_s": 0.02,
}  # fmt: skip


def tables(n: int = 6, *, ramp: float | None = None) -> tuple[pl.DataFrame, ...]:
    """Setpoints, switches and called values of a ramp and two pinches of each switch."""
    random = np.random.default_rng(3)
    rows: list[tuple[Any, ...]] = []
    for i in range(n):
        true = ramp or 60.0 + random.normal(0.0, 3.0)
        rows.append((f"r{i}", f"s{i}", "ann", "ramp", true, datetime(2024, 1, 1)))
        for k, operator in enumerate(("ann", "ben")):
            value = true - 2.0 + random.normal()
            rows.append((f"p{i}{k}", f"s{i}", operator, "pinch", value, datetime(2024, 1, 2)))
    names = ["test_id", "switch_id", "operator_id", "method", "open_pa", "tested_at"]
    nothing = pl.lit(None, pl.Float64)
    points = pl.DataFrame(rows, names, orient="row").with_columns(
        gauge_id=pl.lit("G1"), open_u_pa=pl.lit(0.2), close_pa=nothing, close_u_pa=nothing
    )
    switches = pl.DataFrame({"switch_id": [f"s{i}" for i in range(n)]}).with_columns(
        rated_pa=pl.lit(60.0), action=pl.lit("fall")
    )
    return points, switches, points.select("test_id", called_open_pa="open_pa")


POINTS, SWITCHES, TESTS = tables()
RESULTS = methods.results(POINTS).filter(method="pinch")
WITH_CONFIDENCE: dict[str, Callable[..., Any]] = {
    "agreement": lambda **given: methods.agreement(POINTS, "pinch", **given),
    "regression": lambda **given: methods.regression(POINTS, "pinch", **given),
    "method_error": lambda **given: methods.method_error(POINTS, SWITCHES, **given),
    "misjudgement": lambda **given: methods.misjudgement(POINTS, SWITCHES, **given),
    "feedback": lambda **given: methods.feedback(POINTS, TESTS, **given),
    "gauge_study": lambda **given: methods.gauge_study(RESULTS, **given),
    "precision": lambda **given: methods.precision(RESULTS, **given),
    "components": lambda **given: methods.variance_components(RESULTS, ["switch_id"], **given),
    "reachable": lambda **given: methods.reachable(
        GAUGE, methods.Procedure(), rated_pa=60.0, **given
    ),
    "plan_test": lambda **given: methods.plan_test(GAUGE, rated_pa=60.0, **given),
}


@pytest.mark.parametrize("verb", WITH_CONFIDENCE)
@pytest.mark.parametrize("wrong", [95, 0.0, 1, True, "0.95", None, float("nan")])
def test_a_confidence_is_a_share(verb: str, wrong: Any) -> None:
    with pytest.raises(OptionError, match="confidence"):
        WITH_CONFIDENCE[verb](confidence=wrong)


@pytest.mark.parametrize(
    ("verb", "option", "wrong"),
    [
        ("agreement", "by", []), ("agreement", "by", ["operator_id", 5]),
        ("agreement", "by", "difference_pa"), ("agreement", "within_days", "30"),
        ("method_error", "by", 5), ("misjudgement", "by", []), ("feedback", "by", ["method", None]),
        ("method_error", "methods", 5), ("method_error", "within_days", True),
        ("misjudgement", "seed", -1), ("misjudgement", "risk", "low"), ("feedback", "by", None),
        ("gauge_study", "interaction", "no"), ("gauge_study", "column", None),
        ("reachable", "reaction", 0.3), ("reachable", "reaction", (0.3,)),
        ("reachable", "called", "yes"), ("reachable", "seed", 1.5),
        ("plan_test", "rates_pa_s", 5.0), ("plan_test", "rates_pa_s", (5.0, 1.0)),
        ("plan_test", "cycles_least", True),
    ],
)  # fmt: skip
def test_options_that_cannot_be(verb: str, option: str, wrong: Any) -> None:
    given = {"value" if option == "column" else option: wrong}
    with pytest.raises(OptionError, match=option):
        WITH_CONFIDENCE[verb](**given)


@pytest.mark.parametrize(
    ("option", "wrong"),
    [("low_pa", "deep"), ("low_pa", float("nan")), ("high_pa", float("inf")), ("cycles", True),
     ("sample_s", None)],
)  # fmt: skip
def test_procedures_that_cannot_be(option: str, wrong: Any) -> None:
    with pytest.raises(OptionError, match=option):
        methods.Procedure(**{option: wrong})


def test_lists_and_pairs_are_asked_for() -> None:
    with pytest.raises(OptionError, match="fall_s"):
        methods.pinch_decides(GAUGE, rated_pa=60.0, fall_s=0.4)  # type: ignore[arg-type]
    with pytest.raises(OptionError, match="option n:"):
        methods.pinch_decides(GAUGE, rated_pa=60.0, n=1)
    with pytest.raises(OptionError, match="ratios"):
        methods.procedure_table(pl.DataFrame([GAUGE]), rated_pa=60.0, ratios=4.0)  # type: ignore[arg-type]
    with pytest.raises(OptionError, match="limits"):
        methods.global_risk(0.0, 1.0, 0.0, 0.1, limits=5.0)  # type: ignore[arg-type]
    with pytest.raises(OptionError, match="option x"):
        methods.deming(["a", "b", "c"], [1, 2, 3], 0.1, 0.1)
    with pytest.raises(OptionError, match="groups"):
        methods.variance_components(RESULTS, {"a": 5})  # type: ignore[dict-item]
    with pytest.raises(OptionError, match="procedure"):
        methods.reachable(GAUGE, None, rated_pa=60.0)  # type: ignore[arg-type]


def test_numbers_of_numpy_are_numbers() -> None:
    ramp = methods.Procedure(cycles=np.int64(3), rate_pa_s=np.float32(5.0))  # type: ignore[arg-type]
    gauge = GAUGE | {"resolution_pa": np.int64(1), "accuracy_abs_pa": np.float32(0.5)}
    found, plain = (
        methods.reachable(one, how, rated_pa=60.0)
        for one, how in ((gauge, ramp), (GAUGE, methods.Procedure()))
    )
    assert (found.status, found.u_pa) == ("ok", pytest.approx(plain.u_pa))
    none = methods.reachable(GAUGE | {"dof": 0.0}, ramp, rated_pa=60.0)
    assert (none.status, none.reason) == ("bad_value", "dof is 0 and must be a number above 0")


def test_ids_that_are_numbers_and_ids_that_are_missing() -> None:
    numbered = POINTS.with_row_index("test_id_").with_columns(test_id="test_id_").drop("test_id_")
    tests = numbered.select("test_id", called_open_pa="open_pa", session=pl.lit("am"))
    missing = tests.head(2).with_columns(test_id=pl.lit(None, tests.schema["test_id"]))
    found = methods.agreement(
        numbered, "pinch", value="called", by="session", tests=pl.concat([tests, missing])
    ).table
    assert found.select("session", "n_method", "status").row(0) == ("am", 12, "ok")
    with pytest.raises(SchemaError, match="not a number"):
        methods.results(POINTS, TESTS.cast({"called_open_pa": pl.String}), value="called")


def test_a_row_for_each_switch() -> None:
    found = methods.agreement(POINTS, "pinch", by="switch_id")
    assert found.table["switch_id"].to_list() == [f"s{i}" for i in range(6)]
    assert set(found.table["status"]) == {"one_switch"}
    assert found.switches["difference_pa"].to_list() == pytest.approx(
        found.table["bias_pa"].to_list()
    )


def test_a_test_without_a_date_is_no_fellow_of_a_dated_one() -> None:
    at = [datetime(2015, 1, 1), datetime(2024, 1, 1), None, None]
    points = POINTS.head(1).select(pl.all().repeat_by(4).explode()).with_columns(
        test_id=pl.Series(["a", "b", "c", "d"]), tested_at=pl.Series(at),
        method=pl.Series(["ramp", "ramp", "pinch", "ramp"]),
        open_pa=pl.Series([60.0, 50.0, 57.0, 59.0]),
    )  # fmt: skip
    found = methods.rounds(points, "pinch")
    assert found.select("test_id", "round").rows() == [("c", 2), ("d", 2)]
    assert methods.rounds(points.head(3), "pinch").is_empty()
    ever = methods.rounds(points.filter(pl.col("tested_at").is_not_null()).with_columns(
        method=pl.Series(["pinch", "ramp"])), "pinch", within_days=float("inf"))  # fmt: skip
    assert ever["round"].to_list() == [0, 0]
    # Of the fleet's truth the last is the last that is known to be.
    rated = rated_switches(SWITCHES)
    asked = Comparison(points, rated, "ramp", "open", "fitted", None, 30.0, (None, None))
    assert truths(asked)["x"].to_list() == pytest.approx([50.0 / 60.0 - 1.0])


@pytest.mark.parametrize("shape", ["normal", "mixture"])
def test_a_fleet_that_does_not_differ_may_hide_what_its_tests_are_unsure_of(shape: Any) -> None:
    for u in (0.0, 1e-3):
        fleet = fleet_of(np.zeros(8), np.full(8, u**2), shape, np.random.default_rng(1), 500)
        assert fleet.point[2].item() == 0.0
        # Chi-squared of seven degrees of freedom is 6.35 in the median.
        assert float(np.median(fleet.sd)) == pytest.approx(u * (7 / 6.35) ** 0.5, rel=0.1)
    points, switches, _ = tables(8, ramp=60.0)
    ends = {}
    for u in (0.2, 3.0):
        unsure = points.with_columns(open_u_pa=pl.lit(u))
        row = methods.misjudgement(unsure, switches, shape=shape).row(0, named=True)
        assert (row["status"], row["p_bad_unsafe"], row["p_bad_nuisance"]) == ("ok", 0.0, 0.0)
        ends[u] = row["p_bad_unsafe_high"]
    assert ends[0.2] < 1e-6
    assert ends[3.0] > 0.05


def test_the_unsafe_side_of_a_rising_action_is_closing_too_low() -> None:
    points, switches, _ = tables(30)
    rising = points.rename({"open_pa": "close_pa", "close_pa": "open_pa"}).rename(
        {"open_u_pa": "close_u_pa", "close_u_pa": "open_u_pa"}
    )
    rise = pl.lit("rise")
    for rated, side, other in ((75.0, "unsafe", "nuisance"), (48.0, "nuisance", "unsafe")):
        table = switches.with_columns(rated_pa=pl.lit(rated), action=rise)
        row = methods.misjudgement(rising, table, shape="normal").row(0, named=True)
        assert row[f"p_bad_{side}"] > 0.9
        assert row[f"p_bad_{other}"] < 1e-3
        assert row[f"counted_bad_{side}"] > row[f"counted_bad_{other}"] == 0


def test_of_the_other_event_a_gauge_stays_its_own() -> None:
    close = pl.DataFrame(
        {
            "method": ["pinch"], "event": ["close"], "bias_pa": [-1.0], "bias_u_pa": [0.3],
            "bias_dof": [9.0], "sd_pa": [0.4], "sd_dof": [20.0], "status": ["ok"],
        }
    )  # fmt: skip
    points = POINTS.with_columns(close_pa=pl.lit(70.0), close_u_pa=pl.lit(0.2))
    fixed = methods.corrected(points, close)
    assert set(methods.common_bias(fixed, close, event="open").points["gauge_id"]) == {"G1"}
    told = methods.common_bias(fixed, close, event="close").points
    assert set(told.filter(method="pinch")["gauge_id"]) == {"bias of pinch"}
    with pytest.raises(OptionError, match="event"):
        methods.common_bias(fixed, close, event="both")  # type: ignore[arg-type]
    with pytest.raises(SchemaError, match="status"):
        methods.common_bias(fixed, close.drop("status"))
    with pytest.raises(SchemaError, match="bias_pa"):
        methods.corrected(points, close.cast({"bias_pa": pl.String}))


def test_nothing_on_paper_is_better_than_it_is() -> None:
    gauges = pl.DataFrame([GAUGE])
    table = methods.procedure_table(gauges, rated_pa=60.0, ratios=[], rates_pa_s=[0.35, 2.96])
    table = table.with_columns(expanded_pa=pl.lit(1.541), ratio=pl.lit(3.96))
    for frame in (table, table.lazy(), table.to_pandas()):
        slow, fast = (line.split() for line in methods.printed(frame).splitlines()[2:4])
        assert (slow[2], fast[2]) == ("0.35", "2.9")
        assert (slow[5], slow[6]) == ("1.6", "3.9")
    with pytest.raises(SchemaError, match="reason"):
        methods.printed(table.drop("reason"))
