"""How far apart the rows of a recording stand: whether its times can be what they are taken for."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .._errors import InputError

if TYPE_CHECKING:
    from ._clock import Floats

# Draft moves within seconds and a test takes minutes; beyond these a number is hardly of seconds
# unless somebody says so.
_SLOW_S = 5.0
_LONG_S = 4 * 3600.0
# No gauge of draft is read at 20 kHz; a tenth of a second is 1.2e-6 of a day.
_FAST_S = 5e-5
# Fewer rows than this prove nothing.
_ROWS = 8
_REPEATED = 0.5
# By how much the rows may miss the span of the time stamps, besides one step of the clock.
_OFF = 0.02


def check_pace(times: Floats, *, stated: bool, whole: bool, file: str, column: str) -> None:
    """Raise where the times of a recording are hardly seconds, or coarser than its rows.

    Parameters
    ----------
    times
        Times as read, s; NaN where there is none.
    stated
        Whether their unit was said, or they are clock times.
    whole
        Whether the rows may be counted instead: the channels share this clock.
    file, column
        For the error.

    Raises
    ------
    InputError
        Nobody said seconds and the rows stand 5 s or more apart, or span more than four hours; the
        rows stand less than 50 us apart; half of the rows or more repeat the time above them.

    Examples
    --------
    >>> times = np.arange(10.0) * 100.0
    >>> check_pace(times, stated=True, whole=True, file="a.csv", column="time")
    >>> check_pace(times, stated=False, whole=True, file="a.csv", column="time")
    Traceback (most recent call last):
        ...
    deadband._errors.InputError: a.csv, column time: taken as seconds, the rows stand 100 s apart...
    """
    known = times[~np.isnan(times)]
    gaps = np.diff(known)
    if len(gaps) < _ROWS or (gaps < 0).any():
        return
    repeated = int((gaps == 0).sum())
    if repeated >= _REPEATED * len(gaps):
        count = "" if not whole else " or state the time between two rows (`interval_s`, s)"
        raise InputError(
            "coarse_clock",
            f"{repeated} of {len(known)} rows repeat the time above them, so the clock is coarser"
            " than the rows",
            file=file,
            column=column,
            advice=f"export times with fractions of a second{',' if count else ''}{count}",
        )
    apart, span = float(np.median(gaps)), float(known[-1] - known[0])
    if 0 < apart < _FAST_S:
        raise InputError(
            "ambiguous_time",
            f"taken as seconds, the rows stand {apart:.2g} s apart",
            file=file,
            column=column,
            advice="where they are days, as a spreadsheet counts them, state `time_unit` d and let"
            " no heading say otherwise",
        )
    if not stated and (apart >= _SLOW_S or span > _LONG_S):
        raise InputError(
            "ambiguous_time",
            f"taken as seconds, the rows stand {apart:g} s apart and span {span:g} s, and nothing"
            " says what the numbers are",
            file=file,
            column=column,
            advice="state `time_unit` in the manifest: ms, or s if they are seconds",
        )


def counted(times: Floats, interval_s: float, *, file: str, column: str) -> Floats:
    """Times by the number of the row, for a clock that is coarser than the rows.

    Parameters
    ----------
    times
        Times as read, s, to check the interval by.
    interval_s
        Time between two rows, s.
    file, column
        For the error.

    Raises
    ------
    InputError
        So many rows at this interval do not fill the time between the first and the last stamp.

    Examples
    --------
    >>> counted(np.array([7.0, 7.0, 8.0, 8.0]), 0.5, file="a.csv", column="time").tolist()
    [0.0, 0.5, 1.0, 1.5]
    """
    result: Floats = np.arange(len(times), dtype=np.float64) * interval_s
    known = np.flatnonzero(~np.isnan(times))
    if len(known) > 1:
        first, last = known[0], known[-1]
        gaps = np.diff(times[known])
        step = float(gaps[gaps > 0].min()) if (gaps > 0).any() else 0.0
        span = float(times[last] - times[first])
        if abs(span - (last - first) * interval_s) > step + interval_s + _OFF * abs(span):
            raise InputError(
                "interval_conflict",
                f"{last - first} rows of {interval_s:g} s make {(last - first) * interval_s:g} s,"
                f" and the times span {span:g} s",
                file=file,
                column=column,
                advice="correct `interval_s` in the manifest",
            )
    return result
