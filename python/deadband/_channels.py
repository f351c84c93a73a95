"""Arrays of one recording as numbers: readings as they are, instants as seconds."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from typing import Any

import numpy as np
import numpy.typing as npt

from ._core import units
from ._errors import DeadbandError, OptionError

Floats = npt.NDArray[np.float64]

_NUMBERS = "give an array of numbers"
# Draft moves within seconds: readings further apart are not told in seconds, as a rule.
_FAR_APART_S = 5.0
# A gauge that errs by more than a fifth of its reading is a percentage that lost its sign.
_FAR_OFF = 0.2
# No draft is shown so late.
_FAR_BEHIND_S = 10.0


def channel(name: str, values: npt.ArrayLike) -> Floats:
    """Numbers as a flat array.

    Examples
    --------
    >>> channel("pressure", [1, 2]).tolist()
    [1.0, 2.0]
    >>> channel("pressure", ["low"])
    Traceback (most recent call last):
        ...
    deadband._errors.DeadbandError: channel pressure: could not convert string to float: 'low'; ...
    """
    try:
        if np.iscomplexobj(values):
            raise TypeError("its numbers are complex")
        if np.asarray(values).dtype.kind in "Mm":
            # NumPy would hand out the count of whatever unit the instants are stored in.
            raise TypeError("it holds instants or durations")
        return np.ascontiguousarray(values, dtype=np.float64).reshape(-1)
    except (TypeError, ValueError) as error:
        raise DeadbandError(
            "wrong_type", str(error), location=f"channel {name}", advice=_NUMBERS
        ) from None


def pascal(unit: str) -> float:
    """How many pascal a unit is.

    Examples
    --------
    >>> pascal("hPa")
    100.0
    """
    factors = dict(units())
    if unit not in factors:
        raise OptionError("unit", unit, factors)
    return factors[unit]


def pressures(name: str, values: npt.ArrayLike, per_unit: float) -> Floats:
    """A channel of pressures, Pa; what overflows is told later as not finite.

    Examples
    --------
    >>> pressures("pressure", [1, 2], 100.0).tolist()
    [100.0, 200.0]
    """
    with np.errstate(over="ignore"):
        return channel(name, values) * per_unit


def clocks(time_s: npt.ArrayLike, contact_time_s: npt.ArrayLike | None) -> tuple[Floats, Any]:
    """The times of both channels in seconds, the contact's None where it has no clock of its own.

    Numbers are seconds already. Instants count from the first instant of `time_s`; one that is
    missing (NaT) becomes NaN. Durations are turned into seconds.

    Raises
    ------
    DeadbandError
        A channel holds neither, or one holds instants and the other does not.

    Examples
    --------
    >>> times = np.datetime64("2024-03-15T14:03:07") + np.array([0, 250]).astype("timedelta64[ms]")
    >>> clocks(times, times[1:])
    (array([0.  , 0.25]), array([0.25]))
    """
    times, origin = _seconds("time_s", time_s, None)
    if contact_time_s is None:
        return times, None
    states, other = _seconds("contact_time_s", contact_time_s, origin)
    if (origin is None) != (other is None):
        kinds = ["numbers" if start is None else "instants" for start in (other, origin)]
        raise DeadbandError(
            "clocks_differ",
            f"it holds {kinds[0]} and time_s holds {kinds[1]}",
            location="channel contact_time_s",
            advice="give both channels the same kind of times",
        )
    return times, states


def _seconds(
    name: str, values: npt.ArrayLike, origin: np.datetime64 | None
) -> tuple[Floats, np.datetime64 | None]:
    """Seconds, and the instant they count from where the values are instants."""
    try:
        raw = np.asarray(values).reshape(-1)
    except (TypeError, ValueError):
        return channel(name, values), None
    if raw.dtype == np.dtype(object) and len(raw):
        raw = _plain(raw)
    if raw.dtype.kind == "m":
        return _in_seconds(raw), None
    if raw.dtype.kind != "M":
        return channel(name, values), None
    known = raw[~np.isnat(raw)]
    if origin is None:
        origin = known[0] if len(known) else np.datetime64(0, "s")
    return _in_seconds(raw - origin), origin


def _in_seconds(durations: npt.NDArray[Any]) -> Floats:
    result: Floats = durations / np.timedelta64(1, "s")
    return result


def _plain(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Python's (and pandas') instants and durations as NumPy's; anything else as it is.

    Instants with a time zone are taken to UTC.
    """
    if all(isinstance(value, datetime) for value in values):
        if len({value.tzinfo is None for value in values}) > 1:
            return values
        return np.array(
            [
                value
                if value.tzinfo is None
                else value.astimezone(timezone.utc).replace(tzinfo=None)
                for value in values
            ],
            dtype="datetime64[us]",
        )
    if all(isinstance(value, timedelta) for value in values):
        return np.array(list(values), dtype="timedelta64[us]")
    return values


def doubts(
    times: Floats,
    readings: Floats,
    contact: npt.ArrayLike,
    accuracy_rel: float | None,
    lag_s: float | None,
) -> tuple[str, ...]:
    """What in the input may be meant otherwise; questions, no faults.

    Parameters
    ----------
    times, readings
        s and Pa, shape (n,).
    contact
        the contact as it was given: only true and false state which level is closed.
    accuracy_rel, lag_s
        what is stated of the gauge.

    Examples
    --------
    >>> doubts(np.array([0.0, 100.0, 200.0]), np.zeros(3), [1, 0, 1], 0.5, 0.4)[0]
    'the readings stand 100 s apart: times are taken as seconds; are these milliseconds?'
    """
    found = []
    apart = float(np.median(np.diff(times))) if len(times) > 1 else 0.0
    if apart >= _FAR_APART_S:
        found.append(
            f"the readings stand {apart:g} s apart: times are taken as seconds; "
            "are these milliseconds?"
        )
    states = np.asarray(contact).reshape(-1)
    if states.dtype == np.bool_ and states.any() and not states.all():
        known = len(states) == len(readings)
        if known and readings[states].mean() < readings[~states].mean():
            found.append(
                "the contact is given as true (closed) at the lower pressures, and is taken the "
                "other way round; closed='high' takes it as it is given"
            )
    if accuracy_rel is not None and accuracy_rel > _FAR_OFF:
        found.append(
            f"accuracy_rel={accuracy_rel:g} is {accuracy_rel:.0%} of the reading; "
            f"{accuracy_rel:g} % is {accuracy_rel / 100:g}"
        )
    if lag_s is not None and abs(lag_s) >= _FAR_BEHIND_S:
        found.append(f"the lag is {lag_s:g} s; is that in milliseconds?")
    return tuple(found)
