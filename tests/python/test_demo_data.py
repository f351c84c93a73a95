"""The demonstration fleet is what its README tells, and what its command makes."""

import re
from datetime import date

import numpy as np
import polars as pl
import pytest

import deadband
from deadband import _demo
from deadband._demo import _stock
from deadband._demo._broken import BREAKS
from deadband._demo._logger_csv import HABITS, logger_plan
from deadband.read import read_gauges, read_switches, read_tests
from deadband.simulate import fleet


@pytest.fixture(scope="module")
def made():
    return _demo.demo_fleet()


@pytest.fixture(scope="module")
def tests(made):
    return made.tests.join(
        made.switches.select("switch_id", "lot", "model", "rated_pa", "installed_on", "removed_on"),
        on="switch_id",
        how="left",
    )


def rated_events(made, method="ramp"):
    """The true pressure of every rated event: opening where the action is fall, closing at rise."""
    who = made.tests.select("test_id", "switch_id", "method", "tested_at")
    rating = made.switches.select("switch_id", "lot", "rated_pa", "action")
    whole = made.truth.join(who, on="test_id").join(rating, on="switch_id")
    rated = pl.when(pl.col("action") == "fall").then(pl.lit("open")).otherwise(pl.lit("close"))
    return whole.filter(
        pl.col("event") == rated,
        pl.col("method") == method,
        ~pl.col("test_id").str.starts_with("broken"),
    ).with_columns(ratio=pl.col("pressure_pa") / pl.col("rated_pa"))


def test_the_command_makes_the_files(demo_data, tmp_path):
    _demo.write_demo(tmp_path)
    anew = {path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file()}
    kept = {path.relative_to(demo_data) for path in demo_data.rglob("*") if path.is_file()}
    told = {path for path in kept if path.name in {"README.md", ".gitattributes"}}
    assert kept - told == anew
    for name in sorted(anew):
        if name.suffix == ".parquet":  # its bytes depend on the release of the writer
            assert pl.read_parquet(tmp_path / name).equals(pl.read_parquet(demo_data / name)), name
        else:
            assert (tmp_path / name).read_bytes() == (demo_data / name).read_bytes(), name


def test_it_is_small_and_the_readme_counts_it_rightly(demo_data, tests):
    files = [path for path in demo_data.rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in files) < 4_000_000
    text = (demo_data / "README.md").read_text(encoding="utf-8")
    told = re.search(r"(\d+) recordings of (\d+) switches", text)
    assert told
    assert [int(number) for number in told.groups()] == [tests.height, _stock.PER_LOT * 6]
    for name in (*_stock.LOTS, *_stock.MODELS, *_stock.GAUGES, *BREAKS, _stock.WELDED[0]):
        assert name in text, name
    for group in (_stock.LEAKING, _stock.STICKING, _stock.CHATTERING):
        assert all(switch_id in text for switch_id in group)


def test_it_reads_back(demo_data, made):
    read = read_tests(demo_data).collect()
    assert read.equals(made.tests, null_equal=True)
    switches = read_switches(demo_data)
    assert switches.height == 60
    assert set(switches["status"]) == {"ok"}
    assert read_gauges(demo_data)["lag_s"].to_list() == [0.15, None, None, None]


def test_no_test_lies_outside_the_life_of_its_switch(tests):
    field = tests.filter(~pl.col("switch_id").is_in(_stock.TRAINING))
    day = pl.col("tested_at").dt.date()
    assert field["installed_on"].null_count() == 0
    assert field.filter(day < pl.col("installed_on")).is_empty()
    assert field.filter(day > pl.col("removed_on")).is_empty()
    assert field["tested_at"].dt.year().unique().sort().to_list() == [2021, 2022, 2023, 2024, 2025]


def test_one_lot_opens_too_low_and_one_drifts(made):
    ratio = (
        rated_events(made)
        .group_by("lot", pl.col("tested_at").dt.year().alias("year"))
        .agg(pl.col("ratio").mean())
    )
    low = ratio.filter(lot="B110-2106")["ratio"]
    assert low.max() < 0.90
    drifting = ratio.filter(lot="A60-2010").sort("year")["ratio"]
    assert (drifting.diff().drop_nulls() < -0.01).all()
    assert drifting[-1] < 0.92
    others = ratio.filter(~pl.col("lot").is_in(["B110-2106", "A60-2010"]))["ratio"]
    assert others.is_between(0.98, 1.02).all()


def test_the_welded_switch_stays_closed(made):
    mine = made.tests.filter(pl.col("switch_id") == _stock.WELDED[0])
    late = mine.filter(pl.col("tested_at") >= _stock.WELDED[1])
    assert late.height == 1
    assert late["test_id"].is_in(made.truth["test_id"].to_list()).to_list() == [False]
    assert mine.height > late.height
    row = made.switches.filter(pl.col("switch_id") == _stock.WELDED[0])
    assert row["failed"].to_list() == [True]


def test_the_training_study_is_complete(tests):
    study = tests.filter(pl.col("operator_id").str.starts_with("trainee"))
    cells = study.group_by("operator_id", "switch_id", "method").len()
    assert cells.height == 5 * 6 * 3
    assert set(cells["len"]) == {2}
    assert study["called_close_pa"].null_count() + study["called_open_pa"].null_count() == 0
    assert study["model"].n_unique() == 3


def test_the_bench_gauge_knows_one_rate(made):
    bench = made.tests.filter(gauge_id="G4")
    rates = made.truth.filter(pl.col("test_id").is_in(bench["test_id"].to_list()))["rate_pa_s"]
    held = rates.abs() < 4.9  # a leaking switch may open in the hold
    assert bench.height > 20
    assert rates.filter(~held).abs().round(6).unique().to_list() == [5.0]


def test_the_broken_recordings_are_broken_each_in_its_way(tests):
    broken = {row["test_id"]: row for row in tests.to_dicts() if row["test_id"] in BREAKS}
    assert set(broken) == set(BREAKS)

    def channel(status, name):
        return np.array(broken[f"broken-{status}"][name], dtype=float)

    assert len(set(np.sign(channel("no_event", "contact") - 12.0))) == 1
    assert len(channel("too_few_samples", "time_s")) == 5
    assert (np.diff(channel("time_not_increasing", "time_s")) <= 0).sum() == 1
    assert np.isnan(channel("not_finite", "pressure_pa")).sum() == 15
    assert (
        len(channel("length_mismatch", "contact")) == len(channel("length_mismatch", "time_s")) - 4
    )
    assert channel("saturated", "pressure_pa").max() == 100.0
    assert len(set(channel("contact_ambiguous", "contact"))) == 3
    assert (channel("event_at_edge", "contact")[:3] < 12.0).tolist() == [False, False, True]


def test_each_broken_recording_ends_with_the_status_of_its_name(made):
    names = [*BREAKS]
    events = deadband.fit_events(made.tests.filter(pl.col("test_id").is_in(names)))
    found = {name: set(events.filter(test_id=name)["status"]) for name in names}
    assert found == {name: {name.removeprefix("broken-")} for name in names}


@pytest.mark.parametrize("number", range(len(HABITS)))
def test_the_logger_files_say_what_was_recorded(demo_data, number):
    read = read_tests(demo_data / "logger-csv", strict=True).collect().row(number, named=True)
    row = fleet(logger_plan(_demo.SEED), seed=_demo.SEED).tests.row(number, named=True)
    assert [read[name] for name in ("test_id", "switch_id", "gauge_id", "method", "tested_at")] == [
        row[name] for name in ("test_id", "switch_id", "gauge_id", "method", "tested_at")
    ]
    kept = [i for i in range(len(row["time_s"])) if number != 1 or i % 97 != 96]
    pressure = np.array(row["pressure_pa"])[kept]
    assert np.allclose(read["pressure_pa"], pressure, atol=1e-9)
    assert np.allclose(read["time_s"], np.array(row["time_s"])[kept], atol=0.0051)
    threshold = 12.0 if max(row["contact"]) > 2.0 else 0.5
    closed = np.array(row["contact"]) < threshold
    if threshold == 0.5:
        closed = ~closed
    words = {1, 3}
    seen = np.array(read["contact"])
    assert np.array_equal(seen == 1.0 if number in words else seen < 12.0, closed)
    for name in ("called_close_pa", "called_open_pa"):
        assert read[name] == pytest.approx(row[name], abs=1e-6)


def test_another_seed_is_another_fleet_of_the_same_kind(made):
    other = _demo.demo_fleet(seed=7)
    assert other.switches["switch_id"].equals(made.switches["switch_id"])
    assert not other.tests["pressure_pa"].equals(made.tests["pressure_pa"])
    assert other.tests["tested_at"].min() > pl.Series([date(2021, 1, 1)]).cast(pl.Datetime)[0]
