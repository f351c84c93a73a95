"""Which test speaks for a switch, and which tests contradict each other."""

from __future__ import annotations

from datetime import datetime

import polars as pl
import pytest

from deadband.report import _evidence, _extras, _tables
from example_fleet import fleet


def same_day(*tests, switch="s1", verdict="does_not_conform", p_unsafe=0.99):
    """Tests `(method, hour, open_pa, u)` of one day, of a switch rated 60 Pa."""
    rows = [
        {
            "test_id": f"{method}-{hour}",
            "switch_id": switch,
            "method": method,
            "tested_at": datetime(2024, 5, 1, hour),
            "open_pa": open_pa,
            "open_u_pa": u,
            "status": "ok",
            "p_unsafe": p_unsafe,
            "p_nuisance": 0.0,
            "p_conform": 1.0 - p_unsafe,
            "verdict": verdict,
        }
        for method, hour, open_pa, u in tests
    ]
    nothing = pl.lit(None, dtype=pl.Float64)
    return pl.DataFrame(rows).with_columns(close_pa=nothing, close_u_pa=nothing)


RATED = pl.DataFrame({"switch_id": ["s1"], "rated_pa": [60.0], "action": ["fall"]})


def test_a_test_contradicts_the_surest_of_its_switch_and_day():
    tests = same_day(
        ("ramp", 9, 55.2, 0.5), ("pinch", 10, 44.4, 2.7), ("in_service", 11, 56.9, 0.9)
    )
    found = _evidence.contradictions(tests, RATED)
    assert found["test_id"].to_list() == ["pinch-10"]
    assert found["test_id_of_surest"].item() == "ramp-9"
    assert found["apart_pa"].item() == pytest.approx(-10.8)
    # Without degrees of freedom k is 1.96.
    wide = 1.959964 * (0.5**2 + 2.7**2) ** 0.5
    assert found["apart_expanded_pa"].item() == pytest.approx(wide, rel=1e-6)
    next_day = tests.with_columns(
        tested_at=pl.when(pl.col("method") == "pinch")
        .then(pl.col("tested_at").dt.offset_by("1d"))
        .otherwise("tested_at")
    )
    assert not _evidence.contradictions(next_day, RATED).height
    near = same_day(("ramp", 9, 55.0, 0.3), ("pinch", 10, 54.1, 0.4))
    assert not _evidence.contradictions(near, RATED).height  # 1.8 combined standard uncertainties
    far = same_day(("ramp", 9, 55.0, 0.3), ("pinch", 10, 53.9, 0.4))
    assert _evidence.contradictions(far, RATED).height == 1  # 2.2
    unsure = far.with_columns(open_dof=pl.when(pl.col("method") == "pinch").then(3.0))
    assert not _evidence.contradictions(unsure, RATED).height  # k = 3.18 for the pinch
    assert not _evidence.contradictions(tests.with_columns(open_u_pa=None), RATED).height


def test_a_slow_ramp_speaks_for_its_switch_and_a_contradicted_test_only_alone():
    both = same_day(("ramp", 9, 53.0, 0.4), ("pinch", 15, 51.0, 2.0))
    assert _evidence.unsafe_evidence(both, RATED)["test_id"].to_list() == ["ramp-9"]
    late = pl.concat([both, same_day(("pinch", 16, 40.0, 1.0))])
    assert _evidence.unsafe_evidence(late, RATED)["test_id"].to_list() == ["ramp-9"]
    alone = late.with_columns(
        verdict=pl.when(pl.col("test_id") == "pinch-16")
        .then("verdict")
        .otherwise(pl.lit("conforms"))
    )
    stock = pl.concat([RATED, RATED.with_columns(switch_id=pl.lit("s2"))])
    fleet_of_two = pl.concat([alone, same_day(("ramp", 8, 53.0, 0.4), switch="s2")])
    table = _tables.unsafe_table(fleet_of_two, stock, "Pa")
    assert [row[4].text for row in table.rows] == ["ramp-8", "pinch-16, contradicted"]


def test_the_page_lists_what_contradicts_only_where_something_does():
    assert _extras.doubts(fleet(4), "Pa") is None
    tests = same_day(("ramp", 9, 55.2, 0.5), ("pinch", 10, 44.4, 2.7))
    analysis = fleet(4)
    analysis.verdicts, analysis.switches = tests, RATED
    section = _extras.doubts(analysis, "Pa")
    (row,) = section.table.rows
    assert [cell.text for cell in row] == [
        "pinch-10", "pinch", "44.4 ± 5.3", "does not conform", "ramp-9", "slow ramp",
        "55.20 ± 0.98", "-10.8 ± 5.4", "s1", "2024-05-01",
    ]  # fmt: skip
    assert section.sentences[1] == "1 test contradicts another."
