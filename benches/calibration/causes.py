"""Why cells cover less than 92 % or more than 99 % where they claim 95 %.

A cause stands here only after it has been seen in an experiment: with it taken away the cell was
inside.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from .scores import BAND, Row, counted


class Cause(NamedTuple):
    """Why the cells of a family that `applies` picks are outside."""

    family: str
    applies: Callable[[Row], bool]
    sentence: str


CAUSES: list[Cause] = []


def cause_of(row: Row) -> str | None:
    """The sentence for a row outside, if a cause is known."""
    for cause in CAUSES:
        if cause.family == row.family and cause.applies(row):
            return cause.sentence
    return None


def explained(rows: Sequence[Row]) -> str:
    """A line of Markdown a row outside: the cell, its figure and why."""
    outside = [row for row in rows if not row.is_inside]
    if not outside:
        low, high = (f"{100 * edge:.0f}" for edge in BAND)
        return f"No cell: all cover between {low} and {high} %."
    lines = []
    for row in outside:
        least, most = counted(row.coverage[1], row.n)
        within = least <= BAND[1] and most >= BAND[0]
        chance = (
            "The count alone could have put it outside."
            if within
            else "More than the count explains, and the cause is not known."
        )
        lines.append(
            f"- {row.family}, {row.label}: {100 * row.coverage[1]:.1f} % "
            f"({100 * least:.1f} to {100 * most:.1f}). {cause_of(row) or chance}"
        )
    return "\n".join(lines)
