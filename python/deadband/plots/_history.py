"""One switch over the years."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from .._coverage import expanded
from . import _style
from ._rated import with_rating

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def history(
    points: Any, switch_id: str, switches: Any, ax: Axes | None = None, *, unit: str = "Pa"
) -> Axes:
    """Draw the setpoints of one switch over its dates of test, with the limits.

    Both setpoints with 95 % intervals; the shape of a marker is the method of the test, and a line
    joins tests of one method. The band
    is the tolerance about the rating of the rated event. A test without numbers is a cross at the
    foot; the legend says why there are none.

    Parameters
    ----------
    points
        The table of `setpoints` or of `judge`.
    switch_id
        The switch.
    switches
        Table of switches: `switch_id`, `rated_pa`, `action`, `tolerance`.
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
    ValueError
        The switch is not in `points`, or the unit is not known.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> from datetime import datetime
    >>> from deadband import analyse, plots, simulate
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
    >>> gauge = simulate.Instrument(gauge_id="g1", lag_s=0.3, lag_u_s=0.02)
    >>> on = datetime(2024, 5, 1)
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge, tested_at=on)]
    >>> made = simulate.fleet(plan, seed=1)
    >>> whole = analyse(made.tests, made.switches, made.gauges)
    >>> plots.history(whole.verdicts, "s1", whole.switches, unit="inH2O").get_ylabel()
    'setpoint / inH₂O'
    """
    per_unit = _style.pascal_per(unit)
    table = with_rating(points, switches).filter(pl.col("switch_id") == switch_id)
    if not table.height:
        raise ValueError(f"switch {switch_id!r} has no test in points")
    table = table.filter(pl.col("tested_at").is_not_null()).sort("tested_at", "test_id")
    table = table.with_columns(
        pl.col("close_pa", "close_u_pa", "open_pa", "open_u_pa", "rated_pa") / per_unit
    )
    with _style.look():
        panel = _style.axes(ax, (8.4, 3.8))
        if not table.height:
            return _style.nothing(panel, f"No test of switch {switch_id} has a date.")
        _style.calm(panel)
        for event in ("close", "open"):
            _series(panel, table, event)
        _limits(panel, table, _style.pretty(unit))
        _without_numbers(panel, table)
        panel.set_ylabel(f"setpoint / {_style.pretty(unit)}")
        _methods(panel, table)
        _style.legend_above(panel, 4, title=f"switch {switch_id}")
        return panel


def _series(panel: Axes, table: pl.DataFrame, event: str) -> None:
    own = table.filter(pl.col(f"{event}_pa").is_finite())
    if not own.height:
        return
    colour = _style.EVENT_COLOUR[event]
    at = own["tested_at"].to_numpy()
    value = own[f"{event}_pa"].to_numpy()
    half = expanded(own[f"{event}_u_pa"], own[f"{event}_dof"]).fill_null(0.0).to_numpy()
    finite = np.where(np.isfinite(half), half, 0.0)
    solid = event == "close"
    panel.vlines(at, value - finite, value + finite, color=colour, lw=1.2)
    labelled = False
    for method in own["method"].unique(maintain_order=True).to_list():
        keep = own["method"].eq_missing(pl.Series([method])).to_numpy()
        # A line from one method to another would show the methods' difference as a drift.
        panel.plot(
            at[keep], value[keep], color=colour, lw=0.8, ls="-" if solid else "--", alpha=0.8
        )
        panel.plot(
            at[keep],
            value[keep],
            ls="none",
            marker=_style.METHOD_MARKER.get(method, "P"),
            ms=5.5,
            mfc=colour if solid else "white",
            mec=colour,
            mew=1.2,
            zorder=3,
            label=None if labelled else f"contact {_style.EVENT_WORD[event]}",
        )
        labelled = True


def _methods(panel: Axes, table: pl.DataFrame) -> None:
    present = table["method"].unique().to_list()
    shown = [method for method in _style.METHOD_WORD if method in present]
    if len(shown) < 2:
        return
    for method in shown:
        panel.plot(
            [], [], ls="none", ms=5.5, marker=_style.METHOD_MARKER[method],
            mfc="none", mec=_style.MUTED, label=_style.METHOD_WORD[method],
        )  # fmt: skip


def _limits(panel: Axes, table: pl.DataFrame, unit: str) -> None:
    row = table.row(0, named=True)
    rating, tolerance, event = row["rated_pa"], row["tolerance"], row["rated_event"]
    if rating is None or tolerance is None or event is None:
        return
    low, high = rating * (1.0 - tolerance), rating * (1.0 + tolerance)
    panel.axhspan(low, high, color=_style.FAINT, alpha=0.5, lw=0, zorder=0)
    for value, word in (
        (high, f"upper limit {high:.4g} {unit}"),
        (rating, f"rated {event} {rating:.4g} {unit}"),
        (low, f"lower limit {low:.4g} {unit},\nunsafe below"),
    ):
        panel.axhline(value, color=_style.MUTED, lw=0.8, ls=(0, (1, 2)) if value != rating else "-")
        panel.text(
            1.01,
            value,
            word,
            transform=panel.get_yaxis_transform(),
            va="top" if value == low else "center",
            fontsize=8.5,
        )


def _without_numbers(panel: Axes, table: pl.DataFrame) -> None:
    empty = table.filter(pl.col("close_pa").is_null() & pl.col("open_pa").is_null())
    if not empty.height:
        return
    panel.plot(
        empty["tested_at"].to_numpy(),
        np.zeros(empty.height) + 0.03,
        ls="none",
        marker="x",
        ms=6,
        mec=_style.INK,
        transform=panel.get_xaxis_transform(),
        clip_on=False,
        label=f"no numbers{_reasons(empty)}",
    )


def _reasons(empty: pl.DataFrame) -> str:
    """The statuses behind tests without numbers, the most frequent two."""
    counts = (
        empty.drop_nulls("status")
        .group_by("status")
        .len()
        .sort(["len", "status"], descending=[True, False])
    )
    words = [str(status).replace("_", " ") for status in counts["status"].head(2)]
    return f" ({', '.join(words)}{', …' if counts.height > 2 else ''})"
