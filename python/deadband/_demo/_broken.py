"""Recordings that went wrong, one for each way in which a row can end without numbers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..simulate import PlannedTest, Ramp, Switch
from ._draw import Draw
from ._stock import GAUGES, LOGGERS, TECHNICIANS, Aging

Row = dict[str, Any]
Floats = npt.NDArray[np.float64]


def _too_few(row: Row) -> Row:
    """The logger's battery died after five samples."""
    return _cut(row, slice(0, 5))


def _clock_set_back(row: Row) -> Row:
    """The logger's clock was set back by a minute while it ran."""
    time = row["time_s"].copy()
    time[len(time) // 2 :] -= 60.0
    return {**row, "time_s": time}


def _gap_as_nan(row: Row) -> Row:
    """The logger wrote NaN while the gauge did not answer."""
    pressure = row["pressure_pa"].copy()
    pressure[200:215] = np.nan
    return {**row, "pressure_pa": pressure}


def _columns_apart(row: Row) -> Row:
    """The contact column ends four samples early."""
    return {**row, "contact": row["contact"][:-4]}


def _low_range(row: Row) -> Row:
    """The gauge was left in its range of 100 Pa, and the switch is one for 110 Pa."""
    return {**row, "pressure_pa": np.minimum(row["pressure_pa"], 100.0)}


def _loose_clip(row: Row) -> Row:
    """A loose clip: volts between those of an open and of a closed contact."""
    draw = Draw(0, row["test_id"])
    levels = [draw.choice((0.1, 12.0, 24.0)) for _ in row["contact"]]
    return {**row, "contact": np.array(levels)}


def _started_late(row: Row) -> Row:
    """Recording began when the contact was already about to close, and was ended soon after."""
    close = int(np.argmax(row["contact"] < 12.0))
    return _cut(row, slice(close - 2, close + 40))


def _as_it_was(row: Row) -> Row:
    """The meter was not on the contact: nothing to break afterwards."""
    return row


def _cut(row: Row, kept: slice) -> Row:
    channels = {name: row[name][kept] for name in ("time_s", "pressure_pa", "contact")}
    return {**row, **channels, "time_s": np.round(channels["time_s"] - channels["time_s"][0], 3)}


# test_id -> what happened, on which switch. Their order is that of the story in the README.
BREAKS: Final[Mapping[str, tuple[str, Callable[[Row], Row]]]] = {
    "broken-no_event": ("A60-1904-01", _as_it_was),
    "broken-too_few_samples": ("A60-1904-04", _too_few),
    "broken-time_not_increasing": ("A60-1904-06", _clock_set_back),
    "broken-not_finite": ("B110-1907-01", _gap_as_nan),
    "broken-length_mismatch": ("B110-1907-03", _columns_apart),
    "broken-saturated": ("B110-1907-04", _low_range),
    "broken-contact_ambiguous": ("C45-1911-01", _loose_clip),
    "broken-event_at_edge": ("C45-1911-03", _started_late),
}


def broken_plan(stock: Mapping[str, Aging]) -> list[PlannedTest]:
    """The tests as they would have been without the mishap.

    Examples
    --------
    >>> from ._stock import stock
    >>> [test.unit.switch_id for test in broken_plan(stock(1))][:2]
    ['A60-1904-01', 'A60-1904-04']
    """
    tests = []
    for number, (test_id, (switch_id, _)) in enumerate(BREAKS.items()):
        unit = stock[switch_id].unit
        tested_at = datetime.fromisoformat("2025-12-01T09:00") + timedelta(days=number)
        disconnected = test_id == "broken-no_event"
        tests.append(
            PlannedTest(
                test_id=test_id,
                unit=unit,
                instrument=GAUGES["G2"],
                motion=Ramp(high_pa=1.3 * unit.rated_pa, hold_s=3.0),
                logger=LOGGERS["G2"],
                operator=None if disconnected else TECHNICIANS["tech-3"],
                operator_id="tech-3",
                tested_at=tested_at,
                switch=Switch(stuck=False)
                if disconnected
                else stock[switch_id].on(tested_at.date()),
            )
        )
    return tests


def broken(row: Row) -> Row:
    """A row with its mishap; other rows as they are.

    Examples
    --------
    >>> broken({"test_id": "sound"})
    {'test_id': 'sound'}
    """
    _, spoil = BREAKS.get(row["test_id"], ("", _as_it_was))
    return spoil(row)
