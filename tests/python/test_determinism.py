"""The same bytes out for any number of threads, order of rows, batch size and engine."""

import json
import os
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

import deadband as db
from table_digests import digest, tables

KEY = ["test_id", "time_s"]


@pytest.fixture(scope="module")
def fleet(demo_data):
    tests = db.read_tests(demo_data).collect()
    # Ids that occur twice: with other gauges, with other switches, and as the very same row.
    twice = tests.head(3).with_columns(gauge_id=pl.lit("G3"), operator_id=pl.lit("another"))
    other = tests.slice(3, 3).with_columns(switch_id=pl.lit("another"))
    tests = pl.concat([tests, twice, other, tests.slice(6, 1)])
    return tests, db.read_switches(demo_data), db.read_gauges(demo_data)


@pytest.fixture(scope="module")
def made(fleet):
    return tables(*fleet)


def of_threads(count: int, demo_data: Path) -> dict[str, str]:
    run = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("table_digests.py")), str(demo_data)],
        env={**os.environ, "POLARS_MAX_THREADS": str(count), "RAYON_NUM_THREADS": str(count)},
        check=True,
        capture_output=True,
        text=True,
    )
    told = json.loads(run.stdout)
    assert told["threads"] == count
    return told["digests"]


def test_any_number_of_threads_makes_the_same_bytes(demo_data):
    one = of_threads(1, demo_data)
    assert len(set(one.values())) >= 10  # the tables differ, so that the digest sees them
    for count in (2, 8):
        assert of_threads(count, demo_data) == one


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_any_order_of_rows_makes_the_same_bytes(fleet, made, seed):
    def shuffled(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.sample(fraction=1.0, shuffle=True, seed=seed)

    again = tables(*fleet, given=shuffled)
    assert not shuffled(fleet[0])["test_id"].equals(fleet[0]["test_id"])
    differing = [name for name, frame in again.items() if digest(frame) != digest(made[name])]
    assert not differing


def test_the_digest_sees_a_last_bit(made):
    points = made["setpoints"]
    nudged = points.with_columns(pl.col("open_pa") * (1.0 + 2.3e-16))
    assert digest(nudged) != digest(points)


@pytest.mark.parametrize("size", [1, 7, 1000])
@pytest.mark.parametrize("with_lags", [False, True])
def test_any_batch_size_makes_the_same_rows(fleet, made, size, with_lags):
    # What is told apart within a batch only, an id that occurs twice, is left out.
    tests = fleet[0].filter(pl.col("test_id").is_unique())
    lags = made["lags"] if with_lags else None
    batches = tests.to_arrow().to_batches(max_chunksize=size)
    found = [pl.DataFrame(batch) for batch in db.fit_batches(batches, lags)]
    whole = db.fit_events(tests, lags)
    together = pl.concat(found).sort(KEY, maintain_order=True)
    assert digest(together.rechunk()) == digest(whole.rechunk())


@pytest.mark.parametrize("engine", ["streaming", "in-memory"])
def test_lazy_frames_of_either_engine_give_what_eager_ones_give(fleet, made, engine):
    lazily = tables(*fleet, given=lambda frame: frame.lazy())
    for name, frame in lazily.items():
        assert isinstance(frame, pl.LazyFrame), name
        assert_frame_equal(frame.collect(engine=engine), made[name], check_exact=True)
