"""Sections on what the tables say beyond single verdicts: trends and the state of the switches."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import polars as pl

from .._coverage import decimals_for, with_uncertainty
from ..plots._style import pascal_per, pretty
from ._evidence import contradictions
from ._summary import Analysis, plural
from ._tables import LONGEST, Cell, Column, Table, cells, chance, number, scaled
from ._words import METHOD, spaced

_LIKELY: Final = 0.95  # a trend towards the limit is named in words from here on
_LIMIT: Final = 0.025  # from here on the 95 % interval of the line reaches below the limit
_TREND: Final = (
    "A straight line through the rated setpoints of each switch over the dates of its slow ramps. "
    "Tests of other methods err otherwise, so that a change of method would look like a drift: "
    "they are counted and left out. "
    "The dates say when the line reaches the lower limit if everything goes on as before; "
    "never is an answer, and so is already. The last column is that of Mann and Kendall's test."
)
_OF_SUREST: Final = ("value_pa_of_surest", "u_pa_of_surest", "dof_of_surest")
_NEEDED: Final = {"slope_pa_year", "outlook", "p_below", "n_left_out", "status"}
_CONDITION: Final = (
    "Signs of sticking, chatter, a leak or a contact that never changed, and tests that differ "
    "from the other switches of their model. A finding is a reason to look, not a verdict."
)
_DOUBTS: Final = (
    "A test is listed here when it contradicts the surest test of the same switch and day: the two "
    "rated setpoints lie further apart than their intervals allow. Chance does that to one test in "
    "twenty; else one of the two is wrong. A slow ramp says more than a pinch. Where the verdicts "
    "differ, test again."
)
_MARK: Final = {"unsafe": "bad", "unknown": "bad", "nuisance": "maybe"}


@dataclass(frozen=True)
class Section:
    """A heading, sentences, and a table below them."""

    anchor: str
    heading: str
    sentences: list[str]
    table: Table


def doubts(analysis: Analysis, unit: str, longest: int = LONGEST) -> Section | None:
    """Tests that contradict a surer test of the same switch and day."""
    found = contradictions(analysis.verdicts, analysis.switches)
    if not found.height:
        return None
    per_unit, printed = pascal_per(unit), pretty(unit)
    rows = [
        cells(
            row["test_id"],
            METHOD.get(row["method"], row["method"]),
            with_uncertainty(*scaled(row, "value_pa", "u_pa", "dof", per_unit)),
            spaced(row["verdict"]),
            row["test_id_of_surest"],
            METHOD.get(row["method_of_surest"], row["method_of_surest"]),
            with_uncertainty(*scaled(row, *_OF_SUREST, per_unit)),
            with_expanded(row["apart_pa"] / per_unit, row["apart_expanded_pa"] / per_unit),
            row["switch_id"],
            f"{row['day']:%Y-%m-%d}",
        )
        for row in found.head(longest).iter_rows(named=True)
    ]
    columns = (
        Column("Test"),
        Column("Method"),
        Column(f"Rated setpoint ± U / {printed}", kind="number"),
        Column("Verdict"),
        Column("Surest of the day", kind="id"),
        Column("Its method"),
        Column(f"Its setpoint ± U / {printed}", kind="number"),
        Column(f"Difference ± U / {printed}", kind="number"),
        Column("Switch", kind="id"),
        Column("Day"),
    )
    one = found.height == 1
    counted = f"{plural(found.height, 'test')} {'contradicts' if one else 'contradict'} another."
    table = Table("Tests that contradict another of the day", columns, rows, found.height,
                  "verdicts")  # fmt: skip
    return Section("doubts", "Tests that contradict each other", [_DOUBTS, counted], table)


def with_expanded(value: float, expanded: float) -> str:
    """A value and its expanded uncertainty, both to the same decimal.

    >>> with_expanded(-10.81, 5.38)
    '-10.8 ± 5.4'
    """
    places = decimals_for(expanded)
    return f"{value:.{places}f} ± {expanded:.{places}f}"


def trend_section(analysis: Analysis, unit: str, longest: int = LONGEST) -> Section | None:
    """Drift of each switch with enough tests, those below already and the soonest to be first."""
    trend: pl.DataFrame = analysis.trend
    if not set(trend.columns) >= _NEEDED:
        return None
    below = (pl.col("outlook") == "already_below").fill_null(value=False)
    known = trend.filter(pl.col("slope_pa_year").is_not_null() | below)
    if not known.height:
        return None
    per_unit = pascal_per(unit)
    known = known.sort(
        below,
        pl.when(below).then("p_below").round(3),
        pl.col("p_towards").fill_null(0.0).round(3),
        "crosses_on",
        "switch_id",
        descending=[True, True, True, False, False],
        nulls_last=True,
    )
    rows = [
        cells(
            row["switch_id"],
            number(row["n_tests"], "d"),
            number(row["n_left_out"], "d"),
            with_uncertainty(
                *scaled(row, "slope_pa_year", "slope_u_pa_year", "slope_dof", per_unit)
            ),
            with_uncertainty(*scaled(row, "level_pa", "level_u_pa", "level_dof", per_unit)),
            chance(row["p_below"]),
            chance(row["p_towards"]),
            *reaches(row),
            chance(row["p_trend"]),
        )
        for row in known.head(longest).iter_rows(named=True)
    ]
    printed = pretty(unit)
    columns = (
        Column("Switch", kind="id"),
        Column("Slow ramps", kind="number"),
        Column("Left out", kind="number"),
        Column(f"Slope ± U / ({printed}/year)", kind="number"),
        Column(f"Level at the last ramp ± U / {printed}", kind="number"),
        Column("Chance below the lower limit then", kind="number"),
        Column("Chance of moving towards it", kind="number"),
        Column("Reaches it"),
        Column("95 % interval of the date"),
        Column("p of no trend", kind="number"),
    )
    table = Table("Trend of the rated setpoint", columns, rows, known.height, "trend")
    return Section("trend", "Trend", [_TREND, *_counted(trend, known)], table)


def _counted(trend: pl.DataFrame, known: pl.DataFrame) -> list[str]:
    already = known.filter(pl.col("outlook") == "already_below").height
    clear = known.filter(pl.col("p_towards") >= _LIKELY).height
    said = (
        f"{plural(clear, 'switch', 'switches')} of {known.height:,} "
        f"{'moves' if clear == 1 else 'move'} towards the lower limit with a chance of at least "
        f"{_LIKELY:.0%}."
    )
    if already:
        said = (
            f"The line of {plural(already, 'switch', 'switches')} is below the lower limit "
            f"already. {said}"
        )
    rest = trend.join(known, on="switch_id", how="anti")
    short = rest.filter(pl.col("status") == "span_too_short").height
    few = rest.height - short
    without = []
    if few:
        without.append(
            f"{plural(few, 'switch has', 'switches have')} too few slow ramps for a line."
        )
    if short:
        without.append(
            f"{plural(short, 'switch was', 'switches were')} tested within so short a time that no "
            "yearly rate can be told."
        )
    return [said, *([" ".join(without)] if without else [])]


def reaches(row: dict[str, Any]) -> tuple[str, str]:
    """When the line of a trend reaches the limit, and from when to when it may.

    >>> dates = {"crosses_on": date(2031, 5, 1), "crosses_from": date(2028, 2, 1)}
    >>> reaches({"outlook": "crosses", "p_below": 0.001, "crosses_to": None, **dates})
    ('2031-05-01', '2028-02-01 to never')
    >>> reaches({"outlook": "already_below", "p_below": 0.7, "crosses_to": date(2031, 5, 1)})
    ('already below', 'already to 2031-05-01')
    """
    if row["outlook"] is None:
        return "-", "-"
    surely = row["p_below"] >= 1.0 - _LIMIT
    first = "already" if row["p_below"] >= _LIMIT else day(row["crosses_from"])
    on = "already below" if row["outlook"] == "already_below" else day(row["crosses_on"])
    if first == "never" or surely:
        return on, "-"
    return on, f"{first} to {day(row['crosses_to'])}"


def condition_section(analysis: Analysis, longest: int = LONGEST) -> Section | None:
    """Findings about the state of the switches, those on the unsafe side first."""
    found: pl.DataFrame = analysis.condition
    if "flagged" not in found.columns:
        return None
    flagged = found.filter(pl.col("flagged"))
    if not flagged.height:
        return None
    flagged = flagged.sort(
        pl.col("side") == "nuisance", "switch_id", "test_id", "kind", nulls_last=True
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
