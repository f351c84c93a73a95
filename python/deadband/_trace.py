"""One recording, given as arrays."""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape
from math import inf
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import numpy.typing as npt
import polars as pl

from ._channels import Floats, channel, clocks, doubts, pascal, pressures
from ._core import smoothed_paths
from ._errors import DeadbandError, check_option, refusal
from ._estimate import Estimate, Lag
from ._events import event_options, fit_events
from ._lags import estimate_lag
from ._setpoints import budget, setpoints

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_GAUGE: Final = "gauge"
_NO_LAG: Final = (
    "the gauge's lag is not known and these events do not tell it: "
    "give lag=Lag(seconds, u=...) or test at clearly different rates"
)
_NO_LAG_OF_A_FALL: Final = (
    "the pressure changed as fast as the gauge's lag (a pinch): only with the lag is its pressure "
    "known, and it does not tell the lag. State the gauge's: lag=Lag.parts(dead time, time "
    "constant, u=...) where both are known, else lag=Lag(seconds, u=...); a recording of slow "
    "ramps at clearly different rates with this gauge tells it (fit_trace(...).lag)"
)
CAUTION: Final = "This describes a recording; it is no permission to operate the appliance."


@dataclass(frozen=True)
class TraceFit:
    """What one recording says of the switch.

    Attributes
    ----------
    close, open, deadband
        setpoints in `unit`, lag taken out; None where there is no such event or no lag.
    lag
        the lag used; None if there is none.
    status
        `ok`, or why there are no setpoints.
    events
        the events table, Pa; at the switch where the lag is known, else as the gauge showed it.
    budget
        the uncertainty budget, a row a line, Pa.
    path
        the smoothed gauge signal at the readings: `stretch`, `time_s`, `pressure_pa`, `rate_pa_s`,
        `u_pa`.
    unit, per_unit
        the unit of the pressures given, and how many pascal it is.
    time_s, pressure_pa, contact, contact_time_s
        the recording, pressures in Pa, times in seconds.
    doubts
        what in the input may have been meant otherwise, in words.

    Examples
    --------
    >>> from deadband import simulate
    >>> made = simulate.recording(seed=1)
    >>> fit = fit_trace(made.time_s, made.pressure_pa, made.contact, unit="Pa", lag=Lag(0.3, u=0.0))
    >>> fit.status, fit.events.height, fit.path.columns[0]
    ('ok', 6, 'stretch')
    """

    close: Estimate | None
    open: Estimate | None
    deadband: Estimate | None
    lag: Lag | None
    status: str
    events: pl.DataFrame
    budget: pl.DataFrame
    path: pl.DataFrame
    unit: str
    per_unit: float
    time_s: Floats = field(repr=False)
    pressure_pa: Floats = field(repr=False)
    contact: Floats = field(repr=False)
    contact_time_s: Floats | None = field(repr=False)
    doubts: tuple[str, ...] = ()

    @property
    def shown(self) -> dict[str, float]:
        """What the display showed at the changes on average, in `unit`, by event.

        Examples
        --------
        >>> from deadband import simulate
        >>> made = simulate.recording(seed=1)
        >>> fit = fit_trace(made.time_s, made.pressure_pa, made.contact, unit="Pa")
        >>> sorted(fit.shown)
        ['close', 'open']
        """
        means = self.events.group_by("event").agg(pl.col("reading_pa").mean())
        return {
            event: reading / self.per_unit
            for event, reading in means.iter_rows()
            if event is not None and reading is not None
        }

    def _rows(self) -> list[tuple[str, str, str]]:
        names = {"close": self.close, "open": self.open, "deadband": self.deadband}
        shown = self.shown
        missing = "lag unknown" if self.status == "lag_unidentified" else "no event"
        places = 2 if self.per_unit == 1.0 else 4
        return [
            (
                name,
                str(estimate) if estimate else missing,
                f"{shown[name]:.{places}f} {self.unit}" if name in shown else "",
            )
            for name, estimate in names.items()
        ]

    def _notes(self) -> list[str]:
        counts = self.events.filter(pl.col("status") == "ok")["event"].value_counts()
        found = dict(counts.iter_rows())
        notes = [f"{found.get('close', 0)} closings, {found.get('open', 0)} openings"]
        if self.lag is not None:
            notes.append(f"lag {self.lag.lag_s:.3f} s, u = {self.lag.u:.3f} s")
        if self.status == "lag_unidentified":
            sudden = self.events["sudden"].any()
            notes.append(_NO_LAG_OF_A_FALL if sudden else _NO_LAG)
        faults = self.events.filter(pl.col("status") != "ok")["status"].unique().sort()
        notes.extend(f"some events have no pressure: {fault}" for fault in faults)
        notes.extend(self.doubts)
        return notes

    def __str__(self) -> str:
        rows = self._rows()
        width = max(len(value) for _, value, _ in rows)
        lines = [
            f"{name:<9} {value:<{width}}  {f'display showed {shown}' if shown else ''}".rstrip()
            for name, value, shown in rows
        ]
        return "\n".join([*lines, *self._notes(), CAUTION])

    def _repr_html_(self) -> str:
        head = "".join(
            f'<th scope="col" style="text-align:left">{name}</th>'
            for name in ("", "setpoint", "display showed")
        )
        body = "".join(
            f'<tr><th scope="row" style="text-align:left">{escape(name)}</th>'
            f"<td>{escape(value)}</td><td>{escape(shown)}</td></tr>"
            for name, value, shown in self._rows()
        )
        notes = "".join(f"<li>{escape(note)}</li>" for note in [*self._notes(), CAUTION])
        return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table><ul>{notes}</ul>"

    def plot(self) -> Figure:
        """Draw the recording; needs `deadband[plots]`.

        Examples
        --------
        >>> from deadband import simulate
        >>> made = simulate.recording(seed=1)
        >>> figure = fit_trace(made.time_s, made.pressure_pa, made.contact, unit="Pa").plot()
        >>> type(figure).__name__
        'Figure'
        """
        from . import plots

        return plots.recording(self)


def fit_trace(
    time_s: npt.ArrayLike,
    pressure: npt.ArrayLike,
    contact: npt.ArrayLike,
    *,
    unit: str,
    contact_time_s: npt.ArrayLike | None = None,
    depression: Literal["positive", "negative"] = "positive",
    lag: Lag | None = None,
    resolution: float | None = None,
    accuracy_rel: float | None = None,
    accuracy_abs: float | None = None,
    repeatability: float | None = None,
    closed: Literal["low", "high"] | None = None,
    dwell_s: float = 0.05,
    threshold: float = 0.7,
    edge: int = 4,
    reach: int = 400,
) -> TraceFit:
    """Fit one recording: setpoints with uncertainty from readings and contact against time.

    Parameters
    ----------
    time_s
        times of the readings, shape (n,), increasing: numbers of seconds, or instants or durations
        (datetime64, timedelta64, `datetime`), which then count from the first instant.
    pressure
        readings in `unit`, shape (n,).
    contact
        volts, ohms or states, shape (n,), or (m,) with `contact_time_s`.
    unit
        unit of all pressures given and of the setpoints returned; `deadband.units()` lists them.
    contact_time_s
        times of the contact channel, shape (m,), if it has a clock of its own; of the same kind.
    depression
        sign with which the gauge logs a draft.
    lag
        the gauge's lag; None: estimated from the rates of these events, if they differ enough and
        the pressure moved slowly. A pinch needs it, best with both its parts (`Lag.parts`).
    resolution, accuracy_rel, accuracy_abs
        what is stated of the gauge: display step in `unit`, limits of error as a fraction of the
        reading and in `unit`. Without the last two the budget has no accuracy line. The step is
        that of the smoother, too, where none is found in the readings and they lie on it.
    repeatability
        standard deviation of one event of such a switch, in `unit`, if it is known; it counts for
        four degrees of freedom. None: 0.5 % of the setpoint is assumed, as one degree of freedom,
        an assumption of ours without a source that the scatter of a few cycles outweighs.
    closed, dwell_s, threshold, edge, reach
        as in `fit_events`.

    Raises
    ------
    RecordingError
        the recording cannot be worked on; says what is wrong, where, and what to do.
    OptionError
        the unit is not known.
    DeadbandError
        another option is out of range, or a channel holds no numbers.

    Examples
    --------
    >>> from deadband import simulate
    >>> switch = simulate.Switch(close_pa=70.0, open_pa=60.0)
    >>> gauge = simulate.Gauge(time_constant_s=0.4)
    >>> made = simulate.recording(switch, gauge, seed=1)
    >>> known = Lag(gauge.lag_s, u=0.02)
    >>> fit = fit_trace(made.time_s, made.pressure_pa, made.contact, unit="Pa", lag=known)
    >>> abs(fit.open.value - 60.0) < 3 * fit.open.u
    True
    """
    per_unit = pascal(unit)
    check_option("depression", depression, ["positive", "negative"])
    for name, limit in (
        ("resolution", resolution),
        ("accuracy_rel", accuracy_rel),
        ("accuracy_abs", accuracy_abs),
        ("repeatability", repeatability),
    ):
        _check_limit(name, limit)
    if lag is not None and not isinstance(lag, Lag):
        raise DeadbandError(
            "wrong_type",
            f"it is a {type(lag).__name__}",
            location="option lag",
            advice="give deadband.Lag(seconds, u=its standard uncertainty)",
        )
    times, clock = clocks(time_s, contact_time_s)
    readings = pressures("pressure", pressure, per_unit)
    if depression == "negative":
        readings = -readings
    states = channel("contact", contact)
    options: dict[str, Any] = {
        "closed": closed,
        "dwell_s": dwell_s,
        "threshold": threshold,
        "edge": edge,
        "reach": reach,
    }
    stated = {"resolution_pa": resolution, "accuracy_abs_pa": accuracy_abs}
    in_pascal = {name: None if of is None else of * per_unit for name, of in stated.items()}
    shown = event_options(**options, resolution_pa=in_pascal["resolution_pa"])
    try:
        table = smoothed_paths(times, readings, states, clock, shown)
    except ValueError as error:
        raise refusal(error) from None
    gauges = pl.DataFrame(
        {
            "gauge_id": [_GAUGE],
            "accuracy_rel": [accuracy_rel],
            **{k: [v] for k, v in in_pascal.items()},
        },
        schema_overrides=dict.fromkeys([*stated, "accuracy_rel"], pl.Float64),
    )
    row = _one_row(times, readings, states, clock)
    events = fit_events(row, gauges=gauges, **options)
    lag = lag or _own_lag(events)
    known_lag = _lag_frame(lag)
    # The lag belongs into the path: added afterwards it is wrong in a fast fall.
    if lag is not None:
        events = fit_events(row, known_lag, gauges=gauges, **options)
    spread = None if repeatability is None else repeatability * per_unit
    known = [events, known_lag, gauges]
    point = setpoints(*known, repeatability=spread).row(0, named=True)
    estimates = {
        name: None
        if point[f"{name}_pa"] is None
        else Estimate(*(point[f"{name}_{part}"] for part in ("pa", "u_pa", "dof"))).scaled(
            1 / per_unit, unit
        )
        for name in ("close", "open", "deadband")
    }
    return TraceFit(
        **estimates,
        lag=lag,
        status=point["status"],
        events=events,
        budget=budget(*known, repeatability=spread).drop("test_id"),
        path=_path(table),
        unit=unit,
        per_unit=per_unit,
        time_s=times,
        pressure_pa=readings,
        contact=states,
        contact_time_s=clock,
        doubts=doubts(times, readings, contact, accuracy_rel, lag.lag_s if lag else None),
    )


def _check_limit(name: str, limit: Any) -> None:
    if limit is None:
        return
    low, high, advice = {
        "accuracy_rel": (0.0, 1.0, "use a fraction of the reading; 0.5 % is 0.005"),
        "repeatability": (5e-324, inf, "use a number above 0, or None where it is not known"),
    }.get(name, (0.0, inf, "use 0 or above"))
    if not isinstance(limit, (int, float, np.number)) or not low <= limit < high:
        raise DeadbandError(
            "bad_option", f"it is {limit!r}", location=f"option {name}", advice=advice
        )


def _one_row(times: Floats, readings: Floats, states: Floats, clock: Floats | None) -> pl.DataFrame:
    lists = {"time_s": times, "pressure_pa": readings, "contact": states, "contact_time_s": clock}
    return pl.DataFrame(
        {
            "test_id": ["recording"],
            "switch_id": ["switch"],
            "gauge_id": [_GAUGE],
            "method": ["ramp"],
            "tested_at": pl.Series([None], dtype=pl.Datetime("us")),
            **{
                name: pl.Series([values], dtype=pl.List(pl.Float64))
                for name, values in lists.items()
            },
        }
    )


def _own_lag(events: pl.DataFrame) -> Lag | None:
    found = estimate_lag(events).row(0, named=True)
    if found["lag_s"] is None:
        return None
    return Lag(found["lag_s"], u=found["lag_u_s"], dof=found["dof"])


def _lag_frame(lag: Lag | None) -> pl.DataFrame:
    parts = ("lag_s", "dof", "dead_time_s", "time_constant_s", "time_constant_u_s")
    row: dict[str, Any] = {name: getattr(lag, name, None) for name in parts}
    row["lag_u_s"] = None if lag is None else lag.u
    return pl.DataFrame(
        {"gauge_id": [_GAUGE], **{name: [value] for name, value in row.items()}},
        schema_overrides=dict.fromkeys(row, pl.Float64),
    )


def _path(table: npt.NDArray[np.float64]) -> pl.DataFrame:
    columns = ["stretch", "time_s", "pressure_pa", "rate_pa_s", "u_pa"]
    path = pl.DataFrame(table.reshape(-1, len(columns)), schema=columns)
    return path.with_columns(pl.col("stretch").cast(pl.Int32), pl.col("u_pa").sqrt())
