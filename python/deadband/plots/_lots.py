"""Where the setpoints of each lot lie, and what fraction of its switches is out of tolerance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import polars as pl

from .._errors import OptionError, check_option
from . import _style
from ._sensitivity import SHAPE_WORDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

Show = Literal["mean", "fraction"]

_X_LABEL: Final = {
    "mean": "deviation from the rating / %",
    "fraction": "fraction of the lot's switches / %",
}
#: Side, what is drawn above or below the row's middle, words, marker, colour.
_SIDES: Final = (
    ("unsafe", 0.16, "below the lower limit (unsafe)", "v", _style.UNSAFE),
    ("nuisance", -0.16, "above the upper limit (nuisance)", "s", _style.CLOSE),
)


def lots(found: Any, ax: Axes | None = None, *, show: Show = "mean") -> Axes:
    """Draw the lots in rows, with their limits or their fractions out of tolerance.

    `mean`: each switch as a grey stroke, the mean of the lot's own results as a hollow circle, the
    mean drawn towards its model as a full one with its interval, two standard deviations (sd)
    within the lot, measurement taken out, as a wide bar, and the tolerance limits. `fraction`: that
    on the unsafe side as a triangle and that on the nuisance side as a square, with intervals, and
    what was counted as a cross. A lot without numbers keeps its row and says so.

    Parameters
    ----------
    found
        What `deadband.lots.distribution` found.
    ax
        Axes to draw on; a new figure if None.
    show
        `mean` or `fraction`.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    OptionError
        `found` is something else, or `show` none of the above.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> from deadband import plots
    >>> from deadband.lots import distribution
    >>> switches = pl.DataFrame({"switch_id": ["a", "b", "c", "d", "e"], "lot": ["L"] * 5})
    >>> switches = switches.with_columns(rated_pa=pl.lit(60.0), action=pl.lit("fall"))
    >>> points = switches.select("switch_id", test_id="switch_id", method=pl.lit("ramp"))
    >>> points = points.with_columns(
    ...     open_pa=pl.Series([58.0, 61.0, 59.5, 60.2, 57.1]), open_u_pa=pl.lit(0.3),
    ...     close_pa=None, close_u_pa=None,
    ... )
    >>> plots.lots(distribution(points, switches)).get_xlabel()
    'deviation from the rating / %'
    """  # fmt: skip
    from ..lots import Lots

    check_option("show", show, _X_LABEL)
    if not isinstance(found, Lots):
        raise OptionError("found", type(found).__name__, ["what distribution found"])
    table = found.lots
    with _style.look():
        panel = _style.axes(ax, (8.4, 1.5 + 0.46 * max(table.height, 1)))
        if not table.height:
            return _style.nothing(panel, "There are no lots.")
        _style.calm(panel, "x")
        rows = np.arange(table.height, dtype=np.float64)[::-1]
        draw = _means if show == "mean" else _fractions
        draw(panel, found, rows)
        for row, status in zip(rows.tolist(), table["status"].to_list(), strict=True):
            if status != "ok":
                panel.text(
                    0.01, row, status.replace("_", " "), va="center", style="italic",
                    color=_style.MUTED, transform=panel.get_yaxis_transform(),
                )  # fmt: skip
        panel.set_yticks(rows, labels=_labels(found))
        panel.tick_params(axis="y", length=0)
        panel.set_ylim(-0.6, table.height - 0.4)
        shape = "" if found.shape == "normal" else f"; scatter: {SHAPE_WORDS[found.shape]}"
        panel.set_xlabel(_X_LABEL[show] + shape)
        _style.legend_above(panel, 3)
        return panel


def _labels(found: Any) -> list[str]:
    model = "model" if "model" in found.lots.columns and found.by != "model" else None
    return [
        f"{row[found.by] or 'no ' + found.by}"
        + (f" ({row[model]})" if model and row[model] else "")
        + f"; tested {row['n_tested']} of {row['n_switches']}"
        for row in found.lots.iter_rows(named=True)
    ]


def _percent(table: pl.DataFrame, column: str) -> Floats:
    found: Floats = 100.0 * table[column].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    return found


def _means(panel: Axes, found: Any, rows: Floats) -> None:
    table = found.lots
    keys = list(dict.fromkeys(name for name in ("model", found.by) if name in table.columns))
    places = table.select(keys).with_columns(_row=pl.Series(rows))
    tested = found.switches.filter(pl.col("state") == "tested").join(
        places, on=keys, nulls_equal=True
    )
    panel.plot(
        _percent(tested, "deviation"), tested["_row"].to_numpy() - 0.24, ls="none", marker="|",
        ms=6, mec=_style.DOT, label="switches",
    )  # fmt: skip
    for tolerance in found.tolerances:
        for side, word in ((-1.0, "limits"), (1.0, None)):
            panel.axvline(100.0 * side * tolerance, color=_style.INK, ls="--", lw=1.0, label=word)
    mean, sd = _percent(table, "mean"), _percent(table, "sd")
    panel.hlines(
        rows, mean - 2.0 * sd, mean + 2.0 * sd, color=_style.FAINT, lw=7.0, zorder=0.5,
        label="two sd within the lot",
    )  # fmt: skip
    panel.plot(
        _percent(table, "raw_mean"), rows, ls="none", marker="o", ms=8, mfc="none",
        mec=_style.MUTED, label="mean of its own results",
    )  # fmt: skip
    ends = np.array([mean - _percent(table, "mean_low"), _percent(table, "mean_high") - mean])
    known = np.isfinite(mean)
    panel.errorbar(
        mean[known], rows[known], xerr=np.maximum(ends[:, known], 0.0), fmt="o", ms=4.5,
        color=_style.CLOSE, elinewidth=1.4, capsize=2.5,
        label=f"mean, with its model ({100 * found.confidence:g} %)",
    )  # fmt: skip


def _fractions(panel: Axes, found: Any, rows: Floats) -> None:
    table = found.lots
    top = 1.0
    for side, aside, word, marker, colour in _SIDES:
        value = _percent(table, f"fraction_{side}")
        low, high = (_percent(table, f"fraction_{side}_{end}") for end in ("low", "high"))
        known = np.isfinite(value)
        ends = np.maximum(np.array([value - low, high - value])[:, known], 0.0)
        panel.errorbar(
            value[known], rows[known] + aside, xerr=ends, fmt=marker, ms=6, mfc=colour,
            mec=_style.INK, ecolor=colour, elinewidth=1.4, capsize=2.5, label=word,
        )  # fmt: skip
        counted = _percent(table, f"counted_p_{side}")
        panel.plot(
            counted, rows + aside, ls="none", marker="x", ms=6, mec=_style.INK, zorder=4,
            label="counted" if side == "nuisance" else None,
        )  # fmt: skip
        top = max(top, *np.nan_to_num(high), *np.nan_to_num(counted))
    panel.set_xlim(-0.02 * top, min(1.06 * top, 103.0))
