"""Recordings in Parquet: files, folders, patterns, and what they may differ in."""

from datetime import date, datetime, timezone

import polars as pl
import pytest

from deadband.read import InputError, SchemaError, flip_depression, read_tests, wrong_signs
from deadband.schema import dtypes
from logger_folder import write_parquet


def ids(path, **options):
    return sorted(read_tests(path, **options).collect()["test_id"].to_list())


def test_a_file(tmp_path):
    path = write_parquet(tmp_path / "x.parquet", remark=["kept out"])
    frame = read_tests(path)
    assert frame.collect_schema() == dtypes("tests")
    row = frame.collect().row(0, named=True)
    assert row["tested_at"] == datetime(2024, 3, 15, 14, 3)
    assert row["contact_time_s"] is None
    assert row["pressure_pa"] == [5.0, 6.0]


def test_a_folder_a_pattern_and_a_data_set(tmp_path):
    write_parquet(tmp_path / "2023" / "x.parquet", test_id=["a"])
    write_parquet(tmp_path / "2024" / "y.PARQUET", test_id=["b"], gauge_id=["g"])
    write_parquet(tmp_path / "_old" / "z.parquet", test_id=["hidden"])
    write_parquet(tmp_path / "events.parquet", test_id=["no test"])
    pl.DataFrame({"switch_id": ["s"]}).write_parquet(tmp_path / "switches.parquet")
    pl.DataFrame({"anything": ["s"]}).write_parquet(tmp_path / "other.parquet")
    assert ids(tmp_path) == ["a", "b"]
    assert ids(str(tmp_path / "*" / "x.parquet")) == ["a"]
    assert ids(str(tmp_path / "2???" / "*")) == ["a", "b"]
    write_parquet(tmp_path / "tests.parquet" / "part-0.parquet", test_id=["c"])
    assert ids(tmp_path) == ["c"]
    with pytest.raises(InputError, match="no file fits"):
        read_tests(str(tmp_path / "*.feather"))
    (tmp_path / "2023" / "notes.txt").touch()
    with pytest.raises(InputError, match=r"notes\.txt"):
        read_tests(str(tmp_path / "2023" / "*"))


def test_folders_that_give_columns_keep_ids_as_written(tmp_path):
    for method, switch in (("ramp", "007"), ("pinch", "008")):
        folder = tmp_path / f"method={method}" / f"switch_id={switch}" / "tested_at=2024-03-15"
        write_parquet(
            folder / "x.parquet", test_id=[method], method=None, switch_id=None, tested_at=None
        )
    frame = read_tests(tmp_path).collect().sort("test_id")
    assert frame["method"].to_list() == ["pinch", "ramp"]
    assert frame["switch_id"].to_list() == ["008", "007"]
    assert frame["tested_at"].to_list() == [datetime(2024, 3, 15)] * 2
    pattern = str(tmp_path / "method=*" / "*" / "*" / "*.parquet")
    assert read_tests(pattern).collect().sort("test_id").equals(frame)


def test_types_that_hold_the_same_values(tmp_path):
    path = write_parquet(
        tmp_path / "x.parquet",
        test_id=[7],
        switch_id=pl.Series(["s"], dtype=pl.Categorical),
        tested_at=[date(2024, 3, 15)],
        time_s=pl.Series([[0, 1]], dtype=pl.List(pl.Int32)),
        pressure_pa=pl.Series([[0.5, 1.5]], dtype=pl.Array(pl.Float32, 2)),
        contact=[[False, True]],
        contact_time_s=pl.Series([None], dtype=pl.Null),
        called_close_pa=[float("nan")],
    )
    row = read_tests(path).collect().row(0, named=True)
    assert (row["test_id"], row["switch_id"]) == ("7", "s")
    assert (row["time_s"], row["pressure_pa"], row["contact"]) == ([0, 1], [0.5, 1.5], [0, 1])
    assert row["tested_at"] == datetime(2024, 3, 15)
    assert row["called_close_pa"] is None
    east = datetime(2024, 3, 15, 14, tzinfo=timezone.utc)
    zoned = pl.Series([east]).dt.convert_time_zone("Asia/Tokyo")
    path = write_parquet(tmp_path / "y.parquet", tested_at=zoned)
    assert read_tests(path).collect()["tested_at"].to_list() == [datetime(2024, 3, 15, 14)]


@pytest.mark.parametrize("name", ["test_id", "method", "tested_at", "time_s", "contact"])
def test_a_missing_column_is_named(tmp_path, name):
    path = write_parquet(tmp_path / "x.parquet", **{name: None})
    with pytest.raises(SchemaError) as caught:
        read_tests(path)
    assert (caught.value.kind, caught.value.column) == ("missing_column", name)
    assert "pressure_pa" in caught.value.present


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("test_id", [1.5]),
        ("tested_at", ["15.03.2024"]),
        ("time_s", [1.5]),
        ("pressure_pa", [["1", "2"]]),
        ("pressure_pa", [[[1.0]]]),
        ("called_open_pa", ["1"]),
    ],
)
def test_a_wrong_type_is_named(tmp_path, name, values):
    with pytest.raises(SchemaError) as caught:
        read_tests(write_parquet(tmp_path / "x.parquet", **{name: values}))
    assert (caught.value.kind, caught.value.column) == ("wrong_type", name)


@pytest.mark.parametrize("data", [b"", b"PAR1", b"time,draft\n", b"PAR1" + bytes(64) + b"PAR1"])
def test_what_is_no_parquet_is_named(tmp_path, data):
    (tmp_path / "x.parquet").write_bytes(data)
    for path in (tmp_path / "x.parquet", tmp_path, str(tmp_path / "*.parquet")):
        with pytest.raises(InputError, match=r"x\.parquet") as caught:
            read_tests(path)
        assert caught.value.kind == "unreadable_file"


def test_an_address(tmp_path):
    path = write_parquet(tmp_path / "x.parquet")
    assert ids(path.as_uri()) == ["a"]
    with pytest.raises(InputError, match="check the address"):
        read_tests((tmp_path / "lost.parquet").as_uri())


def test_depression_as_negative_numbers(tmp_path):
    readings = [0.0, -20.0, -40.0, -60.0, -80.0]
    path = write_parquet(
        tmp_path / "x.parquet",
        test_id=["down", "up", "none"],
        switch_id=["s"] * 3,
        method=["ramp"] * 3,
        tested_at=[date(2024, 3, 15)] * 3,
        time_s=[[0.0, 1.0, 2.0, 3.0, 4.0]] * 3,
        contact=[[0.0] * 5] * 3,
        pressure_pa=[readings, [-x for x in readings], None],
        called_close_pa=[-60.0, 60.0, None],
    )
    suspects = wrong_signs(read_tests(path)).collect()
    assert suspects.rows() == [("down", -80.0, 0.0)]
    turned = read_tests(path, depression="negative").collect()
    assert turned["pressure_pa"].to_list() == [[0.0, 20.0, 40.0, 60.0, 80.0], readings, None]
    assert turned["called_close_pa"].to_list() == [60.0, 60.0, None]
    assert str(turned["pressure_pa"][0][0]) == "0.0"
    assert flip_depression(read_tests(path)).collect().equals(turned)
