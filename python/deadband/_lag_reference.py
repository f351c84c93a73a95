"""Lag from a second gauge on the same tee."""

from __future__ import annotations

import numpy.typing as npt
import polars as pl

from . import _core
from ._channels import pascal, pressures
from ._errors import refusal
from ._estimate import Lag
from ._lag_row import lag_row, paired_clocks


def lag_from_reference(
    time_s: npt.ArrayLike,
    pressure: npt.ArrayLike,
    reference_time_s: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    unit: str,
    gauge_id: str | None = None,
    reference_lag: Lag | None = None,
    resolution: float | None = None,
    reference_resolution: float | None = None,
    refresh_s: float | None = None,
    reference_refresh_s: float | None = None,
    max_lag_s: float = 5.0,
    max_u_s: float = 0.5,
) -> pl.DataFrame:
    """Estimate a gauge's lag from its readings and those of a reference gauge on the same pressure.

    Both see one pressure `p`: the reference shows `p(t)` with noise, the tested gauge `offset +
    scale z(t - dead time)` with noise, where `time constant * z' = p - z`. The pressure is an
    integrated random walk in its rate, seen through both channels on their own uneven clocks by one
    Kalman filter; lag, time constant, scale and noises are searched together by the exact
    likelihood, and what the readings leave open is found by importance sampling. The pressure must
    move, and turn or change its rate: a steady ramp cannot tell a lag from an offset. Up and down
    in equal waves, lags a period apart explain it alike: one is told where start, end or an
    irregularity decides between them, or `max_lag_s` leaves only one. A single wave tells how late
    and how much smaller the gauge shows it, and the scales of two gauges are taken to agree within
    5 % (standard uncertainty; common practice, no source).

    The result is the gauge's own lag behind the pressure. What the two clocks differ by is part of
    the dead time and of the lag: log both on one clock, or set the clocks first.

    Parameters
    ----------
    time_s, pressure
        times (s, increasing) and readings (`unit`) of the tested gauge, shape (n,).
    reference_time_s, reference
        those of the reference, shape (m,).
    unit
        unit of both; `deadband.units()` lists them.
    gauge_id
        the tested gauge, for the row.
    reference_lag
        the reference's own lag, which is added; None: it has none.
    resolution, reference_resolution
        display steps in `unit`; None: found in the readings; 0: none.
    refresh_s, reference_refresh_s
        time for which a display holds a reading, s; None: found in the readings; 0: none. Half of
        the tested gauge's is part of dead time and lag (`hold_s`).
    max_lag_s
        largest lag looked for, s, either way; below half a period of a pressure that repeats
        itself.
    max_u_s
        standard uncertainty above which a lag counts as unknown, s.

    Returns
    -------
    polars.DataFrame
        One row of the lags table, `source` `reference`, `behind` `pressure`. Mean lag is known much
        better than its split; parts known no better than 15 % of it are null. A pressure that does
        not move or repeats itself, or readings that do not follow it: null and `lag_unidentified`,
        `reason` saying why.

    Raises
    ------
    RecordingError
        a channel cannot be worked on; says what is wrong, where, and what to do.
    OptionError
        the unit is not known.
    DeadbandError
        another option is out of range, or a channel holds no numbers.

    Examples
    --------
    >>> from deadband import simulate
    >>> hand = simulate.Ramp(cycles=1, rate_pa_s=10.0)
    >>> slow = simulate.Gauge(dead_time_s=0.1, time_constant_s=0.3)
    >>> quick = simulate.Gauge(dead_time_s=0.0, time_constant_s=0.0, resolution_pa=0.1)
    >>> logged = simulate.Logger(sample_s=0.07, jitter=0.2)
    >>> tested = simulate.recording(gauge=slow, motion=hand, seed=1)
    >>> other = simulate.recording(gauge=quick, motion=hand, logger=logged, seed=1)
    >>> row = lag_from_reference(
    ...     tested.time_s, tested.pressure_pa, other.time_s, other.pressure_pa, unit="Pa"
    ... ).row(0, named=True)
    >>> abs(row["lag_s"] - 0.4) < 3 * row["lag_u_s"], row["behind"]
    (True, 'pressure')
    """
    per_unit = pascal(unit)
    times, others = paired_clocks(time_s, reference_time_s)
    readings = pressures("pressure", pressure, per_unit)
    known = pressures("reference", reference, per_unit)
    own = reference_lag or Lag(0.0, u=0.0)
    steps = {"step_pa": resolution, "reference_step_pa": reference_resolution}
    options = {
        "reference_lag_s": own.lag_s,
        "reference_lag_u_s": own.u,
        "max_lag_s": max_lag_s,
        "max_u_s": max_u_s,
        "refresh_s": refresh_s,
        "reference_refresh_s": reference_refresh_s,
        **{name: None if step is None else step * per_unit for name, step in steps.items()},
    }
    try:
        cells = _core.lag_from_reference(times, readings, others, known, options)
    except ValueError as error:
        raise refusal(error) from None
    return lag_row(cells, gauge_id)
