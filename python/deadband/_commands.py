"""What the commands share: their options, the way from a folder to an analysis, what they say."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import polars as pl

from . import _core
from ._console import shown, wrapped
from ._errors import InputError, check_option
from ._fit import Found, analyse_in_batches
from ._output import Outputs, claim
from .read import read_gauges, read_switches, read_tests, units
from .schema import dtypes

if TYPE_CHECKING:
    from ._analyse import Analysis

DONE: Final = 0
SOME_FAILED: Final = 1
BAD_INPUT: Final = 2
STOPPED: Final = 130  # as a shell reports a command that was interrupted from the keyboard
_NAMED: Final = 5


@dataclass(frozen=True)
class Run:
    """A folder's analysis, what came to light on the way, and the number of its recordings."""

    analysis: Analysis
    found: Found
    notes: list[str]
    count: int


def folder_options(parser: argparse.ArgumentParser) -> None:
    """The folder of recordings and that of results."""
    parser.add_argument("folder", type=Path, metavar="DIR", help="the folder of recordings")
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="the folder for the results"
    )


def reading_options(parser: argparse.ArgumentParser) -> None:
    """How the recordings are read, and in which unit pressures are printed."""
    parser.add_argument(
        "--depression",
        choices=("positive", "negative"),
        default="positive",
        help="the sign with which depression was logged (default positive)",
    )
    parser.add_argument(
        "--unit",
        default="Pa",
        metavar="UNIT",
        help=f"unit of the page and the summary: {', '.join(units())} (default Pa); "
        "tables are in Pa",
    )


def running_options(parser: argparse.ArgumentParser) -> None:
    """What a run writes, holds and says."""
    parser.add_argument("--no-report", action="store_true", help="write no page")
    parser.add_argument(
        "--batch",
        type=_count,
        default=1000,
        metavar="N",
        help="recordings held in memory at a time (default 1000)",
    )
    parser.add_argument("--quiet", action="store_true", help="no progress bar and no summary")


def share_below(most: float) -> Callable[[str], float]:
    """The reader of an option that is a number above 0 and below `most`.

    Examples
    --------
    >>> share_below(0.5)("0.05")
    0.05
    """

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not 0.0 < value < most:
            raise argparse.ArgumentTypeError(f"{text!r} is no number above 0 and below {most:g}")
        return value

    return read


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number of 1 or more")
    return int(text)


def analysed(
    arguments: argparse.Namespace, kind: Outputs, *, risk: float, need_switches: bool = False
) -> Run:
    """The analysis of a folder; says on standard error what was noticed.

    Raises
    ------
    InputError
        There is no such folder, no recording or, where they are needed, no table of switches; the
        results cannot go where they should; most depressions have the other sign.
    """
    folder: Path = arguments.folder
    check_option("--unit", arguments.unit, units())
    if not folder.is_dir():
        raise InputError(
            "file_not_found", "there is no such folder", file=str(folder), advice="check the path"
        )
    claim(arguments.out, folder, kind)
    tests = read_tests(folder, depression=arguments.depression)
    count = tests.select(pl.len()).collect().item()
    if not count:
        raise InputError(
            "nothing_found", "there is no recording in it", file=str(folder), advice="add some"
        )
    switches, gauges = _switches(folder, needed=need_switches), _gauges(folder)
    arguments.out.mkdir(parents=True, exist_ok=True)
    with _progress(2 * count, wanted=not arguments.quiet) as advance:
        analysis, found = analyse_in_batches(
            tests, switches, gauges, risk=risk, batch=arguments.batch, advance=advance
        )
    _warn(found, count, arguments.depression)
    notes = _notes(found)
    for notice in [*analysis.notices, *notes]:
        say(notice)
    return Run(analysis, found, notes, count)


def facts(arguments: argparse.Namespace, count: int) -> dict[str, Any]:
    """What the marker says of every run."""
    return {
        "version": _core.__version__,
        "created": datetime.now().astimezone().isoformat(timespec="seconds"),
        "source": str(arguments.folder),
        "depression": arguments.depression,
        "recordings": count,
    }


def say(message: str) -> None:
    """A sentence on standard error."""
    print(f"deadband: {shown(message)}", file=sys.stderr)


def _switches(folder: Path, *, needed: bool) -> pl.DataFrame:
    if _has(folder, "switches"):
        return read_switches(folder)
    if needed:
        raise InputError(
            "file_not_found",
            "it holds no switches.csv or switches.parquet",
            file=str(folder),
            advice="add one that names the lot and the rating of each switch",
        )
    say(
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
        say(f"{len(found.unreadable):,} of {count:,} recordings could not be read:")
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
        say(f"{message}; if it was, correct them")


def _notes(found: Found) -> list[str]:
    """What may be meant otherwise in the recordings, a sentence a question."""
    notes = []
    for note in dict.fromkeys(found.noted.values()):
        ids = [test_id for test_id, said in found.noted.items() if said == note]
        named = ", ".join(ids[:_NAMED]) + (", ..." if ids[_NAMED:] else "")
        notes.append(f"{len(ids):,} recording{'s' if ids[1:] else ''} ({named}): {note}")
    return notes
