"""A Parquet file of recordings: the cost of fitting it against the cost of reading it.

Prints Markdown tables. Every measurement runs in a process of its own, so that threads are fixed
before Polars starts and peak memory is that of one task. ``--quick`` is for a test of the script.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
READINGS = 2000
SEED = 1
STEP_PA = 2.4908891  # 0.01 inH2O
CHANNELS = ["time_s", "pressure_pa", "contact"]
IDS = ["test_id", "switch_id", "gauge_id", "operator_id", "method", "tested_at"]

#: Noise in steps of the display and rate in Pa/s of the two fleets: one whose noise hides the steps
#: of the display, one whose display stands still between them.
FLEETS = {"fine": (0.5, 5.0), "coarse": (0.02, 2.0)}

NOTES = f"""\
- A recording: {READINGS} readings at 10 Hz, display step 0.01 inH2O, times written to the ms
  and contact to 10 mV, as loggers write them. Fine: ramps of 5 Pa/s, noise half a step. Coarse:
  ramps of 2 Pa/s, noise a fiftieth of a step.
- Reading: `pl.read_parquet` of the columns that the fit needs, with nothing done to them. Fitting:
  `db.fit_events(pl.scan_parquet(file)).collect()`, reading included. Medians of time on the clock
  and of processor time over all threads, which other work on the machine disturbs less; ratios to
  reading with as many threads. The file is in the system's cache for both.
- Peak memory is the whole process, interpreter and libraries included (`idle`)."""


# --- what a child process does ------------------------------------------------------------------


def write(path: Path, count: int) -> None:
    """Simulate the fleet that the file is named after into it."""
    import polars as pl

    from deadband import simulate

    noise_steps, rate_pa_s = FLEETS[path.name.partition("-")[0]]
    gauge = simulate.Instrument(
        gauge_id="g1", gauge=simulate.Gauge(resolution_pa=STEP_PA, noise_pa=STEP_PA * noise_steps)
    )
    units = [simulate.Unit(switch_id=f"s{i:03}", rated_pa=60.0) for i in range(200)]
    plan = [
        simulate.PlannedTest(
            test_id=f"t{i:06}",
            unit=units[i % len(units)],
            instrument=gauge,
            motion=simulate.Ramp(cycles=6, rate_pa_s=rate_pa_s),
        )
        for i in range(count)
    ]
    tests = simulate.fleet(plan, seed=SEED).tests.select(
        *IDS,
        pl.col("time_s").list.head(READINGS).list.eval(pl.element().round(3)),
        pl.col("pressure_pa").list.head(READINGS),
        pl.col("contact").list.head(READINGS).list.eval(pl.element().round(2)),
    )
    short = tests.filter(pl.col("time_s").list.len() < READINGS).height
    if short:
        raise SystemExit(f"{short} recordings are shorter than {READINGS} readings: add cycles")
    part = path.with_suffix(".part")
    tests.write_parquet(part, row_group_size=200)
    part.replace(path)


def work_of(task: str, engine: str, path: Path, rows: int | None) -> Callable[[], object]:
    """What one run does."""
    import polars as pl

    import deadband as db

    def read() -> object:
        return pl.read_parquet(path, columns=[*IDS, *CHANNELS], n_rows=rows)

    def fit() -> object:
        tests = pl.scan_parquet(path, n_rows=rows)
        return db.fit_events(tests).collect(engine=engine)  # type: ignore[call-overload]

    def idle() -> object:
        return None

    return {"read": read, "fit": fit, "idle": idle}[task]


def child(task: str, engine: str, path: Path, rows: int | None, runs: int) -> None:
    """Run a task and print its times and the peak memory of this process as JSON."""
    if task == "write":
        write(path, rows or 0)
        return
    work = work_of(task, engine, path, rows)
    work()
    seconds, processor = [], []
    for _ in range(runs):
        start, started = time.perf_counter(), time.process_time()
        work()
        seconds.append(time.perf_counter() - start)
        processor.append(time.process_time() - started)
    unit = 1 if sys.platform == "darwin" else 1024
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit
    print(json.dumps({"seconds": seconds, "processor": processor, "peak": peak}))


# --- what the parent does; it loads no library, so that its own memory is not its children's -----


def run(
    task: str, path: Path, *, engine: str = "", rows: int | None = None, runs: int, threads: int
) -> dict[str, Any]:
    """A task in a process of its own."""
    environment = {"POLARS_MAX_THREADS": str(threads), "RAYON_NUM_THREADS": str(threads)}
    command = [sys.executable, __file__, "--child", task, "--engine", engine, "--path", str(path)]
    command += ["--runs", str(runs), *(["--rows", str(rows)] if rows is not None else [])]
    done = subprocess.run(
        command, env=os.environ | environment, check=True, stdout=subprocess.PIPE, text=True
    )
    return json.loads(done.stdout) if done.stdout else {}


def markdown(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table, its first column to the left."""
    rule = ["---", *("---:" for _ in head[1:])]
    return "\n".join("| " + " | ".join(row) + " |" for row in [head, rule, *rows])


def against_reading(fleet: str, path: Path, runs: int, threads: Sequence[int]) -> str:
    """Reading and fitting, for each engine and number of threads."""
    rows = []
    for number in threads:
        read = run("read", path, runs=runs, threads=number)
        tasks = {"reading": read}
        for engine in ("in-memory", "streaming"):
            fit = run("fit", path, engine=engine, runs=runs, threads=number)
            tasks[f"fitting, {engine} engine"] = fit
        for name, result in tasks.items():
            wall, processor = (
                (statistics.median(result[clock]), statistics.median(read[clock]))
                for clock in ("seconds", "processor")
            )
            rows.append(
                [
                    str(number),
                    name,
                    f"{wall[0]:.3f}",
                    f"{wall[0] / wall[1]:.2f}",
                    f"{processor[0]:.3f}",
                    f"{processor[0] / processor[1]:.2f}",
                    megabytes(result),
                ]
            )
    head = ["threads", fleet, "time, s", "ratio", "processor time, s", "ratio"]
    return markdown([*head, "peak memory, MB"], rows)


def linearity(path: Path, counts: Sequence[int], runs: int, threads: int) -> str:
    """Fitting ever more recordings of the file."""
    rows = []
    for count in counts:
        fit = run("fit", path, engine="streaming", rows=count, runs=runs, threads=threads)
        taken = statistics.median(fit["seconds"])
        rows.append([str(count), f"{taken:.3f}", f"{taken / count * 1e6:.0f}", megabytes(fit)])
    head = ["recordings, streaming engine", "median time, s", "µs a recording", "peak memory, MB"]
    return markdown(head, rows)


def megabytes(result: dict[str, Any]) -> str:
    """Peak memory in units of 10^6 bytes."""
    return f"{result['peak'] / 1e6:.0f}"


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="only see that it runs")
    for name, kind in {"child": str, "engine": str, "path": Path, "rows": int, "runs": int}.items():
        parser.add_argument(f"--{name}", type=kind, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.child:
        child(given.child, given.engine, given.path, given.rows, given.runs)
        return
    count, runs = (40, 1) if given.quick else (2000, 5)
    folder = ROOT / "target/bench"
    folder.mkdir(parents=True, exist_ok=True)
    most = min(os.cpu_count() or 1, 2)
    for fleet in FLEETS:
        path = folder / f"{fleet}-{count}x{READINGS}-seed{SEED}.parquet"
        if not path.exists():
            run("write", path, rows=count, runs=0, threads=os.cpu_count() or 1)
        size = path.stat().st_size / 1e6
        print(f"{count} recordings ({fleet}), a Parquet file of {size:.1f} MB.\n")
        print(against_reading(fleet, path, runs, sorted({1, most})))
        print()
    print(
        f"Peak memory of an idle process: {megabytes(run('idle', path, runs=1, threads=1))} MB.\n"
    )
    fine = folder / f"fine-{count}x{READINGS}-seed{SEED}.parquet"
    print(linearity(fine, [count // 4, count // 2, count], runs, most))
    print(f"\n{NOTES}")


if __name__ == "__main__":
    main()
