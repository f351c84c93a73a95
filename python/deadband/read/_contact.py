"""The contact channel: volts, ohms, or words for open and closed."""

from __future__ import annotations

import numpy as np
import polars as pl

from ._clock import Floats
from ._numbers import (
    NOT_A_NUMBER,
    OVER_RANGE,
    Cells,
    first_true,
    floats_or_null,
    is_huge,
    to_floats,
)

CONTACT_KINDS = ("volt", "ohm", "on_off")

# What an ohmmeter's "over range" becomes: open, far above any resistance of a closed contact.
OPEN_CIRCUIT_OHM = 1e9

_CLOSED = ("1", "1.0", "on", "true", "closed", "close", "yes")
_OPEN = ("0", "0.0", "off", "false", "open", "no")
_SCALES = {"m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9}
# Ω has two code points: the Greek letter and the ohm sign.
_OHM = "(?:Ω|\N{OHM SIGN}|[Oo][Hh][Mm][Ss]?|R)"
_WITH_OHM = rf"^(?P<number>\S+?)\s*(?P<scale>[mkKMG]?)\s*{_OHM}?$"
_WITH_VOLT = r"^(?P<number>\S+?)\s*(?P<scale>m?)V$"
_OVER = (
    r"(?i)^\+?(?:[0O]\.?L\.?|[0O]\.?F\.?L?\.?|OVL?D?|OVER(?:LOAD|FLOW|[ _-]?RANGE)?"
    rf"|INF(?:INITY)?|∞)\s*[kMG]?\s*{_OHM}?$"
)
_ABOVE = rf"^[>≥]\s*[\d.,]+\s*[kKMG]?\s*{_OHM}?$"


def read_contact(cells: Cells, kind: str | None, mark: str) -> pl.Series:
    """The contact channel as numbers; blank cells stay null.

    Words become 1 (closed) and 0 (open). Volts and ohms are kept as they are, whatever level
    means closed. An ohmmeter's "over range" (`OL`, `inf`, `> 40M`) becomes 1e9 ohm.

    Parameters
    ----------
    cells
        The column.
    kind
        `volt`, `ohm` or `on_off`; None finds it: words are `on_off`, numbers stay numbers,
        an "over range" among them makes them ohms.
    mark
        The decimal mark.

    Returns
    -------
    polars.Series
        Float64, of the same length.

    Raises
    ------
    InputError
        A cell is none of what its kind may hold, or words and numbers are mixed.

    Examples
    --------
    >>> read_contact(
    ...     Cells("switch", pl.Series(["ON", "off"]), "a.csv", [2, 3]), None, "."
    ... ).to_list()
    [1.0, 0.0]
    >>> read_contact(Cells("ohm", pl.Series(["0.4", "O.L"]), "a.csv", [2, 3]), "ohm", ".").to_list()
    [0.4, 1000000000.0]
    """
    if kind != "on_off":
        numbers = floats_or_null(cells.values, mark)
        if numbers.null_count() == cells.values.null_count() and not is_huge(numbers):
            return numbers
    kind = kind or _find_kind(cells, mark)
    if kind == "on_off":
        return _words(cells, mark)
    if kind == "ohm":
        return _ohms(cells, mark)
    scaled = _scaled(cells, mark, _WITH_VOLT)
    return to_floats(cells, mark) if scaled is None else scaled


def turned_over(contact: Floats, pressure: Floats, words: pl.Series) -> str | None:
    """A note where words call the contact closed at the lower pressures; None otherwise.

    Which level means closed is found from the pressure, so that a contact that breaks on draft, or
    words that were exchanged, would pass without a sign.

    Parameters
    ----------
    contact
        1 closed and 0 open, shape (n,).
    pressure
        The pressure at the same instants, Pa.
    words
        The cells as they were written.

    Examples
    --------
    >>> words = pl.Series(["closed", "closed", "open", "open"])
    >>> turned_over(np.array([1.0, 1.0, 0.0, 0.0]), np.array([5.0, 6.0, 70.0, 80.0]), words)[:50]
    "'closed' stands at the lower pressures and 'open' "
    """
    names = words.str.to_lowercase()
    closed = words.filter(names.is_in([word for word in _CLOSED if word.isalpha()]))
    opened = words.filter(names.is_in([word for word in _OPEN if word.isalpha()]))
    if closed.is_empty() or opened.is_empty() or set(np.unique(contact)) != {0.0, 1.0}:
        return None
    low, high = pressure[contact == 1.0].mean(), pressure[contact == 0.0].mean()
    if not low < high:
        return None
    return (
        f"{closed[0]!r} stands at the lower pressures and {opened[0]!r} at the higher ones; the"
        " contact is taken to be closed at the higher ones, as a switch that proves draft is"
        " (fit_events(closed='high') takes the words as they stand)"
    )


def contact_numbers(cells: Cells) -> Cells:
    """The cells of a contact column that are plain numbers, to find the decimal mark by.

    Examples
    --------
    >>> contact_numbers(Cells("x", pl.Series(["0,4", "OL"]), "a.csv", [2, 3])).values.to_list()
    ['0,4', None]
    """
    cell = pl.col("cell")
    number = cell.str.contains(r"^[+-]?[\d.,]+(?:[eE][+-]?\d+)?$")
    values = cells.values.to_frame("cell").select(pl.when(number).then(cell)).to_series()
    return Cells(cells.name, values, cells.file, cells.lines)


def _find_kind(cells: Cells, mark: str) -> str:
    filled = cells.values.drop_nulls()
    if (filled.str.contains(_OVER) | filled.str.contains(_ABOVE)).any():
        return "ohm"
    numbers = floats_or_null(filled, mark)
    if (numbers >= OVER_RANGE).any() or filled.str.contains(rf"\d\s*[mkKMG]?\s*{_OHM}$").any():
        return "ohm"
    words = filled.str.to_lowercase().is_in([*_CLOSED, *_OPEN])
    if (words & numbers.is_null()).any():
        return "on_off"
    return "volt"


def _words(cells: Cells, mark: str) -> pl.Series:
    text: pl.Series = cells.values.str.to_lowercase()
    if mark == ",":
        text = text.str.replace(",", ".", literal=True)
    closed = text.is_in(_CLOSED)
    bad = ~(closed | text.is_in(_OPEN)).fill_null(True)
    index = first_true(bad)
    if index is not None:
        raise cells.error(
            "unreadable_cell",
            f"{cells.values[index]!r} is neither open nor closed",
            index,
            "write on/off, closed/open, yes/no, true/false or 1/0,"
            " or state what the column holds (`contact_kind`: volt or ohm)",
        )
    states: pl.Series = closed.cast(pl.Float64)
    return states


def _ohms(cells: Cells, mark: str) -> pl.Series:
    text = cells.values
    over = text.str.contains(_OVER) | text.str.contains(_ABOVE)
    over = over | (text.str.to_lowercase() == "open")
    numbers = floats_or_null(text, mark)
    huge = (numbers >= OVER_RANGE) & (numbers != NOT_A_NUMBER)
    over = over.fill_null(False) | huge.fill_null(False)
    rest = pl.select(pl.when(~over).then(text)).to_series()
    others = Cells(cells.name, rest, cells.file, cells.lines)
    scaled = _scaled(others, mark, _WITH_OHM)
    ohms = to_floats(others, mark) if scaled is None else scaled
    return pl.select(pl.when(over).then(OPEN_CIRCUIT_OHM).otherwise(ohms)).to_series()


def _scaled(cells: Cells, mark: str, pattern: str) -> pl.Series | None:
    """Numbers with a unit behind them (`1.2 kΩ`, `350 mV`); None when there is none of them."""
    text = cells.values
    if not text.str.contains(r"\d\s*[^\d.,eE+-]+$").any():
        return None
    groups = text.str.extract_groups(pattern)
    found = groups.struct.field("number")
    number = pl.select(pl.coalesce(found, text)).to_series()
    plain = to_floats(Cells(cells.name, number, cells.file, cells.lines), mark)
    scale = groups.struct.field("scale").replace_strict(
        _SCALES, default=1.0, return_dtype=pl.Float64
    )
    scaled: pl.Series = plain * scale
    return scaled
