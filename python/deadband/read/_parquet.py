"""Recordings in Parquet: a file, a data set, a pattern."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import polars as pl

from .._errors import InputError
from ..schema import TABLES, TESTS, validate_tests
from ._sign import Depression, flip_depression

_SUFFIXES = (".parquet", ".pq")
# Files named like another table of this package hold that table, whatever columns they have.
_OTHER_TABLES = (*(name for name in TABLES if name != "tests"), "trend", "condition")


def is_parquet(path: Path) -> bool:
    """Whether a file is Parquet, by its name.

    Examples
    --------
    >>> is_parquet(Path("a/tests.parquet")), is_parquet(Path("a/tests.csv"))
    (True, False)
    """
    return path.suffix.lower() in _SUFFIXES


def find_parquet(folder: Path) -> list[Path]:
    """The Parquet files of a folder that hold recordings.

    `tests.parquet` (a file, or a folder written as one) is taken alone where it exists. Otherwise
    every Parquet file below the folder counts, unless its name or that of a folder above it is
    another table's, starts with `.` or `_`, or it has no column `test_id`.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> pl.DataFrame({"test_id": ["a"]}).write_parquet(folder / "march.parquet")
    >>> pl.DataFrame({"gauge_id": ["g"]}).write_parquet(folder / "gauges.parquet")
    >>> [path.name for path in find_parquet(folder)]
    ['march.parquet']
    """
    whole = folder / "tests.parquet"
    if whole.is_file():
        return [whole]
    root = whole if whole.is_dir() else folder
    found = []
    for path in sorted(root.rglob("*")):
        parts = path.relative_to(root).parts
        if not is_parquet(path) or not path.is_file():
            continue
        if any(part.startswith((".", "_")) for part in parts):
            continue
        if root is folder and any(Path(part).stem in _OTHER_TABLES for part in parts):
            continue
        if "test_id" in _partition_keys(path, root) or "test_id" in _schema_of(path):
            found.append(path)
    return found


def scan_files(paths: Sequence[Path], root: Path, depression: Depression) -> pl.LazyFrame:
    """Recordings in Parquet files, as one lazy frame with the columns of the tests table.

    Files may differ in their optional columns and in types that hold the same values. Folders named
    `column=value` between the root and a file give a column.

    Parameters
    ----------
    paths
        The files.
    root
        The folder below which folders give columns.
    depression
        The sign with which depression was logged.

    Raises
    ------
    SchemaError
        A column is missing or has a type that cannot be used.
    InputError
        A file is not Parquet.

    Examples
    --------
    >>> scan_files([Path("lost.parquet")], Path(), "positive")
    Traceback (most recent call last):
        ...
    deadband._errors.InputError: lost.parquet: this is not a Parquet file that can be read ...
    """
    groups: dict[tuple[object, ...], list[Path]] = {}
    for path in paths:
        keys = _partition_keys(path, root)
        groups.setdefault((*_schema_of(path).items(), *keys), []).append(path)
    frames = []
    for files in groups.values():
        keys = _partition_keys(files[0], root)
        types = {name: _partition_type(name) for name in keys}
        frame = pl.scan_parquet(
            files, glob=False, hive_partitioning=bool(keys), hive_schema=types or None
        )
        frames.append(validate_tests(frame))
    tests = frames[0] if len(frames) == 1 else pl.concat(frames)
    return flip_depression(tests) if depression == "negative" else tests


def _schema_of(path: Path) -> dict[str, pl.DataType]:
    try:
        return dict(pl.read_parquet_schema(path))
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise InputError(
            "unreadable_file",
            f"this is not a Parquet file that can be read ({reason})",
            file=str(path),
            advice="write it again, or take it out of the folder",
        ) from None


def _partition_keys(path: Path, root: Path) -> list[str]:
    try:
        parts = path.relative_to(root).parts[:-1]
    except ValueError:
        return []
    return [part.partition("=")[0] for part in parts if "=" in part]


def _partition_type(name: str) -> pl.DataType:
    """Ids stay as they are written: `007` is not seven."""
    column = TESTS.get(name)
    return pl.Date() if column and column.dtype == pl.Datetime("us") else pl.String()
