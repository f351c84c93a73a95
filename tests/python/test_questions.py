"""Reasons and questions where they are read: the tables, the command line, the page."""

import polars as pl
import pytest

import deadband as db
from deadband import cli, report
from logger_folder import write_manifest
from recordings import sound

SWITCHES = "switch_id,rated_pa,action\ns1,60,fall\n"
GAUGES = (
    "gauge_id,resolution_pa,accuracy_rel,accuracy_abs_pa,lag_s,lag_u_s\ng1,0.5,0.005,1,0.01,0.01\n"
)


def recording(*, scale=1.0, closed="closed", opened="open"):
    made = sound()
    rows = zip(made["time_s"], made["pressure_pa"], made["contact"], strict=True)
    lines = [f"{t:.3f},{p * scale:.4f},{closed if c else opened}" for t, p, c in rows]
    return "time_s,draft,switch\n" + "\n".join(lines) + "\n"


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "tests"
    place.mkdir()
    (place / "a.csv").write_text(recording())
    (place / "switches.csv").write_text(SWITCHES)
    (place / "gauges.csv").write_text(GAUGES)
    return place


def run(folder, capsys, *options):
    """What the command prints and says, and the verdicts and the page that it writes."""
    out = folder.parent / "out"
    assert cli.main(["analyse", str(folder), "--out", str(out), *options]) == 0
    said = capsys.readouterr()
    page = out / "report.html"
    return (
        " ".join(said.out.split()),
        " ".join(said.err.split()),
        pl.read_csv(out / "verdicts.csv"),
        page.read_text(encoding="utf-8") if page.exists() else "",
    )


def test_a_sound_folder_is_asked_nothing(folder, capsys):
    write_manifest(folder, {"gauge_id": "g1"})
    _, said, verdicts, page = run(folder, capsys)
    assert said == ""
    assert verdicts["verdict"].to_list() == ["conforms"]
    assert verdicts["reason"].null_count() == 1
    assert "Questions about the input" not in page


def test_reasons_stand_wherever_a_verdict_is_missed(folder, capsys):
    (folder / "switches.csv").write_text(SWITCHES + "s2,60,drop\n")
    (folder / "empty.csv").write_text("")
    write_manifest(
        folder,
        {"test_id": "a", "gauge_id": "g1"},
        {"test_id": "b", "gauge_id": "g1", "switch_id": "s2"},
        {"test_id": "c", "gauge_id": "g1", "switch_id": "S1"},
        {"test_id": "d", "gauge_id": "g1", "file": "empty.csv"},
    )
    printed, _, verdicts, page = run(folder, capsys)
    reasons = dict(verdicts.select("test_id", "reason").iter_rows())
    wanted = {
        "a": None,
        "b": "switches.csv, line 3, column action: 'drop' is not known; write fall or rise",
        "c": "switch_id 'S1' is not in the switches table, which has 's1'; write the same id in "
        "both",
        "d": "empty.csv: the file is empty; copy the recording from the logger again",
    }
    assert reasons == wanted
    for name in "bcd":
        assert f"{name}: {wanted[name]}" in printed
        assert wanted[name].replace("'", "&#39;") in page
    assert "such as the rating" not in printed + page


def test_a_wrong_unit_is_asked_about_and_changes_nothing(folder, capsys):
    (folder / "a.csv").write_text(recording(scale=1 / 100.0))
    write_manifest(folder, {"gauge_id": "g1"})
    _, said, verdicts, page = run(folder, capsys)
    asked = "the setpoint of 1 test is about 1/100 of the rating (a): is a unit wrong"
    assert asked in said
    assert asked in page
    assert verdicts["verdict"].to_list() == ["does_not_conform"]
    whole = db.analyse(db.read_tests(folder), db.read_switches(folder), db.read_gauges(folder))
    assert [line for line in whole.notices if asked in line]


def test_gauges_and_words_are_asked_about(folder, capsys):
    (folder / "a.csv").write_text(recording(closed="open", opened="closed"))
    write_manifest(folder, {"gauge_id": "g7"})
    _, said, _, page = run(folder, capsys)
    for asked in ("1 gauge is not in the gauges table (g7)", "1 recording (a): "):
        assert asked in said
        assert asked in page
    assert "'closed' stands at the lower pressures" in said
    (folder / "gauges.csv").unlink()
    write_manifest(folder, {"gauge_id": ""})
    printed, said, verdicts, _ = run(folder, capsys, "--no-report")
    assert "1 test names no gauge (a)" in said
    assert "no gauges table" in said
    assert verdicts["status"].to_list() == ["lag_unidentified"]
    assert "name the gauge in the column gauge_id" in printed


def test_the_page_of_an_analysis_without_a_manifest_has_reasons_too(folder):
    write_manifest(folder, {"gauge_id": "g1", "switch_id": "s9"})
    whole = db.analyse(db.read_tests(folder), db.read_switches(folder), db.read_gauges(folder))
    page = report.render(whole, notes=["a note <of> the reader"])
    assert "switch_id &#39;s9&#39; is not in the switches table; add it" in page
    assert "a note &lt;of&gt; the reader" in page
