"""What the display said at the change of the contact, against how fast the pressure moved."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from . import _style
from ._frame import collected

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LINEAR_BELOW: Final = 1.0  # Pa/s and Pa: slower than a hand-moved ramp, below a display step
_LINEAR_SHARE: Final = 0.4
_GAUGES: Final = len(_style.SERIES)


def display_errors(events: Any, points: Any) -> pl.DataFrame:
    """Display minus setpoint of each change of contact, Pa.

    Returns the events that have a reading, a rate and a setpoint of their test, with
    `setpoint_pa` and `error_pa = reading_pa - setpoint_pa` added.

    Raises
    ------
    SchemaError
        A column is missing.
    """
    changes = collected(events, "events")
    setpoint = collected(points, "setpoints").select("test_id", "close_pa", "open_pa")
    return (
        changes.join(setpoint.unique("test_id", keep="first"), on="test_id", maintain_order="left")
        .with_columns(
            pl.when(pl.col("event") == "close")
            .then("close_pa")
            .otherwise("open_pa")
            .alias("setpoint_pa")
        )
        .with_columns((pl.col("reading_pa") - pl.col("setpoint_pa")).alias("error_pa"))
        .filter(pl.col("error_pa").is_finite() & pl.col("rate_pa_s").is_finite())
    )


def display_error(
    events: Any,
    points: Any,
    lags: Any | None = None,
    ax: Axes | None = None,
    *,
    unit: str = "Pa",
) -> Axes:
    """Draw the display's error at each change of contact against the rate of the pressure.

    A gauge of lag L shows a signal that moves at rate r by L r late: too low while it rises, too
    high while it falls. With `lags` the line `-L r` of each gauge is drawn through its points.
    Both axes are logarithmic on either side of zero and linear close to it, within what 1 Pa/s
    and 1 Pa are.

    Parameters
    ----------
    events
        The table of `fit_events`.
    points
        The table of `setpoints`.
    lags
        The table of `estimate_lag`; no lines if None.
    ax
        Axes to draw on; a new figure if None.
    unit
        Unit of pressure to draw in.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    SchemaError
        A column is missing.
    InputError
        The unit is not known.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> from deadband import analyse, plots, simulate
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
    >>> gauge = simulate.Instrument(gauge_id="g1", lag_s=0.3, lag_u_s=0.02)
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge)]
    >>> made = simulate.fleet(plan, seed=1)
    >>> whole = analyse(made.tests, made.switches, made.gauges)
    >>> plots.display_error(whole.events, whole.setpoints, whole.lags).get_ylabel()
    'display minus setpoint / Pa'
    """
    per_unit = _style.pascal_per(unit)
    table = display_errors(events, points).with_columns(pl.col("error_pa", "rate_pa_s") / per_unit)
    with _style.look():
        panel = _style.axes(ax, (8.4, 4.6))
        if not table.height:
            return _style.nothing(panel, "No change of contact has a reading and a setpoint.")
        _style.calm(panel)
        gauges = sorted(table["gauge_id"].drop_nulls().unique().to_list())
        groups: list[tuple[str | None, str]] = [(gauge, f"gauge {gauge}") for gauge in gauges]
        if len(groups) > _GAUGES:
            groups = []
        for index, (gauge, label) in enumerate(groups):
            own = table.filter(pl.col("gauge_id") == gauge)
            _points(panel, own, _style.SERIES[index], label)
        if not groups or table["gauge_id"].null_count():
            rest = table.filter(pl.col("gauge_id").is_null()) if groups else table
            _points(panel, rest, _style.MUTED, "gauge not named" if groups else "all gauges")
        if lags is not None:
            _lines(panel, table, collected(lags, "lags"), gauges)
        panel.axhline(0.0, color=_style.INK, lw=0.8)
        panel.set_xscale("symlog", linthresh=_LINEAR_BELOW / per_unit, linscale=_LINEAR_SHARE)
        panel.set_yscale("symlog", linthresh=_LINEAR_BELOW / per_unit, linscale=_LINEAR_SHARE)
        for axis in (panel.xaxis, panel.yaxis):
            axis.set_major_formatter(_plain)
        printed = _style.pretty(unit)
        panel.set_xlabel(
            f"rate of the pressure at the change / ({printed}/s)\nfalling ◂   ▸ rising"
        )
        panel.set_ylabel(f"display minus setpoint / {printed}")
        for event, word in _style.EVENT_WORD.items():
            panel.plot(
                [], [], ls="none", marker=_style.EVENT_MARKER[event], ms=5, mfc="none",
                mec=_style.INK, label=f"contact {word}",
            )  # fmt: skip
        _style.legend_above(panel, 5)
        return panel


def _plain(value: float, _: object = None) -> str:
    return f"{value:g}".replace("-", "\N{MINUS SIGN}")


def _points(panel: Axes, rows: pl.DataFrame, colour: str, label: str) -> None:
    size = 5.0 if rows.height <= 200 else 3.0
    for event, marker in _style.EVENT_MARKER.items():
        own = rows.filter(pl.col("event") == event)
        panel.plot(
            own["rate_pa_s"].to_numpy(),
            own["error_pa"].to_numpy(),
            ls="none",
            marker=marker,
            ms=size,
            mfc=colour,
            mec="white",
            mew=0.3,
            label=label if event == "close" else None,
        )


def _lines(panel: Axes, table: pl.DataFrame, lags: pl.DataFrame, gauges: list[str]) -> None:
    known = {row["gauge_id"]: row["lag_s"] for row in lags.iter_rows(named=True)}
    for index, gauge in enumerate(gauges):
        lag = known.get(gauge)
        if lag is None or index >= _GAUGES:
            continue
        rates = table.filter(pl.col("gauge_id") == gauge)["rate_pa_s"].to_numpy()
        reach = np.abs(rates).max() * np.geomspace(1e-4, 1.0, 160)
        grid = np.concatenate([-reach[::-1], reach])
        grid = grid[(grid >= rates.min()) & (grid <= rates.max())]
        panel.plot(grid, -lag * grid, color=_style.SERIES[index], lw=1.0, zorder=1)
