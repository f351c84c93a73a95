"""A fleet's setpoints against their ratings, with intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from . import _style
from ._rated import rated

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_ROWS: Final = 40  # switches that can be named one by one
_UNSAFE: Final = "unsafe side: still closed below the lower limit"
_NUISANCE: Final = "nuisance side: locks out above the upper limit"


def setpoints(points: Any, switches: Any, ax: Axes | None = None) -> Axes:
    """Draw how far each test found the rated setpoint from its rating, in % of the rating.

    Up to 40 switches get a named row each, their tests from top to bottom in the order of the
    dates. Larger fleets are drawn sorted, one group a method. Bars are 95 % intervals; the band
    is the tolerance. With verdicts, hollow markers conform, half-filled ones are undecided and
    filled ones do not conform.

    Parameters
    ----------
    points
        The table of `setpoints`, or that of `judge`, which adds the verdicts.
    switches
        Table of switches: `switch_id`, `rated_pa`, `action`, `tolerance`.
    ax
        Axes to draw on; a new figure if None.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    SchemaError
        A column is missing.
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
    >>> plots.setpoints(whole.verdicts, whole.switches).get_xlabel().splitlines()[1]
    'setpoint minus rating / % of rating'
    """
    table = rated(points, switches)
    count = table["switch_id"].n_unique()
    named = count <= _ROWS
    with _style.look():
        panel = _style.axes(ax, (8.4, height_for(count)))
        if not table.height:
            return _style.nothing(panel, "No test gave a setpoint that has a rating.")
        _style.calm(panel, "x" if named else "y")
        if named:
            _by_switch(panel, table)
        else:
            _by_method(panel, table)
        _legend(panel, table)
        return panel


def height_for(switches: int) -> float:
    """Height in inches of the picture of that many switches."""
    return max(1.7 + 0.24 * switches, 2.6) if switches <= _ROWS else 4.6


def _by_switch(panel: Axes, table: pl.DataFrame) -> None:
    order = (
        table.group_by("switch_id")
        .agg(pl.col("deviation_pct").sort_by("tested_at").last(), pl.col("tolerance_pct").first())
        .sort("deviation_pct", "switch_id", descending=[True, False])
        .with_row_index("row")
    )
    # Tests of one switch share its row, earliest on top, without leaving it.
    turn = pl.int_range(pl.len()).over("switch_id")
    of = pl.len().over("switch_id").cast(pl.Float64)
    placed = (
        table.join(order.select("switch_id", "row"), on="switch_id")
        .sort("switch_id", "tested_at", "test_id")
        .with_columns((pl.col("row") - 0.7 * ((turn + 0.5) / of - 0.5)).alias("at"))
    )
    edges = np.arange(order.height + 1) - 0.5
    tolerance = order["tolerance_pct"].fill_null(0.0).to_numpy()
    wide = np.append(tolerance, tolerance[-1])
    panel.fill_betweenx(edges, -wide, wide, step="post", color=_style.FAINT, alpha=0.55, lw=0)
    panel.axvline(0.0, color=_style.MUTED, lw=0.8)
    _marks(panel, placed, upright=False)
    panel.set_yticks(np.arange(order.height), labels=order["switch_id"].to_list())
    panel.tick_params(axis="y", length=0)
    panel.set_ylim(-0.6, order.height - 0.4)
    panel.set_xlim(*_limits(table))
    panel.set_xlabel(
        f"◂ {_UNSAFE}          {_NUISANCE} ▸\nsetpoint minus rating / % of rating", fontsize=8.5
    )


def _by_method(panel: Axes, table: pl.DataFrame) -> None:
    start = 0
    ticks: list[tuple[float, str]] = []
    gap = max(table.height // 40, 2)
    present = table["method"].unique().to_list()
    known = [method for method in _style.METHOD_WORD if method in present]
    for method in [*known, *sorted(m for m in present if m and m not in known)]:
        placed = (
            table.filter(pl.col("method") == method)
            .sort("deviation_pct", "test_id")
            .with_columns((pl.int_range(pl.len()) + start).cast(pl.Float64).alias("at"))
        )
        at = placed["at"].to_numpy()
        edges = np.append(at, at[-1] + 1.0) - 0.5
        tolerance = placed["tolerance_pct"].fill_null(0.0).to_numpy()
        wide = np.append(tolerance, tolerance[-1])
        panel.fill_between(edges, -wide, wide, step="post", color=_style.FAINT, alpha=0.55, lw=0)
        _marks(panel, placed, upright=True)
        word = _style.METHOD_WORD.get(method, method)
        ticks.append((float(at.mean()), f"{word}\n{placed.height} tests"))
        start += placed.height + gap
    panel.axhline(0.0, color=_style.MUTED, lw=0.8)
    panel.set_xticks([at for at, _ in ticks], labels=[word for _, word in ticks])
    panel.tick_params(axis="x", length=0)
    panel.set_xlim(-gap, start)
    panel.set_ylim(*_limits(table))
    panel.set_ylabel("setpoint minus rating / % of rating")
    for height, text in ((0.015, _UNSAFE), (0.985, _NUISANCE)):
        panel.text(
            0.995,
            height,
            text,
            transform=panel.transAxes,
            ha="right",
            va="bottom" if height < 0.5 else "top",
            fontsize=8.5,
            bbox={"boxstyle": "square,pad=0.2", "fc": "white", "ec": "none", "alpha": 0.8},
        )


def _marks(panel: Axes, placed: pl.DataFrame, *, upright: bool) -> None:
    size = 5.5 if placed.height <= 150 else 3.5
    verdicts = placed["verdict"] if "verdict" in placed.columns else None
    at = placed["at"].to_numpy()
    value = placed["deviation_pct"].to_numpy()
    half = placed["expanded_pct"].fill_null(0.0).to_numpy()
    finite = np.where(np.isfinite(half), half, 1e3)  # the axes cut it off at both ends
    lines = panel.vlines if upright else panel.hlines
    lines(at, value - finite, value + finite, color=_style.DOT, lw=0.9, zorder=2)
    for method in placed["method"].unique().sort().to_list():
        for verdict in (None, *_style.VERDICT_LOOK):
            keep = placed["method"].eq_missing(pl.Series([method])).to_numpy()
            if verdicts is not None:
                keep = keep & verdicts.eq_missing(pl.Series([verdict])).to_numpy()
            elif verdict is not None:
                continue
            x, y = (at[keep], value[keep]) if upright else (value[keep], at[keep])
            panel.plot(
                x,
                y,
                ls="none",
                marker=_style.METHOD_MARKER.get(method, "P"),
                ms=size,
                zorder=3,
                **_style.VERDICT_LOOK.get(verdict or "", _style.PLAIN),
            )


def _limits(table: pl.DataFrame) -> tuple[float, float]:
    """Every value in view; an interval may run out of the picture, a value never."""
    value = table["deviation_pct"].to_numpy()
    tolerance = float(table["tolerance_pct"].drop_nulls().max() or 0.0)  # type: ignore[arg-type]
    half = table["expanded_pct"].fill_null(0.0).fill_nan(0.0).to_numpy()
    reach = float(np.quantile(half[np.isfinite(half)], 0.9)) if np.isfinite(half).any() else 0.0
    low = min(float(value.min()) - reach, -1.3 * tolerance)
    high = max(float(value.max()) + reach, 1.3 * tolerance)
    margin = 0.04 * (high - low) or 1.0
    return low - margin, high + margin


def _legend(panel: Axes, table: pl.DataFrame) -> None:
    shown = table["method"].unique().to_list()
    for method, word in _style.METHOD_WORD.items():
        if method in shown:
            panel.plot(
                [], [], ls="none", ms=5.5, marker=_style.METHOD_MARKER[method],
                mfc="none", mec=_style.MUTED, label=word,
            )  # fmt: skip
    if "verdict" in table.columns:
        for verdict, appearance in _style.VERDICT_LOOK.items():
            panel.plot(
                [], [], ls="none", ms=5.5, marker="o", label=verdict.replace("_", " "),
                **appearance,
            )  # fmt: skip
    panel.fill_between([], [], color=_style.FAINT, alpha=0.55, lw=0, label="tolerance")
    _style.legend_above(panel, 7)
