"""A folder of logger files as a lazy frame: read when collected, a batch at a time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import polars as pl
from polars.io.plugins import register_io_source

from .._errors import InputError
from ..schema import dtypes
from ._manifest import Manifest, read_manifest
from ._recording import LoggerFile, Recording, read_recording
from ._sign import Depression

# Recordings read before rows are handed on: enough to keep the engine busy, little memory.
_BATCH = 200
_CHANNELS = ("time_s", "pressure_pa", "contact", "contact_time_s")

SCHEMA = pl.Schema({**dtypes("tests"), "read_error": pl.String(), "read_note": pl.String()})


def scan_logger_folder(manifest: Path, depression: Depression, *, strict: bool) -> pl.LazyFrame:
    r"""The recordings that a manifest lists.

    The manifest is read at once, the recordings when the frame is collected, and only when one of
    their columns is asked for.

    Parameters
    ----------
    manifest
        The manifest.
    depression
        The sign with which depression was logged.
    strict
        Read everything at once, and raise at the first recording that cannot be read.

    Raises
    ------
    SchemaError, InputError
        The manifest cannot be used; with `strict`, a recording cannot.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "tests.csv").write_text(
    ...     "test_id,switch_id,method,tested_at,file,unit\na,s1,ramp,2024-03-15,lost.csv,inH2O\n"
    ... )
    >>> frame = scan_logger_folder(folder / "tests.csv", "positive", strict=False).collect()
    >>> frame["time_s"].to_list(), frame["read_error"].str.head(31).to_list()
    ([None], ['lost.csv: there is no such file'])
    """
    plan = _turned(read_manifest(manifest), depression)
    if strict:
        return _batch(plan, depression, strict=True).lazy()

    def source(
        columns: list[str] | None,
        predicate: pl.Expr | None,
        n_rows: int | None,
        batch_size: int | None,
    ) -> Iterator[pl.DataFrame]:
        kept = _first(plan, n_rows)
        known = set(kept.tests.columns)
        if predicate is not None and set(predicate.meta.root_names()) <= known:
            kept = _where(kept, predicate)
            predicate = None
        asked = set(columns or SCHEMA) | set(
            predicate.meta.root_names() if predicate is not None else ()
        )
        size = min(batch_size or _BATCH, _BATCH)
        for start in range(0, max(len(kept.files), 1), size):
            part = Manifest(kept.tests[start : start + size], kept.files[start : start + size])
            frame = (
                _without_channels(part)
                if asked <= known
                else _batch(part, depression, strict=False)
            )
            if predicate is not None:
                frame = frame.filter(predicate)
            yield frame.select(columns) if columns is not None else frame

    return register_io_source(source, schema=SCHEMA, is_pure=True)


def _turned(plan: Manifest, depression: Depression) -> Manifest:
    """Operators write a called value down with and without its minus sign."""
    negative = pl.Series(
        [(file.depression or depression) == "negative" for file in plan.files], dtype=pl.Boolean
    )
    called = pl.col("called_close_pa", "called_open_pa")
    return Manifest(
        plan.tests.with_columns(pl.when(negative).then(called.abs()).otherwise(called)), plan.files
    )


def _first(plan: Manifest, n_rows: int | None) -> Manifest:
    if n_rows is None:
        return plan
    return Manifest(plan.tests.head(n_rows), plan.files[:n_rows])


def _where(plan: Manifest, predicate: pl.Expr) -> Manifest:
    index = plan.tests.with_row_index("row").filter(predicate)["row"].to_list()
    return Manifest(plan.tests[index], [plan.files[i] for i in index])


def _without_channels(plan: Manifest) -> pl.DataFrame:
    absent = [
        pl.lit(None, dtype).alias(name)
        for name, dtype in SCHEMA.items()
        if name not in plan.tests.columns
    ]
    return plan.tests.with_columns(*absent).select(list(SCHEMA))


def _batch(plan: Manifest, depression: Depression, *, strict: bool) -> pl.DataFrame:
    recordings: list[Recording | None] = []
    problems: list[str | None] = []
    for file in plan.files:
        recording, problem = _attempt(file, depression, strict=strict)
        recordings.append(recording)
        problems.append(problem)
    channels = [
        pl.Series(
            name,
            [None if recording is None else getattr(recording, name) for recording in recordings],
        ).cast(SCHEMA[name])
        for name in _CHANNELS
    ]
    notes = [None if recording is None else recording.note for recording in recordings]
    return plan.tests.with_columns(
        *channels,
        pl.Series("read_error", problems, dtype=pl.String),
        pl.Series("read_note", notes, dtype=pl.String),
    ).select(list(SCHEMA))


def _attempt(
    file: LoggerFile, depression: Depression, *, strict: bool
) -> tuple[Recording | None, str | None]:
    try:
        return read_recording(file, depression), None
    except InputError as error:
        if strict:
            raise
        return None, str(error)
