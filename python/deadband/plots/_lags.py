"""The gauges' lags, with intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._coverage import expanded
from . import _style
from ._frame import collected

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SOURCE_WORD: Final = {
    "rates": "from rates",
    "step": "from a step",
    "reference": "from a reference",
    "stated": "stated",
    "": "source not stated",
}
_SOURCE_MARKER: Final = {"rates": "o", "step": "s", "reference": "D", "stated": "^", "": "P"}


def lags(lags: Any, ax: Axes | None = None) -> Axes:
    """Draw each gauge's mean lag with its 95 % interval, a row a gauge.

    The lag is that between the pressure and the contact channel: a slow contact meter is part of
    it. A gauge whose lag could not be told keeps its row and says so.

    Parameters
    ----------
    lags
        The table of `estimate_lag`.
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
    >>> plots.lags(whole.lags).get_xlabel()
    'mean lag / s'
    """
    table = collected(lags, "lags").with_columns(pl.col("source").fill_null(""))
    table = table.sort("gauge_id", descending=True, nulls_last=False)
    with _style.look():
        panel = _style.axes(ax, (7.0, 1.5 + 0.34 * max(table.height, 1)))
        if not table.height:
            return _style.nothing(panel, "No gauge is named in the tests.")
        _style.calm(panel, "x")
        half = expanded(table["lag_u_s"], table["dof"]).fill_null(0.0).to_numpy()
        value = table["lag_s"].cast(pl.Float64).to_numpy()
        finite = np.where(np.isfinite(half), half, 0.0)
        rows = np.arange(table.height)
        for source, marker in _SOURCE_MARKER.items():
            keep = table["source"].eq_missing(pl.Series([source])).to_numpy() & np.isfinite(value)
            if keep.any():
                panel.errorbar(
                    value[keep],
                    rows[keep],
                    xerr=finite[keep],
                    fmt=marker,
                    ms=6,
                    color=_style.CLOSE,
                    ecolor=_style.MUTED,
                    capsize=3,
                    label=_SOURCE_WORD[source],
                )
        for row in np.flatnonzero(~np.isfinite(value)).tolist():
            status = (table["status"][row] or "no value").replace("_", " ")
            panel.text(
                0.01, row, status, va="center", color=_style.MUTED, style="italic",
                transform=panel.get_yaxis_transform(),
            )  # fmt: skip
        panel.set_yticks(rows, labels=[gauge or "not named" for gauge in table["gauge_id"]])
        panel.tick_params(axis="y", length=0)
        panel.set_ylim(-0.6, table.height - 0.4)
        known = np.isfinite(value)
        if known.any():
            low = min(float((value - finite)[known].min()), 0.0)
            high = max(float((value + finite)[known].max()), 0.0)
            margin = 0.06 * (high - low) or 0.1
            panel.set_xlim(low - (margin if low < 0.0 else 0.0), high + margin)
        panel.axvline(0.0, color=_style.MUTED, lw=0.8)
        panel.set_xlabel("mean lag / s")
        _style.legend_above(panel)
        return panel
