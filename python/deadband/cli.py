"""The command `deadband`: from a folder of recordings to tables, a page and a summary."""

from __future__ import annotations

import argparse
import math
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

import polars as pl

from . import _core
from ._console import shown, text_of, wrapped
from ._errors import DeadbandError, InputError, check_option
from ._fit import Found, analyse_in_batches
from ._output import PAGE, TABLES, claim, staged, write_tables
from .read import read_gauges, read_switches, read_tests, units
from .report import write
from .report._words import CAUTION_LINE
from .schema import dtypes

if TYPE_CHECKING:
    from ._analyse import Analysis

DONE: Final = 0
SOME_FAILED: Final = 1
BAD_INPUT: Final = 2
STOPPED: Final = 130  # as a shell reports a command that was interrupted from the keyboard
_NAMED: Final = 5


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
        return _analyse(arguments)
    except BrokenPipeError:
        # Whoever read the summary has left; the results are written.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except KeyboardInterrupt:
        _say("stopped; no results were written")
        return STOPPED
    except (DeadbandError, OSError) as error:
        _say(str(error))
        return BAD_INPUT
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
        # Only the first line is about the input; the rest is about the query plan.
        _say(f"the tables cannot be worked on: {next(iter(str(error).splitlines()), error)}")
        return BAD_INPUT


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
        description="Analyse a folder of recordings: tests as Parquet, or logger CSV files with "
        "their manifest tests.csv; beside them switches.csv or switches.parquet with the ratings, "
        "and gauges.csv or gauges.parquet with what is stated of the gauges, where there are any.",
        epilog=CAUTION_LINE,
    )
    analyse.add_argument("folder", type=Path, metavar="DIR", help="the folder of recordings")
    analyse.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="the folder for the results"
    )
    analyse.add_argument(
        "--risk",
        type=_risk,
        default=0.05,
        metavar="P",
        help="highest accepted probability of a wrong decision (default 0.05)",
    )
    analyse.add_argument(
        "--depression",
        choices=("positive", "negative"),
        default="positive",
        help="the sign with which depression was logged (default positive)",
    )
    analyse.add_argument(
        "--unit",
        default="Pa",
        metavar="UNIT",
        help=f"unit of the page and the summary: {', '.join(units())} (default Pa); "
        "tables are in Pa",
    )
    analyse.add_argument(
        "--strict", action="store_true", help="exit with 1 if a recording gave no verdict"
    )
    analyse.add_argument("--no-report", action="store_true", help="write no page")
    analyse.add_argument(
        "--batch",
        type=_count,
        default=1000,
        metavar="N",
        help="recordings held in memory at a time (default 1000)",
    )
    analyse.add_argument("--quiet", action="store_true", help="no progress bar and no summary")
    return parser


def _risk(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0.0 < value < 0.5:
        raise argparse.ArgumentTypeError(f"{text!r} is no number above 0 and below 0.5")
    return value


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number of 1 or more")
    return int(text)


def _analyse(arguments: argparse.Namespace) -> int:
    folder: Path = arguments.folder
    out: Path = arguments.out
    check_option("--unit", arguments.unit, units())
    if not folder.is_dir():
        raise InputError(
            "file_not_found", "there is no such folder", file=str(folder), advice="check the path"
        )
    claim(out, folder)
    tests = read_tests(folder, depression=arguments.depression)
    count = tests.select(pl.len()).collect().item()
    if not count:
        raise InputError(
            "nothing_found", "there is no recording in it", file=str(folder), advice="add some"
        )
    switches, gauges = _switches(folder), _gauges(folder)
    out.mkdir(parents=True, exist_ok=True)
    with _progress(2 * count, wanted=not arguments.quiet) as advance:
        analysis, found = analyse_in_batches(
            tests,
            switches,
            gauges,
            risk=arguments.risk,
            batch=arguments.batch,
            advance=advance,
        )
    _warn(found, count, arguments.depression)
    notes = _notes(found)
    for notice in [*analysis.notices, *notes]:
        _say(notice)
    page = _write(analysis, found, notes, arguments, count)
    if not arguments.quiet:
        print(
            text_of(analysis.verdicts, analysis.switches, unit=arguments.unit, out=out, page=page)
        )
        sys.stdout.flush()
    failed = analysis.verdicts["verdict"].null_count()
    return SOME_FAILED if arguments.strict and failed else DONE


def _switches(folder: Path) -> pl.DataFrame:
    if _has(folder, "switches"):
        return read_switches(folder)
    _say(
        f"{folder} holds no switches.csv or switches.parquet: without ratings there are setpoints "
        "but no verdicts"
    )
    return pl.DataFrame(schema=dtypes("switches"))


def _gauges(folder: Path) -> pl.DataFrame | None:
    return read_gauges(folder) if _has(folder, "gauges") else None


def _has(folder: Path, table: str) -> bool:
    return any((folder / f"{table}.{suffix}").exists() for suffix in ("parquet", "csv"))


@contextmanager
def _progress(total: int, *, wanted: bool) -> Iterator[Callable[[int], object]]:
    """A bar on a terminal; silence in a pipe, and where tqdm is not installed."""
    if wanted and sys.stderr.isatty():
        try:
            from tqdm import tqdm
        except ImportError:
            pass
        else:
            with tqdm(total=total, unit="fit", unit_scale=True, leave=False) as bar:
                yield bar.update
            return
    yield lambda _: None


def _warn(found: Found, count: int, depression: str) -> None:
    if found.unreadable:
        _say(f"{len(found.unreadable):,} of {count:,} recordings could not be read:")
        for test_id, reason in list(found.unreadable.items())[:_NAMED]:
            print(wrapped(f"{test_id}: {reason}"), file=sys.stderr)
        if len(found.unreadable) > _NAMED:
            print(f"  and {len(found.unreadable) - _NAMED:,} more", file=sys.stderr)
    if found.negative:
        other = "positive" if depression == "negative" else "negative"
        named = ", ".join(found.negative[:_NAMED]) + (", ..." if found.negative[_NAMED:] else "")
        message = (
            f"{len(found.negative):,} of {count:,} recordings look as if depression was logged as "
            f"{other} numbers ({named})"
        )
        if 2 * len(found.negative) > count:
            raise InputError("wrong_sign", message, advice=f"run again with --depression {other}")
        _say(f"{message}; if it was, correct them")


def _notes(found: Found) -> list[str]:
    """What may be meant otherwise in the recordings, a sentence a question."""
    notes = []
    for note in dict.fromkeys(found.noted.values()):
        ids = [test_id for test_id, said in found.noted.items() if said == note]
        named = ", ".join(ids[:_NAMED]) + (", ..." if ids[_NAMED:] else "")
        notes.append(f"{len(ids):,} recording{'s' if ids[1:] else ''} ({named}): {note}")
    return notes


def _write(
    analysis: Analysis,
    found: Found,
    notes: Sequence[str],
    arguments: argparse.Namespace,
    count: int,
) -> Path | None:
    facts = {
        "version": _core.__version__,
        "created": datetime.now().astimezone().isoformat(timespec="seconds"),
        "source": str(arguments.folder),
        "risk": arguments.risk,
        "depression": arguments.depression,
        "recordings": count,
    }
    page = None
    with staged(arguments.out, facts) as staging:
        write_tables({name: getattr(analysis, name) for name in TABLES}, staging)
        if not arguments.no_report:
            try:
                title = f"Switch tests: {arguments.folder.resolve().name}"
                write(
                    analysis,
                    staging / PAGE,
                    title=title,
                    unit=arguments.unit,
                    reasons=found.unreadable,
                    notes=notes,
                )
                page = arguments.out / PAGE
            except ImportError as error:
                _say(f"no page was written: {error}")
    return page


def _say(message: str) -> None:
    print(f"deadband: {shown(message)}", file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
