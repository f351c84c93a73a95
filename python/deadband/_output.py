"""The folder of results: what may be written there, and how it is written."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import polars as pl

from ._errors import InputError, listed

#: The file by which a folder of results is known, and which lists what stands in it.
MARKER: Final = "deadband.json"
PAGE: Final = "report.html"
TABLES: Final = ("events", "lags", "setpoints", "verdicts", "trend", "condition")


@dataclass(frozen=True)
class Outputs:
    """The files of a command; those of another may stand beside them.

    Attributes
    ----------
    marker
        the file by which results are known, and which lists them.
    page, tables
        names of the page and, without suffix, of the tables.

    Examples
    --------
    >>> ANALYSIS.owns("lags.csv"), LOTS.owns("lags.csv")
    (True, False)
    """

    marker: str
    page: str
    tables: tuple[str, ...]

    def owns(self, name: str) -> bool:
        """Whether a file of this name is the command's, but for its marker."""
        stem, _, suffix = name.rpartition(".")
        return name == self.page or (stem in self.tables and suffix in {"parquet", "csv"})


ANALYSIS: Final = Outputs(MARKER, PAGE, TABLES)
LOTS: Final = Outputs("deadband-lots.json", "lots.html", ("lots", "lot_switches", "lot_shapes"))


def claim(out: Path, source: Path, kind: Outputs = ANALYSIS) -> None:
    """Make sure that results may go to `out`; nothing is made yet.

    Parameters
    ----------
    out
        The folder of results.
    source
        The folder of recordings.
    kind
        What will be written.

    Raises
    ------
    InputError
        `out` is the folder of recordings, is no folder, or holds a file of the name of a result
        that no earlier run has written.
    """
    if out.exists() and not out.is_dir():
        raise InputError(
            "not_a_folder",
            "there is a file of this name",
            file=str(out),
            advice="name a folder for the results",
        )
    if out.resolve() == source.resolve():
        raise InputError(
            "same_folder",
            "the results would stand among the recordings",
            file=str(out),
            advice="name another folder with --out",
        )
    own = _own(out, kind)
    foreign = sorted(
        path.name
        for path in (out.iterdir() if out.is_dir() else ())
        if path.name not in own and (path.name == kind.marker or kind.owns(path.name))
    )
    if foreign:
        raise InputError(
            "foreign_files",
            f"{listed(foreign[:5])} would be overwritten, and no run of deadband has written them",
            file=str(out),
            advice="name an empty or new folder with --out",
        )


def _own(out: Path, kind: Outputs) -> set[str]:
    """Names of the files that an earlier run left in the folder."""
    marker = out / kind.marker
    try:
        listing = json.loads(marker.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return set()
    if not isinstance(listing, dict) or listing.get("made_by") != "deadband":
        return set()
    files = listing.get("files")
    own = {kind.marker}
    return own | {str(name) for name in files} if isinstance(files, list) else own


@contextmanager
def staged(out: Path, facts: Mapping[str, Any], kind: Outputs = ANALYSIS) -> Iterator[Path]:
    """Yield a folder to write results into; they take their places once the block ends well.

    Files of an earlier run that this one did not write are removed, so that all that stand there
    belong together. Files of others are left alone. When the block fails, nothing changes.
    """
    staging = Path(tempfile.mkdtemp(prefix=".deadband-", dir=out))
    try:
        yield staging
        names = sorted(path.name for path in staging.iterdir())
        listing = {"made_by": "deadband", **facts, "files": names}
        (staging / kind.marker).write_text(json.dumps(listing, indent=2) + "\n", encoding="utf-8")
        before = _own(out, kind)
        # The marker goes first: a run cut short here leaves only files that the next one knows.
        for name in (kind.marker, *names):
            (staging / name).replace(out / name)
        for name in before - {kind.marker, *names}:
            if kind.owns(name):
                (out / name).unlink(missing_ok=True)
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def write_tables(tables: Mapping[str, pl.DataFrame], folder: Path) -> None:
    """Each table as Parquet and as CSV."""
    for name, table in tables.items():
        table.write_parquet(folder / f"{name}.parquet")
        flat = table.with_columns(
            pl.col(column).cast(pl.List(pl.String)).list.join(" ")
            for column, dtype in table.schema.items()
            if isinstance(dtype, pl.List)
        )
        flat.write_csv(folder / f"{name}.csv")
