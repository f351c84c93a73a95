"""How often each method passes an unsafe switch and condemns a good one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import polars as pl

from .._columns import need_columns
from .._errors import check_option
from .._frames import lazy
from . import _style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

Of = Literal["all", "each"]

#: The kinds: column of all switches, column of its own kind, what was counted, words, look.
_PASSED: Final = ("p_passed_unsafe", "p_passed_of_unsafe", "unsafe and passed", "v", _style.UNSAFE)
_CONDEMNED: Final = (
    "p_condemned_good", "p_condemned_of_good", "good and condemned", "s", _style.CLOSE,
)  # fmt: skip
_ASIDE: Final = 0.16
#: Least share, in %, that a logarithmic axis shows; what lies below is an arrow at its edge.
_LEAST: Final = 0.01
_X_LABEL: Final = {
    "all": "share of all switches / %",
    "each": "share of the unsafe, and of the good switches / %",
}


def risk(
    found: Any,
    ax: Axes | None = None,
    *,
    of: Of = "all",
    axis: Literal["linear", "log"] = "linear",
) -> Axes:
    """Draw what each method passes and condemns wrongly, with intervals, a row a group.

    A triangle is the share of switches that are unsafe and pass, a square that of the good ones
    that are condemned; of all switches also what was counted in the rounds, as a thin cross. A
    group without numbers keeps its row and says so.

    Parameters
    ----------
    found
        What `deadband.methods.misjudgement` returned; several of them by `polars.concat`, called
        values beside fitted ones.
    ax
        Axes to draw on; a new figure if None.
    of
        `all`: shares of all switches; `each`: of the unsafe ones that pass, of the good ones that
        are condemned.
    axis
        `linear`, or `log`, where a share below 0.01 % is an arrow at the edge: it has no place on
        such an axis, zero least of all.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    SchemaError
        A column is missing.
    OptionError
        `of` or `axis` is none of the above.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> from deadband import plots
    >>> shares = {"p_passed_unsafe": 1.2, "p_condemned_good": 7.0}
    >>> found = pl.DataFrame({"method": ["pinch"], "status": ["ok"]}).with_columns(
    ...     pl.lit(share * factor / 100).alias(name + end)
    ...     for name, share in shares.items()
    ...     for end, factor in (("", 1.0), ("_low", 0.5), ("_high", 1.8))
    ... )
    >>> plots.risk(found).get_xlabel()
    'share of all switches / %'
    """
    check_option("of", of, _X_LABEL)
    check_option("axis", axis, ["linear", "log"])
    table = lazy(found, "found").collect()
    kinds = [(kind[0 if of == "all" else 1], *kind[2:]) for kind in (_PASSED, _CONDEMNED)]
    columns = ("method", "status", *(f"{k[0]}{end}" for k in kinds for end in ("", "_low")))
    need_columns(table, columns, "found", "give what misjudgement returned")
    with _style.look():
        panel = _style.axes(ax, (8.4, 1.3 + 0.5 * max(table.height, 1)))
        if not table.height:
            return _style.nothing(panel, "There is no method to compare.")
        _style.calm(panel, "x")
        rows = np.arange(table.height, dtype=np.float64)[::-1]
        least = _LEAST if axis == "log" else 0.0
        top = max(_drawn(panel, table, rows, kinds, least, counted=of == "all"), 1.0)
        if axis == "log":
            panel.set_xscale("log")
            panel.set_xlim(least / 1.4, min(2.0 * top, 130.0))
            panel.xaxis.set_major_formatter("{x:g}")
        else:
            panel.set_xlim(-0.01 * top, min(1.06 * top, 102.0))
        for row, status in zip(rows.tolist(), table["status"].to_list(), strict=True):
            if status != "ok":
                panel.text(
                    0.01, row, (status or "no value").replace("_", " "), va="center",
                    color=_style.MUTED, style="italic", transform=panel.get_yaxis_transform(),
                )  # fmt: skip
        panel.set_yticks(rows, labels=_labels(table))
        panel.tick_params(axis="y", length=0)
        panel.set_ylim(-0.6, table.height - 0.4)
        panel.set_xlabel(_X_LABEL[of])
        _style.legend_above(panel, 3)
        return panel


def _labels(table: pl.DataFrame) -> list[str]:
    """Method, and whatever else sets the rows apart."""
    apart = [
        name
        for name in ("operator_id", "value", "rule", "shape")
        if name in table.columns and (name == "operator_id" or table[name].n_unique() > 1)
    ]
    words = {"fitted": "lag taken out", "reading": "as read", "called": "as called"}
    return [
        ", ".join(
            [
                _style.METHOD_WORD.get(row["method"], row["method"] or "not stated"),
                *(words.get(row[name], row[name] or "not named") for name in apart),
            ]
        )
        for row in table.iter_rows(named=True)
    ]


def _drawn(
    panel: Axes,
    table: pl.DataFrame,
    rows: Floats,
    kinds: list[tuple[str, str, str, str]],
    least: float,
    *,
    counted: bool,
) -> float:
    """Draw all kinds; the greatest share that is drawn, in %."""
    ok = (table["status"] == "ok").fill_null(value=False).to_numpy()
    seen = [0.0]
    for aside, (column, word, marker, colour) in zip((_ASIDE, -_ASIDE), kinds, strict=True):
        value, low, high = (_percent(table, f"{column}{end}") for end in ("", "_low", "_high"))
        keep = ok & np.isfinite(value)
        at = rows + aside
        under = keep & (value < least)
        whole = keep & ~under
        ends = np.array([value - np.fmax(low, least), high - value])[:, whole]
        panel.errorbar(
            value[whole], at[whole], xerr=np.maximum(np.nan_to_num(ends), 0.0), fmt=marker, ms=6,
            mfc=colour, mec=_style.INK, ecolor=colour, elinewidth=1.4, capsize=2.5, label=word,
        )  # fmt: skip
        panel.hlines(at[under], least, np.fmax(high[under], least), color=colour, lw=1.4)
        panel.plot(
            np.full(under.sum(), least), at[under], ls="none", marker="<", ms=6, mfc="white",
            mec=colour, label=f"{word}: below {least:g} %" if under.any() else None,
        )  # fmt: skip
        seen += [*np.fmax(high, value)[keep]]
        if counted:
            share = _counted(table, column)
            there = ok & np.isfinite(share) & (share >= least)
            panel.plot(
                share[there], at[there], ls="none", marker="x", ms=6, mec=_style.INK, zorder=4,
                label="counted in the rounds" if aside < 0.0 and there.any() else None,
            )  # fmt: skip
            seen += [*share[there]]
    return float(max(seen))


def _percent(table: pl.DataFrame, column: str) -> Floats:
    if column not in table.columns:
        return np.full(table.height, np.nan)
    found: Floats = 100.0 * table[column].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    return found


def _counted(table: pl.DataFrame, column: str) -> Floats:
    if column == _PASSED[0]:
        return _percent(table, "counted_p_passed_unsafe")
    sides = ("unsafe", "nuisance")
    whole: Floats = sum(
        (_percent(table, f"counted_p_condemned_{side}") for side in sides),
        np.zeros(table.height),
    )
    return whole
