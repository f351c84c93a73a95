"""The command `deadband lots` and its page: what they say, that it is what was found, odd input."""

from __future__ import annotations

import json
import re
import shutil
import sys
from pathlib import Path

import polars as pl
import pytest

import deadband
from deadband import cli
from deadband._output import LOTS
from deadband.lots._sentence import percent
from deadband.report._lot_words import LOT_CAUTION
from deadband.report._words import CAUTION_LINE, CAUTIONS
from html_page import Page

FILES = {
    "lots.parquet", "lots.csv", "lot_switches.parquet", "lot_switches.csv",
    "lot_shapes.parquet", "lot_shapes.csv", LOTS.page, LOTS.marker,
}  # fmt: skip


def said_by(page: Page) -> str:
    return page.text.replace("\u00a0", " ")


@pytest.fixture(scope="module")
def whole(demo_data, tmp_path_factory):
    """A run on the demonstration fleet: status, what was printed, the folder of results."""
    out = tmp_path_factory.mktemp("lots") / "out"
    printed = pytest.MonkeyPatch()
    lines: list[str] = []
    printed.setattr("builtins.print", lambda *text, **_: lines.append(" ".join(map(str, text))))
    try:
        status = cli.main(["lots", str(demo_data), "--out", str(out), "--unit", "hPa"])
    finally:
        printed.undo()
    return status, "\n".join(lines), out


@pytest.fixture(scope="module")
def page(whole) -> Page:
    return Page((whole[2] / LOTS.page).read_text(encoding="utf-8"))


# --- the demonstration fleet ----------------------------------------------------------------------


def test_files_and_exit_status(whole):
    status, _, out = whole
    assert status == cli.DONE
    assert {path.name for path in out.iterdir()} == FILES
    facts = json.loads((out / LOTS.marker).read_text(encoding="utf-8"))
    assert (facts["fraction"], facts["fdr"], facts["by"]) == (0.05, 0.05, "lot")
    assert facts["methods"] == ["ramp"]


def test_the_lot_that_left_the_factory_too_low_is_found(whole, page):
    _, printed, out = whole
    table = pl.read_parquet(out / "lots.parquet")
    first = table.row(0, named=True)
    assert (first["lot"], first["verdict_unsafe"]) == ("B110-2106", "exceeds")
    sentence = "More than 5 % of such switches are below the lower limit (unsafe side): B110-2106"
    assert sentence in " ".join(printed.split())
    assert sentence in said_by(page)
    # The demonstration fleet has one welded switch.
    assert table["n_stuck"].sum() == 1
    assert "Stayed closed, which no expected share tells: 1 of C45-1911 (C-45)." in said_by(page)


def test_tables_are_those_of_distribution_and_screen(whole):
    out = whole[2]
    table = pl.read_parquet(out / "lots.parquet")
    assert table["rank_unsafe"].to_list() == list(range(1, table.height + 1))
    assert pl.read_csv(out / "lots.csv").height == table.height
    switches = pl.read_parquet(out / "lot_switches.parquet")
    for row in table.iter_rows(named=True):
        own = switches.filter(pl.col("lot") == row["lot"])
        assert own.height == row["n_switches"]
        assert own.filter(pl.col("state") == "tested").height == row["n_tested"]
        beyond = own.filter((pl.col("state") == "tested") & (pl.col("deviation") < -0.1)).height
        assert row["counted_unsafe"] == beyond + row["n_stuck"]
        if row["n_stuck"]:
            own = min(2.0 * min(row["p_value_unsafe"], row["p_stuck_unsafe"]), 1.0)
        else:
            own = row["p_value_unsafe"]
        assert row["q_value_unsafe"] >= own - 1e-12


def test_numbers_of_the_page_are_those_of_the_table(whole, page):
    table = pl.read_parquet(whole[2] / "lots.parquet")
    for row in table.iter_rows(named=True):
        cells = next(cells for cells in page.rows if cells[0] == row["lot"])
        assert cells[1] == row["verdict_unsafe"]
        assert cells[3] == f"{row['n_tested']} of {row['n_switches']}"
        assert cells[4].startswith(percent(row["fraction_unsafe"]))
        assert cells[5] == str(row["counted_unsafe"])
        assert cells[6].replace("−", "-").startswith(f"{100 * row['mean']:+.1f} (")
        assert row["evidence_unsafe"] in said_by(page)
        assert row["evidence_unsafe"] in " ".join(whole[1].split())


def test_verdicts_under_each_shape_are_on_the_page_and_in_the_tables(whole, page):
    shapes = pl.read_parquet(whole[2] / "lot_shapes.parquet")
    assert dict(shapes.group_by("side").len().iter_rows()) == {"unsafe": 30, "nuisance": 30}
    lots = pl.read_parquet(whole[2] / "lots.parquet")
    for side in ("unsafe", "nuisance"):
        for row in lots.iter_rows(named=True):
            mine = shapes.filter((pl.col("side") == side) & (pl.col("lot") == row["lot"]))
            first = mine.filter(pl.col("shape") == "normal").row(0, named=True)
            assert first["fraction"] == row[f"fraction_{side}"]
            assert first["verdict"] == row[f"verdict_{side}"]
            assert row[f"stands_{side}"] == mine["stands"].all()
            told = [
                f"{percent(share)} {verdict}"
                for share, verdict in mine.select("fraction", "verdict").iter_rows()
            ]
            name = f"{row['lot']} ({row['model']})"
            assert [name, *told, "yes" if row[f"stands_{side}"] else "no"] in page.rows
    assert "These verdicts stand under each shape of scatter that was tried" in said_by(page)


def test_switches_of_the_page_have_their_deviation_in_the_unit_asked_for(whole, page, demo_data):
    found = pl.read_parquet(whole[2] / "lot_switches.parquet")
    rated = dict(deadband.read_switches(demo_data).select("switch_id", "rated_pa").iter_rows())
    known = {cells[0]: cells for cells in page.rows}
    for row in found.filter(pl.col("state") == "tested").iter_rows(named=True):
        _, measured, _, apart, u, percents, _, tests, _ = known[row["switch_id"]]
        places = len(u.partition(".")[2])
        expected = row["deviation"] * rated[row["switch_id"]] / 100.0
        assert float(apart.replace("−", "-")) == pytest.approx(expected, abs=0.51 * 10.0**-places)
        assert float(percents.replace("−", "-")) == pytest.approx(100 * row["deviation"], abs=0.06)
        assert measured == ("below the lower limit" if row["deviation"] < -0.1 else "within")
        assert tests == str(row["n_tests"])
    welded = known["C45-1911-04"]
    assert welded[1] == "stayed closed"
    assert set(welded[3:8]) == {"-"}


def test_gauges_are_told_with_accuracy_and_lag(page):
    told = {cells[0]: cells for cells in page.rows if cells[0] in {"G1", "G2", "G3", "G4"}}
    assert len(told) == 4
    assert told["G1"][3:5] == ["0.5 % of reading + 0.005 hPa", "0.01"]
    assert " ± " in told["G2"][5]
    # The bench has one rate only: no lag, no setpoint.
    assert told["G4"][2] == "0"
    assert told["G4"][5] == "-"


def test_cautions_come_first(whole, page):
    text = said_by(page)
    for caution in (*CAUTIONS, LOT_CAUTION):
        assert text.index(caution) < text.index("Summary")
    assert " ".join(whole[1].split()).endswith(CAUTION_LINE)


def test_page_is_balanced_accessible_and_loads_nothing(whole, page):
    text = (whole[2] / LOTS.page).read_text(encoding="utf-8")
    assert text.startswith("<!DOCTYPE html>")
    assert not page.of("script")
    assert not page.of("link")
    assert not re.search(r"@import|@font-face|\burl\(", text)
    assert not [name for _, attrs in page.tags for name in attrs if name in {"href", "action"}]
    assert len(page.of("img")) == 2
    assert all(attrs["src"].startswith("data:image/") for attrs in page.of("img"))
    assert all(attrs["alt"] for attrs in page.of("img"))
    assert len(page.of("caption")) == len(page.of("table"))
    anchors = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(set(anchors)) == len(anchors)
    assert {attrs["aria-labelledby"] for attrs in page.of("section")} == set(anchors)


# --- folders that are odd -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def few(tmp_path_factory, demo_data) -> Path:
    """One ramp of each of six switches of two lots, beside the whole register of three."""
    folder = tmp_path_factory.mktemp("few")
    names = [f"{lot}-0{i}" for lot in ("B110-2106", "A60-1904") for i in (1, 2, 3)]
    tests = deadband.read_tests(demo_data).filter(
        (pl.col("method") == "ramp")
        & pl.col("gauge_id").is_in(["G1", "G2", "G3"])
        & pl.col("switch_id").is_in(names)
    )
    one = tests.collect().sort("tested_at").unique("switch_id", keep="last", maintain_order=True)
    assert one.height == 6
    one.with_columns(operator=pl.lit("A. Nyone")).write_parquet(folder / "tests.parquet")
    register = deadband.read_switches(demo_data)
    register = register.filter(pl.col("lot").is_in(["B110-2106", "A60-1904", "C45-1911"]))
    register.write_parquet(folder / "switches.parquet")
    pl.DataFrame(
        {"gauge_id": ["G1", "G2", "G3"], "lag_s": [0.15, 0.4, 0.9], "lag_u_s": 0.03,
         "accuracy_rel": 0.005, "accuracy_abs_pa": 0.5, "resolution_pa": 1.0}
    ).write_parquet(folder / "gauges.parquet")  # fmt: skip
    return folder


def changed(few: Path, where: Path, **columns: pl.Expr) -> Path:
    """The folder with other values in its register."""
    shutil.copytree(few, where)
    register = pl.read_parquet(where / "switches.parquet").with_columns(**columns)
    register.write_parquet(where / "switches.parquet")
    return where


def run(folder: Path, out: Path, *options: str) -> int:
    return cli.main(["lots", str(folder), "--out", str(out), *options])


def test_a_lot_without_tests_and_two_with_few_by_somebody(few, tmp_path, capsys):
    out = tmp_path / "out"
    assert run(few, out) == cli.DONE
    printed = " ".join(capsys.readouterr().out.split())
    counted = "3 lots of 30 switches: 5 with a result, 1 tested without a result, 24 not tested."
    assert counted in printed
    assert "Without numbers: C45-1911 (C-45)." in printed
    page = said_by(Page((out / LOTS.page).read_text(encoding="utf-8")))
    assert "0 of 10 switches have a result. So there is no verdict." in page
    assert "Fewer than 8 tested, so that the interval says more than the number" in page
    assert "Nyone" not in page


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"lot": pl.lit(None, pl.String)}, "No switch names its lot: nothing can be said of any."),
        ({"lot": pl.lit("all")}, "3 lots of 30 switches"),
        ({"lot": pl.lit("all"), "model": pl.lit("M")}, "1 lot of 30 switches"),
        ({"rated_pa": pl.lit(None, pl.Float64)}, "No lot has results enough"),
    ],
)
def test_registers_that_tell_little(few, tmp_path, capsys, columns, said):
    folder = changed(few, tmp_path / "folder", **columns)
    assert run(folder, tmp_path / "out") == cli.DONE
    assert said in " ".join(capsys.readouterr().out.split())
    page = Page((tmp_path / "out" / LOTS.page).read_text(encoding="utf-8"))
    assert said in said_by(page)
    assert CAUTIONS[0] in said_by(page)


def test_other_ways_to_ask(few, tmp_path, capsys):
    out = tmp_path / "out"
    options = ["--by", "model", "--fraction", "0.2", "--fdr", "0.1", "--method", "pinch"]
    assert run(few, out, *options, "--method", "ramp", "--no-report") == cli.DONE
    said = " ".join(capsys.readouterr().out.split())
    assert "3 models of 30 switches" in said
    assert "20 %" in said
    facts = json.loads((out / LOTS.marker).read_text(encoding="utf-8"))
    assert facts["methods"] == ["pinch", "ramp"]
    table = pl.read_parquet(out / "lots.parquet")
    assert (table["level"][0], table["fdr"][0]) == (0.2, 0.1)
    assert "lot" not in table.columns
    assert not (out / LOTS.page).exists()
    assert run(few, out, "--method", "in_service", "--quiet") == cli.DONE
    assert capsys.readouterr().out == ""
    page = Page((out / LOTS.page).read_text(encoding="utf-8"))
    assert "0 recordings (in service)" in said_by(page)


def test_without_a_table_of_switches_nothing_is_written(few, tmp_path, capsys):
    folder, out = tmp_path / "folder", tmp_path / "out"
    shutil.copytree(few, folder)
    (folder / "switches.parquet").unlink()
    assert run(folder, out) == cli.BAD_INPUT
    assert "it holds no switches.csv or switches.parquet" in capsys.readouterr().err
    assert not out.exists()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--fraction", "0.5"], "no number above 0 and below 0.5"),
        (["--fdr", "1"], "no number above 0 and below 1"),
        (["--by", "colour"], "invalid choice"),
        (["--method", "guess"], "invalid choice"),
    ],
)
def test_options_out_of_range(few, tmp_path, capsys, options, said):
    with pytest.raises(SystemExit) as stopped:
        run(few, tmp_path / "out", *options)
    assert stopped.value.code == cli.BAD_INPUT
    assert said in capsys.readouterr().err


@pytest.mark.parametrize("missing", ["scipy", "statsmodels"])
def test_without_the_studies_it_says_what_to_install(few, tmp_path, monkeypatch, capsys, missing):
    monkeypatch.setitem(sys.modules, missing, None)
    assert run(few, tmp_path / "out") == cli.BAD_INPUT
    assert 'pip install "deadband[studies]"' in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_only_own_files_are_replaced_and_those_of_analyse_stay(few, tmp_path, capsys):
    out = tmp_path / "out"
    out.mkdir()
    (out / "lots.csv").write_text("somebody's own\n", encoding="utf-8")
    assert run(few, out, "--quiet") == cli.BAD_INPUT
    assert "lots.csv would be overwritten" in capsys.readouterr().err
    (out / "lots.csv").rename(out / "notes.csv")
    assert cli.main(["analyse", str(few), "--out", str(out), "--quiet", "--no-report"]) == cli.DONE
    before = {path.name for path in out.iterdir()}
    assert run(few, out, "--quiet") == cli.DONE
    assert {path.name for path in out.iterdir()} == before | FILES
    assert run(few, out, "--quiet", "--no-report") == cli.DONE
    assert cli.main(["analyse", str(few), "--out", str(out), "--quiet", "--no-report"]) == cli.DONE
    assert {path.name for path in out.iterdir()} == before | FILES - {LOTS.page}
