"""Sections on what the tables say beyond single verdicts: trends and the state of the switches."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import polars as pl

from .._coverage import with_uncertainty
from ..plots._style import pascal_per, pretty
from ._summary import Analysis, plural
from ._tables import LONGEST, Cell, Column, Table, cells, chance, number, scaled
from ._words import spaced

_LIKELY: Final = 0.95  # a trend towards the limit is named in words from here on
_TREND: Final = (
    "A straight line through the rated setpoints of each switch over the dates of its tests. "
    "The dates say when the line reaches the lower limit if everything goes on as before; "
    "never is an answer. The last column is that of Mann and Kendall's test."
)
_CONDITION: Final = (
    "Signs of sticking, chatter, a leak or a contact that never changed. A finding is a reason to "
    "look, not a verdict."
)
_MARK: Final = {"unsafe": "bad", "nuisance": "maybe"}


@dataclass(frozen=True)
class Section:
    """A heading, sentences, and a table below them."""

    anchor: str
    heading: str
    sentences: list[str]
    table: Table


def trend_section(analysis: Analysis, unit: str, longest: int = LONGEST) -> Section | None:
    """Drift of each switch with enough tests, the soonest to leave its tolerance first."""
    trend: pl.DataFrame = analysis.trend
    if "slope_pa_year" not in trend.columns:
        return None
    known = trend.filter(pl.col("slope_pa_year").is_not_null())
    if not known.height:
        return None
    per_unit = pascal_per(unit)
    towards = pl.col("p_towards").fill_null(0.0).round(3)
    known = known.sort(
        towards, "crosses_on", "switch_id", descending=[True, False, False], nulls_last=True
    )
    rows = [
        cells(
            row["switch_id"],
            number(row["n_tests"], "d"),
            with_uncertainty(
                *scaled(row, "slope_pa_year", "slope_u_pa_year", "slope_dof", per_unit)
            ),
            with_uncertainty(*scaled(row, "level_pa", "level_u_pa", "level_dof", per_unit)),
            chance(row["p_towards"]),
            day(row["crosses_on"]),
            f"{day(row['crosses_from'])} to {day(row['crosses_to'])}",
            chance(row["p_trend"]),
        )
        for row in known.head(longest).iter_rows(named=True)
    ]
    printed = pretty(unit)
    columns = (
        Column("Switch", kind="id"),
        Column("Tests", kind="number"),
        Column(f"Slope ± U / ({printed}/year)", kind="number"),
        Column(f"Level at the last test ± U / {printed}", kind="number"),
        Column("Chance towards the lower limit", kind="number"),
        Column("Reaches it"),
        Column("95 % interval of the date"),
        Column("p of no trend", kind="number"),
    )
    clear = known.filter(pl.col("p_towards") >= _LIKELY).height
    few = trend.height - known.height
    counted = (
        f"{plural(clear, 'switch', 'switches')} of {known.height:,} "
        f"{'moves' if clear == 1 else 'move'} towards the lower limit with a chance of at least "
        f"{_LIKELY:.0%}."
    )
    if few:
        counted += f" {plural(few, 'switch has', 'switches have')} too few tests for a line."
    sentences = [_TREND, counted]
    table = Table("Trend of the rated setpoint", columns, rows, known.height, "trend")
    return Section("trend", "Trend", sentences, table)


def condition_section(analysis: Analysis, longest: int = LONGEST) -> Section | None:
    """Findings about the state of the switches, those on the unsafe side first."""
    found: pl.DataFrame = analysis.condition
    if "flagged" not in found.columns:
        return None
    flagged = found.filter(pl.col("flagged"))
    if not flagged.height:
        return None
    flagged = flagged.sort(
        pl.col("side") != "unsafe", "switch_id", "test_id", "kind", nulls_last=True
    )
    rows = [
        cells(
            row["test_id"],
            row["switch_id"] or "-",
            spaced(row["kind"]),
            Cell(spaced(row["side"]), _MARK.get(row["side"], "")),
            row["sentence"] or "-",
        )
        for row in flagged.head(longest).iter_rows(named=True)
    ]
    columns = (
        Column("Test"),
        Column("Switch", kind="id"),
        Column("Finding"),
        Column("Side"),
        Column("Evidence", kind="prose"),
    )
    counted = (
        f"{plural(flagged.height, 'finding')} in {plural(flagged['test_id'].n_unique(), 'test')} "
        f"of {plural(flagged['switch_id'].n_unique(), 'switch', 'switches')}."
    )
    sentences = [_CONDITION, counted]
    table = Table("Findings", columns, rows, flagged.height, "condition")
    return Section("condition", "State of the switches", sentences, table)


def day(value: date | None) -> str:
    """A date, or never.

    >>> day(date(2026, 5, 1)), day(None)
    ('2026-05-01', 'never')
    """
    return "never" if value is None else f"{value:%Y-%m-%d}"


def sections(analysis: Analysis, unit: str) -> list[Section]:
    """Every such section that has something to say."""
    found: list[Any] = [trend_section(analysis, unit), condition_section(analysis)]
    return [section for section in found if section is not None]
