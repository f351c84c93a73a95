"""What the display said at the change of the contact, against how fast the pressure moved."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from . import _style
from ._frame import collected

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    Group = tuple[str | None, str]  # a gauge and its name in the legend

SIZE: Final = (8.4, 5.2)  # inches
_GAUGES: Final = len(_style.SERIES)
_MOST: Final = 0.98  # share of the steady changes that the picture of the slow ones is made for
_BEYOND: Final = 1.5  # times that reach: much faster
_CORNER: Final = (0.58, 0.6, 0.42, 0.34)  # where the fast changes are drawn


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
    high while it falls. With `lags` the line `-L r` of each gauge is drawn through its points. It
    holds where the rate has lasted for several lags. In a pinch it has not: the display is late by
    no more than the pressure has fallen so far, and the points lie between the line and zero.
    Changes much faster than the others, where there are any, have a panel of their own in the
    corner, and there the line is dashed.

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
    known = None if lags is None else collected(lags, "lags")
    with _style.look():
        panel = _style.axes(ax, SIZE)
        if not table.height:
            return _style.nothing(panel, "No change of contact has a reading and a setpoint.")
        groups = _groups(table)
        printed = _style.pretty(unit)
        slow, fast = _by_speed(table)
        _changes(panel, slow, groups, known, "-")
        panel.set_ylabel(f"display minus setpoint / {printed}")
        panel.set_xlabel(f"rate of the pressure / ({printed}/s)\nfalling ◂   ▸ rising")
        if fast.height:
            _about_zero(panel, slow)
            beside = panel.inset_axes(_CORNER)
            beside.patch.set_alpha(0.7)  # a stray change behind it stays in sight
            _changes(beside, fast, groups, known, (0, (4, 2)))
            low, high = fast.select(
                low=pl.col("error_pa").min(), high=pl.col("error_pa").max()
            ).row(0)
            beside.set_ylim(*_style.around(min(low, 0.0), max(high, 0.0), 0.25))
            beside.set_title("much faster changes", loc="right", fontweight="normal", fontsize=9.0)
        _legend(panel, groups, known)
        return panel


def _groups(table: pl.DataFrame) -> list[Group]:
    """A group a gauge, and one for what is left; a single one where colours would not do."""
    gauges = table["gauge_id"].drop_nulls().unique().sort().to_list()
    if not 0 < len(gauges) <= _GAUGES:
        return [(None, "all gauges")]
    unnamed = [(None, "gauge not named")] if table["gauge_id"].null_count() else []
    return [*((gauge, f"gauge {gauge}") for gauge in gauges), *unnamed]


def _by_speed(table: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The changes at rates like those of the steady ones, and those that are much faster."""
    sudden = (
        (pl.col("method") == "pinch").fill_null(value=False)
        | (pl.col("model") == "relaxation").fill_null(value=False)
        | pl.col("sudden").fill_null(value=False)
    )
    speed = pl.col("rate_pa_s").abs()
    reach = table.filter(~sudden).select(speed.quantile(_MOST, "higher")).item()
    if reach is None:
        return table, table.clear()
    slow = speed <= _BEYOND * reach
    return table.filter(slow), table.filter(~slow)


def _about_zero(panel: Axes, table: pl.DataFrame) -> None:
    """Zero in the middle: a late display errs against the motion, so two quarters stay empty."""
    rate, error = table.select(pl.col("rate_pa_s", "error_pa").abs().max()).row(0)
    if rate:
        panel.set_xlim(-1.06 * rate, 1.06 * rate)
    if error:
        panel.set_ylim(-1.06 * error, 1.06 * error)


def _changes(
    panel: Axes, table: pl.DataFrame, groups: list[Group], lags: pl.DataFrame | None, dashes: Any
) -> None:
    _style.calm(panel)
    size = 5.0 if table.height <= 200 else 3.0
    lag_of = {} if lags is None else dict(lags.select("gauge_id", "lag_s").iter_rows())
    for index, (gauge, _) in enumerate(groups):
        alone = len(groups) == 1 and gauge is None
        own = table if alone else table.filter(pl.col("gauge_id").eq_missing(gauge))
        colour = _colour(index, gauge)
        for event, marker in _style.EVENT_MARKER.items():
            rows = own.filter(pl.col("event") == event)
            at, error = rows["rate_pa_s"].to_numpy(), rows["error_pa"].to_numpy()
            panel.plot(at, error, ls="none", marker=marker, ms=size, mfc=colour, mec="white",
                       mew=0.3)  # fmt: skip
        lag = lag_of.get(gauge) if gauge is not None else None
        if lag is not None and own.height:
            rates = own["rate_pa_s"].to_numpy()
            ends = np.array([min(rates.min(), 0.0), max(rates.max(), 0.0)])
            panel.plot(ends, -lag * ends, color=colour, lw=1.2, ls=dashes)
    panel.axhline(0.0, color=_style.INK, lw=0.8)


def _colour(index: int, gauge: str | None) -> str:
    return _style.MUTED if gauge is None else _style.SERIES[index]


def _legend(panel: Axes, groups: list[Group], lags: pl.DataFrame | None) -> None:
    for index, (gauge, label) in enumerate(groups):
        panel.plot([], [], ls="none", marker="o", ms=5, mew=0, color=_colour(index, gauge),
                   label=label)  # fmt: skip
    for event, word in _style.EVENT_WORD.items():
        panel.plot([], [], ls="none", marker=_style.EVENT_MARKER[event], ms=5, mfc="none",
                   mec=_style.INK, label=f"contact {word}")  # fmt: skip
    if lags is not None and any(gauge is not None for gauge, _ in groups):
        panel.plot([], [], color=_style.INK, lw=1.2, label="−lag × rate")
    _style.legend_above(panel, 6)
