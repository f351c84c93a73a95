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
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_SOURCE_WORD: Final = {
    "rates": "from rates",
    "step": "from a step",
    "reference": "from a reference",
    "stated": "stated",
    "pooled": "pooled",
    "": "other source",
}
_ASIDE: Final = 0.22  # how far below its row the stated lag is drawn
_SOURCE_MARKER: Final = {
    "rates": "o",
    "step": "s",
    "reference": "D",
    "stated": "^",
    "pooled": "p",
    "": "P",
}


def lags(lags: Any, ax: Axes | None = None, *, gauges: Any | None = None) -> Axes:
    """Draw each gauge's mean lag with its 95 % interval, a row a gauge.

    The lag is that between the pressure and the contact channel: a slow contact meter is part of
    it. A gauge whose lag could not be told keeps its row and says so. With `gauges` the lag that is
    stated of a gauge stands hollow below the one that was found.

    Parameters
    ----------
    lags
        The table of `estimate_lag`.
    ax
        Axes to draw on; a new figure if None.
    gauges
        The table of gauges, if anything is stated of them.

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
    of = pl.col("source")
    # A way to a lag that has no mark of its own is drawn all the same.
    known = pl.when(of.is_in(list(_SOURCE_MARKER))).then(of).otherwise(pl.lit("")).alias("source")
    table = collected(lags, "lags").with_columns(known)
    table = table.sort("gauge_id", descending=True, nulls_last=False)
    with _style.look():
        panel = _style.axes(ax, size_for(table.height))
        if not table.height:
            return _style.nothing(panel, "No gauge is named in the tests.")
        _style.calm(panel, "x")
        rows = np.arange(table.height, dtype=np.float64)
        value, wide = _interval(table)
        seen = [*(value - wide), *(value + wide)]
        for source, marker in _SOURCE_MARKER.items():
            keep = table["source"].eq_missing(pl.Series([source])).to_numpy() & np.isfinite(value)
            _bars(
                panel, value[keep], rows[keep], wide[keep],
                marker=marker, label=_SOURCE_WORD[source],
            )  # fmt: skip
        if gauges is not None:
            stated, wide = _interval(_stated(table, gauges))
            keep = np.isfinite(stated) & (table["source"] != "stated").to_numpy()
            seen += [*(stated - wide)[keep], *(stated + wide)[keep]]
            _bars(
                panel, stated[keep], rows[keep] - _ASIDE, wide[keep],
                marker=_SOURCE_MARKER["stated"], label="stated", fill="white",
            )  # fmt: skip
        for row in np.flatnonzero(~np.isfinite(value)).tolist():
            status = (table["status"][row] or "no value").replace("_", " ")
            panel.text(
                0.01, row, status, va="center", color=_style.MUTED, style="italic",
                transform=panel.get_yaxis_transform(),
            )  # fmt: skip
        panel.set_yticks(rows, labels=[gauge or "not named" for gauge in table["gauge_id"]])
        panel.tick_params(axis="y", length=0)
        panel.set_ylim(-0.6, table.height - 0.4)
        finite = [edge for edge in seen if np.isfinite(edge)]
        if finite:
            low, high = min(*finite, 0.0), max(*finite, 0.0)
            margin = 0.06 * (high - low) or 0.1
            panel.set_xlim(low - (margin if low < 0.0 else 0.0), high + margin)
        panel.axvline(0.0, color=_style.MUTED, lw=0.8)
        panel.set_xlabel("mean lag / s")
        _style.legend_above(panel)
        return panel


def size_for(gauges: int) -> tuple[float, float]:
    """Size in inches of the picture of that many gauges."""
    return 8.4, 1.1 + 0.28 * max(gauges, 1)


def _stated(table: pl.DataFrame, gauges: Any) -> pl.DataFrame:
    """What is stated of each gauge of `table`, in its order; certain where no more is said."""
    told = collected(gauges, "gauges").select("gauge_id", "lag_s", "lag_u_s")
    told = told.unique("gauge_id", keep="first").with_columns(dof=pl.lit(None, dtype=pl.Float64))
    return table.select("gauge_id").join(told, on="gauge_id", how="left", maintain_order="left")


def _interval(table: pl.DataFrame) -> tuple[Floats, Floats]:
    """Values, and halves of their intervals; zero where there is none."""
    half = expanded(table["lag_u_s"], table["dof"]).fill_null(0.0).to_numpy()
    return table["lag_s"].cast(pl.Float64).to_numpy(), np.where(np.isfinite(half), half, 0.0)


def _bars(
    panel: Axes,
    at: Floats,
    rows: Floats,
    half: Floats,
    *,
    marker: str,
    label: str,
    fill: str = _style.CLOSE,
) -> None:
    if at.size:
        panel.errorbar(
            at, rows, xerr=half, fmt=marker, ms=5, mfc=fill, mec=_style.CLOSE, label=label,
            ecolor=_style.MUTED, elinewidth=1.2, capsize=2.5,
        )  # fmt: skip
