"""Why cells cover less than 92 % or more than 99 % where they claim 95 %.

A cause stands here only after it has been seen in an experiment: with it taken away the cell was
inside.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from . import coarse, lags, pinches, ramps, walks
from .scores import BAND, Row


class Cause(NamedTuple):
    """Why the cells of a family that `applies` picks are outside."""

    family: str
    applies: Callable[[Row], bool]
    sentence: str


def _is_low(row: Row) -> bool:
    return row.coverage[1] < BAND[0]


def _is_high(row: Row) -> bool:
    return row.coverage[1] > BAND[1]


def _bracket_pa(row: Row) -> float:
    """What the pressure moves by between two samples of the contact, Pa."""
    return float(row.cell["rate, Pa/s"]) / float(row.cell["sampling, Hz"])


_OVERLAP = (
    "The setpoint is the overlap of three brackets, each wider than its reading is uncertain."
)

CAUSES: list[Cause] = [
    Cause(ramps.FAMILY, lambda row: _is_low(row) and _bracket_pa(row) >= 1.9, _OVERLAP),
    Cause(coarse.FAMILY, lambda row: _is_low(row) and _bracket_pa(row) >= 1.1, _OVERLAP),
    Cause(
        walks.FAMILY,
        lambda row: _is_low(row) and float(row.cell["wandering, Pa/s in 1 s"]) <= 0.3,
        "The path is nearly straight: the search often finds it straighter than it is, and the u "
        "of the path takes what was found for the truth. The smoother told the parameter was "
        "inside.",
    ),
    Cause(
        lags.RATES,
        lambda row: _is_high(row) and row.cell["changes"] in (lags.FEW, lags.MANY),
        "Three tests cannot tell that a switch scatters little; the interval allows for what they "
        "leave open.",
    ),
    Cause(
        lags.STEP,
        lambda row: _is_high(row) and row.cell["start known"] == "to a sample",
        "The start lies anywhere within one sample interval; the flat distribution of that error, "
        "which is nearly all of u, ends before 1.96 of its standard deviations.",
    ),
    Cause(
        pinches.ONE_FALL,
        _is_high,
        "The u holds every fall and every split of the lag; all tests of the cell have the same "
        "fall, not the worst. Where it differs from test to test too they are in the cells of any "
        "fall.",
    ),
    Cause(
        pinches.ONE_SPLIT,
        _is_high,
        "The u holds all splits of the mean lag into dead time and time constant, and all tests of "
        "the cell have the same one, not the worst: the error is a bias within those bounds.",
    ),
]


def cause_of(row: Row) -> str | None:
    """The sentence for a row outside, if a cause is known."""
    for cause in CAUSES:
        if cause.family == row.family and cause.applies(row):
            return cause.sentence
    return None


def why(row: Row) -> str:
    """The cause of a row outside; without one, whether the count alone could have done it."""
    least, most = row.interval
    if (known := cause_of(row)) is not None:
        return known
    if least <= BAND[1] and most >= BAND[0]:
        return "No cause is known; the count alone could have put it outside."
    return "The cause is not known, and it is more than the count explains."


def explained(rows: Sequence[Row]) -> str:
    """The rows outside in Markdown, those of one cause together."""
    outside = [row for row in rows if not row.is_inside]
    if not outside:
        low, high = (f"{100 * edge:.0f}" for edge in BAND)
        return f"No cell: all cover between {low} and {high} %."
    lines = []
    for sentence in dict.fromkeys(map(why, outside)):
        lines.append(f"- {sentence}")
        for row in outside:
            if why(row) == sentence:
                least, most = (f"{100 * edge:.1f}" for edge in row.interval)
                lines.append(
                    f"  - {row.family}: {row.label}: "
                    f"{100 * row.coverage[1]:.1f} % ({least} to {most})"
                )
    return "\n".join(lines)
