"""From the plan to the files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import polars as pl

from ..simulate import Fleet, fleet
from ._broken import broken, broken_plan
from ._logger_csv import write_logger_csv
from ._plan import plan
from ._stock import stock

SEED: Final = 2025

_CHANNELS: Final = ("time_s", "pressure_pa", "contact", "contact_time_s")


def demo_fleet(seed: int = SEED) -> Fleet:
    """The demonstration fleet as tables, with the truth of every recording beside them.

    Parameters
    ----------
    seed
        the one of `demo-data`, or another one for another fleet of the same kind.

    Examples
    --------
    >>> made = demo_fleet()
    >>> made.switches.height, made.gauges["gauge_id"].to_list()
    (60, ['G1', 'G2', 'G3', 'G4'])
    """
    switches = stock(seed)
    planned = plan(seed, switches)
    units = {test.unit.switch_id: test.unit for test in planned}
    spoilt = [replace(test, unit=units[test.unit.switch_id]) for test in broken_plan(switches)]
    made = fleet([*planned, *spoilt], seed=seed)
    rows = [broken(_as_logged(row)) for row in _rows(made.tests)]
    channels = [
        pl.Series(name, [_as_series(row[name]) for row in rows], pl.List(pl.Float64))
        for name in _CHANNELS
    ]
    return Fleet(
        tests=made.tests.with_columns(channels),
        switches=made.switches.sort("switch_id"),
        gauges=made.gauges.sort("gauge_id"),
        truth=made.truth,
    )


def write_demo(out: Path, *, seed: int = SEED) -> None:
    """Write `tests.parquet`, `switches.csv`, `gauges.csv` and the folder `logger-csv`.

    Files of these names are replaced; nothing else in `out` is touched.

    Parameters
    ----------
    out
        the folder, made if there is none.
    seed
        see `demo_fleet`.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as out:
    ...     write_demo(Path(out))
    ...     sorted(path.name for path in Path(out).iterdir())
    ['gauges.csv', 'logger-csv', 'switches.csv', 'tests.parquet']
    """
    made = demo_fleet(seed)
    out.mkdir(parents=True, exist_ok=True)
    made.tests.write_parquet(out / "tests.parquet", compression="zstd", compression_level=9)
    made.switches.write_csv(out / "switches.csv")
    # No gauge of the demonstration states the parts of its lag.
    stated = made.gauges.drop("dead_time_s", "time_constant_s")
    stated.write_csv(out / "gauges.csv")
    write_logger_csv(out / "logger-csv", seed)


def _rows(tests: pl.DataFrame) -> list[dict[str, Any]]:
    rows = tests.drop(_CHANNELS).to_dicts()
    for name in _CHANNELS:
        for row, values in zip(rows, tests[name], strict=True):
            row[name] = None if values is None else values.to_numpy()
    return rows


def _as_series(values: npt.NDArray[np.float64] | None) -> pl.Series | None:
    return None if values is None else pl.Series(values)


def _as_logged(row: dict[str, Any]) -> dict[str, Any]:
    """Times to the millisecond and contacts to the digits of a meter, as a logger stores them."""
    contact_time = row["contact_time_s"]
    return {
        **row,
        "time_s": np.round(row["time_s"], 3),
        "contact_time_s": None if contact_time is None else np.round(contact_time, 3),
        "contact": _as_metered(row["contact"]),
    }


def _as_metered(contact: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.where(contact > 1e3, np.round(contact, -5), np.round(contact, 2)) + 0.0
