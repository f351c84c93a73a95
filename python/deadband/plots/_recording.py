"""A single recording: what the display showed and what the switch did."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final, Protocol

import numpy as np
import polars as pl

from .._coverage import decimals_for
from . import _style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

_SIZE: Final = (8.4, 4.9)
_FILLING: Final = 0.6  # of the panel's height: an interval that leaves nothing else to see
_LINE: Final = 0.062  # a line of text, as a fraction of the panel's height


class Interval(Protocol):
    """A value with an uncertainty, such as `deadband.Estimate`."""

    @property
    def value(self) -> float: ...

    def interval(self, p: float = ..., /) -> tuple[float, float]: ...


class Recording(Protocol):
    """What `recording` draws; the result of `fit_trace` is one.

    The setpoints are in `unit`; the recording, its path and its events are in pascal.
    """

    @property
    def time_s(self) -> ArrayLike: ...
    @property
    def pressure_pa(self) -> ArrayLike: ...
    @property
    def contact(self) -> ArrayLike: ...
    @property
    def contact_time_s(self) -> ArrayLike | None: ...
    @property
    def path(self) -> pl.DataFrame | None: ...
    @property
    def events(self) -> pl.DataFrame: ...
    @property
    def close(self) -> Interval | None: ...
    @property
    def open(self) -> Interval | None: ...
    @property
    def unit(self) -> str: ...
    @property
    def per_unit(self) -> float: ...


def recording(fit: Recording, ax: Axes | None = None) -> Figure:
    """Draw a recording: the reading, the smoothed path, the setpoints, and the contact below.

    Dots are what the display showed. The line is the gauge's own signal with the noise removed.
    Upright bands are the changes of the contact, as wide as their brackets. Level bands are the
    setpoints with their 95 % intervals, the gauge's lag taken out. Hollow markers are what the
    display showed when the contact changed, with a line to the setpoint; where one lies outside
    the interval, the largest difference is written beside it. An interval that would fill the
    picture is written, not drawn. Below, closed is on top whatever the meter's channel shows.

    Parameters
    ----------
    fit
        The result of `fit_trace`, or anything with its attributes.
    ax
        Axes for the pressure; the contact is drawn in an inset below them. A new figure if None.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> from deadband import Lag, fit_trace, plots, simulate
    >>> made = simulate.recording(seed=1)
    >>> lag = Lag(0.3, u=0.02)
    >>> fit = fit_trace(made.time_s, made.pressure_pa, made.contact, unit="Pa", lag=lag)
    >>> plots.recording(fit).axes[0].get_ylabel()
    'pressure / Pa'
    """
    with _style.look():
        panel = _style.axes(ax, _SIZE)
        _style.calm(panel)
        events = fit.events.filter(pl.col("time_s").is_not_null())
        time = np.asarray(fit.time_s, dtype=np.float64)
        contact_time = time if fit.contact_time_s is None else np.asarray(fit.contact_time_s)
        below = panel.inset_axes((0.0, -0.27, 1.0, 0.19), sharex=panel)

        _pressure(panel, fit, time)
        _changes((panel, below), events)
        differences = _displayed(panel, fit, events)
        _setpoints(panel, fit, differences)
        _contact(below, np.asarray(contact_time, dtype=np.float64), fit.contact, events)

        panel.set_ylabel(f"pressure / {_style.pretty(fit.unit)}")
        panel.tick_params(labelbottom=False)
        below.set_xlabel("time / s")
        _style.legend_above(panel)
        figure = panel.get_figure(root=True)
        assert figure is not None, "axes without a figure cannot be drawn on"
        return figure


def _pressure(panel: Axes, fit: Recording, time: Floats) -> None:
    reading = np.asarray(fit.pressure_pa, dtype=np.float64) / fit.per_unit
    size = min(max(900.0 / max(len(time), 1), 2.2), 4.0)
    panel.plot(
        time, reading, ls="none", marker="o", ms=size, mew=0, color=_style.DOT, label="display"
    )
    path = fit.path
    if path is not None and path.height:
        pieces = path.partition_by("stretch") if "stretch" in path.columns else [path]
        for number, piece in enumerate(pieces):
            panel.plot(
                piece["time_s"].to_numpy(),
                piece["pressure_pa"].to_numpy() / fit.per_unit,
                color=_style.INK,
                lw=1.1,
                label=None if number else "smoothed path",
            )
    finite = reading[np.isfinite(reading)]
    if finite.size:
        low, high = float(finite.min()), float(finite.max())
        margin = 0.06 * (high - low) or 1.0
        panel.set_ylim(low - margin, high + margin)


def _changes(panels: tuple[Axes, Axes], events: pl.DataFrame) -> None:
    for row in events.iter_rows(named=True):
        half = 0.5 * (row["time_width_s"] or 0.0)
        colour = _style.EVENT_COLOUR[row["event"]]
        for panel in panels:
            panel.axvspan(
                row["time_s"] - half, row["time_s"] + half, color=colour, alpha=0.35, lw=0
            )
            panel.axvline(row["time_s"], color=colour, lw=0.6, alpha=0.7)


def _displayed(panel: Axes, fit: Recording, events: pl.DataFrame) -> dict[str, str]:
    """Mark what the display showed at the changes; returns the largest visible difference, said.

    Visible is a difference that leaves the setpoint's interval.
    """
    said: dict[str, str] = {}
    for event, point in (("close", fit.close), ("open", fit.open)):
        rows = events.filter(pl.col("event") == event, pl.col("reading_pa").is_not_null())
        if not rows.height:
            continue
        at = rows["time_s"].to_numpy()
        shown = rows["reading_pa"].to_numpy() / fit.per_unit
        panel.plot(
            at,
            shown,
            ls="none",
            marker=_style.EVENT_MARKER[event],
            ms=6.5,
            mfc="white",
            mec=_style.INK,
            mew=1.1,
            zorder=4,
            label=f"display as contact {_style.EVENT_WORD[event]}",
        )
        if point is None:
            continue
        panel.vlines(at, point.value, shown, color=_style.INK, lw=1.4, zorder=3)
        low, high = point.interval(0.95)
        worst = float((shown - point.value)[np.argmax(np.abs(shown - point.value))])
        if math.isfinite(high - low) and not low <= point.value + worst <= high:
            places = decimals_for(abs(worst))
            side = "high" if worst > 0 else "low"
            said[event] = f"display up to {abs(worst):.{places}f} {side}"
    return said


def _setpoints(panel: Axes, fit: Recording, differences: dict[str, str]) -> None:
    bottom, top = panel.get_ylim()
    labels: list[tuple[float, str]] = []
    for event, point in (("close", fit.close), ("open", fit.open)):
        if point is None:
            continue
        low, high = point.interval(0.95)
        colour = _style.EVENT_COLOUR[event]
        dashes: Any = "-" if event == "close" else (0, (5, 2))
        panel.axhline(point.value, color=colour, lw=1.2, ls=dashes)
        number = f"{point.value:.4g}"
        wide = high - low > _FILLING * (top - bottom)
        if math.isfinite(high - low):
            if not wide:
                panel.axhspan(low, high, color=colour, alpha=0.22, lw=0)
            half = 0.5 * (high - low)
            number = f"{point.value:.{decimals_for(half)}f} ± {half:.{decimals_for(half)}f}"
        lines = [
            f"{_style.EVENT_WORD[event]} at", number, "(too wide to draw)" if wide else "",
            differences.get(event, ""),
        ]  # fmt: skip
        labels.append(((point.value - bottom) / (top - bottom), "\n".join(filter(None, lines))))
    panel.set_ylim(bottom, top)
    for height, text in _spread(labels):
        panel.text(1.01, height, text, transform=panel.transAxes, va="center", fontsize=9)


def _spread(labels: list[tuple[float, str]]) -> list[tuple[float, str]]:
    """Move two labels apart, evenly, when their lines lie too close for the text."""
    if len(labels) < 2:
        return labels
    (first, upper), (second, lower) = labels
    lines = 0.5 * (upper.count("\n") + lower.count("\n")) + 1.3
    lack = lines * _LINE - abs(first - second)
    if lack <= 0:
        return labels
    up = 0.5 * lack if first >= second else -0.5 * lack
    return [(first + up, upper), (second - up, lower)]


def _contact(panel: Axes, time: Floats, contact: ArrayLike, events: pl.DataFrame) -> None:
    channel = np.asarray(contact, dtype=np.float64)
    closed = _closed(time, events)
    panel.step(time, channel, where="post", color=_style.INK, lw=1.0)
    levels = [
        (float(np.nanmedian(channel[mask])), word)
        for mask, word in ((closed, "closed"), (~closed, "open"))
        if np.isfinite(channel[mask]).any()
    ]
    if events.height and len(levels) == 2 and levels[0][0] != levels[1][0]:
        ticks: Any = [level for level, _ in levels]
        panel.set_yticks(ticks, labels=[word for _, word in levels])
        span = abs(ticks[0] - ticks[1])
        below, above = min(ticks) - 0.3 * span, max(ticks) + 0.3 * span
        # A meter across the contact reads low when it is closed.
        panel.set_ylim((below, above) if ticks[0] > ticks[1] else (above, below))
    elif np.isfinite(channel).any():
        # The noise of one level, drawn as wide as the panel, would look like chatter.
        known = channel[np.isfinite(channel)]
        middle = float(np.median(known))
        reach = max(1.0, 0.25 * abs(middle), float(np.abs(known - middle).max()))
        panel.set_ylim(middle - reach, middle + reach)
    panel.set_ylabel("contact")
    for side in ("top", "right"):
        panel.spines[side].set_visible(False)
    bounced = int(events["bounces"].fill_null(0).sum()) if events.height else 0
    if bounced:
        panel.text(
            1.01,
            0.5,
            f"{bounced} bounce{'s' if bounced > 1 else ''}",
            transform=panel.transAxes,
            va="center",
            fontsize=9,
        )


def _closed(time: Floats, events: pl.DataFrame) -> NDArray[np.bool_]:
    """Which contact samples lie where the contact was closed, by the changes found."""
    ordered = events.sort("time_s")
    state = np.zeros(time.shape, dtype=bool)
    for index, row in enumerate(ordered.iter_rows(named=True)):
        if index == 0:
            state[:] = row["event"] == "open"
        state[time >= row["time_s"]] = row["event"] == "close"
    return state
