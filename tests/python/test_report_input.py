"""The page of hostile, odd and empty input, and the pictures in it."""

from __future__ import annotations

import base64
import sys
from datetime import datetime

import polars as pl
import pytest

from deadband import report
from deadband.report import _pictures, _tables
from deadband.report._trace import traces
from example_fleet import fleet
from html_page import Page

WHEN = datetime(2026, 1, 2, 3, 4)


# --- hostile and empty input --------------------------------------------------------------------


def test_text_of_users_is_escaped():
    evil = '<script>alert("x")</script><img src=x onerror=y>&amp;'
    data = fleet(4)
    rename = pl.col("switch_id").replace({"SW-000": evil})
    data.switches = data.switches.with_columns(rename)
    for name in ("setpoints", "verdicts", "events"):
        table = getattr(data, name).with_columns(rename)
        if name != "events":
            table = table.with_columns(pl.col("test_id").replace({"T-000-4": evil + "T"}))
        table = table.with_columns(pl.col("gauge_id").replace({"G1": evil}))
        setattr(data, name, table)
    data.lags = data.lags.with_columns(pl.col("gauge_id").replace({"G1": evil}))
    data.verdicts = data.verdicts.with_columns(rule=pl.lit(evil), method=pl.lit(evil))
    text = report.render(data, title=evil, created=WHEN)
    page = Page(text)
    assert not page.of("script")
    assert all((attrs["src"] or "").startswith("data:image/") for attrs in page.of("img"))
    assert page.text.count(evil) > 5
    assert not [attrs for _, attrs in page.tags if "onerror" in attrs]


def test_mathematics_in_an_identifier_is_text_in_a_picture():
    data = fleet(4)
    odd = "a$b_c$ $\\frac{1}$"
    for name in ("switches", "setpoints", "verdicts"):
        table = getattr(data, name).with_columns(pl.col("switch_id").replace({"SW-000": odd}))
        setattr(data, name, table)
    assert odd in Page(report.render(data, created=WHEN)).text


def test_an_analysis_without_any_numbers_gives_a_page():
    data = fleet(4)
    data.verdicts = data.verdicts.filter(pl.col("verdict").is_null())
    data.setpoints = data.setpoints.filter(pl.col("open_pa").is_null())
    data.events, data.lags = data.events.clear(), data.lags.clear()
    page = Page(report.render(data, created=WHEN))
    assert "No recording gave a verdict." in page.text
    assert "12 recordings gave no verdict" in page.text
    assert not page.of("img")


def test_an_empty_analysis_gives_a_page():
    data = fleet(4)
    for name in ("verdicts", "setpoints", "events", "lags"):
        setattr(data, name, getattr(data, name).clear())
    assert "0 recordings of 0 switches." in Page(report.render(data, created=WHEN)).text


@pytest.mark.parametrize("missing", ["jinja2", "matplotlib"])
def test_what_to_install_is_said(monkeypatch, missing):
    monkeypatch.setitem(sys.modules, missing, None)
    with pytest.raises(ImportError, match=rf"{missing}: pip install \"deadband\[report\]\""):
        report.render(fleet(4))


def test_the_reason_of_an_unreadable_recording_is_shown():
    data = fleet(4)
    reasons = {"bad-9": "a.csv, line 3: <no number>"}
    page = Page(report.render(data, created=WHEN, reasons=reasons))
    rows = {row[0]: row for row in page.rows if row and row[0].startswith("bad-")}
    assert rows["bad-9"][-1] == "a.csv, line 3: <no number>"
    assert rows["bad-8"][-1] == "-"
    assert len(_tables.empty_table(data.verdicts, {}).columns) == len(rows["bad-9"]) - 1


# --- pictures -----------------------------------------------------------------------------------


def test_pictures_are_vectors_until_they_get_large(monkeypatch):
    vector = _pictures.drawn((3, 2), lambda ax: ax.plot([0, 1]))
    assert vector.startswith("data:image/svg+xml;base64,")
    drawing = base64.b64decode(vector.partition(",")[2])
    assert b"<svg" in drawing
    assert b"<script" not in drawing
    monkeypatch.setattr(_pictures, "_LARGEST_VECTOR", 100)
    raster = _pictures.drawn((3, 2), lambda ax: ax.plot([0, 1]))
    assert base64.b64decode(raster.partition(",")[2]).startswith(b"\x89PNG")


def test_unsafe_recordings_are_shown_again():
    data = fleet()
    page = Page(report.render(data, created=WHEN))
    assert "Recording T-000-4 of switch SW-000" in page.text
    trace = next(traces(data, ["T-000-4"], "mbar"))
    assert trace.per_unit == 100.0
    assert trace.open is not None
    assert trace.open.interval(0.95)[0] == pytest.approx(1.057 - 2.18 * 0.025, abs=0.001)
    assert trace.events["test_id"].unique().to_list() == ["T-000-4"]


def test_recordings_that_are_not_whole_are_left_out():
    data = fleet(4)
    short = data.tests.with_columns(pl.col("pressure_pa").list.head(5))
    data.tests = short
    assert not list(traces(data, ["T-000-4"], "Pa"))
    data.tests = short.drop("contact")
    assert not list(traces(data, ["T-000-4"], "Pa"))
