"""A control chart with its limits and signals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._core import tables
from .._errors import OptionError, SchemaError
from .._frames import lazy
from . import _style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SIGNAL = {"above": "^", "below": "v"}
_TYPES: Final = {"f64": pl.Float64(), "str": pl.String()}


def chart(found: Any, name: str, ax: Axes | None = None, *, by: str = "switch_id") -> Axes:
    """Draw a chart test by test, its limits, and a triangle where it signals.

    The triangle points to the side on which the limit was passed. Of cumulative sums both are
    drawn, the lower one downward.

    Parameters
    ----------
    found
        What `deadband.chart` returned, as a frame of any library.
    name
        Which group.
    ax
        Axes to draw on; a new figure if None.
    by
        The column that `deadband.chart` grouped by.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    OptionError
        There is no such group in `found`.
    SchemaError
        `found` lacks a column: `by` is another than `deadband.chart` had, or it is no such table.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> from deadband import chart as charted, plots
    >>> from deadband._forecast import _example
    >>> found = charted(_example()[0], "individuals", baseline=5)
    >>> plots.chart(found, "s01").get_xlabel()
    'test'
    """
    table = _table(found, by)
    whole = table.filter(pl.col(by) == name)
    if not whole.height:
        raise OptionError("name", name, table[by].unique().sort().head(5).to_list())
    # A test that stands in several rows is in none of the statistics.
    charted = whole.filter(pl.col("status") != "duplicate_id")
    own = charted if charted.height else whole
    sums = own["lower_statistic"].is_not_null().any()
    at = np.arange(1, own.height + 1)
    with _style.look():
        from matplotlib.ticker import MaxNLocator

        panel = _style.axes(ax, (8.4, 3.4))
        if own["statistic"].is_null().all():
            return _style.nothing(panel, f"{name} has no chart: {own['status'][0]}")
        _style.calm(panel)
        for column, word in (("high", "limits"), ("low", None)):
            panel.step(
                at, own[column].to_numpy(), where="mid", color=_style.UNSAFE, lw=1.0, ls="--",
                label=word,
            )  # fmt: skip
        centre = 0.0 if sums else own["target_pa"][0]
        panel.axhline(centre, color=_style.MUTED, lw=0.8, label="target")
        _statistic(panel, at, own, ("statistic", "sum above" if sums else "statistic", "o"))
        if sums:
            _statistic(panel, at, own, ("lower_statistic", "sum below", "s"))
        _signals(panel, at, own, sums=bool(sums))
        panel.set_xlabel("test")
        panel.set_ylabel("sum / standard deviations" if sums else "statistic / Pa")
        panel.xaxis.set_major_locator(MaxNLocator(integer=True))
        _style.legend_above(panel, 5, title=f"{by.removesuffix('_id')} {name}")
        return panel


def _table(found: Any, by: str) -> pl.DataFrame:
    """The frame with the types of a chart: other libraries keep an empty column as any."""
    table = lazy(found, "chart").collect()
    types = {name: _TYPES[kind] for name, kind in tables()["charts"] if kind in _TYPES}
    for column in (by, *types):
        wanted, present = types.get(column), table.schema.get(column)
        if present is None:
            kind, message = "missing_column", "there is no such column"
        elif wanted is None or present in (wanted, pl.Null):
            continue
        else:
            kind, message = "wrong_type", f"its type is {present}, not {wanted}"
        raise SchemaError(
            kind, message, column=column, table="chart", present=table.columns,
            advice="give what chart returned, and the by that it had",
        )  # fmt: skip
    return table.with_columns(pl.col(name).cast(dtype) for name, dtype in types.items())


def _statistic(panel: Axes, at: Any, own: pl.DataFrame, look: tuple[str, str, str]) -> None:
    column, word, marker = look
    panel.plot(
        at, own[column].to_numpy(), color=_style.CLOSE, lw=1.0, marker=marker, ms=4.0, mfc="white",
        label=word,
    )  # fmt: skip


def _signals(panel: Axes, at: Any, own: pl.DataFrame, *, sums: bool) -> None:
    for side, marker in _SIGNAL.items():
        there = (own["signal"] == side).fill_null(value=False).to_numpy()
        if there.any():
            column = "lower_statistic" if sums and side == "below" else "statistic"
            panel.plot(
                at[there], own[column].to_numpy()[there], ls="none", marker=marker, ms=8.0,
                mfc=_style.UNSAFE, mec=_style.INK, zorder=4, label=f"signal, {side}",
            )  # fmt: skip
