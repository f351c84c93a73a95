"""The page: whole, closed in itself, escaped, the unsafe side first."""

from __future__ import annotations

import itertools
import re
from datetime import date, datetime

import polars as pl
import pytest

import deadband
from deadband import _core, report
from deadband._errors import InputError, SchemaError
from deadband.report import _extras, _summary, _tables, _words
from example_fleet import STATUSES, fleet
from html_page import Page

WHEN = datetime(2026, 1, 2, 3, 4)


@pytest.fixture(scope="module")
def html() -> str:
    return report.render(fleet(), title="Autumn round", created=WHEN)


@pytest.fixture(scope="module")
def page(html) -> Page:
    return Page(html)


# --- the page as a file -------------------------------------------------------------------------


def test_page_is_balanced_and_loads_nothing(html, page):
    assert html.startswith("<!DOCTYPE html>")
    assert not page.of("script")
    assert not page.of("link")
    assert not re.search(r"@import|@font-face|\burl\(", html)
    for _, attrs in page.tags:
        assert not [name for name in attrs if name.startswith("on")]
        for name in ("src", "href", "srcset", "action", "data"):
            assert (attrs.get(name) or "data:").startswith("data:")


def test_page_is_accessible(page):
    assert page.of("html")[0]["lang"] == "en"
    assert "width=device-width" in [attrs.get("content", "") for attrs in page.of("meta")][1]
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    assert all(attrs.get("scope") in {"col", "row"} for attrs in page.of("th"))
    assert len(page.of("caption")) == len(page.of("table"))
    assert all(attrs["alt"] for attrs in page.of("img"))
    anchors = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(set(anchors)) == len(anchors)
    assert {attrs["aria-labelledby"] for attrs in page.of("section")} == set(anchors)


def test_every_row_has_a_cell_for_every_heading(page):
    widths = []
    for row in page.rows:
        if row[0] in {"Test", "Method", "Gauge", "Switch"}:
            widths.append(len(row))
        assert len(row) == widths[-1]


def test_same_input_gives_the_same_bytes(html):
    assert report.render(fleet(), title="Autumn round", created=WHEN) == html
    assert report.render(fleet(), title="Autumn round") != html


def test_page_is_small_also_for_a_large_fleet():
    data = fleet(120, 12)
    text = report.render(data, created=WHEN)
    assert len(text.encode()) < 3_000_000
    page = Page(text)
    judged = data.verdicts["verdict"].drop_nulls().len()
    assert f"The first 200 of {judged:,} rows. All of them are in verdicts.parquet" in page.text


def test_write_replaces_the_page_whole_or_leaves_it(tmp_path):
    target = tmp_path / "report.html"
    assert report.write(fleet(4), target, created=WHEN) == target
    first = target.read_text(encoding="utf-8")
    broken = fleet(4)
    broken.verdicts = broken.verdicts.drop("p_unsafe")
    with pytest.raises(SchemaError, match="p_unsafe"):
        report.write(broken, target)
    assert target.read_text(encoding="utf-8") == first
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]
    with pytest.raises(FileNotFoundError):
        report.write(fleet(4), tmp_path / "absent" / "report.html")


# --- what it says -------------------------------------------------------------------------------


def test_cautions_come_before_everything_else(page):
    text = page.text
    for caution in _words.CAUTIONS:
        assert caution in text
        assert text.index(caution) < text.index("Summary")
    for word in ("monoxide", "gas", "mains voltage", "bypass", "jumper", "licensed", "maker's",
                 "codes", "permission"):  # fmt: skip
        assert word in text[: text.index("Summary")]


def test_summary_counts_what_the_table_holds(page):
    table = fleet().verdicts
    summary = report.summarise(table)
    assert summary.tests == table.height
    assert summary.judged + sum(summary.without.values()) == table.height
    for verdict, count in summary.verdicts.items():
        assert count == table.filter(pl.col("verdict") == verdict).height
    assert sum(sum(counts.values()) for counts in summary.by_method.values()) == table.height
    assert set(summary.without) == set(STATUSES)
    assert summary.unsafe == ["T-000-4"]
    assert summary.latest["does_not_conform"] == ["SW-000"]
    for sentence in report.sentences(summary):
        assert sentence in page.text
    assert "1 test does not conform, 1 on the unsafe side and 0 on the nuisance side." in page.text


def test_sides_are_kept_apart():
    data = fleet()
    swapped = data.verdicts.with_columns(p_unsafe="p_nuisance", p_nuisance="p_unsafe")
    assert not report.summarise(swapped).unsafe
    texts = [cell.text for row in _tables.verdict_table(swapped, data.switches, "Pa").rows
             for cell in row]  # fmt: skip
    assert "does not conform, nuisance side" in texts


def test_verdict_table_has_numbers_units_and_the_unsafe_first(page):
    data = fleet()
    head, first = next(
        (head, row)
        for head, row in zip(page.rows, page.rows[1:], strict=False)
        if "Verdict" in head
    )
    cells = dict(zip(head, first, strict=True))
    row = data.verdicts.row(by_predicate=pl.col("test_id") == "T-000-4", named=True)
    assert cells["Test"] == "T-000-4"
    assert cells["Verdict"] == "does not conform, unsafe side"
    wide = 2.179 * row["open_u_pa"]  # t_0.975(12) = 2.179, JCGM 100:2008, table G.2: 2.18
    assert cells["Rated setpoint ± U / Pa"] == f"open {row['open_pa']:.1f} ± {wide:.1f}"
    assert cells["k"] == "2.18"
    assert cells["Limits / Pa"] == "112.5 to 137.5"
    assert cells["Chance unsafe"] == f"{row['p_unsafe']:.3f}"
    assert cells["Method"] == "pinch"


def test_unsafe_switches_are_listed_once_with_what_became_of_them():
    data = fleet()
    worse = data.verdicts.with_columns(
        verdict=pl.when(pl.col("test_id").is_in(["T-000-3", "T-005-1"]))
        .then(pl.lit("does_not_conform"))
        .otherwise("verdict"),
        p_unsafe=pl.when(pl.col("test_id").is_in(["T-000-3", "T-005-1"]))
        .then(1.0)
        .otherwise("p_unsafe"),
    )
    stock = data.switches.with_columns(
        removed_on=pl.when(pl.col("switch_id") == "SW-000").then(date(2023, 6, 1))
    )
    table = _tables.unsafe_table(worse, stock, "Pa")
    rows = [[cell.text for cell in row] for row in table.rows]
    # The pinch is the later test, but a switch that only a pinch speaks against comes last.
    assert [row[0] for row in rows] == ["SW-005", "SW-000"]
    assert rows[0][3:5] == ["1", "T-005-1"]
    assert rows[0][1:3] == ["conforms", "-"]
    assert rows[1][3:5] == ["2", "T-000-4"]
    assert rows[1][1:3] == ["does not conform, unsafe side", "2023-06-01"]


def test_on_paper_only_the_verdict_table_leaves_conforming_tests_out(html):
    briefly = html.index('class="scroll tall brief"')
    verdicts = html[briefly : html.index("</table>", briefly)]
    assert verdicts.count('<tr class="good">') == fleet().verdicts["verdict"].eq("conforms").sum()
    assert html.count("tall brief") == 1
    assert "left out on paper" in html


def test_numbers_in_another_unit():
    data = fleet(4)
    page = Page(report.render(data, unit="inH2O", created=WHEN))
    assert "Limits / inH₂O" in page.text
    assert "0.4516 to 0.552" in page.text  # 112.5 and 137.5 Pa over 249.0889 Pa
    with pytest.raises(InputError, match="inch"):
        report.render(data, unit="inch")


def test_every_status_has_a_sentence_that_says_what_to_do(page):
    assert set(_words.STATUS) == set(STATUSES)
    for status in STATUSES:
        happened, todo = _words.STATUS[status]
        assert f"{happened} {todo}" in page.text
    assert next(row for row in page.rows if row[0] == "bad-5")[2] == "saturated"
    assert _words.status_words("something new")[0] == "The recording gave no numbers."


def test_a_test_that_could_not_be_judged_shows_why():
    data = fleet(4)
    unjudged = data.verdicts.with_columns(
        verdict=pl.when(pl.col("test_id") != "T-001-0").then("verdict"),
        verdict_status=pl.when(pl.col("test_id") == "T-001-0").then(pl.lit("bad_value")),
    )
    summary = report.summarise(unjudged)
    assert summary.without["bad_value"] == 2
    row = next(r for r in _tables.empty_table(unjudged, {}).rows if r[0].text == "T-001-0")
    assert row[2].text == "bad value"


def test_gauges_without_a_lag_say_what_to_do(page):
    lag = next(row for row in page.rows if row[0] == "G4")
    assert lag[1] == "-"
    assert "Test at clearly different rates" in lag[-1]
    assert next(row for row in page.rows if row[0] == "G1")[1] == "0.410 ± 0.025"


def test_what_is_stated_of_a_gauge_stands_beside_what_was_found():
    data = fleet()
    gauges = pl.DataFrame(
        {
            "gauge_id": ["G1", "G2", "elsewhere"],
            "resolution_pa": [1.0] * 3,
            "accuracy_rel": [0.0] * 3,
            "accuracy_abs_pa": [1.0] * 3,
            "lag_s": [0.15, None, 0.2],
            "lag_u_s": [0.02, None, 0.1],
        }
    )

    def rows(given):
        table = _tables.lag_table(data.lags, given)
        place = [column.name for column in table.columns].index("Stated ± U / s")
        return {row[0].text: (row[place].text, row[-1].text) for row in table.rows}

    assert rows(gauges)["G1"] == ("0.150 ± 0.039", "contradicts the stated lag")
    assert rows(gauges)["G2"] == ("-", "ok")
    assert rows(gauges.with_columns(lag_s=0.40))["G1"] == ("0.400 ± 0.039", "ok")
    assert rows(None)["G1"] == ("-", "ok")
    assert "elsewhere" not in rows(gauges)


def test_what_the_numbers_mean_and_do_not(page):
    for phrase in (
        "coverage probability of 95 %",
        "a slow contact meter is part of it",
        "no permission to operate",
        "Undecided is not a weak form of conforming",
    ):
        assert phrase in page.text


# --- trend and condition, from the demonstration fleet ------------------------------------------


@pytest.fixture(scope="module")
def demo(demo_data) -> deadband.Analysis:
    read = deadband.read_tests, deadband.read_switches, deadband.read_gauges
    return deadband.analyse(*(table(demo_data) for table in read))


@pytest.fixture(scope="module")
def demo_page(demo) -> Page:
    return Page(report.render(demo, created=WHEN))


def test_trend_names_what_drifts_and_says_never(demo, demo_page):
    section = _extras.trend_section(demo, "Pa")
    known = demo.trend.filter(pl.col("slope_pa_year").is_not_null())
    rows = {row[0].text: [cell.text for cell in row] for row in section.table.rows}
    assert set(rows) == set(known["switch_id"])
    assert len(section.table.rows) == section.table.total
    below = known.filter(pl.col("outlook") == "already_below")
    assert set(list(rows)[: below.height]) == set(below["switch_id"])
    towards = dict(known.select("switch_id", "p_towards").iter_rows())
    printed = [round(towards[switch] or 0.0, 3) for switch in list(rows)[below.height :]]
    assert printed == sorted(printed, reverse=True)
    for row in known.iter_rows(named=True):
        reaches, interval = rows[row["switch_id"]][7:9]
        if row["outlook"] == "already_below":
            assert reaches == "already below"
        else:
            assert reaches == ("never" if row["crosses_on"] is None else str(row["crosses_on"]))
        if interval != "-":
            assert interval.endswith("to never") is (row["crosses_to"] is None)
        assert rows[row["switch_id"]][1:3] == [str(row["n_tests"]), str(row["n_left_out"])]
    assert "Trend of the rated setpoint" in demo_page.text
    assert all(sentence in demo_page.text for sentence in section.sentences)


def test_trend_says_already_and_counts_what_has_no_rate(demo):
    surely = {"outlook": "already_below", "p_below": 0.999, "crosses_to": None, "crosses_on": None}
    assert _extras.reaches({**surely, "crosses_from": None}) == ("already below", "-")
    perhaps = {"outlook": "crosses", "p_below": 0.2, "crosses_on": date(2030, 1, 1),
               "crosses_from": date(2025, 1, 1), "crosses_to": None}  # fmt: skip
    assert _extras.reaches(perhaps) == ("2030-01-01", "already to never")
    may = {**perhaps, "outlook": "may_cross", "p_below": 0.001, "crosses_on": None}
    assert _extras.reaches(may) == ("never", "2025-01-01 to never")
    never = {**may, "outlook": "never", "crosses_from": None}
    assert _extras.reaches(never) == ("never", "-")
    short = demo.trend.filter(pl.col("status") == "span_too_short").height
    assert short > 0
    assert (
        f"{short} switches were tested within so short a time"
        in (_extras.trend_section(demo, "Pa").sentences[-1])
    )


def test_findings_come_with_their_evidence_the_unsafe_first(demo, demo_page):
    flagged = demo.condition.filter("flagged")
    section = _extras.condition_section(demo)
    assert section.table.total == flagged.height
    sides = [row[3].text for row in section.table.rows]
    assert sides == sorted(sides, key=lambda side: side == "nuisance")
    assert flagged.filter(pl.col("side") == "unsafe").height == sides.count("unsafe")
    assert all(row[4].text in demo_page.text for row in section.table.rows)


def test_the_summary_counts_the_findings_and_a_table_without_them_says_nothing(demo, demo_page):
    flagged = demo.condition.filter("flagged")
    unsafe = flagged.filter(pl.col("side").is_in(["unsafe", "unknown"])).height
    said = _summary.findings_in_words(demo.verdicts)
    assert f"in {flagged['test_id'].n_unique()} tests" in said
    assert f"{unsafe} on the unsafe side and {flagged.height - unsafe} on the nuisance" in said
    assert said in demo_page.text
    unjudged = deadband.judge(demo.setpoints, demo.switches)
    assert _summary.findings_in_words(unjudged) is None
    calm = unjudged.with_columns(n_findings_unsafe=0, n_findings_nuisance=0)
    assert _summary.findings_in_words(calm).startswith("No sign")


def test_page_of_the_demonstration_fleet(demo, demo_page):
    assert demo.tests.select(pl.len()).collect().item() == demo.verdicts.height
    assert f"{demo.verdicts.height} recordings of" in demo_page.text
    assert len(report.render(demo, created=WHEN).encode()) < 3_000_000
    assert all(attrs["alt"] for attrs in demo_page.of("img"))


def test_every_status_of_the_core_has_a_sentence():
    assert set(_words.STATUS) == set(_core.statuses()) - {"ok"}
