"""The command `deadband`: from a folder of recordings to tables, a page and a summary."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import polars as pl

from . import _core
from ._commands import (
    BAD_INPUT,
    DONE,
    SOME_FAILED,
    STOPPED,
    Run,
    analysed,
    facts,
    folder_options,
    reading_options,
    running_options,
    say,
    share_below,
)
from ._console import text_of
from ._errors import DeadbandError
from ._lots_command import lots_options
from ._output import ANALYSIS, PAGE, TABLES, staged, write_tables
from .report import write
from .report._words import CAUTION_LINE

__all__ = ["BAD_INPUT", "DONE", "SOME_FAILED", "STOPPED", "main"]

_FOLDER: Final = (
    "tests as Parquet, or logger CSV files with their manifest tests.csv; beside them switches.csv "
    "or switches.parquet with the ratings, and gauges.csv or gauges.parquet with what is stated of "
    "the gauges, where there are any."
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command.

    Parameters
    ----------
    argv
        Arguments without the command's name; those of the process if None.

    Returns
    -------
    int
        0 done; 1 done, but with `--strict` some recordings gave no verdict; 2 bad input, said on
        standard error, nothing written.

    Examples
    --------
    >>> main(["analyse", "no-such-folder", "--out", "results"])
    2
    """
    arguments = _parser().parse_args(argv)
    for stream in (sys.stdout, sys.stderr):
        # A console that lacks a letter gets a question mark, never a failure after all the work.
        getattr(stream, "reconfigure", lambda **_: None)(errors="replace")
    try:
        status: int = arguments.run(arguments)
    except BrokenPipeError:
        # Whoever read the summary has left; the results are written.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except KeyboardInterrupt:
        say("stopped; no results were written")
        return STOPPED
    except (DeadbandError, OSError) as error:
        say(str(error))
        return BAD_INPUT
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
        # Only the first line is about the input; the rest is about the query plan.
        say(f"the tables cannot be worked on: {next(iter(str(error).splitlines()), error)}")
        return BAD_INPUT
    return status


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="deadband",
        description="Setpoints, uncertainty and verdicts from recordings of draft switch tests.",
        epilog=CAUTION_LINE,
    )
    parser.add_argument("--version", action="version", version=f"deadband {_core.__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    analyse = commands.add_parser(
        "analyse",
        help="analyse a folder of recordings",
        description=f"Analyse a folder of recordings: {_FOLDER}",
        epilog=CAUTION_LINE,
    )
    analyse.set_defaults(run=_analyse)
    folder_options(analyse)
    analyse.add_argument(
        "--risk",
        type=share_below(0.5),
        default=0.05,
        metavar="P",
        help="highest accepted probability of a wrong decision (default 0.05)",
    )
    reading_options(analyse)
    analyse.add_argument(
        "--strict", action="store_true", help="exit with 1 if a recording gave no verdict"
    )
    running_options(analyse)
    lots = commands.add_parser(
        "lots",
        help="say which lots of a folder are out of tolerance",
        description="Say which lots have too many switches out of tolerance, how sure that is and "
        f"how many further tests settle the others. Reads what analyse reads: {_FOLDER} Here the "
        "table of switches is needed.",
        epilog=CAUTION_LINE,
    )
    lots_options(lots)
    return parser


def _analyse(arguments: argparse.Namespace) -> int:
    run = analysed(arguments, ANALYSIS, risk=arguments.risk)
    analysis = run.analysis
    page = _write(run, arguments)
    if not arguments.quiet:
        told = text_of(
            analysis.verdicts,
            analysis.switches,
            unit=arguments.unit,
            out=arguments.out,
            page=page,
        )
        print(told)
        sys.stdout.flush()
    failed = analysis.verdicts["verdict"].null_count()
    return SOME_FAILED if arguments.strict and failed else DONE


def _write(run: Run, arguments: argparse.Namespace) -> Path | None:
    page = None
    told = {**facts(arguments, run.count), "risk": arguments.risk}
    with staged(arguments.out, told) as staging:
        write_tables({name: getattr(run.analysis, name) for name in TABLES}, staging)
        if not arguments.no_report:
            try:
                write(
                    run.analysis,
                    staging / PAGE,
                    title=f"Switch tests: {arguments.folder.resolve().name}",
                    unit=arguments.unit,
                    reasons=run.found.unreadable,
                    notes=run.notes,
                )
                page = arguments.out / PAGE
            except ImportError as error:
                say(f"no page was written: {error}")
    return page


if __name__ == "__main__":
    sys.exit(main())
