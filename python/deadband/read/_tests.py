"""Recordings from wherever they are kept."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Literal

import polars as pl

from .._errors import InputError, check_option
from ..schema import validate_tests
from ._logger_folder import scan_logger_folder
from ._parquet import find_parquet, is_parquet, scan_files
from ._sign import DEPRESSIONS, Depression, flip_depression

_MANIFEST = "tests.csv"
_MANIFEST_SUFFIXES = (".csv", ".txt", ".tsv")

_MAGIC = re.compile(r"[*?[]")

Source = Literal["auto", "parquet", "csv"]


def read_tests(
    path: str | os.PathLike[str],
    *,
    depression: Depression = "positive",
    source: Source = "auto",
    strict: bool = False,
) -> pl.LazyFrame:
    r"""Recordings of switch tests, a row a recording, read when the frame is collected.

    `path` is one of

    - a Parquet file, a pattern of them (`"2024-*/*.parquet"`), or an address that Polars can scan
      (`"s3://bucket/tests/*.parquet"`);
    - a folder with Parquet files, also in folders named `column=value`. `tests.parquet` is taken
      alone where it exists; files named like another table are left out;
    - a folder with logger files and their manifest `tests.csv`, or that manifest itself. Parquet
      goes before the manifest where a folder has both.

    Parquet holds the columns of the tests table, in pascal and seconds. The manifest gives the
    unit of each logger file: a unit is never guessed. Seconds of clock times count from the first
    sample.

    Parameters
    ----------
    path
        Where the recordings are.
    depression
        `positive` when a stronger draft was logged as a larger number, `negative` when it was
        logged as a negative number; then every sign is turned.
    source
        `parquet` or `csv` to say which of the two a folder is read as.
    strict
        For logger files: read them at once, and raise at the first that cannot be read. Otherwise
        it keeps its row, with null lists and the reason in `read_error`.

    Returns
    -------
    polars.LazyFrame
        The tests table (`deadband.schema.TESTS`); from a manifest also `read_error`, null where
        the recording could be read, and `read_note`, what in it may be meant otherwise.

    Raises
    ------
    InputError
        There is nothing to read, or a cell of the manifest cannot be used; with `strict`, a
        logger file cannot be read.
    SchemaError
        A column is missing or has a type that cannot be used.
    OptionError
        An option has a value it does not know.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "tests.csv").write_text(
    ...     "test_id,switch_id,method,tested_at,file,unit\na,s1,ramp,2024-03-15,a.csv,inH2O\n"
    ... )
    >>> _ = (folder / "a.csv").write_text(
    ...     "time;draft;switch\n14:03:07,0;0,10;on\n14:03:07,5;0,30;off\n"
    ... )
    >>> tests = read_tests(folder).collect()
    >>> tests["time_s"].to_list(), tests["contact"].to_list()
    ([[0.0, 0.5]], [[1.0, 0.0]])
    >>> tests["pressure_pa"].list.get(0).round(3).to_list()
    [24.909]
    """
    check_option("depression", depression, DEPRESSIONS)
    check_option("source", source, ("auto", "parquet", "csv"))
    text = os.fspath(path)
    if "://" in text:
        return _read_remote(text, depression)
    place = Path(text)
    if place.is_dir():
        return _read_folder(place, depression, source, strict=strict)
    if place.is_file():
        if is_parquet(place) and source != "csv":
            return scan_files([place], place.parent, depression)
        if place.suffix.lower() in _MANIFEST_SUFFIXES and source != "parquet":
            return scan_logger_folder(place, depression, strict=strict)
        raise _not_understood(text)
    if _MAGIC.search(text):
        return _read_pattern(text, depression)
    raise InputError(
        "file_not_found",
        "there is no such file or folder",
        file=text,
        advice="check the path",
    )


def _read_folder(
    folder: Path, depression: Depression, source: Source, *, strict: bool
) -> pl.LazyFrame:
    manifest = folder / _MANIFEST
    if source != "csv":
        paths = find_parquet(folder)
        if paths:
            root = folder / "tests.parquet"
            return scan_files(paths, root if root.is_dir() else folder, depression)
    if source != "parquet" and manifest.is_file():
        return scan_logger_folder(manifest, depression, strict=strict)
    wanted = {
        "auto": "neither recordings in Parquet nor a manifest tests.csv",
        "parquet": "no Parquet file with a column test_id",
        "csv": "no manifest tests.csv",
    }[source]
    raise InputError(
        "nothing_found",
        f"the folder holds {wanted}",
        file=str(folder),
        advice="name the folder that holds them, or write a manifest"
        " (test_id, switch_id, method, tested_at, file, unit)",
    )


def _read_pattern(pattern: str, depression: Depression) -> pl.LazyFrame:
    root = Path(pattern)
    while _MAGIC.search(str(root)):
        root = root.parent
    matches = root.glob(str(Path(pattern).relative_to(root)))
    paths = sorted(path for path in matches if path.is_file())
    if not paths:
        raise InputError(
            "nothing_found", "no file fits this pattern", file=pattern, advice="check the pattern"
        )
    other = [path for path in paths if not is_parquet(path)]
    if other:
        raise _not_understood(str(other[0]))
    return scan_files(paths, root, depression)


def _read_remote(address: str, depression: Depression) -> pl.LazyFrame:
    try:
        tests = validate_tests(pl.scan_parquet(address))
    except (pl.exceptions.PolarsError, OSError) as error:
        raise InputError(
            "unreadable_file",
            f"there is no Parquet file that can be read ({str(error).splitlines()[0]})",
            file=address,
            advice="check the address and your access to it",
        ) from None
    return flip_depression(tests) if depression == "negative" else tests


def _not_understood(name: str) -> InputError:
    return InputError(
        "unreadable_file",
        "the name of the file does not say that it is what was asked for",
        file=name,
        advice="give a .parquet file, a pattern of them, a folder, or a manifest .csv",
    )
