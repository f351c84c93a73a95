"""Lag from a sudden step of pressure."""

from __future__ import annotations

import numpy.typing as npt
import polars as pl

from . import _core
from ._channels import clocks, pascal, pressures
from ._errors import refusal
from ._lag_row import lag_row


def lag_from_step(
    time_s: npt.ArrayLike,
    pressure: npt.ArrayLike,
    *,
    unit: str,
    gauge_id: str | None = None,
    start_s: float | None = None,
    start_u_s: float | None = None,
    resolution: float | None = None,
    refresh_s: float | None = None,
) -> pl.DataFrame:
    """Estimate a gauge's dead time and time constant from its readings around a step of pressure.

    The line to the gauge is opened or closed at once, and the gauge follows:
    `reading = level_1 + (level_0 - level_1) exp(-(t - start - dead time) / time constant)` from the
    dead time on. Both levels, the onset, the time constant and the noise are unknown; with a coarse
    display a reading is an interval. What the readings leave open is found by importance sampling
    (Cappé et al. 2004), so that a time constant below the sample interval gets the wide
    uncertainty it has. The result is the gauge's own lag behind the pressure: the delay of a
    contact meter is not part of it (`combine_lags`).

    Parameters
    ----------
    time_s
        times of the readings, s, shape (n,), increasing; from some seconds before the step until
        the reading has settled, and no further step.
    pressure
        readings in `unit`, shape (n,).
    unit
        unit of the readings; `deadband.units()` lists them.
    gauge_id
        the gauge, for the row.
    start_s
        when the pressure stepped, s, on the clock of the readings. None: not known, and only the
        time constant is told.
    start_u_s
        standard uncertainty of that instant, s, wholly one of dead time and lag: a valve that takes
        some time, a start seen on a slower clock. None: the start lies anywhere within one sample
        interval, `interval / sqrt(12)`; 0 where it comes from a faster clock.
    resolution
        display step in `unit`; None: found in the readings; 0: none.
    refresh_s
        time for which the display holds a reading, s; None: found in the readings; 0: none. Half of
        it is part of dead time and lag (`hold_s`).

    Returns
    -------
    polars.DataFrame
        One row of the lags table, `source` `step`, `behind` `pressure`. The covariance of the parts
        follows from their uncertainties: `2 cov = lag_u_s**2 - dead_time_u_s**2 -
        time_constant_u_s**2`. A response that is not of first order has no parts and a wider lag,
        or none: `lag_unidentified`, as is a recording without a step, `reason` saying why. Parts
        known no better than 15 % of the lag are null.

    Raises
    ------
    RecordingError
        the readings cannot be worked on; says what is wrong, where, and what to do.
    OptionError
        the unit is not known.
    DeadbandError
        another option is out of range, or a channel holds no numbers.

    Examples
    --------
    >>> from deadband import Lag, simulate
    >>> gauge = simulate.Gauge(dead_time_s=0.1, time_constant_s=0.3)
    >>> step = simulate.Pinch(fall_s=1e-4, count=1, before_s=5.0, after_s=6.0)
    >>> made = simulate.recording(gauge=gauge, motion=step, seed=1)
    >>> kept = made.time_s < 11.0
    >>> row = lag_from_step(made.time_s[kept], made.pressure_pa[kept], unit="Pa", start_s=5.0)
    >>> lag = Lag.of(row)
    >>> abs(lag.lag_s - 0.4) < 3 * lag.u, lag.dead_time_s is not None
    (True, True)
    """
    per_unit = pascal(unit)
    times, _ = clocks(time_s, None)
    readings = pressures("pressure", pressure, per_unit)
    options = {
        "start_s": start_s,
        "start_u_s": start_u_s,
        "step_pa": None if resolution is None else resolution * per_unit,
        "refresh_s": refresh_s,
    }
    try:
        cells = _core.lag_from_step(times, readings, options)
    except ValueError as error:
        raise refusal(error) from None
    return lag_row(cells, gauge_id)
