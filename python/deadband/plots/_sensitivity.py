"""The fraction of each lot that is out of tolerance, under each shape of its scatter."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._columns import need_columns, need_numbers
from .._errors import OptionError, SchemaError, check_share
from .._frames import lazy
from . import _style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MADE: Final = "give what lots.sensitivity returned, and the by that distribution had"
_NUMBERS: Final = ("n_tested", "fraction", "fraction_low", "fraction_high")
_MARKERS: Final = {
    "normal": "o", "heavy_tails": "D", "light_tails": "s", "skew_low": "<", "skew_high": ">",
}  # fmt: skip
SHAPE_WORDS: Final = {
    "normal": "normal", "heavy_tails": "heavy tails", "light_tails": "light tails",
    "skew_low": "long tail to low", "skew_high": "long tail to high",
}  # fmt: skip
#: A verdict is told by its fill, as on a switch.
_FILLS: Final = {
    "within": _style.VERDICT_LOOK["conforms"],
    "undecided": _style.VERDICT_LOOK["undecided"],
    "exceeds": _style.VERDICT_LOOK["does_not_conform"],
    None: {"mfc": _style.FAINT, "mec": _style.MUTED},
}
_TICKS: Final = (0.0, 0.5, 2.0, 5.0, 10.0, 20.0, 35.0, 50.0, 75.0, 100.0)
#: Inches of a shape, and between lots; share of a row in which its marks stand.
_STEP, _GAP, _SHARE = 0.105, 0.17, 0.74


def sensitivity(
    table: Any, ax: Axes | None = None, *, by: str = "lot", fraction: float | None = None
) -> Axes:
    """Draw what fraction of each lot is out of tolerance under each shape, and the verdicts.

    A row a lot, the surest first, and in it a mark a shape with its interval: hollow where the lot
    is within, half where it is undecided, full where it exceeds. A ring is about a verdict that
    does not stand: it is another one than that of the normal shape. The axis is that of the square
    root, on which small fractions stand apart.

    Parameters
    ----------
    table
        What `deadband.lots.sensitivity` returned, as a frame of any library.
    ax
        Axes to draw on; a new figure if None.
    by
        The column that `deadband.lots.distribution` made lots by.
    fraction
        The level that was asked for, to be drawn; None: none.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type, or a lot has a shape twice.
    OptionError
        a shape is unknown, or `fraction` is no share.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> from deadband import plots
    >>> shapes = pl.DataFrame(
    ...     {
    ...         "lot": ["L1", "L1"], "shape": ["normal", "skew_low"], "n_tested": [12, 12],
    ...         "fraction": [0.02, 0.06], "fraction_low": [0.0, 0.01],
    ...         "fraction_high": [0.05, 0.13], "verdict": ["within", "undecided"],
    ...         "stands": [True, False], "status": ["ok", "ok"],
    ...     }
    ... )  # fmt: skip
    >>> plots.sensitivity(shapes, fraction=0.05).get_yticklabels()[0].get_text().splitlines()
    ['L1; tested 12', 'undecided or within']
    """
    if fraction is not None:
        check_share("fraction", fraction, 0.5)
    rows, keys = _rows(table, by)
    places = rows.select(keys).unique(maintain_order=True)
    shown = [shape for shape in _MARKERS if shape in rows["shape"].to_list()]
    with _style.look():
        height = 1.9 + places.height * (_GAP + _STEP * max(len(shown), 2))
        panel = _style.axes(ax, (8.4, height))
        if not places.height:
            return _style.nothing(panel, "There are no lots.")
        _style.calm(panel, "x")
        if fraction is not None:
            word = f"level, {100.0 * fraction:g} %"
            panel.axvline(100.0 * fraction, color=_style.INK, ls="--", lw=1.0, label=word)
        labels = []
        for i, names in enumerate(places.iter_rows(named=True)):
            own = rows.filter(pl.all_horizontal(pl.col(k).eq_missing(v) for k, v in names.items()))
            _lot(panel, own, float(places.height - 1 - i), shown)
            labels.append(_label(own.row(0, named=True), own["verdict"], by))
        panel.set_yticks(np.arange(places.height)[::-1], labels=labels)
        panel.tick_params(axis="y", length=0)
        panel.set_ylim(-0.5, places.height - 0.5)
        _scale(panel, rows, 0.0 if fraction is None else fraction)
        _legend(panel, rows, shown)
        return panel


def _rows(table: Any, by: str) -> tuple[pl.DataFrame, list[str]]:
    given = lazy(table, "shapes")
    need_columns(given, [by, "shape", *_NUMBERS, "verdict", "stands", "status"], "shapes", _MADE)
    need_numbers(given, _NUMBERS, "shapes", _MADE)
    schema = given.collect_schema()
    if schema["stands"] not in (pl.Boolean, pl.Null):
        raise SchemaError(
            "wrong_type", f"it is {schema['stands']}, not true or false", column="stands",
            table="shapes", advice=_MADE,
        )  # fmt: skip
    keys = list(dict.fromkeys(name for name in ("model", by) if name in schema))
    rows = given.collect().with_columns(
        pl.col("shape", "verdict", "status").cast(pl.String),
        # Other libraries have no null among numbers.
        pl.col(_NUMBERS[1:]).cast(pl.Float64).fill_nan(None),
    )
    for shape in rows["shape"].unique():
        if shape not in _MARKERS:
            raise OptionError("table", shape, _MARKERS)
    if rows.select(pl.struct(*keys, "shape").is_duplicated().any()).item():
        raise SchemaError(
            "duplicate_id", "a lot has a shape twice", column="shape", table="shapes",
            advice="take the rows of one side",
        )  # fmt: skip
    return rows, keys


def _lot(panel: Axes, own: pl.DataFrame, row: float, shown: list[str]) -> None:
    """The marks of one lot, evenly over its row."""
    places = row + _SHARE / max(len(shown), 2) * (
        0.5 * (len(shown) - 1) - np.arange(len(shown), dtype=np.float64)
    )
    at_shape = dict(zip(shown, places.tolist(), strict=True))
    for one in own.filter(pl.col("fraction").is_not_null()).iter_rows(named=True):
        at, value = at_shape[one["shape"]], one["fraction"]
        low, high = (one[f"fraction_{end}"] for end in ("low", "high"))
        if low is not None and high is not None:
            panel.hlines(at, 100.0 * low, 100.0 * high, color=_style.DOT, lw=1.2, zorder=1.5)
        panel.plot(
            [100.0 * value], [at], ls="none", marker=_MARKERS[one["shape"]], ms=5.5, zorder=3,
            clip_on=False, **_FILLS.get(one["verdict"], _FILLS[None]),
        )  # fmt: skip
        if one["stands"] is False:
            panel.plot(
                [100.0 * value], [at], ls="none", marker="o", ms=11, mfc="none", mec=_style.INK,
                mew=1.1, zorder=3.5, clip_on=False,
            )  # fmt: skip
    _lost(panel, own, row, at_shape)


def _lost(panel: Axes, own: pl.DataFrame, row: float, at_shape: dict[str, float]) -> None:
    """Why there are no numbers: once where no shape has any, else where its mark would be."""
    lost = own.filter(pl.col("fraction").is_null()).select("shape", "status")
    words = [
        (at_shape[shape], f"{SHAPE_WORDS[shape]}: {_why(why)}") for shape, why in lost.iter_rows()
    ]
    if lost.height == own.height and lost["status"].n_unique() == 1:
        words = [(row, _why(lost["status"][0]))]
    for at, word in words:
        panel.text(
            0.01, at, word, va="center", style="italic", size=9.5 if len(words) == 1 else 7.5,
            color=_style.MUTED, transform=panel.get_yaxis_transform(),
        )  # fmt: skip


def _why(status: str | None) -> str:
    return (status or "no numbers").replace("_", " ")


def _label(row: dict[str, Any], verdicts: pl.Series, by: str) -> str:
    model = row.get("model") if by != "model" else None
    name = f"no {by}" if row[by] is None else row[by]
    told = " or ".join(sorted(verdicts.drop_nulls().unique())) or "no verdict"
    return f"{name}" + (f" ({model})" if model else "") + f"; tested {row['n_tested']}\n{told}"


def _scale(panel: Axes, rows: pl.DataFrame, level: float) -> None:
    shown = rows.select(pl.max_horizontal(pl.col(_NUMBERS[1:])).max()).item()
    top = min(max(106.0 * (shown or 0.0), 140.0 * level, 1.0), 100.0)
    panel.set_xscale("function", functions=(lambda x: np.sqrt(np.maximum(x, 0.0)), np.square))
    panel.set_xlim(0.0, top)
    ticks = [tick for tick in _TICKS if tick <= top]
    panel.set_xticks(ticks, labels=[f"{tick:g}" for tick in ticks])
    panel.set_xlabel("fraction of the lot's switches out of tolerance / %")


def _legend(panel: Axes, rows: pl.DataFrame, shown: list[str]) -> None:
    """One entry a shape, a verdict that there is, and the ring."""
    plain: dict[str, Any] = {"mfc": _style.MUTED, "mec": _style.INK}
    entries = [(SHAPE_WORDS[shape], _MARKERS[shape], plain) for shape in shown]
    there = set(rows["verdict"].drop_nulls())
    entries += [(word, "o", look) for word, look in _FILLS.items() if word in there and word]
    for word, marker, look in entries:
        panel.plot([], [], ls="none", marker=marker, ms=5.5, label=word, **look)
    if rows.select((~pl.col("stands")).any()).item():
        panel.plot(
            [], [], ls="none", marker="o", ms=9, mfc="none", mec=_style.INK,
            label="verdict does not stand",
        )  # fmt: skip
    _style.legend_above(panel, 4)
