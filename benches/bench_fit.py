"""One recording of 1,000 readings: this package, statsmodels and SciPy on the same data.

Prints a Markdown table. ``--quick`` shortens it for a test of the script itself.
"""

from __future__ import annotations

import argparse
import statistics
import time
import warnings
from collections.abc import Callable
from datetime import datetime, timezone
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.interpolate import make_smoothing_spline
from statsmodels.tsa.statespace.structural import UnobservedComponents

import deadband as db
from deadband import simulate
from deadband._core import smooth_path

Floats = npt.NDArray[np.float64]

READINGS = 1000
GAUGE = simulate.Gauge(resolution_pa=2.4908891, noise_pa=1.25)

#: Recordings that are fitted together.
FLEET = 200

NOTES = """\
- `fit_events`: contact, changes and the pressure with its covariance at each, of a table of
  recordings; time and processor time divided by their number.
- deadband: integrated random walk in the rate on the recorded times, one parameter searched by
  restricted likelihood, value and rate with their covariance at every instant asked for.
- `fit_trace`: what a user calls; the same for the strokes that hold a change of the contact, and
  the contact, the events, the setpoints and the budget besides. Its cost is that of building and
  querying small frames.
- statsmodels, smooth trend: nearly the same model on a unit time grid (its trend has no variance
  within a step); two variances by maximum likelihood, all states smoothed. Local linear trend: one
  variance more. Neither takes uneven times or an instant between two readings.
- SciPy: the same curve family, its parameter by generalised cross-validation; no uncertainty.
- Medians. Processor time, over all threads, is what other work on the machine disturbs least.
- Error: root mean square over the contact's changes, against the simulated gauge's signal without
  noise and rounding; statsmodels' states and SciPy's spline taken at the same instants, states
  interpolated linearly."""


class Taken(NamedTuple):
    """Median time on the clock and of the processor, s."""

    seconds: float
    processor: float


class Row(NamedTuple):
    """What one method took and how far off it was."""

    name: str
    taken: Taken
    runs: int
    error_pa: float | None


def median_taken(work: Callable[[], object], runs: int) -> Taken:
    """Time a call `runs` times, after one call that does not count where there are several."""
    if runs > 1:
        work()
    taken = []
    for _ in range(runs):
        start, started = time.perf_counter(), time.process_time()
        work()
        taken.append((time.perf_counter() - start, time.process_time() - started))
    return Taken(*(statistics.median(clock) for clock in zip(*taken, strict=True)))


def compare(readings: int, fast_runs: int, slow_runs: int) -> list[Row]:
    """Time every method on the first `readings` readings of one recording."""
    made = simulate.recording(gauge=GAUGE, motion=simulate.Ramp(cycles=5), seed=1)
    t, y, contact = (
        channel[:readings] for channel in (made.time_s, made.pressure_pa, made.contact)
    )
    truth = made.truth.filter(made.truth["time_s"] < t[-1])
    at, signal = truth["time_s"].to_numpy(), truth["signal_pa"].to_numpy()
    lag = db.Lag(GAUGE.lag_s, u=0.02)

    def ours() -> Floats:
        return smooth_path(t, y, t, None)["states"][:, 0]

    def structural(level: str) -> Floats:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about start values and convergence of its own search
            found = UnobservedComponents(y, level).fit(disp=False)
        return found.smoothed_state[0]

    def spline() -> Floats:
        return make_smoothing_spline(t, y)(at)

    def whole() -> object:
        return db.fit_trace(t, y, contact, unit="Pa", lag=lag)

    fleet = pl.DataFrame(
        {
            "test_id": [f"t{i:03}" for i in range(FLEET)],
            "switch_id": "s1",
            "gauge_id": "g1",
            "operator_id": "o1",
            "method": "ramp",
            "tested_at": datetime(2026, 3, 2, tzinfo=timezone.utc),
            "time_s": [t] * FLEET,
            "pressure_pa": [y] * FLEET,
            "contact": [contact.astype(float)] * FLEET,
        }
    )

    def in_fleet() -> object:
        return db.fit_events(fleet)

    def off(values: Floats) -> float:
        return float(np.sqrt(np.mean((values - signal) ** 2)))

    there = smooth_path(t, y, at, None)["states"][:, 0]
    many = median_taken(in_fleet, fast_runs)
    return [
        Row(
            f"deadband, `fit_events`, one of {FLEET}",
            Taken(*(clock / FLEET for clock in many)),
            fast_runs,
            None,
        ),
        Row(
            "deadband, path at every reading",
            median_taken(ours, fast_runs),
            fast_runs,
            off(there),
        ),
        Row("deadband, `fit_trace`", median_taken(whole, fast_runs), fast_runs, None),
        Row("SciPy, smoothing spline", median_taken(spline, slow_runs), slow_runs, off(spline())),
        *(
            Row(
                f"statsmodels, {name}",
                median_taken(lambda level=level: structural(level), slow_runs),
                slow_runs,
                off(np.interp(at, t, structural(level))),
            )
            for name, level in [("smooth trend", "strend"), ("local linear trend", "lltrend")]
        ),
    ]


def table(rows: list[Row], readings: int) -> str:
    """The rows in Markdown; ratios are to the first."""
    head = [
        f"one recording of {readings} readings",
        "time, ms",
        "ratio",
        "processor time, ms",
        "ratio",
        "runs",
        "error, Pa",
    ]
    lines = [f"| {' | '.join(head)} |", "|---|" + "---:|" * (len(head) - 1)]
    first = rows[0].taken
    for name, taken, runs, error in rows:
        clocks = " | ".join(
            f"{own * 1e3:.3g} | {significant(own / ours)}"
            for own, ours in zip(taken, first, strict=True)
        )
        shown = "" if error is None else f"{error:.3f}"
        lines.append(f"| {name} | {clocks} | {runs} | {shown} |")
    return "\n".join(lines)


def significant(ratio: float) -> str:
    """Two significant digits, without an exponent."""
    return f"{float(f'{ratio:.2g}'):,.9g}"


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="only see that it runs")
    quick = parser.parse_args().quick
    readings, fast, slow = (300, 3, 1) if quick else (READINGS, 101, 5)
    print(table(compare(readings, fast, slow), readings))
    print(f"\n{NOTES}")


if __name__ == "__main__":
    main()
