"""Frames of other libraries, laziness, empty frames, types that hold the same values."""

import io
from datetime import date

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest
from polars.testing import assert_frame_equal

import deadband as db
from deadband import simulate
from deadband.schema import dtypes
from recordings import sound, switches_of, table_of
from table_digests import tables

VERBS = [
    "shown",
    "lags",
    "events",
    "setpoints",
    "alone",
    "budget",
    "verdicts",
    "drift",
    "drift by gauge",
    "condition",
]


@pytest.fixture(scope="module")
def fleet():
    instruments = [
        simulate.Instrument(gauge_id=f"g{index}", accuracy_rel=0.005, lag_s=0.4, lag_u_s=0.05)
        for index in range(2)
    ]
    plan = [
        simulate.PlannedTest(
            test_id=f"t{index}",
            unit=simulate.Unit(switch_id=f"s{index % 2}", rated_pa=60.0),
            instrument=instruments[index // 4],
            motion=simulate.Ramp(rate_pa_s=2.0 + index),
            tested_at=date(2020 + index // 2, 6, 1),
        )
        for index in range(8)
    ]
    made = simulate.fleet(plan, seed=7)
    return made.tests, made.switches, made.gauges


@pytest.fixture(scope="module")
def made(fleet):
    return tables(*fleet)


def as_pandas(frame: pl.DataFrame) -> pd.DataFrame:
    return frame.to_pandas()


def as_pandas_arrow(frame: pl.DataFrame) -> pd.DataFrame:
    return frame.to_pandas(use_pyarrow_extension_array=True)


def as_duckdb(frame: pl.DataFrame) -> duckdb.DuckDBPyRelation:
    return duckdb.from_arrow(frame.to_arrow())


@pytest.mark.parametrize("given", [as_pandas, as_pandas_arrow, pl.DataFrame.to_arrow, as_duckdb])
def test_frames_of_other_libraries_give_what_polars_gives(fleet, made, given):
    """Each verb takes the library's own frames, those made by the verbs before included."""
    found = tables(*fleet, given=given)
    for name, frame in found.items():
        assert isinstance(frame, pl.DataFrame), name
        assert_frame_equal(frame, made[name], check_exact=True)


def as_csv(frame: pl.DataFrame) -> io.BytesIO | None:
    """As the command writes a table; lists have no place in a CSV file."""
    flat = not any(isinstance(dtype, pl.List) for dtype in frame.dtypes)
    return io.BytesIO(frame.write_csv().encode()) if flat else None


def through_csv(frame: pl.DataFrame) -> pl.DataFrame:
    text = as_csv(frame)
    return frame if text is None else pl.read_csv(text)


def through_pandas_csv(frame: pl.DataFrame) -> pd.DataFrame:
    text = as_csv(frame)
    if text is None:
        return frame.to_pandas()
    return pd.read_csv(text, float_precision="round_trip")


@pytest.mark.parametrize(
    "given",
    [as_pandas, as_pandas_arrow, as_duckdb, through_csv, through_pandas_csv],
)
def test_what_is_missing_survives_other_libraries(fleet, given):
    """Counts beside a missing one, columns without any value, instants as text."""
    silent = pl.col("contact").list.eval(pl.element() * 0.0)
    dead = pl.col("test_id").is_in(["t2", "t5"])
    tests = fleet[0].with_columns(
        contact=pl.when(dead).then(silent).otherwise("contact"),
        gauge_id=pl.when(~dead).then("gauge_id"),
        operator_id=pl.lit(None, dtype=pl.String),
        called_open_pa=pl.lit(None, dtype=pl.Float64),
    )
    switches = fleet[1].with_columns(removed_on=pl.lit(None, dtype=pl.Date))
    plain = tables(tests, switches, fleet[2])
    assert plain["setpoints"]["close_pa"].null_count() == 2
    for name, frame in tables(tests, switches, fleet[2], given=given).items():
        assert_frame_equal(frame, plain[name], check_exact=True)


def test_what_is_no_table_is_refused_by_name():
    for nothing in (None, 3, [1], {"a": [1]}, np.zeros((2, 2)), "tests.parquet"):
        with pytest.raises(db.DeadbandError, match="table tests"):
            db.fit_events(nothing)
        with pytest.raises(db.DeadbandError, match="table switches"):
            db.judge(pl.DataFrame(schema=dtypes("setpoints")), nothing)


def test_an_id_in_two_rows_is_named_without_a_list_of_columns():
    points, rated = pl.DataFrame(schema=dtypes("setpoints")), switches_of(switch_id="s1")
    with pytest.raises(db.SchemaError, match="s1 stands in more than one row") as caught:
        db.judge(points, pl.concat([rated, rated]))
    assert "columns found" not in str(caught.value)
    with pytest.raises(db.SchemaError, match=r"\(columns found: none\)"):
        db.judge(points, pl.DataFrame())


def refuse(_: pl.DataFrame) -> pl.DataFrame:
    raise AssertionError("a row was read before anybody asked for it")


def test_lazy_in_is_lazy_out_and_no_recording_is_read(fleet):
    tests = fleet[0].lazy().map_batches(refuse, schema=dtypes("tests"))
    events = db.fit_events(tests)
    points = db.setpoints(events, pl.DataFrame({"gauge_id": [""], "lag_s": [0], "lag_u_s": [0]}))
    for result in (
        events,
        db.estimate_lag(events),
        points,
        db.budget(events, pl.DataFrame({"gauge_id": [""], "lag_s": [0], "lag_u_s": [0]})),
        db.judge(points, fleet[1]),
        db.drift(points),
        db.condition(events, tests),
    ):
        assert isinstance(result, pl.LazyFrame)
        result.collect_schema()
        with pytest.raises(Exception, match="before anybody asked"):
            result.collect()


@pytest.mark.parametrize("name", VERBS)
def test_the_schema_told_is_the_schema_collected(fleet, made, name):
    lazily = tables(*(frame.lazy() for frame in fleet))
    assert list(lazily) == VERBS
    assert lazily[name].collect_schema() == lazily[name].collect().schema == made[name].schema


@pytest.mark.parametrize(
    ("name", "table"),
    [("events", "events"), ("lags", "lags"), ("setpoints", "setpoints"), ("verdicts", "verdicts")],
)
def test_the_schema_is_that_of_the_documentation(made, name, table):
    assert dict(made[name].schema) == dict(dtypes(table))


@pytest.mark.parametrize("lazily", [False, True])
def test_empty_frames_make_empty_frames_of_the_same_schema(fleet, made, lazily):
    nothing = [frame.clear() for frame in fleet]
    found = tables(*(frame.lazy() if lazily else frame for frame in nothing))
    for name, frame in found.items():
        collected = frame.lazy().collect()
        assert collected.is_empty(), name
        assert collected.schema == made[name].schema, name
    # A gauge that is stated has a lag though nothing was tested with it.
    assert db.estimate_lag(found["shown"], fleet[2]).lazy().collect()["source"].to_list() == [
        "stated",
        "stated",
    ]


def test_an_empty_fleet_is_analysed(fleet):
    whole = db.analyse(fleet[0].clear(), fleet[1], fleet[2])
    assert whole.verdicts.is_empty()
    assert whole.trend.is_empty()
    assert repr(whole).startswith("<Analysis of 0 tests of 0 switches: 0 do not conform")


def test_an_analysis_shows_itself_in_a_line(fleet):
    whole = db.analyse(*fleet)
    counts = dict(whole.verdicts["verdict"].value_counts().iter_rows())
    assert f"<Analysis of {whole.verdicts.height} tests of " in repr(whole)
    assert f" {counts.get('conforms', 0)} conform, " in repr(whole)
    assert len(repr(whole)) < 200
    assert "\n" not in repr(whole)


def test_columns_that_are_not_ours_harm_nothing(fleet, made):
    """Not even those that have the names of what the verbs make on the way."""
    strangers = ["_found", "_events", "_rows", "_lag", "_prior_pa", "len", "verdict_status", "n"]

    def given(frame: pl.DataFrame) -> pl.DataFrame:
        taken = [name for name in strangers if name not in frame.columns]
        return frame.with_columns(pl.lit("stranger").alias(name) for name in taken)

    for name, frame in tables(*fleet, given=given).items():
        assert_frame_equal(frame, made[name], check_exact=True)


def test_grouping_by_a_column_of_the_users(made):
    points = made["setpoints"].with_columns(
        lot=pl.when(pl.col("switch_id") == "s0").then(pl.lit("A")).otherwise(pl.lit("B"))
    )
    assert db.drift(points, by="lot")["lot"].to_list() == ["A", "B"]
    assert db.drift(points, by="lot")["n_tests"].to_list() == [4, 4]


# --- types that hold the same values ------------------------------------------------------------


def test_narrower_lists_are_taken():
    exact = table_of({"t": sound()})
    exact = exact.with_columns(
        pl.col("time_s", "pressure_pa").list.eval(pl.element().cast(pl.Float32).cast(pl.Float64))
    )
    narrow = exact.with_columns(
        pl.col("time_s", "pressure_pa").cast(pl.List(pl.Float32)),
        pl.col("contact").cast(pl.List(pl.Int8)),
    )
    assert narrow["time_s"].dtype == pl.List(pl.Float32)
    assert_frame_equal(db.fit_events(narrow), db.fit_events(exact), check_exact=True)


def test_arrays_of_one_width_are_taken():
    exact = table_of({"a": sound(), "b": sound()})
    fixed = exact.with_columns(pl.col("time_s", "pressure_pa", "contact").list.to_array(640))
    assert_frame_equal(db.fit_events(fixed), db.fit_events(exact), check_exact=True)


def test_a_boolean_contact_is_closed_when_true():
    numbers = table_of({"t": sound()})
    states = numbers.with_columns(pl.col("contact").cast(pl.List(pl.Boolean)))
    assert_frame_equal(db.fit_events(states), db.fit_events(numbers), check_exact=True)
    assert db.fit_events(states)["event"].to_list() == ["close", "open", "close", "open"]


def test_nulls_within_a_recording_are_samples_left_out():
    made = sound()
    whole = table_of({"t": made})
    holes = [None if index % 10 == 5 else value for index, value in enumerate(made["pressure_pa"])]
    kept = [index for index in range(640) if index % 10 != 5]
    punched = table_of({"t": {**made, "pressure_pa": holes}})
    shorter = table_of(
        {
            "t": {
                "time_s": made["time_s"][kept],
                "pressure_pa": made["pressure_pa"][kept],
                "contact": made["contact"],
                "contact_time_s": made["time_s"],
            }
        }
    )
    assert_frame_equal(db.fit_events(punched), db.fit_events(shorter), check_exact=True)
    assert set(db.fit_events(punched)["status"]) == {"ok"}
    assert db.fit_events(whole).height == 4


def test_ids_and_dates_of_other_types_are_taken():
    tests = table_of({"7": sound()}, switch_id="1", gauge_id="2")
    plain = db.fit_events(tests)
    other = tests.with_columns(
        pl.col("test_id", "switch_id").cast(pl.Int32),
        pl.col("gauge_id", "method").cast(pl.Categorical),
        pl.col("tested_at").dt.convert_time_zone("Europe/Berlin").dt.cast_time_unit("ns"),
    )
    assert_frame_equal(db.fit_events(other), plain, check_exact=True)
    lags = pl.DataFrame({"gauge_id": [2], "lag_s": [0], "lag_u_s": [0]})
    point = db.setpoints(plain, lags)
    assert point["open_pa"].item() == pytest.approx(60.0, abs=0.3)
    rated = switches_of(switch_id="1").with_columns(pl.col("switch_id").cast(pl.Int64))
    assert db.judge(point, rated)["verdict"].to_list() == ["conforms"]


def test_record_batches_go_through_one_by_one(fleet, made):
    batches = fleet[0].to_arrow().to_batches(max_chunksize=3)
    assert len(batches) == 3
    found = db.fit_batches(iter(batches), made["lags"])
    first = next(found)
    assert isinstance(first, pa.RecordBatch)
    rest = [pl.DataFrame(batch) for batch in found]
    together = pl.concat([pl.DataFrame(first), *rest]).sort("test_id", "time_s")
    assert_frame_equal(together, made["events"], check_exact=True)
