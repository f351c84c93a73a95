"""The manifest: what it may hold, and what stops it."""

import pickle
from datetime import datetime
from pathlib import Path
from typing import get_args

import polars as pl
import pytest

from deadband.read import InputError, OptionError, SchemaError, read_tests, units
from deadband.read._sign import Depression
from deadband.schema import dtypes
from logger_folder import FIXED, write_manifest, write_parquet

GOOD = "time,draft,switch\n0,1.5,0\n1,2.5,1\n"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "a.csv").write_text(GOOD)
    return tmp_path


def test_the_frame_has_the_columns_of_the_tests_table(folder):
    frame = read_tests(write_manifest(folder, {}))
    assert isinstance(frame, pl.LazyFrame)
    expected = {**dtypes("tests"), "read_error": pl.String(), "read_note": pl.String()}
    assert dict(frame.collect_schema()) == expected
    assert dict(frame.collect().schema) == expected
    assert list(frame.collect().columns) == list(expected)


def test_manifest_in_another_dialect(folder):
    names = [*FIXED, "separator", "called_close", "remark"]
    values = [*FIXED.values(), '";"', "0,65", "any words"]
    text = "# our tests\r\n\r\n" + ";".join(names) + "\r\n" + ";".join(values) + "\r\n;;;\r\n"
    (folder / "tests.csv").write_bytes(text.encode("utf-8-sig"))
    (folder / "a.csv").write_text(GOOD.replace(",", ";"))
    row = read_tests(folder).collect().row(0, named=True)
    assert row["pressure_pa"] == [1.5, 2.5]
    assert row["called_close_pa"] == 0.65


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2024-03-15", datetime(2024, 3, 15)),
        ("2024-03-15 14:03", datetime(2024, 3, 15, 14, 3)),
        ("2024-03-15T14:03:07.25", datetime(2024, 3, 15, 14, 3, 7, 250_000)),
        ("2024-03-15T14:03:07Z", datetime(2024, 3, 15, 14, 3, 7)),
        ("2024-03-15T00:30:00+01:00", datetime(2024, 3, 14, 23, 30)),
        ("15.03.2024", datetime(2024, 3, 15)),
        ("3/15/2024 2:03", datetime(2024, 3, 15, 2, 3)),
        ("15-Mar-2024 14:03:07,5", datetime(2024, 3, 15, 14, 3, 7, 500_000)),
    ],
)
def test_dates(folder, text, moment):
    frame = read_tests(write_manifest(folder, {"tested_at": text})).collect()
    assert frame["tested_at"].to_list() == [moment]


def test_the_order_of_day_and_month_is_that_of_the_whole_column(folder):
    rows = [{"test_id": str(n), "tested_at": text} for n, text in enumerate(("03.04.2024", ""))]
    for other, month in (("15.03.2024", 4), ("2024-03-15", None), ("03/15/2024", 3)):
        rows[1]["tested_at"] = other
        if month is None:
            with pytest.raises(InputError, match=r"line 2, column tested_at: '03.04.2024'"):
                read_tests(write_manifest(folder, *rows))
            continue
        found = read_tests(write_manifest(folder, *rows)).collect()["tested_at"].to_list()
        assert found == [datetime(2024, month, 7 - month), datetime(2024, 3, 15)]


def test_names_of_options_and_of_other_systems(folder):
    (folder / "sub").mkdir()
    (folder / "sub" / "b.txt").write_text(GOOD.replace(",", "\t"))
    row = {"file": "sub\\b.txt", "separator": "tab", "decimal": "point", "time_unit": "ms"}
    frame = read_tests(write_manifest(folder, row) / "tests.csv").collect()
    assert frame["time_s"].to_list() == [[0.0, 0.001]]
    absolute = {"file": str(folder / "a.csv")}
    assert read_tests(write_manifest(folder, absolute)).collect()["read_error"].to_list() == [None]


@pytest.mark.parametrize(
    ("row", "kind", "column"),
    [
        ({"unit": ""}, "missing_unit", "unit"),
        ({"unit": "inch"}, "unknown_unit", "unit"),
        ({"unit": "pa"}, "unknown_unit", "unit"),
        ({"called_unit": "in"}, "unknown_unit", "called_unit"),
        ({"method": "slow"}, "unknown_option", "method"),
        ({"contact_kind": "amps"}, "unknown_option", "contact_kind"),
        ({"time_unit": "hours"}, "unknown_option", "time_unit"),
        ({"decimal": "dot"}, "unknown_option", "decimal"),
        ({"separator": "space"}, "unknown_option", "separator"),
        ({"test_id": ""}, "missing_value", "test_id"),
        ({"switch_id": ""}, "missing_value", "switch_id"),
        ({"method": ""}, "missing_value", "method"),
        ({"tested_at": "-"}, "missing_value", "tested_at"),
        ({"file": ""}, "missing_value", "file"),
        ({"tested_at": "05/03/2024"}, "ambiguous_time", "tested_at"),
        ({"tested_at": "15.13.2024"}, "unreadable_cell", "tested_at"),
        ({"tested_at": "15.03.2024 25:00"}, "unreadable_cell", "tested_at"),
        ({"tested_at": "2024-02-30"}, "unreadable_cell", "tested_at"),
        ({"tested_at": "0001-01-01T00:00+01:00"}, "unreadable_cell", "tested_at"),
        ({"called_close": "high"}, "unreadable_cell", "called_close"),
        ({"called_open": "1,500"}, "ambiguous_decimal", "called_open"),
    ],
)
def test_a_bad_cell_raises_at_once_and_is_named(folder, row, kind, column):
    write_manifest(folder, {"test_id": "z"}, row)
    with pytest.raises(InputError) as caught:
        read_tests(folder)
    error = caught.value
    assert (error.kind, error.column, error.line, error.file) == (kind, column, 3, "tests.csv")
    assert error.advice
    if "unit" in kind:
        assert all(symbol in str(error) for symbol in units())


def test_two_recordings_with_one_id(folder):
    write_manifest(folder, {}, {"test_id": "b"}, {})
    with pytest.raises(InputError, match=r"line 4, column test_id: 'a' stands in line 2") as caught:
        read_tests(folder)
    assert caught.value.kind == "duplicate_id"


@pytest.mark.parametrize("name", FIXED)
def test_a_missing_column_is_named(folder, name):
    names = [key for key in FIXED if key != name]
    (folder / "tests.csv").write_text(",".join(names) + "\n")
    with pytest.raises(SchemaError) as caught:
        read_tests(folder)
    assert (caught.value.kind, caught.value.column) == ("missing_column", name)
    assert caught.value.present == names
    assert caught.value.table == "tests"


def test_other_faults_of_the_manifest(folder):
    manifest = folder / "tests.csv"
    manifest.write_text("# nothing\n")
    with pytest.raises(InputError, match="empty"):
        read_tests(folder)
    manifest.write_text(",".join([*FIXED, "unit"]) + "\n")
    with pytest.raises(SchemaError, match="column unit: the name occurs more than once"):
        read_tests(folder)
    manifest.write_text(",".join(FIXED) + "\n" + ",".join(FIXED.values()) + ",0,65\n")
    with pytest.raises(InputError, match="line 2: the row has 8 cells under 6 names"):
        read_tests(folder)
    manifest.write_text(",".join(FIXED) + "\n")
    assert read_tests(folder).collect().height == 0


def test_a_bad_recording_never_stops_the_others(folder):
    (folder / "bad.csv").write_bytes(b"\x00\x01\x02")
    (folder / "dir.csv").mkdir()
    rows = [
        {"test_id": str(i), "file": file}
        for i, file in enumerate(["a.csv", "bad.csv", "lost.csv", "dir.csv", "a.csv\0", "a.csv"])
    ]
    frame = read_tests(write_manifest(folder, *rows)).collect()
    assert frame["test_id"].to_list() == list("012345")
    assert frame["read_error"].is_null().to_list() == [True, *[False] * 4, True]
    assert frame["time_s"].is_null().to_list() == [False, *[True] * 4, False]
    with pytest.raises(InputError, match="bad"):
        read_tests(folder, strict=True)


def test_what_is_not_asked_for_is_not_read(folder):
    rows = [{"test_id": f"{i:03}", "file": f"{i}.csv"} for i in range(450)]
    write_manifest(folder, *rows)
    (folder / "7.csv").write_text(GOOD)
    frame = read_tests(folder)
    (folder / "8.csv").write_text(GOOD)  # read when collected, not before
    some = frame.filter(pl.col("test_id").is_in(["007", "008"])).collect()
    assert some["pressure_pa"].to_list() == [[1.5, 2.5]] * 2
    assert frame.select("switch_id").collect().height == 450
    assert frame.head(9).collect()["read_error"].null_count() == 2
    assert frame.filter(pl.col("read_error").is_null()).collect()["test_id"].to_list() == [
        "007",
        "008",
    ]
    assert frame.filter(pl.col("time_s").list.len() > 1).select(pl.len()).collect().item() == 2
    assert frame.tail(1).collect()["test_id"].to_list() == ["449"]
    assert frame.collect(engine="streaming").equals(frame.collect())
    strict = write_manifest(folder, rows[7])
    assert read_tests(strict, strict=True).collect()["pressure_pa"].to_list() == [[1.5, 2.5]]


def test_options_and_paths(folder):
    write_manifest(folder, {})
    for option in ("depression", "source"):
        with pytest.raises(OptionError, match=option):
            read_tests(folder, **{option: "odd"})
    assert get_args(Depression) == ("positive", "negative")
    with pytest.raises(InputError, match="no such file or folder"):
        read_tests(folder / "lost")
    with pytest.raises(InputError, match="no Parquet"):
        read_tests(folder, source="parquet")
    (folder / "empty").mkdir()
    with pytest.raises(InputError, match="neither") as caught:
        read_tests(str(folder / "empty"))
    assert caught.value.kind == "nothing_found"
    with pytest.raises(InputError, match="does not say"):
        read_tests(folder / "tests.csv", source="parquet")
    write_parquet(folder / "tests.parquet", test_id=["p"])
    assert read_tests(folder).collect()["test_id"].to_list() == ["p"]
    assert read_tests(folder, source="csv").collect()["test_id"].to_list() == ["a"]


def test_errors_survive_pickling(folder):
    write_manifest(folder, {"unit": "inch"})
    with pytest.raises(InputError) as caught:
        read_tests(folder)
    errors = [
        caught.value,
        OptionError("source", "odd", ["csv"]),
        SchemaError("wrong_type", "no", column="c", table="tests", present=["a"], advice="cast"),
    ]
    for error in errors:
        copy = pickle.loads(pickle.dumps(error))
        assert type(copy) is type(error)
        assert str(copy) == str(error)
        assert vars(copy) == vars(error)
        assert isinstance(copy, ValueError)


def test_units_are_those_of_the_core():
    source = Path(__file__).resolve().parents[2] / "src/base/unit.rs"
    symbols, factors = _tables_of(source.read_text(encoding="utf-8"))
    assert units() == {symbols[name]: factors[name] for name in symbols}


def _tables_of(rust: str) -> tuple[dict[str, str], dict[str, float]]:
    """The arms of the two `match`es, by variant."""

    def arms(function: str) -> dict[str, str]:
        body = rust.partition(f"const fn {function}")[2].partition("\n    }\n")[0]
        pairs = (line.split("=>") for line in body.splitlines() if "=>" in line)
        return {
            variant.strip().removeprefix("Self::"): value.strip(' ",')
            for names, value in pairs
            for variant in names.split("|")
        }

    return arms("symbol"), {name: float(value) for name, value in arms("in_pascal").items()}


def test_units_agree_with_their_published_factors():
    # NIST Special Publication 811 (2008), table B.9, as printed; mbar from its definition.
    printed = {
        "inH2O": "2.490889E+02",
        "inH2O_4C": "2.49082E+02",
        "inH2O_60F": "2.4884E+02",
        "mmH2O": "9.80665E+00",
        "psi": "6.894757E+03",
        "mbar": "1.0E+02",
    }
    assert {name: units()[name] for name in printed} == {
        name: float(text) for name, text in printed.items()
    }
