"""Logger files as loggers really write them, one habit a test."""

from datetime import datetime

import pytest

from deadband.read import InputError
from logger_folder import read_one

PLAIN = "time,pressure,contact\n0.0,10.5,0\n0.1,11.0,1\n0.2,12.25,1\n"
TIME = [0.0, 0.1, 0.2]
PRESSURE = [10.5, 11.0, 12.25]
CONTACT = [0.0, 1.0, 1.0]
COMMAS = "time;pressure;contact\n0,0;10,5;0\n0,1;11,0;1\n0,2;12,25;1\n"


def same(row):
    assert row["read_error"] is None
    assert row["time_s"] == TIME
    assert row["pressure_pa"] == PRESSURE
    assert row["contact"] == CONTACT
    assert row["contact_time_s"] is None


def test_plain(tmp_path):
    row = read_one(tmp_path, PLAIN, gauge_id="g1", operator_id="07")
    same(row)
    assert row["tested_at"] == datetime(2024, 3, 15)
    assert (row["gauge_id"], row["operator_id"]) == ("g1", "07")


@pytest.mark.parametrize(
    "data",
    [
        PLAIN.encode("utf-8-sig"),
        PLAIN.encode("utf-16"),
        b"\xfe\xff" + PLAIN.encode("utf-16-be"),
        PLAIN.encode("utf-16-le"),
        PLAIN.encode("utf-16-be"),
        ("Temp 21 °C, Gerät 4\n" + PLAIN).encode("cp1252"),
        PLAIN.replace("\n", "\r\n").encode(),
        PLAIN.replace("\n", "\r").encode(),
        PLAIN.replace("\n", "\r\r\n").encode(),
        PLAIN.rstrip("\n").encode(),
        PLAIN.encode() + b"\x00" * 40,
        PLAIN.encode() + b"\x1a",
        PLAIN.replace(",", "\t").encode(),
        PLAIN.replace(",", "|").encode(),
        PLAIN.replace(",", ";").encode(),
        PLAIN.replace(",", " , ").encode(),
        PLAIN.replace("\n", ",\n").encode(),
        PLAIN.replace("0.1,", '"0.1",').replace("time", '"time"').encode(),
        COMMAS.encode(),
        COMMAS.replace(";", "\t").encode(),
        b'time,pressure,contact\n"0,0","10,5",0\n"0,1","11,0",1\n"0,2","12,25",1\n',
    ],
    ids=range(21),
)
def test_encodings_line_ends_and_separators(tmp_path, data):
    same(read_one(tmp_path, data))


@pytest.mark.parametrize(
    "data",
    [
        "# logger 12\n\n# started by hand\n" + PLAIN,
        "Serial;12\nStarted;2024-03-15 14:03\nChannels;3\n\n" + COMMAS,
        "Logger 3, draft and switch\n" + PLAIN,
        "# logger 12\n# " + PLAIN,
        "#dummy,time,pressure\n" + PLAIN,
        PLAIN.replace("contact\n", "contact\ns,Pa,-\n"),
        PLAIN.replace("contact\n", "contact\n[s],[Pa],\n"),
        PLAIN.replace("contact\n", "contact\nTS,Pa,state\n,Smp,Smp\n"),
        PLAIN.replace("0.1,", "# pump touched\n\n0.1,"),
        PLAIN + "\nMax,12.25\nEnd of data\n",
        PLAIN + "0.3,1",
        PLAIN.replace("time,pressure", "Elapsed time (s),Draft [Pa]"),
        PLAIN.replace("time,pressure,contact", "time_s,pressure_pa,switch_v"),
    ],
    ids=range(13),
)
def test_lines_around_the_table(tmp_path, data):
    same(read_one(tmp_path, data))


def test_columns_by_name_by_position_and_without_names(tmp_path):
    text = "no,dt,p,q,sw\n1,0.0,10.5,3,0\n2,0.1,11.0,3,1\n3,0.2,12.25,3,1\n"
    names = {"time_column": "dt", "pressure_column": "P", "contact_column": "sw"}
    same(read_one(tmp_path, text, **names))
    places = {"time_column": "#2", "pressure_column": "#3", "contact_column": "#5"}
    same(read_one(tmp_path, text, **places))
    bare = "logger 12\n" + text.partition("\n")[2]
    same(read_one(tmp_path, bare, **places))
    same(read_one(tmp_path, text, **(names | {"contact_column": "#5"})))


@pytest.mark.parametrize(
    ("stamps", "seconds"),
    [
        (["14:03:07.25", "14:03:08", "14:03:09.5"], [0.0, 0.75, 2.25]),
        (["14:03:07,25", "14:03:08,00", "14:03:09,50"], [0.0, 0.75, 2.25]),
        (["14:03:07:250", "14:03:08:000", "14:03:09:500"], [0.0, 0.75, 2.25]),
        (["23:59:59.5", "00:00:00", "0:00:01"], [0.0, 0.5, 1.5]),
        (["12:59:59 AM", "1:00:00 am", "1:00:01 a.m."], [0.0, 1.0, 2.0]),
        (["11:59:59 PM", "12:00:00 AM", "12:00:01 AM"], [0.0, 1.0, 2.0]),
        (["59:59.5", "00:00.5", "00:01.5"], [0.0, 1.0, 2.0]),
        (["2024-03-15T23:59:59", "2024-03-16 00:00:00.5", "2024/03/16 0:00:01"], [0.0, 1.5, 2.0]),
        (["2024-03-15T14:03:07Z", "2024-03-15T15:03:08+01:00", "2024-03-15T12:03:09-0200"],
         [0.0, 1.0, 2.0]),
        (["15.03.2024 14:03:07", "15.03.2024 14:03:08", "15.03.2024 14:03:09"], [0.0, 1.0, 2.0]),
        (["03/04/2024 23:59:59", "04/04/2024 00:00:01", "04/04/2024 00:00:02"], [0.0, 2.0, 3.0]),
        (["03/31/2024 11:59:59 PM", "04/01/2024 12:00:01 AM", "04/01/2024 12:00:02 AM"],
         [0.0, 2.0, 3.0]),
        (["15-Mar-2024 14:03", "15-Mar-2024 14:04", "15-Mar-2024 14:05"], [0.0, 60.0, 120.0]),
        (["24-03-15 14:03:07", "24-03-15 14:03:08", "24-03-15 14:03:09"], [0.0, 1.0, 2.0]),
        (["0:00:00", "0:00:01", "25:00:00"], [0.0, 1.0, 90000.0]),
    ],
    ids=range(15),
)  # fmt: skip
def test_clock_times(tmp_path, stamps, seconds):
    rows = "".join(f"{stamp};{p};1\n" for stamp, p in zip(stamps, PRESSURE, strict=True))
    row = read_one(tmp_path, "time;draft;switch\n" + rows)
    assert row["read_error"] is None
    assert row["time_s"] == seconds
    assert row["pressure_pa"] == PRESSURE


def test_date_and_time_in_two_columns(tmp_path):
    text = "Date;Time;Draft;Switch\n15.03.2024;23:59:59;1,5;on\n17.03.2024;00:00:00;2,5;off\n"
    row = read_one(tmp_path, text)
    assert row["time_s"] == [0.0, 86401.0]
    row = read_one(tmp_path, text.replace("Date", "Tag"), date_column="Tag")
    assert row["time_s"] == [0.0, 86401.0]
    row = read_one(tmp_path, text.replace("Date", "Tag"))
    assert row["time_s"] == [0.0, 1.0]


def test_other_time_units(tmp_path):
    text = "time,pressure,contact\n0,1.5,0\n100,2.5,1\n"
    assert read_one(tmp_path, text, time_unit="ms")["time_s"] == [0.0, 0.1]
    assert read_one(tmp_path, text.replace("time", "Time (ms)"))["time_s"] == [0.0, 0.1]
    assert read_one(tmp_path, text.replace("time", "time_ms"))["time_s"] == [0.0, 0.1]
    assert read_one(tmp_path, text.replace("100", "7"), time_unit="min")["time_s"] == [0.0, 420.0]
    row = read_one(tmp_path, text.replace("time", "Time (ms)"), time_unit="s")
    assert "ms" in row["read_error"]
    assert row["time_s"] is None


def test_blank_cells_leave_samples_out(tmp_path):
    text = "time,draft,switch\n0,1.5,on\n,2.5,on\n2,,off\n3,NaN,off\n4,4.5,\n5,5.5,---\n6,6.5,on\n"
    row = read_one(tmp_path, text)
    assert row["read_error"] is None
    assert row["time_s"] == [0.0, 4.0, 5.0, 6.0]
    assert row["pressure_pa"] == [1.5, 4.5, 5.5, 6.5]
    assert row["contact_time_s"] == [0.0, 2.0, 3.0, 6.0]
    assert row["contact"] == [1.0, 0.0, 0.0, 1.0]


def test_short_rows_are_rows_with_blanks_at_their_end(tmp_path):
    row = read_one(tmp_path, "time,draft,switch\n0,1.5,1\n1,2.5\n2,3.5,0\n")
    assert row["pressure_pa"] == [1.5, 2.5, 3.5]
    assert row["contact_time_s"] == [0.0, 2.0]


def test_a_table_without_rows_has_no_samples(tmp_path):
    row = read_one(tmp_path, "time,draft,switch\n")
    assert row["read_error"] is None
    assert row["time_s"] == row["pressure_pa"] == row["contact"] == []


@pytest.mark.parametrize(
    ("cells", "kind", "levels"),
    [
        (["ON", "off", "On"], "", [1, 0, 1]),
        (["closed", "Open", "CLOSED"], "", [1, 0, 1]),
        (["true", "False", "1"], "", [1, 0, 1]),
        (["yes", "no", "0"], "on_off", [1, 0, 0]),
        (["1", "0", "1.0"], "on_off", [1, 0, 1]),
        (["4.97", "0.02", "5.01 V"], "volt", [4.97, 0.02, 5.01]),
        (["350 mV", "5 V", "0.1V"], "volt", [0.35, 5.0, 0.1]),
        (["0.4", "OL", "0.3"], "", [0.4, 1e9, 0.3]),
        (["0.4", "O.L", "0.L MΩ"], "ohm", [0.4, 1e9, 1e9]),
        (["0.4", "inf", "> 40M"], "", [0.4, 1e9, 1e9]),
        (["0.4", "+9.9E+37", "1"], "", [0.4, 1e9, 1]),
        (["0.4 Ohm", "1.2 kΩ", "2 MOhm"], "", [0.4, 1200.0, 2e6]),
        (["0.4", "OVERLOAD", "open"], "ohm", [0.4, 1e9, 1e9]),
    ],
    ids=range(13),
)
def test_contact_channels(tmp_path, cells, kind, levels):
    rows = "".join(f"{i},1.5,{cell}\n" for i, cell in enumerate(cells))
    row = read_one(tmp_path, "time,draft,switch\n" + rows, contact_kind=kind)
    assert row["read_error"] is None
    assert row["contact"] == pytest.approx(levels, rel=1e-15)


def test_ohms_with_decimal_commas(tmp_path):
    text = "time;draft;switch\n0,0;1,5;0,4\n0,1;2,5;> 40,0M\n0,2;3,5;1,2 kΩ\n"
    assert read_one(tmp_path, text)["contact"] == [0.4, 1e9, 1200.0]


@pytest.mark.parametrize(
    ("cells", "kind", "said"),
    [
        (["on", "0.5", "off"], "", "0.5"),
        (["on", "2", "off"], "on_off", "'2'"),
        (["0.5", "OL", "1"], "volt", "OL"),
        (["0.5", "closed", "OL"], "", "closed"),
        (["high", "low", "high"], "", "high"),
    ],
)
def test_contacts_that_are_not_understood(tmp_path, cells, kind, said):
    rows = "".join(f"{i},1.5,{cell}\n" for i, cell in enumerate(cells))
    row = read_one(tmp_path, "time,draft,switch\n" + rows, contact_kind=kind)
    assert said in row["read_error"]
    assert "column switch" in row["read_error"]
    assert row["contact"] is None


def test_contact_in_a_file_of_its_own(tmp_path):
    (tmp_path / "sw.csv").write_text("t;state\n13:59:59;on\n14:00:01;off\n")
    pressures = "time,draft\n14:00:00,1.5\n14:00:02,2.5\n"
    row = read_one(tmp_path, pressures, contact_file="sw.csv", contact_column="state")
    assert row["read_error"] is None
    assert (row["time_s"], row["contact_time_s"]) == ([0.0, 2.0], [-1.0, 1.0])
    (tmp_path / "sw.csv").write_text("t;state\n23:59:59;on\n00:00:01;off\n")
    pressures = "time,draft\n00:00:00,1.5\n00:00:02,2.5\n"
    row = read_one(tmp_path, pressures, contact_file="sw.csv", contact_column="state")
    assert (row["time_s"], row["contact_time_s"]) == ([0.0, 2.0], [-1.0, 1.0])
    (tmp_path / "sw.csv").write_text("t;state\n0.5;on\n1.5;off\n")
    row = read_one(tmp_path, pressures, contact_file="sw.csv", contact_column="state")
    assert "clock" in row["read_error"]
    (tmp_path / "sw.csv").unlink()
    row = read_one(tmp_path, pressures, contact_file="sw.csv", contact_column="state")
    assert row["read_error"].startswith("sw.csv: there is no such file")


def test_contact_with_a_time_column_of_its_own(tmp_path):
    text = "time,draft,ts,switch\n0,1.5,0.05,on\n1,2.5,0.15,off\n2,3.5,,\n"
    row = read_one(tmp_path, text, time_column="time", contact_time_column="ts")
    assert row["time_s"] == [0.0, 1.0, 2.0]
    assert row["contact_time_s"] == [0.05, 0.15]


def test_units_are_converted_and_may_follow_the_number(tmp_path):
    row = read_one(tmp_path, PLAIN, unit="inH2O", called_close="0.2", called_open="0,15")
    assert row["pressure_pa"] == [p * 249.0889 for p in PRESSURE]
    assert row["called_close_pa"] == 0.2 * 249.0889
    assert row["called_open_pa"] == 0.15 * 249.0889
    row = read_one(tmp_path, PLAIN, unit="Pa", called_close="0.2", called_unit="mbar")
    assert row["called_close_pa"] == 20.0
    row = read_one(tmp_path, PLAIN.replace("11.0", "11.0 hPa"), unit="hPa")
    assert row["pressure_pa"] == [p * 100.0 for p in PRESSURE]


def test_depression_as_negative_numbers(tmp_path):
    text = "time,draft,switch\n" + "".join(f"{i},{-i * 2.5},{i % 2}\n" for i in range(9))
    expected = [i * 2.5 for i in range(9)]
    row = read_one(tmp_path, text, depression="negative", called_close="-3", called_open="4")
    assert row["pressure_pa"] == expected
    assert not any(str(value).startswith("-") for value in row["pressure_pa"])
    assert (row["called_close_pa"], row["called_open_pa"]) == (3.0, 4.0)
    row = read_one(tmp_path, text)
    assert row["pressure_pa"] is None
    assert "depression='negative'" in row["read_error"]
    row = read_one(tmp_path, text.replace("-", ""), depression="negative")
    assert "depression='positive'" in row["read_error"]
    noise = "time,draft,switch\n0,0,0\n1,-2.5,0\n2,0,0\n3,-5,0\n"
    assert read_one(tmp_path, noise)["read_error"] is None


BROKEN = {
    "ambiguous_decimal": "time;draft;switch\n1;12,500;1\n2;13,250;0\n",
    "ambiguous_separator": "time,a;time;draft;switch;b,draft,switch\n0,1;0;2;1;3,4,1\n",
    "ambiguous_column": "time,clock,draft,switch\n0,0,1.5,1\n",
    "ambiguous_time": "time,draft,switch\n14:03,1.5,1\n14:04,2.5,0\n",
    "column_not_found": "zeit,druck,kontakt\n0,1.5,1\n1,2.5,0\n",
    "row_too_long": "time,draft,switch\n0,0,1,5,1\n0,1,2,5,0\n",
    "unit_conflict": "time,draft (hPa),switch\n0,1.5,1\n",
    "unreadable_cell": "time,draft,switch\n0,1.5,1\n1,2.5 bar,1\n2,3.5,0\n",
    "unreadable_file": 'time,draft,switch\n0,1.5,"1\n1,2.5,1\n2,3.5,0"\n',
    "wrong_sign": "time,draft,switch\n0,-1,1\n1,-2,1\n2,-3,1\n3,-4,1\n",
}


@pytest.mark.parametrize("kind", BROKEN)
def test_a_broken_recording_keeps_its_row_or_raises_when_strict(tmp_path, kind):
    row = read_one(tmp_path, BROKEN[kind])
    assert row["test_id"] == "a"
    assert row["tested_at"] is not None
    assert [row[name] for name in ("time_s", "pressure_pa", "contact", "contact_time_s")] == [
        None
    ] * 4
    with pytest.raises(InputError) as caught:
        read_one(tmp_path, BROKEN[kind], strict=True)
    assert caught.value.kind == kind
    assert caught.value.file == "a.csv"
    assert str(caught.value) == row["read_error"]
    assert caught.value.advice


@pytest.mark.parametrize(
    ("text", "line", "column"),
    [
        ("# x\n\ntime,draft,switch\ns,Pa,-\n0,1.5,1\n\n# y\n1,oops,1\n", 8, "draft"),
        ("time,draft,switch\n0,1.5,1\n1,OL,1\n2,1.5,1\n", 3, "draft"),
        ("time,draft,switch\n0,OL,1\n1,1,1\n2,1.5,1\n", 2, "draft"),
        ("time,draft,switch\n0,1e400,1\n1,1,1\n2,1.5,1\n", 2, "draft"),
        ("time,draft,switch\n0,9.9e37,1\n1,1,1\n2,1.5,1\n", 2, "draft"),
        ("time,draft,switch\n0,1.5,1\n1,2.5,2,9\n", 3, None),
        ("time;draft;switch\n0;1.234,5;1\n1;2,5;1\n", 2, "draft"),
        ("time;draft;switch\n0;1,5;1\n1;2.5;1\n", 2, "draft"),
        ("time;draft;switch\n0;999;1\n1;1.001;1\n", 3, "draft"),
        ("time;draft;switch\n0;1 234,5;1\n1;2,5;1\n", 2, "draft"),
        ("time,draft,switch\n14:03:07,1.5,1\n14:03:77,1.5,1\n", 3, "time"),
        ("time,draft,switch\n14:03:07,1.5,1\n12.5,1.5,1\n", 3, "time"),
        ("time,draft,switch\n13:03:07 PM,1.5,1\n", 2, "time"),
        ("time,draft,switch\n32.13.2024 14:03:07,1.5,1\n", None, "time"),
        ("time,draft,switch\n2024-03-15 14:03:07,1.5,1\n14:03:08,1.5,1\n", 3, "time"),
    ],
)
def test_the_error_names_line_and_column(tmp_path, text, line, column):
    with pytest.raises(InputError) as caught:
        read_one(tmp_path, text, strict=True)
    assert (caught.value.line, caught.value.column) == (line, column)


def test_what_is_stated_settles_what_is_ambiguous(tmp_path):
    text = BROKEN["ambiguous_decimal"]
    assert read_one(tmp_path, text, decimal=",")["pressure_pa"] == [12.5, 13.25]
    assert "12,500" in read_one(tmp_path, text, decimal=".")["read_error"]
    names = {"time_column": "#1", "pressure_column": "#2", "contact_column": "#3"}
    text = "0,1,0\n1,5,1\n"
    assert "separator" in read_one(tmp_path, text, **names)["read_error"]
    assert read_one(tmp_path, text, separator=",", **names)["pressure_pa"] == [1.0, 5.0]
    row = read_one(tmp_path, BROKEN["column_not_found"])
    assert "'zeit', 'druck', 'kontakt'" in row["read_error"]
    row = read_one(tmp_path, "time;draft\n0,1;1,5\n", separator="tab")
    assert row["time_s"] is None


def test_half_a_file_of_rubbish_is_not_a_foot(tmp_path):
    row = read_one(tmp_path, PLAIN + "###,##,#\n".replace("#", "?") * 30)
    assert "'???' is not a number" in row["read_error"]
