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
_LABEL_GAP: Final = 0.15  # of the panel's height: two lines of text


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
    display showed when the contact changed; where that lies outside the setpoint's interval, the
    largest difference is written beside it.

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
        _displayed(panel, fit, events)
        _setpoints(panel, fit)
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


def _displayed(panel: Axes, fit: Recording, events: pl.DataFrame) -> None:
    for event, setpoint in (("close", fit.close), ("open", fit.open)):
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
        if setpoint is not None:
            _difference(panel, at, shown, setpoint)


def _difference(panel: Axes, at: Floats, shown: Floats, point: Interval) -> None:
    """Write the largest difference between display and switch where the interval excludes it."""
    value = point.value
    low, high = point.interval(0.95)
    worst = int(np.argmax(np.abs(shown - value)))
    difference = float(shown[worst] - value)
    if not math.isfinite(high - low) or low <= shown[worst] <= high:
        return
    panel.vlines(at[worst], value, shown[worst], color=_style.INK, lw=1.4)
    places = decimals_for(abs(difference))
    left, right = panel.get_xlim()
    late = at[worst] > left + 0.6 * (right - left)
    panel.annotate(
        f"display {abs(difference):.{places}f} {'high' if difference > 0 else 'low'}",
        (float(at[worst]), float(shown[worst])),
        xytext=(-9 if late else 9, 11 if difference > 0 else -11),
        textcoords="offset points",
        ha="right" if late else "left",
        va="center",
        fontsize=8.5,
        bbox={"boxstyle": "square,pad=0.15", "fc": "white", "ec": "none", "alpha": 0.85},
        zorder=5,
    )


def _setpoints(panel: Axes, fit: Recording) -> None:
    bottom, top = panel.get_ylim()
    labels: list[tuple[float, str, str]] = []
    for event, point in (("close", fit.close), ("open", fit.open)):
        if point is None:
            continue
        value = point.value
        low, high = point.interval(0.95)
        colour = _style.EVENT_COLOUR[event]
        panel.axhline(value, color=colour, lw=1.2, ls="-" if event == "close" else (0, (5, 2)))
        text = f"{_style.EVENT_WORD[event]} at\n{value:.4g}"
        if math.isfinite(high - low):
            panel.axhspan(low, high, color=colour, alpha=0.22, lw=0)
            places = decimals_for(0.5 * (high - low))
            text = (
                f"{_style.EVENT_WORD[event]} at\n{value:.{places}f} ± {(high - low) / 2:.{places}f}"
            )
        labels.append(((value - bottom) / (top - bottom), text, event))
    panel.set_ylim(bottom, top)
    for height, text, _ in _spread(labels):
        panel.text(1.01, height, text, transform=panel.transAxes, va="center", fontsize=9)


def _spread(labels: list[tuple[float, str, str]]) -> list[tuple[float, str, str]]:
    """Move two labels apart, evenly, when their lines lie too close for the text."""
    if len(labels) == 2:
        (first, *_), (second, *_) = labels
        lack = _LABEL_GAP - abs(first - second)
        if lack > 0:
            up = 0.5 * lack if first >= second else -0.5 * lack
            return [(first + up, *labels[0][1:]), (second - up, *labels[1][1:])]
    return labels


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
        panel.set_ylim(min(ticks) - 0.3 * span, max(ticks) + 0.3 * span)
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
