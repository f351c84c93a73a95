"""Folders of logger files, written for the tests of reading."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import polars as pl

from deadband.read import read_tests

FIXED = {
    "test_id": "a",
    "switch_id": "s1",
    "method": "ramp",
    "tested_at": "2024-03-15",
    "file": "a.csv",
    "unit": "Pa",
}


def write_manifest(folder: Path, *rows: dict[str, str]) -> Path:
    """Write `tests.csv`, each row given by what differs from the usual; return the folder."""
    filled = [{**FIXED, **row} for row in rows]
    names = list(dict.fromkeys(name for row in filled for name in row))
    with (folder / "tests.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, names)
        writer.writeheader()
        writer.writerows(filled)
    return folder


def read_one(folder: Path, data: str | bytes, **options: Any) -> dict[str, Any]:
    """Read one logger file through a manifest; what is not an option of reading goes there."""
    reading = {key: options.pop(key) for key in ("depression", "strict") if key in options}
    raw = data if isinstance(data, bytes) else data.encode("utf-8")
    (folder / "a.csv").write_bytes(raw)
    write_manifest(folder, {key: str(value) for key, value in options.items()})
    return read_tests(folder, **reading).collect().row(0, named=True)


def write_parquet(path: Path, **columns: Any) -> Path:
    """A Parquet file of one recording, `columns` replacing or adding to the usual ones."""
    usual: dict[str, Any] = {
        "test_id": ["a"],
        "switch_id": ["s1"],
        "method": ["ramp"],
        "tested_at": pl.Series(["2024-03-15T14:03:00"]).str.to_datetime(),
        "time_s": [[0.0, 0.1]],
        "pressure_pa": [[5.0, 6.0]],
        "contact": [[0.0, 1.0]],
    }
    frame = pl.DataFrame({**usual, **columns})
    frame.select(name for name in frame.columns if columns.get(name, 0) is not None).write_parquet(
        path, mkdir=True
    )
    return path
