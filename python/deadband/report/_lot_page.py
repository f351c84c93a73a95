"""The lots of an analysis as a page that can be sent to whoever made them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final, Literal

import polars as pl

from .. import plots
from .._history import check_methods
from .._notices import notices
from ..lots import Lots
from ..lots._both_sides import BothSides, both_sides
from ..plots._frame import collected
from ..plots._style import pascal_per
from ._lot_tables import by_shape, counted, gauges, lots_left_out, of_lots, ranked, tested
from ._lot_words import LOT_CAUTION, SIDES, evaluation, evidence, method_words, outcome, reach
from ._page import environment, frame, put
from ._pictures import Picture, drawn
from ._summary import Analysis, plural

#: Rows of the picture.
_DRAWN: Final = 40
_CAPTION: Final = {
    "mean": "Deviation from the rating. Grey strokes are switches, the wide bar two standard "
    "deviations within the lot, the full mark its mean with interval, dashed the limits. Left of "
    "the left one lies the unsafe side.",
    "fraction": "Expected share of switches beyond the limits, with interval: triangles below the "
    "lower one (unsafe), squares above the upper one (nuisance), crosses what was counted.",
}


def write_lots(
    analysis: Analysis,
    found: Lots,
    path: str | Path,
    *,
    fraction: float = 0.05,
    fdr: float = 0.05,
    methods: Sequence[str] = ("ramp",),
    title: str = "Lots of switches",
    unit: str = "Pa",
    created: datetime | None = None,
    notes: Sequence[str] = (),
) -> Path:
    """Write the page about the lots of an analysis to `path`, whole or not at all.

    Parameters
    ----------
    analysis
        The result of `analyse`.
    found
        What `deadband.lots.distribution` found of it.
    path
        The file; its folder must exist.
    fraction, fdr
        As in `deadband.lots.screen`, which is asked for either side.
    methods
        Those that `distribution` was given.
    title
        Heading of the page.
    unit
        Unit of pressure to print in.
    created
        The date and time the page bears; now if None. Given, the same input gives the same bytes.
    notes
        Questions about the input that came up while reading, a sentence each.

    Returns
    -------
    pathlib.Path
        The file.

    Raises
    ------
    ImportError
        Jinja2, matplotlib, SciPy or statsmodels is not installed; the message says what to install.
    OptionError
        An option is unknown or out of range, or `found` is something else.
    InputError
        The unit is not known.
    OSError
        The file cannot be written.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from deadband import analyse, lots, report, simulate
    >>> gauge = simulate.Instrument(gauge_id="g1", lag_s=0.3, lag_u_s=0.02)
    >>> plan = [
    ...     simulate.PlannedTest(
    ...         test_id=f"t{i}",
    ...         unit=simulate.Unit(switch_id=f"s{i}", rated_pa=60.0, lot="L1"),
    ...         instrument=gauge,
    ...     )
    ...     for i in range(5)
    ... ]
    >>> made = simulate.fleet(plan, seed=1)
    >>> whole = analyse(made.tests, made.switches, made.gauges)
    >>> found = lots.distribution(whole.verdicts, whole.switches)
    >>> with TemporaryDirectory() as folder:
    ...     page = report.write_lots(whole, found, Path(folder) / "lots.html", title="Spring")
    ...     page.read_text(encoding="utf-8").count("<h1>Spring</h1>")
    1
    """
    return put(
        render_lots(
            analysis, found, fraction=fraction, fdr=fdr, methods=methods, title=title, unit=unit,
            created=created, notes=notes,
        ),
        path,
    )  # fmt: skip


def render_lots(
    analysis: Analysis,
    found: Lots,
    *,
    fraction: float = 0.05,
    fdr: float = 0.05,
    methods: Sequence[str] = ("ramp",),
    title: str = "Lots of switches",
    unit: str = "Pa",
    created: datetime | None = None,
    notes: Sequence[str] = (),
) -> str:
    """The page about lots as text; see `write_lots` for the parameters and errors.

    Examples
    --------
    >>> from deadband import analyse, lots, report, simulate
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0, lot="L1")
    >>> gauge = simulate.Instrument(gauge_id="g1", lag_s=0.3, lag_u_s=0.02)
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge)]
    >>> made = simulate.fleet(plan, seed=1)
    >>> whole = analyse(made.tests, made.switches, made.gauges)
    >>> found = lots.distribution(whole.verdicts, whole.switches)
    >>> "No lot has results enough" in report.render_lots(whole, found)
    True
    """
    screened = both_sides(found, fraction=fraction, fdr=fdr)
    return page_of(
        analysis, screened, methods=methods, title=title, unit=unit, created=created, notes=notes
    )


def page_of(
    analysis: Analysis,
    screened: BothSides,
    *,
    methods: Sequence[str],
    title: str,
    unit: str,
    created: datetime | None = None,
    notes: Sequence[str] = (),
) -> str:
    """The page as text, the lots screened already."""
    template = environment().get_template("lots.html.j2")
    check_methods(methods)
    pascal_per(unit)
    tests = counted(analysis, methods)
    used = method_words(tests, methods)
    shared = frame(title, created)
    context: dict[str, Any] = {
        **shared,
        "cautions": [*shared["cautions"], LOT_CAUTION],
        "by": screened.found.by,
        "outcome": outcome(screened),
        "sides": [
            {
                "name": side,
                "where": where,
                "table": ranked(screened, side),
                "evidence": evidence(screened, side),
                "shapes": by_shape(screened, side),
            }
            for side, where in SIDES.items()
        ],
        "pictures": list(
            filter(None, (_picture(screened, "mean"), _picture(screened, "fraction")))
        ),
        "tested": tested(analysis, tests, used),
        "gauges": gauges(analysis, tests, unit),
        "notices": [*_notices(analysis), *notes],
        "lots": list(of_lots(analysis, screened, tests, unit)),
        "left_out": lots_left_out(screened),
        "evaluation": evaluation(screened, used),
        "reach": reach(screened),
    }
    return template.render(context)


def _picture(screened: BothSides, show: Literal["mean", "fraction"]) -> Picture | None:
    """The lots in order of evidence, the first ones where there are too many."""
    found = screened.found
    known = found.lots.filter(pl.col("status") == "ok")
    if not known.height:
        return None
    order = screened.unsafe.select(*screened.keys, "rank")
    lots = found.lots.join(order, on=screened.keys, nulls_equal=True).sort("rank").head(_DRAWN)
    drawing = replace(found, lots=lots.drop("rank"))
    left = found.lots.height - lots.height
    more = f" The first {_DRAWN} of {found.lots.height:,} by the evidence." if left else ""
    worst = known.sort("fraction_unsafe", descending=True).row(0, named=True)
    low, high = known.select(pl.col("mean").min().alias("low"), pl.col("mean").max()).row(0)
    what = (
        f"means from {100 * low:.1f} % to {100 * high:.1f} % of the rating"
        if show == "mean"
        else f"the largest on the unsafe side {100 * worst['fraction_unsafe']:.0f} %"
    )
    return Picture(
        drawn(
            (8.4, 1.5 + 0.46 * lots.height),
            lambda ax: plots.lots(drawing, ax=ax, show=show),
            found.switches.height,
        ),
        f"{plural(lots.height, found.by)}, "
        + ("deviation from the rating" if show == "mean" else "expected share out of tolerance")
        + f": {what}.",
        _CAPTION[show] + more,
    )


def _notices(analysis: Analysis) -> list[str]:
    stated = None if analysis.gauges is None else collected(analysis.gauges, "gauges")
    return notices(
        collected(analysis.verdicts, "verdicts"),
        collected(analysis.switches, "switches"),
        stated,
        events=collected(analysis.events, "events"),
        lags=collected(analysis.lags, "lags"),
    )
