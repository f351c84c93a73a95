"""What is not what it says: units, clocks and signs that contradict each other or say nothing."""

import pytest

from deadband.read import InputError, SchemaError, read_switches, read_tests
from logger_folder import read_one, write_manifest

ROWS = [(n, 20.0 + 5.0 * n, int(n < 15)) for n in range(30)]


def table(time="time_s", pressure="draft", *, scale=0.1, start=0.0, digits=6):
    lines = [f"{time};{pressure};switch"]
    lines += [f"{start + n * scale:.{digits}f};{p:.1f};{s}" for n, p, s in ROWS]
    return "\n".join(lines) + "\n"


# --- the unit of the pressure -------------------------------------------------------------------


@pytest.mark.parametrize(
    "heading",
    [
        "draft hPa",
        "draft_hpa",
        "draft, hPa",
        "draft HPA",
        "draft - hPa",
        "p1 (hall) hPa",
        "draft_hPa",
    ],
)
def test_a_unit_at_the_end_of_a_heading_is_heeded(tmp_path, heading):
    text = table(pressure=heading)
    given = {"unit": "Pa", "pressure_column": heading}
    assert (
        "the heading says hPa and the manifest says Pa"
        in read_one(tmp_path, text, **given)["read_error"]
    )
    row = read_one(tmp_path, text, **{**given, "unit": "hPa"})
    assert row["pressure_pa"][0] == 2000.0


@pytest.mark.parametrize(
    "heading", ["Sensor 0-5 kPa", "draft", "draft mPa", "kPax", "draft kPa abs"]
)
def test_a_range_and_a_word_are_no_unit(tmp_path, heading):
    row = read_one(tmp_path, table(pressure=heading), unit="Pa", pressure_column=heading)
    assert row["read_error"] is None
    assert row["pressure_pa"][0] == 20.0


# --- times --------------------------------------------------------------------------------------


def test_milliseconds_that_nobody_called_so_are_asked_about(tmp_path):
    text = table("time", scale=100.0)
    error = read_one(tmp_path, text)["read_error"]
    assert "taken as seconds, the rows stand 100 s apart" in error
    assert "state `time_unit` in the manifest: ms, or s" in error
    assert read_one(tmp_path, text, time_unit="ms")["time_s"][1] == 0.1
    assert read_one(tmp_path, text, time_unit="s")["time_s"][1] == 100.0
    assert read_one(tmp_path, table("time_s", scale=100.0))["time_s"][1] == 100.0
    hours = table("time", scale=1.0).replace("\n29.0", "\n14829.0")
    assert "span 14829 s" in read_one(tmp_path, hours)["read_error"]


def test_seconds_that_nobody_called_so_are_taken(tmp_path):
    for scale in (0.001, 0.1, 1.0, 4.0):
        assert read_one(tmp_path, table("time", scale=scale))["time_s"][1] == scale


def test_days_as_a_spreadsheet_counts_them(tmp_path):
    text = table(scale=0.1 / 86_400, start=45_731.58, digits=12)
    error = read_one(tmp_path, text)["read_error"]
    assert "the rows stand 1.2e-06 s apart" in error
    assert "state `time_unit` d" in error
    assert "the heading says s" in read_one(tmp_path, text, time_unit="d")["read_error"]
    for given in ({"data": text.replace("time_s", "time"), "time_unit": "d"},
                  {"data": text.replace("time_s", "time (days)")}):  # fmt: skip
        times = read_one(tmp_path, **given)["time_s"]
        assert times == pytest.approx([n * 0.1 for n in range(30)], abs=2e-6)
    far = "time;draft;switch\n" + "1e30;5.0;1\n" * 20
    assert "no day as a spreadsheet" in read_one(tmp_path, far, time_unit="d")["read_error"]


def test_days_and_dates_are_one_clock(tmp_path):
    """45 731 is 2025-03-15; noon of it is half a day."""
    (tmp_path / "c.csv").write_text("time;contact\n2025-03-15 12:00:01;1\n2025-03-15 12:00:02;0\n")
    text = table("time", scale=0.1 / 86_400, start=45_731.5, digits=12)
    row = read_one(tmp_path, text, time_unit="d", contact_file="c.csv")
    assert row["read_error"] is None
    assert row["contact_time_s"] == pytest.approx([1.0, 2.0], abs=2e-6)


def coarse(heading="clock"):
    lines = [f"{heading};draft;switch"]
    lines += [f"14:03:{n // 10:02d};{p:.1f};{s}" for n, p, s in ROWS]
    return "\n".join(lines) + "\n"


def test_a_clock_of_whole_seconds_is_told_and_its_rows_can_be_counted(tmp_path):
    error = read_one(tmp_path, coarse())["read_error"]
    assert "27 of 30 rows repeat the time above them" in error
    assert "state the time between two rows (`interval_s`, s)" in error
    row = read_one(tmp_path, coarse(), interval_s="0.1")
    assert row["time_s"] == pytest.approx([n * 0.1 for n in range(30)])
    assert row["contact_time_s"] is None
    assert read_one(tmp_path, coarse(), interval_s="0,1")["time_s"] == row["time_s"]
    error = read_one(tmp_path, coarse(), interval_s="0.5")["read_error"]
    assert "29 rows of 0.5 s make 14.5 s, and the times span 2 s" in error


def test_counting_leaves_room_for_a_row_left_out(tmp_path):
    text = coarse().replace("\n14:03:01;75.0", "\n14:03:01;")
    row = read_one(tmp_path, text, interval_s="0.1")
    assert len(row["time_s"]) == 29
    assert row["time_s"][-1] == pytest.approx(2.9)


@pytest.mark.parametrize("interval", ["0", "-0.1", "fast", "nan1", "1e9"])
def test_an_interval_that_is_none_is_named(tmp_path, interval):
    (tmp_path / "a.csv").write_text(coarse())
    with pytest.raises(InputError, match="line 2, column interval_s") as caught:
        read_tests(write_manifest(tmp_path, {"interval_s": interval}))
    assert caught.value.kind == "unreadable_cell"


def test_rows_are_not_counted_where_the_contact_has_its_own_clock(tmp_path):
    (tmp_path / "a.csv").write_text(coarse())
    with pytest.raises(InputError, match="both channels") as caught:
        read_tests(write_manifest(tmp_path, {"interval_s": "0.1", "contact_file": "c.csv"}))
    assert caught.value.column == "interval_s"
    (tmp_path / "c.csv").write_text(coarse("clock"))
    write_manifest(tmp_path, {"contact_file": "c.csv"})
    (tmp_path / "a.csv").write_text(coarse())
    error = read_tests(tmp_path).collect()["read_error"][0]
    assert "interval_s" not in error


# --- signs --------------------------------------------------------------------------------------


def test_a_folder_may_hold_both_signs(tmp_path):
    (tmp_path / "a.csv").write_text(table())
    lines = [f"{n};{-p};{s}" for n, p, s in ROWS]
    (tmp_path / "b.csv").write_text("time_s;draft;switch\n" + "\n".join(lines) + "\n")
    rows = [
        {"test_id": "a", "called_open": "-90", "depression": ""},
        {"test_id": "b", "file": "b.csv", "called_open": "-90", "depression": "negative"},
    ]
    found = read_tests(write_manifest(tmp_path, *rows)).collect()
    assert found["read_error"].to_list() == [None, None]
    assert found["pressure_pa"].list.first().to_list() == [20.0, 20.0]
    # An operator's minus sign is dropped only where depression is negative.
    assert found["called_open_pa"].to_list() == [-90.0, 90.0]
    rows[1]["depression"] = ""
    error = read_tests(write_manifest(tmp_path, *rows)).collect()["read_error"][1]
    assert "write negative in the column `depression` of the manifest" in error
    assert "on the command line --depression negative" in error
    rows[0]["depression"] = "positive"
    found = read_tests(write_manifest(tmp_path, *rows), depression="negative").collect()
    assert found["read_error"].to_list() == [None, None]
    rows[0]["depression"] = "minus"
    with pytest.raises(InputError, match=r"column depression: 'minus' is not known"):
        read_tests(write_manifest(tmp_path, *rows))


# --- nothing at all -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "said"),
    [("", "a.csv: the file is empty"), ("\n \n", "a.csv: the file is empty"),
     ("# logger 3\n", "a.csv: the file holds nothing but comments")],
)  # fmt: skip
def test_an_empty_file_is_called_empty(tmp_path, data, said):
    error = read_one(tmp_path, data)["read_error"]
    assert error.startswith(said)
    assert "columns" not in error


# --- names and words ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("Gauge", "gauge_id"),
        ("gauge id", "gauge_id"),
        ("Gauge_ID", "gauge_id"),
        ("guage_id", "gauge_id"),
        ("operator", "operator_id"),
        ("called_open_pa", "called_open"),
        ("time_units", "time_unit"),
    ],
)
def test_a_misspelt_column_of_the_manifest_is_named(tmp_path, name, meant):
    (tmp_path / "a.csv").write_text(table())
    with pytest.raises(SchemaError, match=f"column {meant}: .*but there is '{name}'") as caught:
        read_tests(write_manifest(tmp_path, {name: "g1"}))
    assert (caught.value.kind, caught.value.column) == ("misspelt_column", meant)
    assert f"name it {meant}" in caught.value.advice
    # Beside the column itself it is one of the user's own.
    named = {meant: "", name: "g1"}
    assert read_tests(write_manifest(tmp_path, named)).collect().height == 1


def test_columns_of_the_users_own_are_passed_over(tmp_path):
    (tmp_path / "a.csv").write_text(table())
    own = ["remark", "date", "location", "serial_no", "switch", "contact", "status", "file_no", ""]
    assert read_tests(write_manifest(tmp_path, dict.fromkeys(own, "x"))).collect().height == 1
    names = "switch_id,rated_pa,action,status,reason,model_no,serial,year"
    (tmp_path / "switches.csv").write_text(f"{names}\ns1,60,fall,in use,none,M1,7,2020\n")
    assert read_switches(tmp_path)["status"].to_list() == ["ok"]


@pytest.mark.parametrize("name", ["lots", "Model", "rated_hpa", "installed", "tolerances"])
def test_a_misspelt_column_of_the_switches_is_named(tmp_path, name):
    (tmp_path / "switches.csv").write_text(f"switch_id,rated,unit,action,{name}\ns1,60,Pa,fall,1\n")
    with pytest.raises(SchemaError, match=f"there is {name!r}"):
        read_switches(tmp_path)


def worded(closed, opened):
    lines = [f"{n * 0.1:.1f};{p};{closed if s else opened}" for n, p, s in ROWS[::-1]]
    lines = [f"{n * 0.1:.1f};{line.split(';', 1)[1]}" for n, line in enumerate(lines)]
    return "time_s;draft;switch\n" + "\n".join(lines) + "\n"


def test_words_that_are_turned_over_are_noted(tmp_path):
    # The lower pressures are those of the first rows of ROWS, where the state is 1.
    note = read_one(tmp_path, worded("Closed", "Open"))["read_note"]
    assert note.startswith("'Closed' stands at the lower pressures and 'Open' at the higher ones")
    assert "closed='high'" in note
    right = read_one(tmp_path, worded("open", "closed"))
    assert (right["read_error"], right["read_note"]) == (None, None)
    # Levels state nothing, words of which one is missing prove nothing.
    for words in (("1", "0"), ("0.2", "23.9"), ("closed", "closed")):
        assert read_one(tmp_path, worded(*words))["read_note"] is None


def test_words_on_a_clock_of_their_own_are_noted(tmp_path):
    (tmp_path / "c.csv").write_text("time_s;switch\n0.5;on\n1.0;on\n2.0;off\n2.5;off\n")
    row = read_one(tmp_path, table(), contact_file="c.csv")
    assert row["read_note"].startswith("'on' stands at the lower pressures")
