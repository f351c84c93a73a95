"""The page about lots from Python: its words for whatever was found, what it leaves out."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import polars as pl
import pytest

from deadband import lots, report
from deadband._errors import InputError, OptionError
from deadband.lots._both_sides import both_sides
from deadband.report import _lot_page, _lot_tables
from deadband.report._lot_tables import by_shape, ranked
from deadband.report._lot_words import evaluation, outcome
from example_fleet import Fleet, fleet
from html_page import Page
from lot_fleet import tables

WHEN = datetime(2026, 1, 2, 3, 4)


def said_by(page: Page) -> str:
    return page.text.replace("\u00a0", " ")


def drawn_fleet(n_lots: int, each: int, near_pa: float = 60.0) -> tuple[Fleet, lots.Lots]:
    """An analysis whose tables hold `n_lots` lots, the first of them far below the limit."""
    values = [
        (near_pa if lot else 51.0) + 3.0 * (i / each - 0.5)
        for lot in range(n_lots)
        for i in range(each)
    ]
    names = [f"<L{lot:03}>" for lot in range(n_lots) for _ in range(each)]
    points, switches = tables(values, names, u_pa=0.3, gauge="G1")
    whole = fleet(4)
    verdicts = points.with_columns(
        tested_at=pl.lit(WHEN), verdict=pl.lit("conforms"), status=pl.lit("ok"),
        p_conform=pl.lit(1.0), p_unsafe=pl.lit(0.0), p_nuisance=pl.lit(0.0),
    )  # fmt: skip
    whole.verdicts, whole.switches = verdicts, switches
    return whole, lots.distribution(verdicts, switches)


def test_render_and_write(tmp_path):
    whole, found = drawn_fleet(3, 5)
    text = report.render_lots(whole, found, title="To the maker", created=WHEN)
    assert text == report.render_lots(whole, found, title="To the maker", created=WHEN)
    assert "<L000>" not in text
    assert "&lt;L000&gt; (M)" in text
    target = tmp_path / "lots.html"
    assert report.write_lots(whole, found, target, title="To the maker", created=WHEN) == target
    assert target.read_text(encoding="utf-8") == text
    page = Page(text)
    found_there = lots.screen(found)
    first = next(cells for cells in page.rows if cells[0] == "<L000>")
    assert first[1] == found_there["verdict"][0] == "exceeds"
    # Of the two fractions that a lot can have the page says which it is.
    assert "Expected share unsafe (95 % interval)" in text
    assert "expected share out of tolerance" in text
    assert "Share unsafe" not in text
    with pytest.raises(OptionError, match="fraction"):
        report.render_lots(whole, found, fraction=0.7)
    with pytest.raises(InputError):
        report.render_lots(whole, found, unit="furlong")


def test_what_is_too_much_for_the_page_is_left_out_and_said(monkeypatch):
    monkeypatch.setattr(_lot_tables, "_LOTS", 2)
    monkeypatch.setattr(_lot_tables, "_OF_LOT", 4)
    monkeypatch.setattr(_lot_page, "_DRAWN", 2)
    whole, found = drawn_fleet(3, 5)
    text = report.render_lots(whole, found, created=WHEN)
    said = said_by(Page(text))
    assert said.count("The first 4 of 5 rows. All of them are in lot_switches.parquet") == 2
    assert "The switches of 1 more are in lot_switches.parquet" in said
    assert said.count("The first 2 of 3 by the evidence.") == 2
    short = ranked(both_sides(found, fraction=0.05, fdr=0.05), "unsafe", 1)
    assert short.note.startswith("The first 1 of 3 rows. All of them are in lots.parquet")


def test_words_for_every_verdict():
    whole, found = drawn_fleet(3, 6, near_pa=56.5)
    screened = both_sides(found, fraction=0.05, fdr=0.05)
    verdicts = dict(screened.unsafe.select("lot", "verdict").iter_rows())
    assert verdicts == {"<L000>": "exceeds", "<L001>": "undecided", "<L002>": "undecided"}
    said = outcome(screened)
    assert any(one.startswith("Undecided whether") and "<L001> (M)" in one for one in said)
    table = ranked(screened, "unsafe")
    more = dict(screened.unsafe.select("lot", "n_more").iter_rows())
    assert {row[0].text: row[-1].text for row in table.rows} == {
        lot: "-" if n is None else f"about {n:,}" for lot, n in more.items()
    }
    assert whole.verdicts.height == found.lots["n_tested"].sum()
    told = evaluation(screened, "slow ramp or pinch")
    assert len(told) == 6
    assert "slow ramp or pinch" in told[0]


def test_a_verdict_that_rests_on_the_normal_curve_is_named():
    _, found = drawn_fleet(3, 12, near_pa=56.7)
    screened = both_sides(found, fraction=0.05, fdr=0.05)
    verdicts = dict(screened.unsafe.select("lot", "verdict").iter_rows())
    assert verdicts == {"<L000>": "exceeds", "<L001>": "within", "<L002>": "within"}
    changing = screened.changing("unsafe")
    assert set(changing["lot"]) == {"<L001>", "<L002>"}
    assert changing["shapes"].list.contains("skew_low").all()
    said = outcome(screened)
    words = "On the unsafe side another shape of scatter changes the verdict on <L00"
    assert any(one.startswith(words) for one in said)
    assert screened.table()["stands_unsafe"].to_list() == [True, False, False]
    assert {row[-1].text for row in by_shape(screened, "unsafe").rows} == {"yes", "no"}


def test_a_verdict_that_some_shape_leaves_open_is_named():
    _, found = drawn_fleet(3, 12)
    screened = both_sides(found, fraction=0.05, fdr=0.05)
    heavy = (pl.col("shape") == "heavy_tails") & (pl.col("lot") == "<L001>")
    open_one = screened.shapes["unsafe"].with_columns(
        pl.when(~heavy).then(name).alias(name) for name in ("verdict", "stands")
    )
    told = replace(screened, shapes={**screened.shapes, "unsafe": open_one})
    said = outcome(told)
    words = "Not under every shape of scatter a verdict is told of <L001> (M) (unsafe side)."
    assert words in said
    assert any("stand under each shape of scatter that was tried (nuisance" in one for one in said)


def test_switches_that_stayed_closed_are_told_also_where_no_lot_has_numbers():
    whole, _ = drawn_fleet(2, 2)
    nothing = pl.lit(None, pl.Float64)
    whole.verdicts = whole.verdicts.with_columns(
        open_pa=nothing, open_u_pa=nothing, verdict=pl.lit("does_not_conform")
    )
    said = said_by(
        Page(report.render_lots(whole, lots.distribution(whole.verdicts, whole.switches)))
    )
    assert "4 that stayed closed below the lower limit" in said
    assert "Stayed closed, which no expected share tells: 2 of <L000> (M), 2 of <L001> (M)." in said
    assert "are below the lower limit (unsafe side): <L000> (M), <L001> (M)." in said
    assert "Without numbers: <L000> (M), <L001> (M)." in said
    assert "stayed closed (p = 0.0025)" in said


def test_an_empty_register():
    whole, _ = drawn_fleet(2, 2)
    whole.switches = whole.switches.clear()
    found = lots.distribution(whole.verdicts, whole.switches)
    page = Page(report.render_lots(whole, found))
    assert "The table of switches is empty." in said_by(page)
    assert not page.of("img")
    assert both_sides(found, fraction=0.05, fdr=0.05).table().height == 0


def test_tests_of_no_stated_method_count_and_are_called_so():
    whole, found = drawn_fleet(2, 3)
    assert "6 recordings (slow ramp) of 6 switches" in said_by(
        Page(report.render_lots(whole, found))
    )
    whole.verdicts = whole.verdicts.with_columns(method=pl.lit(None, pl.String))
    again = lots.distribution(whole.verdicts, whole.switches)
    assert again.lots["n_tested"].to_list() == [3, 3]
    said = said_by(Page(report.render_lots(whole, again)))
    assert "6 recordings (method not stated) of 6 switches" in said
    assert "slow ramp" not in said
