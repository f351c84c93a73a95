"""Switches and gauges: dialects, units, and rows that are bad without stopping the rest."""

from datetime import date

import polars as pl
import pytest

from deadband.read import InputError, OptionError, SchemaError, read_gauges, read_switches
from deadband.schema import dtypes

SWITCHES = (
    "switch_id,model,lot,rated,unit,action,tolerance,installed_on,removed_on,failed\n"
    "s1,M1,L1,0.65,inH2O,fall,0.08,2019-05-02,,\n"
    "s2,M1,L1,0.80,inH2O,Rise,10 %,2019-05-02,2023-01-31 00:00:00,yes\n"
)
GAUGES = "gauge_id,resolution,unit,accuracy_rel,accuracy_abs,lag_s,lag_u_s\ng1,0.1,hPa,0.5%,0.2,,\n"


def switches(tmp_path, text, **options):
    path = tmp_path / "switches.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_switches(path, **options)


def gauges(tmp_path, text, **options):
    path = tmp_path / "gauges.csv"
    path.write_text(text)
    return read_gauges(path, **options)


def test_switches(tmp_path):
    frame = switches(tmp_path, SWITCHES)
    assert frame.schema == dtypes("switches")
    assert frame["rated_pa"].to_list() == [0.65 * 249.0889, 0.80 * 249.0889]
    assert frame["action"].to_list() == ["fall", "rise"]
    assert frame["tolerance"].to_list() == [0.08, 0.1]
    assert frame["removed_on"].to_list() == [None, date(2023, 1, 31)]
    assert frame["failed"].to_list() == [None, True]
    assert frame["status"].to_list() == ["ok", "ok"]
    assert read_switches(tmp_path).equals(frame)


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.encode("utf-8-sig"),
        lambda text: text.encode("utf-16"),
        lambda text: text.replace(",", ";").replace(".", ",").encode(),
        lambda text: text.replace(",", "\t").encode(),
        lambda text: ("# fleet\n\n" + text.replace("\n", "\r\n") + ",,,,,,,,,\r\n").encode(),
        lambda text: text.replace("lot,", "lot,colour,").replace("L1,", "L1,red,").encode(),
    ],
    ids=range(6),
)
def test_switches_in_other_dialects(tmp_path, change):
    plain = switches(tmp_path, SWITCHES)
    assert switches(tmp_path, change(SWITCHES)).equals(plain)


def test_the_least_a_switch_needs(tmp_path):
    frame = switches(tmp_path, "switch_id,rated_pa,action\n007,60,fall\n")
    assert frame.schema == dtypes("switches")
    # The default tolerance: common practice, no source.
    assert frame.row(0, named=True) == {
        **dict.fromkeys(dtypes("switches")),
        "switch_id": "007",
        "rated_pa": 60.0,
        "action": "fall",
        "tolerance": 0.10,
        "status": "ok",
    }


@pytest.mark.parametrize(
    ("row", "status", "nulls"),
    [
        ("x,60,fall,0.1,2020-01-01,", "ok", {"removed_on"}),
        ("x,sixty,fall,0.1,2020-01-01,", "bad_value", {"rated_pa", "removed_on"}),
        ("x,-60,fall,0.1,2020-01-01,", "bad_value", {"rated_pa", "removed_on"}),
        ("x,0,fall,0.1,2020-01-01,", "bad_value", {"rated_pa", "removed_on"}),
        ("x,,fall,0.1,2020-01-01,", "missing_value", {"rated_pa", "removed_on"}),
        ("x,60,up,0.1,2020-01-01,", "bad_value", {"action", "removed_on"}),
        ("x,60,,0.1,2020-01-01,", "missing_value", {"action", "removed_on"}),
        ("x,60,rise,10,2020-01-01,", "bad_value", {"tolerance", "removed_on"}),
        ("x,60,rise,,2020-01-01,", "missing_value", {"tolerance", "removed_on"}),
        ("x,60,rise,0.1,1/2/2020,", "bad_value", {"installed_on", "removed_on"}),
        ("x,60,rise,0.1,2020-01-01,2019-01-01", "bad_value", {"installed_on", "removed_on"}),
    ],
)
def test_a_bad_switch_keeps_its_row(tmp_path, row, status, nulls):
    names = ["switch_id", "rated_pa", "action", "tolerance", "installed_on", "removed_on"]
    good = "good,60,fall,0.1,2020-01-01,2021-01-01\n"
    frame = switches(tmp_path, ",".join(names) + "\n" + good + row + "\n")
    assert frame["status"].to_list() == ["ok", status]
    found = frame.row(1, named=True)
    assert {name for name in names if found[name] is None} == nulls


def test_bad_switches_in_parquet(tmp_path):
    frame = pl.DataFrame(
        {
            "switch_id": ["a", "b", "c", "d"],
            "rated_pa": [60, -60, None, 60],
            "action": ["fall", "fall", "rise", "up"],
            "installed_on": pl.Series(["2020-01-01T10:00:00"] * 4).str.to_datetime(),
        }
    )
    frame.write_parquet(tmp_path / "switches.parquet")
    found = read_switches(tmp_path)
    assert found.schema == dtypes("switches")
    assert found["status"].to_list() == ["ok", "bad_value", "missing_value", "bad_value"]
    assert found["installed_on"].to_list() == [date(2020, 1, 1)] * 4
    pl.concat([frame, frame]).write_parquet(tmp_path / "switches.parquet")
    with pytest.raises(InputError, match="'a' stands in line 1 already"):
        read_switches(tmp_path)
    frame.drop("rated_pa").write_parquet(tmp_path / "switches.parquet")
    with pytest.raises(SchemaError, match="rated_pa"):
        read_switches(tmp_path)
    (tmp_path / "switches.parquet").write_bytes(b"PAR1")
    with pytest.raises(InputError, match="not a Parquet file"):
        read_switches(tmp_path)


def test_gauges(tmp_path):
    frame = gauges(tmp_path, GAUGES)
    assert frame.schema == dtypes("gauges")
    assert frame.row(0) == ("g1", 10.0, 0.005, 20.0, None, None, None, None, "ok", None)
    assert read_gauges(tmp_path).equals(frame)
    frame.write_parquet(tmp_path / "gauges.parquet")
    assert read_gauges(tmp_path).equals(frame)
    plain = "gauge_id;resolution_pa;accuracy_rel;accuracy_abs_pa;lag_s;lag_u_s\n"
    row = "g1;2,5;0,01;1,25;0,4;0,03\n"
    assert gauges(tmp_path, plain + row).row(0) == (
        "g1",
        2.5,
        0.01,
        1.25,
        0.4,
        0.03,
        None,
        None,
        "ok",
        None,
    )
    bad = "g2;2,5;0,01;1,25;-0,4;0,03\ng3;2,5;50;1,25;;\ng4;;0,01;1,25;;\ng5;;;;;\n"
    frame = gauges(tmp_path, plain + row + bad)
    assert frame["status"].to_list() == ["ok", "bad_value", "bad_value", *["missing_value"] * 2]
    assert frame["lag_s"].to_list() == [0.4, None, None, None, None]


@pytest.mark.parametrize(
    ("text", "kind", "column"),
    [
        ("switch_id,rated_pa\ns1,60\n", "missing_column", "action"),
        ("switch_id,action\ns1,fall\n", "missing_column", "rated_pa"),
        ("switch_id,rated,action\ns1,60,fall\n", "missing_column", "unit"),
        ("switch_id,rated,rated_pa,unit,action\ns1,1,1,Pa,fall\n", "conflicting_columns",
         "rated_pa"),
        ("switch_id,action,action,rated_pa\ns1,fall,rise,1\n", "duplicate_column", "action"),
    ],
)  # fmt: skip
def test_a_wrong_schema_raises(tmp_path, text, kind, column):
    with pytest.raises(SchemaError) as caught:
        switches(tmp_path, text)
    assert (caught.value.kind, caught.value.column) == (kind, column)
    assert caught.value.present


@pytest.mark.parametrize(
    ("text", "kind", "line", "column"),
    [
        ("switch_id,rated,unit,action\ns1,60,,fall\n", "missing_unit", 2, "unit"),
        ("switch_id,rated,unit,action\ns1,60,inches,fall\n", "unknown_unit", 2, "unit"),
        ("switch_id,rated_pa,action\ns1,60,fall\n,60,fall\n", "missing_value", 3, "switch_id"),
        ("switch_id,rated_pa,action\ns1,6,fall\ns1,60,fall\n", "duplicate_id", 3, "switch_id"),
        ("switch_id;rated_pa;action\ns1;1,125;fall\n", "ambiguous_decimal", 2, "rated_pa"),
        ("switch_id,rated_pa,action\ns1,0,65,fall\n", "row_too_long", 2, None),
        ("switch_id,rated_pa,action,installed_on\ns1,6,fall,1/2/20\ns2,6,fall,2/2/20\n",
         "unreadable_cell", 2, "installed_on"),
        ("", "unreadable_file", None, None),
    ],
)  # fmt: skip
def test_a_table_that_cannot_be_used_raises(tmp_path, text, kind, line, column):
    with pytest.raises(InputError) as caught:
        switches(tmp_path, text)
    error = caught.value
    assert (error.kind, error.line, error.column) == (kind, line, column)
    assert error.file == "switches.csv"


def test_decimal_and_paths(tmp_path):
    text = "switch_id;rated_pa;action\ns1;1,125;fall\n"
    assert switches(tmp_path, text, decimal=",")["rated_pa"].to_list() == [1.125]
    assert switches(tmp_path, text, decimal=".")["status"].to_list() == ["bad_value"]
    with pytest.raises(OptionError, match="decimal"):
        switches(tmp_path, text, decimal="comma")
    with pytest.raises(OptionError, match="decimal"):
        gauges(tmp_path, GAUGES, decimal="")
    with pytest.raises(InputError, match="no such file"):
        read_gauges(tmp_path / "lost.csv")
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=r"neither gauges\.parquet nor gauges\.csv"):
        read_gauges(tmp_path / "empty")


@pytest.mark.parametrize(
    ("column", "cell", "said"),
    [
        ("rated", "sixty", "'sixty' is not a number; write one with a single decimal mark"),
        ("rated", "0", "'0' is no pressure above 0; write the rated pressure"),
        ("rated", "", "the cell is blank; fill it in"),
        ("action", "Drop", "'Drop' is not known; write fall or rise"),
        (
            "tolerance",
            "10",
            "'10' is no fraction between 0 and 1; write 0.1 or 10 % for ten percent",
        ),
        ("installed_on", "1/2/2020", "'1/2/2020' is not a date; write 2024-03-15"),
        ("removed_on", "2019-01-01", "'2020-01-01' is after removed_on; correct the dates"),
        ("failed", "perhaps", "'perhaps' is neither yes nor no; write one of the two"),
    ],
)
def test_a_bad_switch_is_told_by_line_and_column(tmp_path, column, cell, said):
    good = {"switch_id": "s1", "rated": "60", "unit": "Pa", "action": "fall", "tolerance": "0.1",
            "installed_on": "2020-01-01", "removed_on": "2021-01-01", "failed": "no"}  # fmt: skip
    rows = [good, {**good, "switch_id": "s2", column: cell}, {**good, "switch_id": "s3"}]
    text = "\n".join([",".join(good), *(",".join(row.values()) for row in rows)]) + "\n"
    found = switches(tmp_path, text)
    ok, wrong = found["status"].to_list()[::2], found["reason"].to_list()
    assert ok == ["ok", "ok"]
    # Which of the two dates is wrong cannot be told.
    named = "installed_on" if column == "removed_on" else column
    assert wrong == [None, f"switches.csv, line 3, column {named}: {said}", None]


@pytest.mark.parametrize(
    ("column", "cell", "said"),
    [
        ("accuracy_rel", "0,5", "'0,5' is below 0 or above 0.2; write a fraction of the reading"),
        ("accuracy_rel", "50 %", "'50 %' is below 0 or above 0.2"),
        ("accuracy_rel", "-0,1", "'-0,1' is below 0"),
        ("lag_s", "400", "'400' is below 0 or above 10; write seconds"),
        ("lag_u_s", "-0,1", "'-0,1' is below 0 or above 10; write seconds"),
        ("resolution", "-1", "'-1' is below 0; write 0 or above"),
    ],
)
def test_a_bad_gauge_is_told_by_line_and_column(tmp_path, column, cell, said):
    good = {"gauge_id": "g1", "resolution": "2,5", "unit": "Pa", "accuracy_rel": "0,005",
            "accuracy_abs_pa": "1,25", "lag_s": "0,4", "lag_u_s": "0,03"}  # fmt: skip
    rows = [good, {**good, "gauge_id": "g2", column: cell}]
    text = "\n".join([";".join(good), *(";".join(row.values()) for row in rows)]) + "\n"
    found = gauges(tmp_path, text)
    assert found["status"].to_list() == ["ok", "bad_value"]
    assert found["reason"][1].startswith(f"gauges.csv, line 3, column {column}: {said}")
    name = "resolution_pa" if column == "resolution" else column
    assert found[name].is_null().to_list() == [False, True]
    assert found["accuracy_abs_pa"].to_list() == [1.25, 1.25]


def test_a_bad_row_of_parquet_is_told_by_its_number(tmp_path):
    frame = pl.DataFrame(
        {"switch_id": ["a", "b", "c"], "rated_pa": [60, -60, None], "action": ["fall"] * 3}
    )
    frame.write_parquet(tmp_path / "switches.parquet")
    where, why = "switches.parquet, row", "column rated_pa:"
    assert read_switches(tmp_path)["reason"].to_list() == [
        None,
        f"{where} 2, {why} '-60.0' is no pressure above 0; write the rated pressure",
        f"{where} 3, {why} the cell is blank; fill it in",
    ]
