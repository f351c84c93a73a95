"""Tables of a study drawn as plain numbers, a thousand times faster than recordings."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl

LAG_S, LAG_U_S, REFRESH_S, STEP_PA = 0.55, 0.015, 0.4, 1.0
REPEATABILITY_PA, NOISE_PA, FIT_PA, RATE_U = 0.4, 0.3, 0.15, 0.05
REACTIONS = ((0.3, 0.08), (0.5, 0.10), (0.7, 0.15))


def plain(rng, *, switches=8, repeats=2, operators=2, cycles=3):
    """Setpoints, events, lags, gauges and tests of one gauge whose lag is known to `LAG_U_S`."""
    lag = LAG_S + LAG_U_S * rng.normal()
    rows = []
    for s in range(switches):
        setpoint = 60.0 + 2.0 * rng.normal()
        for o in range(operators):
            for method in ("ramp", "in_service"):
                for _ in range(repeats if rng.random() < 0.8 else 1):
                    test = {
                        "test_id": f"{len(rows):05}", "switch_id": f"s{s:02}", "gauge_id": "g",
                        "operator_id": f"o{o}", "method": method,
                        "tested_at": datetime(2024, 5, 1) + timedelta(hours=len(rows)),
                    }  # fmt: skip
                    told = {"lag": lag, "cycles": cycles}
                    rows.append((test, _one(rng, setpoint, method, REACTIONS[o], **told)))
    points = [{**test, **one["point"]} for test, one in rows]
    events = [{**test, **event} for test, one in rows for event in one["events"]]
    nothing = dict.fromkeys(("time_s", "pressure_pa", "contact"))
    called = [{**test, **nothing, "called_open_pa": one["called"]} for test, one in rows]
    lists = dict.fromkeys(nothing, pl.List(pl.Float64))
    gauge = {"gauge_id": ["g"]}
    return (
        pl.DataFrame(points).cast({"close_pa": pl.Float64, "close_u_pa": pl.Float64}),
        pl.DataFrame(events),
        pl.DataFrame({**gauge, "lag_s": [lag], "lag_u_s": [LAG_U_S], "source": ["rates"]}),
        pl.DataFrame(
            {
                **gauge, "resolution_pa": [STEP_PA], "accuracy_rel": [0.0],
                "accuracy_abs_pa": [0.0], "refresh_s": [REFRESH_S],
            }
        ),
        pl.DataFrame(called).cast(lists),
    )  # fmt: skip


def _one(rng, setpoint, method, reaction, *, lag, cycles):
    fast = -np.exp(rng.uniform(np.log(2.0), np.log(10.0)))
    rate = (fast if method == "ramp" else -rng.uniform(15.0, 22.0)) * np.exp(
        0.1 * rng.normal(size=cycles)
    )
    threshold = setpoint + REPEATABILITY_PA * rng.normal(size=cycles)
    told_rate = rate + RATE_U * rng.normal(size=cycles)
    pressure = threshold - LAG_S * rate + FIT_PA * rng.normal(size=cycles) + lag * told_rate
    looked = reaction[0] + reaction[1] * rng.normal(size=cycles)
    age = REFRESH_S * rng.uniform(-0.5, 0.5, size=cycles)
    shown = threshold + (looked - LAG_S - age) * rate + NOISE_PA * rng.normal(size=cycles)
    shown = np.round(shown / STEP_PA) * STEP_PA
    of_fit = FIT_PA**2 + (lag * RATE_U) ** 2
    u = ((REPEATABILITY_PA**2 + of_fit) / cycles + (LAG_U_S * rate.mean()) ** 2) ** 0.5
    point = {
        "close_pa": None, "close_u_pa": None, "open_pa": pressure.mean(), "open_u_pa": u,
        "repeatability_pa": REPEATABILITY_PA, "lag_correction_pa": lag * told_rate.mean(),
    }  # fmt: skip
    events = [
        {
            "cycle": i + 1, "event": "open", "time_s": 10.0 * i + 1.0, "time_width_s": 0.0,
            "reading_pa": pressure[i] - lag * told_rate[i], "pressure_pa": pressure[i],
            "rate_pa_s": told_rate[i], "var_pressure": of_fit, "cov_pressure_rate": 0.0,
            "var_rate": RATE_U**2, "lag_applied": True, "step_pa": STEP_PA, "var_common": 0.0,
            "noise_pa": (NOISE_PA**2 + STEP_PA**2 / 12.0) ** 0.5, "status": "ok",
        }
        for i in range(cycles)
    ]  # fmt: skip
    return {"point": point, "events": events, "called": round(shown.mean() / STEP_PA) * STEP_PA}
