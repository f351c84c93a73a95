"""One calm look for every picture: few colours, told apart by shape and by grey value too.

Colours are from the colour-blind-safe set of Okabe and Ito (Color Universal Design, 2008),
the blue darkened so that the pair also differs when printed in grey.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from .._errors import DeadbandError, a

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK: Final = "#1f2a33"
MUTED: Final = "#66727c"
FAINT: Final = "#d9dee2"
DOT: Final = "#a3adb5"
CLOSE: Final = "#0b4f83"
OPEN: Final = "#e69f00"
UNSAFE: Final = "#d55e00"
SERIES: Final = ("#0b4f83", "#e69f00", "#009e73", "#cc79a7", "#56b4e9", "#8a8f94")
EVENT_COLOUR: Final = {"close": CLOSE, "open": OPEN}
EVENT_MARKER: Final = {"close": "^", "open": "v"}
EVENT_WORD: Final = {"close": "closed", "open": "opened"}
METHOD_MARKER: Final = {"ramp": "o", "in_service": "s", "pinch": "D"}
METHOD_WORD: Final = {"ramp": "slow ramp", "in_service": "in service", "pinch": "pinch"}
# Hollow, half, full: the verdict is told by the fill alone.
PLAIN: Final[dict[str, Any]] = {"mfc": CLOSE, "mec": CLOSE}
VERDICT_LOOK: Final[dict[str, dict[str, Any]]] = {
    "conforms": {"mfc": "white", "mec": CLOSE},
    "undecided": {
        "fillstyle": "left", "mfc": MUTED, "markerfacecoloralt": "white", "mec": INK,
    },
    "does_not_conform": {"mfc": UNSAFE, "mec": INK},
}  # fmt: skip

_LOOK: Final[dict[Any, Any]] = {
    "date.converter": "concise",
    "font.size": 9.5,
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 9.5,
    "axes.labelcolor": INK,
    "axes.edgecolor": MUTED,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "text.parse_math": False,  # a dollar sign in an identifier is a dollar sign
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "text.color": INK,
    "grid.color": FAINT,
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "legend.markerscale": 1.2,
    "figure.dpi": 110,
    "figure.constrained_layout.use": True,
    "svg.fonttype": "path",
    "svg.hashsalt": "deadband",
}


@contextmanager
def look() -> Iterator[None]:
    """Run the block under the package's style and leave the user's own settings as they were.

    Only what the style sets is set back: the first picture of a notebook also starts its backend,
    which makes settings of its own that must stay.

    Raises
    ------
    ImportError
        matplotlib is not installed; the message says what to install.
    """
    try:
        import matplotlib
    except ImportError as error:
        raise ImportError('pictures need matplotlib: pip install "deadband[plots]"') from error
    settings = matplotlib.rcParams
    before = {name: settings[name] for name in _LOOK}
    settings.update(_LOOK)
    try:
        yield
    finally:
        settings.update(before)


def axes(ax: Axes | None, size: tuple[float, float]) -> Axes:
    """The axes given, or those of a new figure of `size` inches."""
    if ax is not None:
        return ax
    from matplotlib import pyplot

    _, fresh = pyplot.subplots(figsize=size)
    return fresh


def calm(ax: Axes, grid: str = "y") -> None:
    """Bring axes that were made elsewhere to the same look."""
    ax.spines["top"].set_visible(False)
    ax.spines["right"].set_visible(False)
    ax.set_axisbelow(True)
    if grid == "x":
        ax.grid(True, axis="x")
    else:
        ax.grid(True, axis="y")


def legend_above(ax: Axes, columns: int = 4, title: str = "") -> None:
    """The legend in rows above the axes, where it covers no data, and the title above it."""
    handles, _ = ax.get_legend_handles_labels()
    rows = -(-len(handles) // columns)
    if title:
        ax.set_title(title, pad=8.0 + 16.0 * rows)
    if handles:
        ax.legend(
            loc="lower left",
            bbox_to_anchor=(0.0, 1.0),
            ncols=min(columns, len(handles)),
            borderaxespad=0.3,
            handletextpad=0.5,
            columnspacing=1.4,
        )


def around(low: float, high: float, share: float) -> tuple[float, float]:
    """Limits of an axis that leave `share` of the span free at either end.

    >>> around(0.0, 10.0, 0.1)
    (-1.0, 11.0)
    """
    margin = share * (high - low) or 1.0
    return low - margin, high + margin


def nothing(ax: Axes, sentence: str) -> Axes:
    """Say in the axes that there is nothing to draw, and why."""
    ax.text(0.5, 0.5, sentence, transform=ax.transAxes, ha="center", va="center", color=MUTED)
    ax.set_axis_off()
    return ax


def need_kind(found: object, kind: type, maker: str) -> None:
    """Raise `DeadbandError` unless `found` is what `maker` returns."""
    if not isinstance(found, kind):
        raise DeadbandError(
            "wrong_kind", f"{a(found)} is no {kind.__name__}",
            location="option found", advice=f"give all that {maker} returned",
        )  # fmt: skip


def pascal_per(unit: str) -> float:
    """How many pascal one `unit` is, or the error that lists the units known.

    >>> pascal_per("mbar")
    100.0
    """
    from ..read._units import pascal_per as factor

    return factor(unit, file=None, line=None)


def pretty(unit: str) -> str:
    """The unit as printed: `inH2O` with its subscript.

    >>> pretty("inH2O_60F")
    'inH₂O (60 °F)'
    """
    printed = unit.replace("H2O", "H₂O")
    return printed.replace("_4C", " (4 °C)").replace("_60F", " (60 °F)")
