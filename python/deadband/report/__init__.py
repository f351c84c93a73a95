"""An analysis as one page that needs nothing else: no network, no fonts, no scripts.

The page is made with Jinja2 and matplotlib, imported on first use
(`pip install "deadband[report]"`). Every text that comes from the tables is escaped.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

from .._notices import notices
from ..plots._frame import collected
from ..plots._style import pascal_per
from . import _pictures, _tables
from ._extras import doubts, sections
from ._lot_page import render_lots, write_lots
from ._page import environment, frame, put
from ._summary import Analysis, Summary, findings_in_words, sentences, summarise

__all__ = [
    "Summary",
    "render",
    "render_lots",
    "sentences",
    "summarise",
    "write",
    "write_lots",
]


def write(
    analysis: Analysis,
    path: str | Path,
    *,
    title: str = "Switch tests",
    unit: str = "Pa",
    created: datetime | None = None,
    reasons: Mapping[str, str] | None = None,
    notes: Sequence[str] = (),
) -> Path:
    """Write the page of an analysis to `path`, whole or not at all.

    Parameters
    ----------
    analysis
        The result of `analyse`.
    path
        The file; its folder must exist.
    title
        Heading of the page.
    unit
        Unit of pressure to print in.
    created
        The date and time the page bears; now if None. Given, the same analysis gives the same
        bytes.
    reasons
        Test -> why its recording could not be read, where that is known; beside the `reason` of
        the verdicts.
    notes
        Questions about the input that came up while reading, a sentence each.

    Returns
    -------
    pathlib.Path
        The file.

    Raises
    ------
    ImportError
        Jinja2 or matplotlib is not installed; the message says what to install.
    SchemaError
        A table lacks a column.
    InputError
        The unit is not known.
    OSError
        The file cannot be written.

    Examples
    --------
    >>> from deadband import analyse, report, simulate
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
    >>> gauge = simulate.Instrument(gauge_id="g1", lag_s=0.3, lag_u_s=0.02)
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge)]
    >>> made = simulate.fleet(plan, seed=1)
    >>> whole = analyse(made.tests, made.switches, made.gauges)
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     page = report.write(whole, Path(folder) / "report.html", title="Spring round")
    ...     page.read_text(encoding="utf-8").count("<h1>Spring round</h1>")
    1
    """
    page = render(analysis, title=title, unit=unit, created=created, reasons=reasons, notes=notes)
    return put(page, path)


def render(
    analysis: Analysis,
    *,
    title: str = "Switch tests",
    unit: str = "Pa",
    created: datetime | None = None,
    reasons: Mapping[str, str] | None = None,
    notes: Sequence[str] = (),
) -> str:
    """The page of an analysis as text; see `write` for the parameters and errors.

    Examples
    --------
    >>> from deadband import analyse, report, simulate
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
    >>> gauge = simulate.Instrument(gauge_id="g1", lag_s=0.3, lag_u_s=0.02)
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge)]
    >>> made = simulate.fleet(plan, seed=1)
    >>> whole = analyse(made.tests, made.switches, made.gauges)
    >>> report.render(whole)[:15]
    '<!DOCTYPE html>'
    """
    template = environment().get_template("page.html.j2")
    pascal_per(unit)
    summary = summarise(analysis.verdicts)
    context: dict[str, Any] = {
        **frame(title, created),
        "sentences": [*sentences(summary), *filter(None, [findings_in_words(analysis.verdicts)])],
        "notices": [*_notices(analysis), *notes],
        "doubts": doubts(analysis, unit),
        "unsafe": _tables.unsafe_table(analysis.verdicts, analysis.switches, unit),
        "methods": _tables.method_table(summary),
        "rules": _rules(analysis),
        "verdicts": _tables.verdict_table(analysis.verdicts, analysis.switches, unit),
        "empty": _tables.empty_table(analysis.verdicts, _reasons(analysis, reasons or {})),
        "statuses": list(_tables.statuses(summary.without)),
        "lags": _tables.lag_table(analysis.lags, analysis.gauges),
        "extras": sections(analysis, unit),
        "fleet_picture": _pictures.fleet_picture(analysis),
        "display_picture": _pictures.display_picture(analysis, unit),
        "lag_picture": _pictures.lag_picture(analysis),
        "recordings": list(_pictures.recording_pictures(analysis, unit)),
        "histories": list(_pictures.history_pictures(analysis, summary, unit)),
    }
    return template.render(context)


def _notices(analysis: Analysis) -> list[str]:
    gauges = None if analysis.gauges is None else collected(analysis.gauges, "gauges")
    tables = {name: collected(getattr(analysis, name), name) for name in ("events", "lags")}
    return notices(
        collected(analysis.verdicts, "verdicts"),
        collected(analysis.switches, "switches"),
        gauges,
        **tables,
    )


def _reasons(analysis: Analysis, read: Mapping[str, str]) -> dict[str, str]:
    told = collected(analysis.verdicts, "verdicts").filter(pl.col("reason").is_not_null())
    return {**dict(told.select("test_id", "reason").iter_rows()), **read}


def _rules(analysis: Analysis) -> list[str]:
    rules = collected(analysis.verdicts, "verdicts")["rule"].drop_nulls().unique()
    return sorted(rules.to_list())[:5]
