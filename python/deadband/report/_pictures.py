"""The page's pictures, as data that stand in the page itself."""

from __future__ import annotations

import base64
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from io import BytesIO
from typing import TYPE_CHECKING, Final

import polars as pl

from .. import plots
from ..plots import _style
from ..plots._display import SIZE as DISPLAY_SIZE
from ..plots._display import display_errors
from ..plots._frame import collected
from ..plots._lags import size_for
from ..plots._rated import rated
from ..plots._setpoints import height_for
from ._evidence import unsafe_evidence
from ._summary import Analysis, Summary
from ._trace import traces

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_HISTORIES: Final = 6
_RECORDINGS: Final = 4
_LARGEST_VECTOR: Final = 120_000  # bytes; above, a picture of dots is smaller
_MOST_MARKS: Final = 1500  # more than this never fits into that
_DOTS_PER_INCH: Final = 130


@dataclass(frozen=True)
class Picture:
    """A picture as a data address, with its text alternative and what is written below it."""

    src: str
    alt: str
    caption: str


def drawn(size: tuple[float, float], draw: Callable[[Axes], object], marks: int = 0) -> str:
    """The data address of what `draw` puts on fresh axes of `size` inches; same input, same bytes.

    A drawing of lines where that is small, else a picture of dots; `marks` is about how many
    marks there will be.

    Raises
    ------
    ImportError
        matplotlib is not installed.
    """
    with _style.look(), warnings.catch_warnings():
        # A letter that the font lacks becomes a box; the text stands beside the picture as well.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        from matplotlib.figure import Figure

        figure = Figure(figsize=size)
        draw(figure.subplots())
        buffer, kind = BytesIO(), "svg+xml"
        if marks <= _MOST_MARKS:
            figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
        if not 0 < buffer.tell() <= _LARGEST_VECTOR:
            buffer, kind = BytesIO(), "png"
            figure.savefig(buffer, format="png", dpi=_DOTS_PER_INCH, metadata={"Software": None})
    return f"data:image/{kind};base64,{base64.b64encode(buffer.getvalue()).decode('ascii')}"


def fleet_picture(analysis: Analysis) -> Picture | None:
    """Setpoints against ratings; None when no test has both."""
    table = rated(analysis.verdicts, analysis.switches)
    if not table.height:
        return None
    low, middle, high = table.select(
        pl.col("deviation_pct").min().alias("low"),
        pl.col("deviation_pct").median().alias("middle"),
        pl.col("deviation_pct").max().alias("high"),
    ).row(0)
    return Picture(
        drawn(
            (8.4, height_for(table["switch_id"].n_unique())),
            lambda ax: plots.setpoints(analysis.verdicts, analysis.switches, ax=ax),
            table.height,
        ),
        f"Rated setpoint minus rating, in percent of the rating, of {table.height:,} tests: "
        f"from {low:.1f} to {high:.1f}, median {middle:.1f}.",
        "Rated setpoint against the rating. Bars are 95 % intervals, the grey band is the "
        "tolerance. Hollow marks conform, half-filled ones are undecided, filled ones do not "
        "conform. Beyond the lower limit lies the unsafe side.",
    )


def display_picture(analysis: Analysis, unit: str) -> Picture | None:
    """The display's error against rate; None when no event has a setpoint."""
    table = display_errors(analysis.events, analysis.setpoints)
    if not table.height:
        return None
    worst = table.row(table["error_pa"].abs().arg_max() or 0, named=True)
    per_unit = _style.pascal_per(unit)
    printed = _style.pretty(unit)
    return Picture(
        drawn(
            DISPLAY_SIZE,
            lambda ax: plots.display_error(
                analysis.events, analysis.setpoints, analysis.lags, ax=ax, unit=unit
            ),
            table.height,
        ),
        f"Display minus setpoint against the rate of the pressure, {table.height:,} changes of "
        f"contact. The largest error is {worst['error_pa'] / per_unit:.3g} {printed} at "
        f"{worst['rate_pa_s'] / per_unit:.3g} {printed}/s.",
        "What the display showed when the contact changed, minus the setpoint, against how fast "
        "the pressure moved. The lines are what the gauges' lags explain as long as a rate lasts. "
        "In a fast fall it does not: the display is late by no more than the pressure has fallen "
        "so far, and the points lie between the line and zero.",
    )


def lag_picture(analysis: Analysis) -> Picture | None:
    """The gauges' lags; None when there is no gauge."""
    table = collected(analysis.lags, "lags")
    if not table.height or table.height > 60:
        return None
    known = sorted(table["lag_s"].drop_nulls().to_list())
    span = f": {known[0]:.2f} s to {known[-1]:.2f} s" if known else ""
    return Picture(
        drawn(
            size_for(table.height),
            lambda ax: plots.lags(analysis.lags, ax=ax, gauges=analysis.gauges),
        ),
        f"Mean lag of {len(known):,} of {table.height:,} gauges{span}.",
        "Mean lag of each gauge with its 95 % interval. A slow contact meter is part of it. A "
        "hollow mark is the lag that is stated of the gauge.",
    )


def history_pictures(analysis: Analysis, summary: Summary, unit: str) -> Iterator[Picture]:
    """Histories of the switches that a reader asks for first: unsafe, then undecided."""
    table = collected(analysis.verdicts, "verdicts")
    counts = (
        table.filter(pl.col("open_pa").is_not_null() | pl.col("close_pa").is_not_null())
        .group_by("switch_id")
        .len()
    )
    several = dict(counts.filter(pl.col("len") > 1).iter_rows())
    flagged = (*summary.latest["does_not_conform"], *summary.latest["undecided"])
    unsafe = unsafe_evidence(table, analysis.switches)["switch_id"]
    wanted = dict.fromkeys((*unsafe, *flagged))
    for switch in [switch for switch in wanted if switch in several][:_HISTORIES]:
        yield Picture(
            drawn(
                (8.4, 3.8),
                partial(plots.history, analysis.verdicts, switch, analysis.switches, unit=unit),
            ),
            f"Setpoints of switch {switch} at {several[switch]:,} tests over the dates of test, "
            "with the limits of its rating.",
            f"Switch {switch}: closing and opening over the years, with 95 % intervals.",
        )


def recording_pictures(analysis: Analysis, unit: str) -> Iterator[Picture]:
    """The recordings that speak for the switches on the unsafe side, the first few."""
    speaks = unsafe_evidence(analysis.verdicts, analysis.switches)["test_id"]
    for trace in traces(analysis, speaks.head(_RECORDINGS).to_list(), unit):
        yield Picture(
            drawn((8.4, 4.6), partial(plots.recording, trace), len(trace.time_s)),
            f"Recording {trace.test_id}: pressure and contact against time, with the setpoints "
            "and what the display showed when the contact changed.",
            f"Recording {trace.test_id} of switch {trace.switch_id}, which does not conform, on "
            "the unsafe side.",
        )
