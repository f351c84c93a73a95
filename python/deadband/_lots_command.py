"""The command `deadband lots`: which lots of a folder are out of tolerance, as table and page."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from . import lots
from ._commands import (
    BAD_INPUT,
    DONE,
    Run,
    analysed,
    facts,
    folder_options,
    reading_options,
    running_options,
    say,
    share_below,
)
from ._history import METHODS
from ._lots_console import text_of_lots
from ._output import LOTS, staged, write_tables
from .lots._both_sides import BothSides, both_sides
from .methods._results import need_studies
from .report._lot_page import page_of
from .report._page import put

_BY = ("lot", "model")
#: A switch that stayed closed is told by its verdict, at the risk that `analyse` takes unasked.
_RISK = 0.05


def lots_options(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.set_defaults(run=run_lots)
    folder_options(parser)
    parser.add_argument("--by", choices=_BY, default="lot", help="what makes a lot (default lot)")
    parser.add_argument(
        "--fraction",
        type=share_below(0.5),
        default=0.05,
        metavar="P",
        help="share of a lot's switches that may be out of tolerance on a side (default 0.05)",
    )
    parser.add_argument(
        "--fdr",
        type=share_below(1.0),
        default=0.05,
        metavar="P",
        help="accepted share of wrong lots among those said to exceed it (default 0.05)",
    )
    parser.add_argument(
        "--method",
        action="append",
        choices=METHODS,
        help="a method of test that counts, may be repeated (default ramp; a pinch is biased)",
    )
    reading_options(parser)
    running_options(parser)


def run_lots(arguments: argparse.Namespace) -> int:
    """Run the command; the exit status."""
    try:
        need_studies("deadband lots")
    except ImportError as error:
        say(str(error))
        return BAD_INPUT
    methods = list(dict.fromkeys(arguments.method or ["ramp"]))
    run = analysed(arguments, LOTS, risk=_RISK, need_switches=True)
    found = lots.distribution(
        run.analysis.verdicts,
        run.analysis.switches,
        by=arguments.by,
        methods=methods,
        lags=run.analysis.lags,
        gauges=run.analysis.gauges,
    )
    screened = both_sides(found, fraction=arguments.fraction, fdr=arguments.fdr)
    page = _write(run, screened, methods, arguments)
    if not arguments.quiet:
        print(text_of_lots(screened, out=arguments.out, page=page))
        sys.stdout.flush()
    return DONE


def _write(
    run: Run, screened: BothSides, methods: list[str], arguments: argparse.Namespace
) -> Path | None:
    told: dict[str, Any] = {
        **facts(arguments, run.count),
        "by": arguments.by,
        "fraction": arguments.fraction,
        "fdr": arguments.fdr,
        "methods": methods,
    }
    page = None
    with staged(arguments.out, told, LOTS) as staging:
        tables = {
            "lots": screened.table(),
            "lot_switches": screened.found.switches,
            "lot_shapes": screened.by_shape(),
        }
        write_tables(tables, staging)
        if not arguments.no_report:
            try:
                text = page_of(
                    run.analysis,
                    screened,
                    methods=methods,
                    title=f"Lots of switches: {arguments.folder.resolve().name}",
                    unit=arguments.unit,
                    notes=run.notes,
                )
                put(text, staging / LOTS.page)
                page = arguments.out / LOTS.page
            except ImportError as error:
                say(f"no page was written: {error}")
    return page
