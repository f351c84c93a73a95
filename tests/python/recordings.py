"""A sound recording, spoilt one way at a time, and tables made of such."""

from datetime import datetime
from typing import Any

import numpy as np
import polars as pl

from deadband.schema import dtypes

OPEN_PA, CLOSE_PA = 60.0, 70.0


def sound() -> dict[str, Any]:
    """Two cycles of a triangle of 5 Pa/s between 20 and 100 Pa at 10 Hz, without noise."""
    time = np.arange(640) / 10.0
    pressure = 20.0 + np.abs((5.0 * time + 80.0) % 160.0 - 80.0)
    closed = np.zeros(640)
    state = 0.0
    for index, value in enumerate(pressure):
        if value > CLOSE_PA or value < OPEN_PA:
            state = float(value > CLOSE_PA)
        closed[index] = state
    return {"time_s": time, "pressure_pa": pressure, "contact": closed}


def spoilt(how: str) -> dict[str, Any]:
    """The sound recording with one fault; `how` is the status that tells it."""
    made = sound()
    time, pressure, contact = (made[name] for name in ("time_s", "pressure_pa", "contact"))
    match how:
        case "ok":
            pass
        case "no_event":
            contact[:] = 1.0
        case "too_few_samples":
            made = {name: values[:5] for name, values in made.items()}
        case "time_not_increasing":
            time[100] = time[99]
        case "not_finite":
            pressure[100] = np.inf
        case "length_mismatch":
            made["contact"] = contact[:-1]
        case "saturated":
            made["pressure_pa"] = np.minimum(pressure, 65.0)
        case "contact_ambiguous":
            made["contact"] = np.arange(640) % 3.0
        case "event_at_edge":
            made = {name: values[100:165] for name, values in made.items()}
            made["contact"][:] = 0.0
            made["contact"][-3:] = 1.0
        case "missing_value":
            made["contact"] = None
        case _:
            raise ValueError(how)
    return made


def table_of(recordings: dict[str, dict[str, Any]], **columns: Any) -> pl.DataFrame:
    """The tests table of recordings by id; every other column is the same for all."""
    common = {
        "switch_id": "s1",
        "gauge_id": "g1",
        "operator_id": None,
        "method": "ramp",
        "tested_at": datetime(2024, 5, 1, 9),
        "contact_time_s": None,
        "called_close_pa": None,
        "called_open_pa": None,
        **columns,
    }
    rows = [{"test_id": name, **common, **made} for name, made in recordings.items()]
    return pl.DataFrame(
        [
            pl.Series(name, [_plain(row[name]) for row in rows], dtype)
            for name, dtype in dtypes("tests").items()
            if name in {"test_id", *common, "time_s", "pressure_pa", "contact"}
        ]
    )


def _plain(value: Any) -> Any:
    return value.tolist() if isinstance(value, np.ndarray) else value


def lags_of(lag_s: float | None = 0.0, u_s: float | None = 0.0, gauge: str = "g1") -> pl.DataFrame:
    schema = {"gauge_id": pl.String, "lag_s": pl.Float64, "lag_u_s": pl.Float64}
    return pl.DataFrame([(gauge, lag_s, u_s)], schema=schema, orient="row")


def switches_of(**columns: Any) -> pl.DataFrame:
    row = {"switch_id": "s1", "rated_pa": 60.0, "action": "fall", "tolerance": 0.1, **columns}
    schema = {
        "switch_id": pl.String,
        "rated_pa": pl.Float64,
        "action": pl.String,
        "tolerance": pl.Float64,
    }
    return pl.DataFrame([row], schema=schema)
