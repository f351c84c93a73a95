"""Recordings put together again from the tables, for a picture each."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._estimate import Estimate
from ..plots._frame import collected
from ..plots._style import pascal_per
from ._summary import Analysis

if TYPE_CHECKING:
    from numpy.typing import NDArray

_CHANNELS: Final = ("time_s", "pressure_pa", "contact")


@dataclass(frozen=True)
class Trace:
    """One recording with what the tables say of it; `plots.recording` draws it."""

    test_id: str
    switch_id: str
    time_s: NDArray[np.float64]
    pressure_pa: NDArray[np.float64]
    contact: NDArray[np.float64]
    contact_time_s: NDArray[np.float64] | None
    path: pl.DataFrame | None
    events: pl.DataFrame
    close: Estimate | None
    open: Estimate | None
    unit: str
    per_unit: float


def traces(analysis: Analysis, test_ids: list[str], unit: str) -> Iterator[Trace]:
    """The recordings asked for, in that order; those whose channels are not whole are left out."""
    tests = analysis.tests
    lazy = tests if isinstance(tests, pl.LazyFrame) else collected(tests, "tests").lazy()
    present = lazy.collect_schema().names()
    if not test_ids or not set(_CHANNELS) <= set(present):
        return
    wanted = [name for name in ("test_id", *_CHANNELS, "contact_time_s") if name in present]
    # Only these few rows are held; the streaming engine lets the others pass by.
    found = (
        lazy.select(wanted).filter(pl.col("test_id").is_in(test_ids)).collect(engine="streaming")
    )
    points = collected(analysis.setpoints, "setpoints")
    events = collected(analysis.events, "events")
    for test_id in test_ids:
        rows = found.filter(pl.col("test_id") == test_id)
        point = points.filter(pl.col("test_id") == test_id)
        if rows.height != 1 or point.height != 1:
            continue
        row, numbers = rows.row(0, named=True), point.row(0, named=True)
        times = row.get("contact_time_s")
        time, pressure, contact = (_numbers(row[name]) for name in _CHANNELS)
        clock = time if times is None else _numbers(times)
        if len(time) != len(pressure) or len(clock) != len(contact):
            continue
        yield Trace(
            test_id=test_id,
            switch_id=numbers["switch_id"],
            time_s=time,
            pressure_pa=pressure,
            contact=contact,
            contact_time_s=None if times is None else clock,
            path=None,
            events=events.filter(pl.col("test_id") == test_id),
            close=_setpoint(numbers, "close", unit),
            open=_setpoint(numbers, "open", unit),
            unit=unit,
            per_unit=pascal_per(unit),
        )


def _numbers(values: list[Any] | None) -> NDArray[np.float64]:
    return np.array([math.nan if v is None else float(v) for v in values or []], dtype=np.float64)


def _setpoint(row: dict[str, Any], event: str, unit: str) -> Estimate | None:
    value, u, dof = (row[f"{event}_{part}"] for part in ("pa", "u_pa", "dof"))
    if value is None:
        return None
    found = Estimate(value, math.nan if u is None else u, math.inf if dof is None else dof)
    return found.scaled(1.0 / pascal_per(unit), unit)
