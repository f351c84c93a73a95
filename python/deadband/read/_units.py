"""Pressure units: known by their exact symbol, or not at all."""

from __future__ import annotations

from .._core import units as core_units
from .._errors import InputError, listed

_FACTORS = dict(core_units())


def units() -> dict[str, float]:
    """Every pressure unit known, and how many pascal one of it is.

    Factors of NIST Special Publication 811 (2008), table B.9. `inH2O` is the conventional inch of
    water, `inH2O_4C` the one at 4 degC (39.2 degF), `inH2O_60F` the one at 60 degF.

    Returns
    -------
    dict of str to float
        Symbol, and pascal per unit.

    Examples
    --------
    >>> units()["inH2O"]
    249.0889
    >>> list(units())[:4]
    ['Pa', 'hPa', 'kPa', 'mbar']
    """
    return dict(_FACTORS)


def pascal_per(symbol: str, *, file: str | None, line: int | None, column: str = "unit") -> float:
    """How many pascal one unit is, or an `InputError` that lists the units known.

    Examples
    --------
    >>> pascal_per("kPa", file=None, line=None)
    1000.0
    """
    factor = _FACTORS.get(symbol)
    if factor is not None:
        return factor
    known = f"write one of {listed(_FACTORS)}; the letter case counts"
    if not symbol:
        raise InputError(
            "missing_unit",
            "the pressure unit is missing, and a unit is never guessed",
            file=file,
            line=line,
            column=column,
            advice=known,
        )
    raise InputError(
        "unknown_unit",
        f"the pressure unit {symbol!r} is not known",
        file=file,
        line=line,
        column=column,
        advice=known,
    )


def same_unit(stated: str, given: str) -> bool:
    """Whether a unit printed in a file can be the unit that the user gave.

    `inH2O` in a file says nothing about the temperature of the water, so it agrees with each of
    the three; `hPa` and `mbar` are the same size.

    Examples
    --------
    >>> same_unit("inH2O", "inH2O_60F"), same_unit("mbar", "hPa"), same_unit("Pa", "hPa")
    (True, True, False)
    """
    return _FACTORS[stated] == _FACTORS[given] or given.partition("_")[0] == stated
