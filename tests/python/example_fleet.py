"""Small hand-built tables for the tests of pictures, page and command line.

A gauge of lag L shows `setpoint - L * rate` at the change of the contact; everything below is
that sentence with seeded noise, so that a picture of it looks like the real thing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

import numpy as np
import polars as pl

from deadband._estimate import Estimate

LAGS = {"G1": 0.40, "G2": 0.25, "G3": 0.80}
RATES = {"ramp": 6.0, "in_service": 25.0, "pinch": 180.0}
U_PA = {"ramp": 0.25, "in_service": 0.9, "pinch": 2.5}
STATUSES = (
    "no_event",
    "too_few_samples",
    "time_not_increasing",
    "not_finite",
    "length_mismatch",
    "saturated",
    "contact_ambiguous",
    "event_at_edge",
    "lag_unidentified",
    "missing_value",
    "bad_value",
    "duplicate_id",
)


@dataclass
class Fit:
    """A recording's result with the attributes the pictures ask for."""

    time_s: np.ndarray
    pressure_pa: np.ndarray
    contact: np.ndarray
    contact_time_s: np.ndarray
    path: pl.DataFrame
    events: pl.DataFrame
    close: Estimate | None
    open: Estimate | None
    unit: str = "inH2O"
    per_unit: float = 249.0889


@dataclass
class Fleet:
    """The attributes of an analysis."""

    tests: pl.LazyFrame
    events: pl.DataFrame
    lags: pl.DataFrame
    setpoints: pl.DataFrame
    verdicts: pl.DataFrame
    trend: pl.DataFrame
    condition: pl.DataFrame
    switches: pl.DataFrame
    gauges: pl.DataFrame | None = field(default=None)


def in_inches(value_pa: float, u_pa: float) -> Estimate:
    return Estimate(value_pa, u_pa, 20.0).scaled(1.0 / 249.0889, "inH2O")


def ramp_fit(seed: int = 3, cycles: int = 3, lag: float = 0.4) -> Fit:
    """Hand-moved ramps between 10 and 110 Pa; the switch closes at 70 Pa and opens at 60 Pa."""
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, cycles * 30.0, 0.1)
    phase = (time % 30.0) / 30.0
    true = 10.0 + 100.0 * np.where(phase < 0.5, 2.0 * phase, 2.0 - 2.0 * phase)
    true += 1.5 * np.sin(time / 1.7)
    shown = np.empty_like(true)
    shown[0] = true[0]
    for i in range(1, len(true)):
        shown[i] = shown[i - 1] + (true[i - 1] - shown[i - 1]) * 0.1 / lag
    reading = np.round((shown + rng.normal(0, 0.4, len(shown))) / 2.490889) * 2.490889
    closed = np.zeros(len(true), dtype=bool)
    for i in range(1, len(true)):
        closed[i] = true[i] > (60.0 if closed[i - 1] else 70.0)
    rows = []
    for i in np.flatnonzero(np.diff(closed.astype(int))):
        rows.append(
            {
                "event": "close" if closed[i + 1] else "open",
                "time_s": float(time[i] + 0.05),
                "time_width_s": 0.1,
                "reading_pa": float(reading[i]),
                "bounces": int(closed[i]),
            }
        )
    path = pl.DataFrame({"time_s": time, "pressure_pa": shown})
    path = path.with_columns(
        pl.Series("rate_pa_s", np.gradient(shown, time)), u_pa=pl.lit(0.1, pl.Float64)
    )
    volts = np.where(closed, 0.1, 4.9) + rng.normal(0, 0.02, len(closed))
    return Fit(
        time,
        reading,
        volts,
        time,
        path,
        pl.DataFrame(rows),
        close=in_inches(70.0, 0.3),
        open=in_inches(60.0, 0.3),
    )


def _crossing(event: str, cycle: int, value: float, rated: float) -> float:
    """When a triangle of 20 s between a third and five thirds of the rating passes `value`."""
    share = 10.0 * (value / rated - 1.0 / 3.0) / (4.0 / 3.0)
    return 20.0 * cycle + (share if event == "close" else 20.0 - share)


def _recordings(setpoints: pl.DataFrame, switches: pl.DataFrame) -> pl.LazyFrame:
    """The channels that go with the events of `fleet`: two triangles, the contact in volts."""
    time = np.arange(0.0, 40.0, 0.1)
    wave = 1.0 / 3.0 + 4.0 / 3.0 * (1.0 - np.abs(time % 20.0 - 10.0) / 10.0)
    rated = dict(switches.select("switch_id", "rated_pa").iter_rows())
    pressure, contact = [], []
    for row in setpoints.iter_rows(named=True):
        true = wave * rated[row["switch_id"]]
        pressure.append((np.round(true / 2.490889) * 2.490889).tolist())
        volts = np.full(len(time), 4.9)
        if row["open_pa"] is not None:
            for cycle in range(2):
                closes, opens = (
                    _crossing(event, cycle, row[f"{event}_pa"], rated[row["switch_id"]])
                    for event in ("close", "open")
                )
                volts[(time >= closes) & (time < opens)] = 0.1
        contact.append(volts.tolist())
    return (
        setpoints.select("test_id", "switch_id", "gauge_id", "operator_id", "method", "tested_at")
        .lazy()
        .with_columns(
            pl.Series("time_s", [time.tolist()] * setpoints.height, dtype=pl.List(pl.Float64)),
            pl.Series("pressure_pa", pressure, dtype=pl.List(pl.Float64)),
            pl.Series("contact", contact, dtype=pl.List(pl.Float64)),
        )
    )


def fleet(switches: int = 12, tests_each: int = 5, seed: int = 1) -> Fleet:
    """A fleet with one switch drifting into the unsafe side and one recording of each status."""
    rng = np.random.default_rng(seed)
    ids = [f"SW-{i:03d}" for i in range(switches)]
    table = pl.DataFrame(
        {
            "switch_id": ids,
            "model": ["A10" if i % 2 else "B25" for i in range(switches)],
            "lot": [f"L{i % 3}" for i in range(switches)],
            "rated_pa": [60.0 if i % 2 else 125.0 for i in range(switches)],
            "action": ["fall"] * switches,
            "tolerance": [0.10] * switches,
            "installed_on": [date(2020, 1, 15)] * switches,
        }
    )
    points, events = [], []
    methods = ("ramp", "ramp", "in_service", "ramp", "pinch")
    for s, row in enumerate(table.iter_rows(named=True)):
        offset = rng.normal(0, 0.03)
        for k in range(tests_each):
            method = methods[(k + s) % 5]
            gauge = f"G{1 + (k + s) % 3}"
            opened = row["rated_pa"] * (1.0 + offset - (0.035 * k if s == 0 else 0.004 * k))
            ident = {
                "test_id": f"T-{s:03d}-{k}",
                "switch_id": row["switch_id"],
                "gauge_id": gauge,
                "operator_id": f"op{k % 2}",
                "method": method,
                "tested_at": datetime(2020, 2, 1, 9) + timedelta(days=300 * k + s),
            }
            u = U_PA[method]
            closed = opened * 1.15
            values = {"open": opened + rng.normal(0, u), "close": closed + rng.normal(0, u)}
            for cycle in range(2):
                for event, sign in (("close", 1.0), ("open", -1.0)):
                    rate = sign * RATES[method] * rng.uniform(0.5, 2.0)
                    shown = values[event] - LAGS[gauge] * rate + rng.normal(0, 0.5)
                    events.append(
                        {
                            **ident,
                            "cycle": cycle,
                            "event": event,
                            "time_s": _crossing(event, cycle, values[event], row["rated_pa"]),
                            "time_width_s": 0.1,
                            "reading_pa": shown,
                            "pressure_pa": shown,
                            "rate_pa_s": rate,
                            "var_pressure": 0.01,
                            "cov_pressure_rate": 0.0,
                            "var_rate": 0.01,
                            "bounces": 0,
                            "status": "ok",
                        }
                    )
            points.append(
                {
                    **ident,
                    "close_pa": values["close"],
                    "close_u_pa": u,
                    "close_dof": 12.0,
                    "open_pa": values["open"],
                    "open_u_pa": u,
                    "open_dof": 12.0,
                    "deadband_pa": values["close"] - values["open"],
                    "deadband_u_pa": 1.2 * u,
                    "deadband_dof": 12.0,
                    "repeatability_pa": 0.2,
                    "n_close": 2,
                    "n_open": 2,
                    "lag_correction_pa": -LAGS[gauge] * RATES[method],
                    "status": "ok",
                }
            )
    for k, status in enumerate(STATUSES):
        points.append(
            {
                **points[0],
                **dict.fromkeys(
                    key for key in points[0] if key.endswith(("_pa", "_dof")) or key[:2] == "n_"
                ),
                "test_id": f"bad-{k}",
                "tested_at": datetime(2023, 5, 1 + k, 9),
                "status": status,
            }
        )
    setpoints = pl.DataFrame(points, infer_schema_length=None)
    limit = pl.col("rated_pa")
    verdicts = (
        setpoints.join(table.select("switch_id", "rated_pa"), on="switch_id")
        .with_columns(limit_low_pa=0.9 * limit, limit_high_pa=1.1 * limit)
        .with_columns(low=(pl.col("limit_low_pa") - pl.col("open_pa")) / pl.col("open_u_pa"))
        .with_columns(high=(pl.col("open_pa") - pl.col("limit_high_pa")) / pl.col("open_u_pa"))
        .with_columns(
            p_unsafe=1.0 / (1.0 + (-1.7 * pl.col("low")).exp()),
            p_nuisance=1.0 / (1.0 + (-1.7 * pl.col("high")).exp()),
        )
        .with_columns(p_conform=1.0 - pl.col("p_unsafe") - pl.col("p_nuisance"))
        .with_columns(
            p_conform_other=pl.col("p_conform") * 0.99,
            verdict=pl.when(pl.col("p_conform") >= 0.95)
            .then(pl.lit("conforms"))
            .when(pl.col("p_conform") <= 0.05)
            .then(pl.lit("does_not_conform"))
            .when(pl.col("p_conform").is_not_null())
            .then(pl.lit("undecided")),
            rule=pl.lit("guarded acceptance, risk 0.05"),
        )
        .drop("rated_pa", "low", "high")
    )
    lags = pl.DataFrame(
        {
            "gauge_id": ["G1", "G2", "G3", "G4"],
            "lag_s": [0.41, 0.24, 0.79, None],
            "lag_u_s": [0.012, 0.02, 0.03, None],
            "dof": [30.0, 22.0, float("inf"), None],
            "n_events": [60, 60, 0, 2],
            "dead_time_s": [None, None, 0.1, None],
            "time_constant_s": [None, None, 0.69, None],
            "source": ["rates", "rates", "stated", "rates"],
            "status": ["ok", "ok", "ok", "lag_unidentified"],
        }
    )
    tests = _recordings(setpoints, table)
    empty = pl.DataFrame()
    return Fleet(tests, pl.DataFrame(events), lags, setpoints, verdicts, empty, empty, table, None)
