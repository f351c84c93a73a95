"""Where the error of each method comes from, and the calls of an operator in their order."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._columns import need_columns
from .._errors import OptionError
from .._frames import lazy
from . import _style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..methods import Feedback

#: Causes in the order of the stack: colour and hatch.
_LOOK: Final = {
    "lag": ("#0b4f83", ""),
    "refresh": ("#56b4e9", "///"),
    "reaction": ("#e69f00", ""),
    "resolution": ("#f0e8d0", "..."),
    "sampling": ("#009e73", "\\\\\\"),
    "reading": ("#cfe3d8", "xxx"),
    "switch": ("#cc79a7", "---"),
    "calibration": ("#8a8f94", "++"),
    "reference": ("#d9dee2", "|||"),
}
_WORD: Final = {
    "lag": "lag of the gauge", "refresh": "refresh of the display", "reaction": "reaction",
    "resolution": "resolution", "sampling": "sampling", "reading": "noise of readings",
    "switch": "switch", "calibration": "calibration", "reference": "reference",
}  # fmt: skip
_TOTALS: Final = ("common_rate", "predicted", "observed", "unexplained")
_NEEDED: Final = ("cause", "bias_pa", "bias_low_pa", "bias_high_pa", "sd_pa", "sd_low_pa",
                  "sd_high_pa")  # fmt: skip
_REST: Final = ("bias_u_pa", "sd_u_pa", "n_results", "n_switches", "source", "status")
_WIDTH: Final = 0.34
_MIDDLE: Final = 1.96


def causes(found: Any, ax: tuple[Axes, Axes] | None = None, *, unit: str = "Pa") -> Figure:
    """Draw the causes of each group's error as stacks, beside what was observed.

    Left the mean errors: what raises the result is stacked upwards from zero, what lowers it
    downwards; the line across is the sum predicted, the point the mean observed with its interval.
    Right the scatter of one result: stacks are of variances, so heights that are twice as large
    are 1.4 times the standard deviation, which is what the axis says; the line across is the sum
    with what scatters on one and the same rate take from each other. Below each group stands what
    is unexplained.

    Parameters
    ----------
    found
        The table of `methods.causes`.
    ax
        Two axes to draw on; a new figure if None.
    unit
        Unit of pressure to draw in.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    SchemaError
        A column is missing.
    OptionError
        `ax` is not two axes.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> from deadband import plots
    >>> nothing = {"bias_low_pa": None, "bias_high_pa": None, "sd_low_pa": None, "sd_high_pa": None}
    >>> found = pl.DataFrame(
    ...     [
    ...         {"method": "pinch", "cause": name, "bias_pa": bias, "sd_pa": sd, **nothing}
    ...         for name, bias, sd in [("lag", 9.0, 2.0), ("reaction", -7.0, 3.0)]
    ...     ]
    ... )
    >>> [panel.get_ylabel() for panel in plots.causes(found).axes]
    ['mean error / Pa', 'standard deviation of one result / Pa']
    """
    per_unit = _style.pascal_per(unit)
    table = lazy(found, "causes").collect()
    need_columns(table, _NEEDED, "causes", "give what methods.causes found")
    groups = [name for name in table.columns if name not in (*_NEEDED, *_REST)]
    parts = _parts(table, groups)
    if ax is not None and not _are_two(ax):
        raise OptionError("ax", type(ax).__name__, ["two axes, for bias and scatter"])
    with _style.look():
        left, right = ax if ax is not None else _panels(len(parts))
        for panel in (left, right):
            _style.calm(panel)
        if not parts:
            _style.nothing(right, "")
            return _figure(_style.nothing(left, "No result stands beside a reference."))
        printed = _style.pretty(unit)
        for at, (_, part) in enumerate(parts):
            _biases(left, at, part, per_unit)
            _scatters(right, at, part, per_unit)
        left.axhline(0.0, color=_style.INK, lw=0.9)
        left.set_ylabel(f"mean error / {printed}")
        right.set_ylabel(f"standard deviation of one result / {printed}")
        _as_variances(right)
        for panel, which in ((left, "bias_pa"), (right, "sd_pa")):
            names = [f"{name}\n{_left_over(part, which, per_unit)}" for name, part in parts]
            panel.set_xticks(range(len(parts)), names, fontsize=8.5)
            panel.set_xlim(-0.6, len(parts) - 0.4)
            panel.set_xlabel(f"rest: unexplained / {printed}", fontsize=8.5)
            panel.tick_params(axis="x", length=0)
        left.set_title("bias, by cause")
        right.set_title("scatter, by cause (variances stacked)")
        handles, labels = _handles(left, right)
        _figure(left).legend(
            handles, labels, loc="outside lower center", ncols=min(5, max(len(labels), 1)),
            frameon=False, handlelength=2.2, handleheight=1.2,
        )  # fmt: skip
        return _figure(left)


def _are_two(ax: Any) -> bool:
    return isinstance(ax, Collection) and len(ax) == 2


def _panels(groups: int) -> tuple[Axes, Axes]:
    from matplotlib import pyplot

    _, panels = pyplot.subplots(1, 2, figsize=(5.2 + 1.5 * max(groups, 2), 4.6))
    return panels[0], panels[1]


def _figure(panel: Axes) -> Figure:
    figure: Any = panel.get_figure()
    whole: Figure = figure
    return whole


def _parts(table: pl.DataFrame, groups: list[str]) -> list[tuple[str, dict[str, dict[str, Any]]]]:
    """Name and lines of every group."""
    if not table.height:
        return []
    if not groups:
        return [("all", {row["cause"]: row for row in table.iter_rows(named=True)})]
    return [
        (
            ", ".join(_style.METHOD_WORD.get(str(key), str(key)) for key in keys),
            {row["cause"]: row for row in part.iter_rows(named=True)},
        )
        for keys, part in table.group_by(groups, maintain_order=True)
    ]


def _bar(panel: Axes, at: float, bottom: float, height: float, cause: str) -> None:
    colour, hatch = _LOOK[cause]
    panel.bar(
        at, height, _WIDTH, bottom=bottom, color=colour, hatch=hatch, edgecolor=_style.INK,
        lw=0.6, label=_WORD[cause],
    )  # fmt: skip


def _biases(panel: Axes, at: int, part: dict[str, dict[str, Any]], per_unit: float) -> None:
    ends = {True: 0.0, False: 0.0}
    for cause in _LOOK:
        shift = (part.get(cause, {}).get("bias_pa") or 0.0) / per_unit
        if shift:
            _bar(panel, at - 0.12, ends[shift > 0.0], shift, cause)
            ends[shift > 0.0] += shift
    if (total := part.get("predicted", {}).get("bias_pa")) is not None:
        _across(panel, at, total / per_unit)
    _observed(panel, at, part.get("observed", {}), "bias", lambda pa: pa / per_unit)


def _scatters(panel: Axes, at: int, part: dict[str, dict[str, Any]], per_unit: float) -> None:
    top = 0.0
    for cause in _LOOK:
        square = ((part.get(cause, {}).get("sd_pa") or 0.0) / per_unit) ** 2
        if square:
            _bar(panel, at - 0.12, top, square, cause)
            top += square
    if (total := part.get("predicted", {}).get("sd_pa")) is not None:
        _across(panel, at, (total / per_unit) ** 2)
    _observed(panel, at, part.get("observed", {}), "sd", lambda pa: (pa / per_unit) ** 2)


def _across(panel: Axes, at: int, height: float) -> None:
    ends = [at - 0.12 - 0.62 * _WIDTH, at - 0.12 + 0.62 * _WIDTH]
    panel.plot(ends, [height, height], color=_style.INK, lw=2.4, label="sum predicted")


def _observed(panel: Axes, at: int, row: dict[str, Any], which: str, scale: Any) -> None:
    if row.get(f"{which}_pa") is None:
        return
    value = scale(row[f"{which}_pa"])
    ends = [row[f"{which}_{end}_pa"] for end in ("low", "high")]
    if None not in ends:
        panel.vlines(at + 0.24, *(scale(end) for end in ends), color=_style.INK, lw=1.4)
    panel.plot(
        at + 0.24, value, ls="none", marker="D", ms=6.0, mfc="white", mec=_style.INK,
        label="observed, with interval",
    )  # fmt: skip


def _left_over(part: dict[str, dict[str, Any]], which: str, per_unit: float) -> str:
    rest = part.get("unexplained", {}).get(which)
    return "" if rest is None else f"rest {rest / per_unit:{'+.2f' if per_unit < 10.0 else '+.2g'}}"


def _as_variances(panel: Axes) -> None:
    """Ticks that say standard deviations on an axis of variances."""
    from matplotlib.ticker import MaxNLocator

    panel.set_ylim(bottom=0.0)
    top = panel.get_ylim()[1]
    steps = MaxNLocator(5, steps=[1, 2, 5, 10]).tick_values(0.0, float(np.sqrt(top)))
    shown = [float(sd) for sd in steps if sd >= 0.0 and sd * sd <= top]
    panel.set_yticks([sd * sd for sd in shown], [f"{sd:g}" for sd in shown])


def _handles(*panels: Axes) -> tuple[list[Any], list[str]]:
    known: dict[str, Any] = {}
    for panel in panels:
        for handle, label in zip(*panel.get_legend_handles_labels(), strict=True):
            known.setdefault(label, handle)
    order = (*_WORD.values(), "sum predicted", "observed, with interval")
    kept = [word for word in order if word in known]
    return [known[word] for word in kept], kept


def feedback(found: Feedback, operator: str, ax: Axes | None = None, *, unit: str = "Pa") -> Axes:
    """Draw an operator's calls against the truth, in their order.

    Each call is a point at its error, with the 95 % interval of its truth, marked by method; the
    band is the interval of the mean error, dotted lines part the days.

    Parameters
    ----------
    found
        What `methods.feedback` found.
    operator
        Which operator; of several groups by operator and more, all are drawn in order of time.
    ax
        Axes to draw on; a new figure if None.
    unit
        Unit of pressure to draw in.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    DeadbandError
        `found` is something else.
    OptionError
        There is no such operator, or the groups were not made by operator.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> from datetime import datetime
    >>> from deadband import methods, plots
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": ["a", "b"], "switch_id": ["s"] * 2, "operator_id": ["ann"] * 2,
    ...         "tested_at": [datetime(2024, 5, 1), datetime(2024, 5, 2)], "method": ["ramp"] * 2,
    ...         "open_pa": [60.0, 60.2], "open_u_pa": [0.2] * 2,
    ...         "close_pa": [None] * 2, "close_u_pa": [None] * 2,
    ...     }
    ... )  # fmt: skip
    >>> tests = pl.DataFrame({"test_id": ["a", "b"], "called_open_pa": [58.0, 59.0]})
    >>> plots.feedback(methods.feedback(points, tests), "ann").get_xlabel()
    'call'
    """
    from ..methods.feedback import Feedback

    per_unit = _style.pascal_per(unit)
    _style.need_kind(found, Feedback, "methods.feedback")
    if "operator_id" not in found.operators.columns:
        raise OptionError("by", found.operators.columns[:1], ["groups by operator_id"])
    names = found.operators["operator_id"].to_list()
    if operator not in names:
        raise OptionError("operator", operator, sorted(set(names))[:5])
    calls = found.calls.filter(pl.col("operator_id") == operator, pl.col("status") == "ok")
    calls = calls.sort("tested_at", "test_id")
    told = found.operators.filter(pl.col("operator_id") == operator)
    with _style.look():
        panel = _style.axes(ax, (8.4, 3.8))
        if not calls.height:
            return _style.nothing(panel, "No call has a truth and a date.")
        _style.calm(panel)
        at = np.arange(1, calls.height + 1)
        error = calls["error_pa"].to_numpy() / per_unit
        wide = _MIDDLE * calls["truth_u_pa"].fill_null(0.0).to_numpy() / per_unit
        panel.vlines(at, error - wide, error + wide, color=_style.DOT, lw=1.4)
        for method in calls["method"].unique(maintain_order=True).to_list():
            keep = calls["method"].eq_missing(pl.Series([method])).to_numpy()
            panel.plot(
                at[keep], error[keep], ls="none", marker=_style.METHOD_MARKER.get(method, "P"),
                ms=5.5, mfc="white", mec=_style.CLOSE,
                label=_style.METHOD_WORD.get(method, "method not stated"),
            )  # fmt: skip
        if told.height == 1 and told["mean_low_pa"][0] is not None:
            low, high = (told[f"mean_{end}_pa"][0] / per_unit for end in ("low", "high"))
            panel.axhspan(low, high, color=_style.SERIES[4], alpha=0.3, lw=0, label="mean error")
        panel.axhline(0.0, color=_style.INK, lw=0.9)
        days = calls["session"].to_list()
        for turn in range(1, len(days)):
            if days[turn] != days[turn - 1] and len(set(days)) <= 12:
                panel.axvline(turn + 0.5, color=_style.MUTED, lw=0.8, ls=(0, (1, 2)))
        panel.set_xlabel("call")
        panel.set_ylabel(f"called minus truth / {_style.pretty(unit)}")
        panel.set_xlim(0.4, calls.height + 0.6)
        words = told["sentence"][0].split("; ")[0] if told.height == 1 else f"{told.height} groups"
        _style.legend_above(panel, 4, title=f"{operator}: {words}")
        return panel
