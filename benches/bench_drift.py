"""Histories of many switches: this package, pymannkendall and statsmodels on the same data.

Prints Markdown tables. ``--quick`` shortens it for a test of the script itself.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from datetime import datetime, timezone

import numpy as np
import numpy.typing as npt
import polars as pl
import pymannkendall
import statsmodels.api as sm

import deadband as db

Floats = npt.NDArray[np.float64]

TESTS = 8
GAUGES = 10
NOTES = f"""\
- A fleet: {TESTS} tests a switch, a year apart, levels and slopes normal, u of 0.2 to 0.4 Pa.
- Trend: `db.drift` (weighted line with its excess, Theil-Sen slope with an interval, Mann-Kendall
  exact) of all switches; pymannkendall's original test with its slope (normal approximation, no
  uncertainties) one switch after the other, on the first of them.
- Growth: `db.growth` with random levels and slopes by restricted likelihood, the line of every
  switch included. statsmodels' MixedLM fits the same model without known variances of the tests,
  which it cannot take, and its time is that of the fit alone (`bfgs`).
- No excess: the same with every u 40 % larger, so that the tests scatter by no more than they say.
- Told gauges: each test by one of {GAUGES} gauges at random, whose calibrations it then finds too.
- Seconds on the clock; medians of three, of MixedLM one run."""


def fleet(switches: int, seed: int) -> pl.DataFrame:
    """Setpoints of an invented fleet."""
    random = np.random.default_rng(seed)
    level = random.normal(60.0, 1.5, switches)
    slope = random.normal(-0.3, 0.2, switches)
    years = np.arange(TESTS) + random.uniform(0.0, 0.25, (switches, TESTS))
    u = random.uniform(0.2, 0.4, (switches, TESTS))
    value = level[:, None] + slope[:, None] * years + random.normal(0.0, np.hypot(u, 0.2))
    seconds = (years.ravel() * 31556952.0).astype("timedelta64[s]")
    when = (np.datetime64("2016-01-01") + seconds).astype("datetime64[us]")
    name = np.repeat([f"s{i:06}" for i in range(switches)], TESTS)
    return pl.DataFrame(
        {
            "test_id": [f"t{i}" for i in range(value.size)],
            "switch_id": name,
            "method": ["ramp"] * value.size,
            "tested_at": when,
            "open_pa": value.ravel(),
            "open_u_pa": u.ravel(),
            "close_pa": np.full(value.size, np.nan),
            "close_u_pa": np.full(value.size, np.nan),
        }
    )


def by_gauges(points: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The same tests by several gauges, with their accuracy in each uncertainty; the gauges."""
    names = [f"g{i}" for i in range(GAUGES)]
    made_with = np.random.default_rng(3).integers(0, GAUGES, points.height)
    stated = pl.DataFrame(
        {"gauge_id": names, "resolution_pa": [0.1] * GAUGES, "accuracy_rel": [0.0] * GAUGES,
         "accuracy_abs_pa": [0.5] * GAUGES}
    )  # fmt: skip
    known = points.with_columns(
        gauge_id=pl.Series(names)[made_with.tolist()],
        open_u_pa=(pl.col("open_u_pa") ** 2 + 0.5**2 / 3.0).sqrt(),
    )
    return known, stated


def seconds(work: object, runs: int) -> float:
    """Median time of a call."""
    taken = []
    for _ in range(runs):
        start = time.perf_counter()
        work()  # type: ignore[operator]
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


def table(head: list[str], rows: list[list[str]]) -> str:
    """A Markdown table, its first column to the left."""
    rule = ["---", *("---:" for _ in head[1:])]
    return "\n".join("| " + " | ".join(row) + " |" for row in [head, rule, *rows])


def trends(switches: int, of_them: int) -> str:
    """A trend per switch."""
    points = fleet(switches, 1)
    ours = seconds(lambda: db.drift(points), 3) / switches
    values = points["open_pa"].to_numpy().reshape(switches, TESTS)[:of_them]

    def theirs() -> None:
        for row in values:
            pymannkendall.original_test(row)

    other = seconds(theirs, 3) / of_them
    rows = [
        ["db.drift", f"{switches:,}", f"{1e6 * ours:.1f}", "1"],
        ["pymannkendall", f"{of_them:,}", f"{1e6 * other:.1f}", f"{other / ours:.0f}"],
    ]
    return table(["trend per switch", "switches", "µs a switch", "ratio"], rows)


def mixed_lm(points: pl.DataFrame) -> float:
    """Seconds that statsmodels takes."""
    start = points["tested_at"].min()
    years = (points["tested_at"] - start).dt.total_seconds().to_numpy() / 31556952.0
    design = np.column_stack([np.ones(points.height), years - years.mean()])
    groups = points["switch_id"].to_numpy()
    begin = time.perf_counter()
    model = sm.MixedLM(points["open_pa"].to_numpy(), design, groups, exog_re=design)
    model.fit(method="bfgs")
    return time.perf_counter() - begin


def growths(sizes: list[int], largest_for_others: int) -> str:
    """The growth model at several sizes."""
    rows = []
    for size in sizes:
        points = fleet(size, 2)
        ours = seconds(lambda points=points: db.growth(points), 3)  # type: ignore[misc]
        quiet = points.with_columns(open_u_pa=1.4 * pl.col("open_u_pa"))
        edge = seconds(lambda quiet=quiet: db.growth(quiet), 3)  # type: ignore[misc]
        known, gauges = by_gauges(points)
        told = seconds(lambda known=known, gauges=gauges: db.growth(known, gauges=gauges), 3)  # type: ignore[misc]
        other = mixed_lm(points) if size <= largest_for_others else None
        rows.append(
            [
                f"{size:,}", f"{ours:.2f}", f"{1e6 * ours / size:.1f}", f"{edge:.2f}",
                f"{told:.2f}",
                "not tried" if other is None else f"{other:.1f}",
                "" if other is None else f"{other / ours:.0f}",
            ]
        )  # fmt: skip
    head = [
        "growth, switches",
        "db.growth, s",
        "µs a switch",
        "no excess, s",
        "told gauges, s",
        "MixedLM, s",
        "ratio",
    ]
    return table(head, rows)


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="only see that it runs")
    quick = parser.parse_args().quick
    today = datetime.now(timezone.utc).date().isoformat()
    print(f"# Histories of a fleet\n\n{today}, Python {sys.version.split()[0]}, ", end="")
    print(f"polars {pl.__version__}, {os.cpu_count()} processors\n")
    print(f"{trends(200 if quick else 20_000, 20 if quick else 1000)}\n")
    sizes = [50, 100] if quick else [1000, 10_000, 100_000]
    print(f"{growths(sizes, 50 if quick else 10_000)}\n")
    print(NOTES)


if __name__ == "__main__":
    main()
