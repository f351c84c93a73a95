"""Every cell of the study in one picture: coverage, bias and RMSE beside what was possible."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from .scores import BAND, Row, by_family

INK, MUTED, FAINT = "#1f2a33", "#66727c", "#d9dee2"
BLUE, ORANGE, GREEN = "#0b4f83", "#e69f00", "#009e73"
LOOK = {
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": MUTED,
    "axes.titlelocation": "left",
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "text.color": INK,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
}
GAP = 5.0
#: Biases beyond this many u are drawn at the edge.
MOST = 1.5
#: Fill of the markers of pinches of which only the mean of the lag is known.
HOLLOW = "white"


def places(rows: Sequence[Row]) -> dict[str, list[float]]:
    """Where the cells of each family stand on the common axis."""
    found: dict[str, list[float]] = {}
    start = 0.0
    for family, members in by_family(rows).items():
        found[family] = [start + i for i in range(len(members))]
        start += len(members) - 1 + GAP + 1
    return found


def _fill(row: Row, colour: str) -> str:
    return HOLLOW if row.cell.get("lag known as") == "mean" else colour


def _coverage(axes: Axes, at: Sequence[float], rows: Sequence[Row]) -> None:
    for x, row in zip(at, rows, strict=True):
        low, high = (100 * edge for edge in row.interval)
        colour = BLUE if row.is_inside else ORANGE
        axes.plot([x, x], [low, high], color=colour, lw=1.0, zorder=2)
        marker = "o" if row.is_inside else "D"
        axes.plot(
            [x], [100 * row.coverage[1]], marker, color=colour, mfc=_fill(row, colour), ms=3.2,
            zorder=3,
        )  # fmt: skip


def _bias(axes: Axes, at: Sequence[float], rows: Sequence[Row]) -> None:
    looks = {"open": ("v", ORANGE), "close": ("^", BLUE)}
    for x, row in zip(at, rows, strict=True):
        for name, bias in row.bias.items():
            marker, colour = looks.get(name, ("o", GREEN))
            height = min(max(bias / row.median_u, -MOST), MOST)
            axes.plot([x], [height], marker, color=colour, mfc=_fill(row, colour), ms=3.2)


def _sharpness(axes: Axes, at: Sequence[float], rows: Sequence[Row]) -> None:
    for x, row in zip(at, rows, strict=True):
        axes.plot([x], [row.sharpness], "o", color=BLUE, mfc=_fill(row, BLUE), ms=3.2)


def _ratios(axes: Axes, at: Sequence[float], rows: Sequence[Row]) -> None:
    looks = {"bound": ("o", BLUE), "white": ("s", ORANGE), "told": ("D", GREEN), "path": ("^", INK)}
    for x, row in zip(at, rows, strict=True):
        for name, ratio in row.ratios.items():
            marker, colour = looks[name]
            axes.plot([x], [ratio], marker, color=colour, ms=3.2)
    if not any(row.ratios for row in rows):
        middle = (at[0] + at[-1]) / 2
        axes.text(middle, 0.1, "–", color=MUTED, ha="center", va="bottom", fontsize=8.0)


def _key(axes: Axes, entries: Sequence[tuple[str, str, str]]) -> None:
    for marker, colour, words in entries:
        axes.plot([], [], marker, color=colour, ms=4.5, label=words)
    axes.legend(
        loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=len(entries), borderaxespad=0.1,
        handletextpad=0.1, columnspacing=1.2,
    )  # fmt: skip


def figure(rows: Sequence[Row]) -> Figure:
    """Four panels over one axis of cells, families side by side."""
    with mpl.rc_context(LOOK):
        whole = Figure(figsize=(9.6, 10.4), dpi=100, layout="constrained")
        panels = whole.subplots(4, 1, sharex=True)
        spots = places(rows)
        for index, (family, members) in enumerate(by_family(rows).items()):
            at = spots[family]
            for axes, draw in zip(panels, (_coverage, _bias, _sharpness, _ratios), strict=True):
                if index % 2 == 0:
                    edges = (at[0] - (GAP + 1) / 2, at[-1] + (GAP + 1) / 2)
                    axes.axvspan(*edges, color=FAINT, alpha=0.35, lw=0, zorder=0)
                draw(axes, at, members)
        cover, bias, sharp, ratio = panels
        cover.axhspan(100 * BAND[0], 100 * BAND[1], color=BLUE, alpha=0.10, lw=0, zorder=1)
        cover.axhline(95, color=MUTED, lw=0.8, zorder=1)
        cover.set_title("95 % intervals that hold the truth, %")
        _key(cover, [("o", BLUE, "between 92 and 99"), ("D", ORANGE, "outside")])
        bias.axhline(0, color=MUTED, lw=0.8)
        for third in (-1 / 3, 1 / 3):
            bias.axhline(third, color=MUTED, lw=0.7, ls=(0, (4, 3)))
        bias.set_ylim(-MOST - 0.1, MOST + 0.1)
        bias.set_title("bias / median u (dashes: a third)")
        _key(bias, [("v", ORANGE, "open"), ("^", BLUE, "close"), ("o", GREEN, "lag, path")])
        sharp.axhline(1, color=MUTED, lw=0.8)
        sharp.axhline(1.25, color=MUTED, lw=0.7, ls=(0, (4, 3)))
        sharp.set_ylim(bottom=0)
        sharp.set_title("median u / RMSE (dashes: 1.25)")
        ratio.axhline(1, color=MUTED, lw=0.8)
        ratio.axhline(1.15, color=MUTED, lw=0.7, ls=(0, (4, 3)))
        ratio.set_ylim(bottom=0)
        ratio.set_title("RMSE ratio (dashes: 1.15)")
        _key(
            ratio,
            [
                ("o", BLUE, "to the least possible"),
                ("s", ORANGE, "to the white-noise model"),
                ("^", INK, "the same, signal at an event"),
                ("D", GREEN, "to the parameter told"),
            ],
        )
        names = {family: (at[0] + at[-1]) / 2 for family, at in spots.items()}
        ratio.set_xticks(list(names.values()), list(names), rotation=40, ha="right")
        for axes in panels:
            axes.tick_params(axis="x", length=0)
        ends = [at for family in spots.values() for at in (family[0], family[-1])]
        ratio.set_xlim(min(ends) - 2, max(ends) + 2)
    return whole


def draw(rows: Sequence[Row], path: Path) -> None:
    """Save the picture; equal rows give equal bytes."""
    with mpl.rc_context(LOOK):
        figure(rows).savefig(path, metadata={"Software": None})
