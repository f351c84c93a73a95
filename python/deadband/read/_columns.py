"""Which column is which: by the name given, by its position, or by a few plain names."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from .._errors import InputError, listed
from ._text import bracketed, plain_words
from ._units import units

# The names by which a column is found when the manifest does not name it. Brackets and a unit at
# the end are taken off first; the rest must be one of these, letter case aside.
ROLE_NAMES: Mapping[str, tuple[str, ...]] = {
    "time": ("time", "t", "elapsed", "elapsed time", "timestamp", "time stamp", "date time",
             "datetime", "clock"),
    "pressure": ("pressure", "p", "dp", "differential pressure", "draft", "draught",
                 "draft pressure", "draught pressure", "depression", "gauge", "reading"),
    "contact": ("contact", "switch", "continuity", "contact state", "switch state"),
    "date": ("date",),
}  # fmt: skip

_TIME_UNIT_NAMES = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
    "ms": "ms", "msec": "ms", "millisecond": "ms", "milliseconds": "ms",
    "min": "min", "mins": "min", "minute": "min", "minutes": "min",
    "d": "d", "day": "d", "days": "d",
}  # fmt: skip
_ANY_UNIT = "|".join(sorted(map(re.escape, units()), key=len, reverse=True))
_LAST = re.compile(rf"(?P<before>.*[\s_,;:/-])(?P<unit>{_ANY_UNIT})$", re.IGNORECASE)
_RANGE = re.compile(r"(?:^|[\s_,;:/-])[\d.,]+\W*$")
_UNIT_WORDS = {
    *_TIME_UNIT_NAMES,
    *(word for symbol in units() for word in plain_words(symbol)),
    *("v", "volt", "volts", "mv", "ohm", "ohms", "kohm", "4c", "60f"),
}


def find_columns(
    header: Sequence[str], named: Mapping[str, str], wanted: Sequence[str]
) -> dict[str, int] | None:
    """The positions of the wanted columns in a header line, or None if it is not their header.

    Parameters
    ----------
    header
        The cells of the line.
    named
        Role -> the name or position (`#2`) that the manifest gives.
    wanted
        The roles that must be there.

    Raises
    ------
    InputError
        Two columns answer to one role (without file and line, which the caller adds).

    Examples
    --------
    >>> find_columns(["Elapsed time (s)", "Draft [Pa]", "Switch"], {}, ["time", "pressure"])
    {'time': 0, 'pressure': 1}
    >>> find_columns(["a", "b"], {"time": "a"}, ["time", "pressure"]) is None
    True
    """
    found: dict[str, int] = {}
    for role in wanted:
        hits = _hits(header, role, named.get(role, ""))
        if not hits:
            return None
        if len(hits) > 1:
            names = listed(repr(header[hit]) for hit in hits)
            raise InputError(
                "ambiguous_column",
                f"more than one column can be the {role}: {names}",
                column=role,
                advice=f"name it in the manifest (`{role}_column`), by a name that occurs once"
                " or by its position (#1 is the first)",
            )
        found[role] = hits[0]
    return found


def _hits(header: Sequence[str], role: str, name: str) -> list[int]:
    if is_position(name):
        index = int(name[1:]) - 1
        return [index] if index < len(header) else []
    if not name:
        return [i for i, cell in enumerate(header) if _plain_name(cell) in ROLE_NAMES[role]]
    exact = [i for i, cell in enumerate(header) if cell == name]
    return exact or [i for i, cell in enumerate(header) if cell.casefold() == name.casefold()]


def is_position(name: str) -> bool:
    """Whether a column is given by its position.

    Examples
    --------
    >>> is_position("#2"), is_position("#0"), is_position("time")
    (True, False, False)
    """
    digits = name[1:]
    return (
        name.startswith("#")
        and digits.isascii()
        and digits.isdigit()
        and len(digits) < 5
        and (int(digits) > 0)
    )


def _plain_name(name: str) -> str:
    words = plain_words(name)
    while len(words) > 1 and words[-1] in _UNIT_WORDS:
        words.pop()
    return " ".join(words)


def stated_pressure_units(cells: Sequence[str]) -> list[str]:
    """The pressure units that a column's heading states, spelt as this package spells them.

    A unit stands in brackets, alone, or at the end (`Druck hPa`, `draft_inH2O`); behind a digit it
    belongs to a range (`0-5 kPa`) and says nothing of the readings.

    Examples
    --------
    >>> stated_pressure_units(["Draft (inH2O)", "mmH2O"]), stated_pressure_units(["draft_pa"])
    (['inH2O', 'mmH2O'], ['Pa'])
    >>> stated_pressure_units(["Druck hPa"]), stated_pressure_units(["Sensor 0-5 kPa"])
    (['hPa'], [])
    """
    found: list[str] = []
    for cell in cells:
        whole = {text.casefold() for text in _candidates(cell)}
        last = _LAST.match(cell.strip())
        if last and not _RANGE.search(last["before"]):
            whole.add(last["unit"].casefold())
        found.extend(symbol for symbol in units() if symbol.casefold() in whole)
    return found


def stated_time_units(cells: Sequence[str]) -> list[str]:
    """The time units that a column's heading states.

    Examples
    --------
    >>> stated_time_units(["Time (ms)"]), stated_time_units(["time_s"]), stated_time_units(["t"])
    (['ms'], ['s'], [])
    """
    found = []
    for cell in cells:
        words = plain_words(cell)
        last = words[-1:] if len(words) > 1 else []
        for text in (*(c.casefold() for c in _candidates(cell)), *last):
            if text in _TIME_UNIT_NAMES:
                found.append(_TIME_UNIT_NAMES[text])
                break
    return found


def _candidates(cell: str) -> list[str]:
    """What in a heading can be a unit: the whole of it, or what stands in brackets."""
    inside = bracketed(cell)
    return inside or [cell.strip()]
