"""Six recordings as six loggers would have written them, and the manifest that says how.

Each shows other habits: a byte-order mark, remarks above the table, semicolons and decimal commas,
clock times, blank cells, contacts in volts, ohms and words, a contact file of its own.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from ..simulate import Pinch, PlannedTest, Ramp, fleet
from ._draw import Draw
from ._plan import on_the_bench
from ._stock import GAUGES, LOGGERS, TECHNICIANS, stock

_INCH: Final = 249.0889  # Pa, conventional; NIST Special Publication 811, table B.9
_START: Final = datetime.fromisoformat("2025-11-03T14:03:07.250000")

Row = dict[str, Any]
Files = dict[str, bytes]

COLUMNS: Final = (
    "test_id", "switch_id", "gauge_id", "operator_id", "method", "tested_at", "file", "unit",
    "time_column", "pressure_column", "contact_column", "contact_kind", "contact_file",
    "contact_time_column", "called_close", "called_open",
)  # fmt: skip


@dataclass(frozen=True)
class _Habit:
    """One logger: which test it recorded, and how it writes.

    `says` is what the manifest says of it: file, unit, columns.
    """

    switch_id: str
    gauge_id: str
    pascal: float
    says: dict[str, str]
    write: Callable[[Row], Files]


def write_logger_csv(out: Path, seed: int) -> None:
    """Write the manifest `tests.csv`, the files it lists, and their switches and gauges.

    Parameters
    ----------
    out
        the folder, made if there is none.
    seed
        that of the fleet.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as out:
    ...     write_logger_csv(Path(out), 1)
    ...     len(list(Path(out).glob("logger-*.csv")))
    7
    """
    out.mkdir(parents=True, exist_ok=True)
    made = fleet(logger_plan(seed), seed=seed)
    rows = made.tests.to_dicts()
    manifest = []
    for row, habit in zip(rows, HABITS, strict=True):
        for name, content in habit.write(row).items():
            (out / name).write_bytes(content)
        manifest.append(_manifest_row(row, habit))
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(manifest)
    (out / "tests.csv").write_bytes(text.getvalue().encode())
    made.switches.write_csv(out / "switches.csv")
    # None of them states the parts of its lag.
    stated = made.gauges.drop("dead_time_s", "time_constant_s")
    stated.write_csv(out / "gauges.csv")


def logger_plan(seed: int) -> list[PlannedTest]:
    """The tests behind the files: five ramps and a pinch.

    Examples
    --------
    >>> [test.motion.method for test in logger_plan(1)][-2:]
    ['ramp', 'pinch']
    """
    switches = stock(seed)
    tests = []
    for number, habit in enumerate(HABITS):
        unit = switches[habit.switch_id].unit
        day = date(2025, 11, 3) + timedelta(days=number)
        draw = Draw(seed, f"logger/{habit.switch_id}")
        ramp = Ramp(high_pa=1.3 * unit.rated_pa, rate_pa_s=4.5, rate_spread=0.35)
        if habit.gauge_id == "G4":
            ramp = on_the_bench(ramp)
        pinch = Pinch(level_pa=1.4 * unit.rated_pa, fall_s=0.45, count=4)
        logger = LOGGERS[habit.gauge_id]
        if not habit.says.get("contact_file"):
            logger = replace(logger, contact_sample_s=None)
        tests.append(
            PlannedTest(
                test_id=f"csv-{number + 1}",
                unit=unit,
                instrument=GAUGES[habit.gauge_id],
                motion=pinch if number == len(HABITS) - 1 else ramp,
                logger=logger,
                operator=TECHNICIANS["tech-2"],
                operator_id="tech-2",
                tested_at=draw.working_time(day),
                switch=switches[habit.switch_id].on(day),
            )
        )
    return tests


def _manifest_row(row: Row, habit: _Habit) -> dict[str, str]:
    identity = ("test_id", "switch_id", "gauge_id", "operator_id", "method")
    called = {
        name: f"{row[f'{name}_pa'] / habit.pascal:.2f}" for name in ("called_close", "called_open")
    }
    return {
        **{name: row[name] for name in identity},
        "tested_at": row["tested_at"].isoformat(sep=" ", timespec="minutes"),
        **habit.says,
        **called,
    }


def _lines(rows: Iterable[Sequence[str]], separator: str, end: str = "\n") -> str:
    return "".join(separator.join(cells) + end for cells in rows)


def _comma(value: float, digits: int) -> str:
    return f"{value + 0.0:.{digits}f}".replace(".", ",")


def _clock(seconds: float, start: datetime = _START) -> datetime:
    return start + timedelta(milliseconds=round(1000 * seconds))


def _elapsed_hpa(row: Row) -> Files:
    """Byte-order mark, semicolons, decimal commas, hectopascal, volts."""
    cells = [
        (_comma(t, 2), _comma(p / 100, 2), _comma(v, 2))
        for t, p, v in zip(row["time_s"], row["pressure_pa"], row["contact"], strict=True)
    ]
    head = ("Time (s)", "Draft (hPa)", "Contact (V)")
    return {"logger-a.csv": _lines([head, *cells], ";", "\r\n").encode("utf-8-sig")}


def _clock_inches(row: Row) -> Files:
    """Remarks above the table, clock times, inches of water, words for the contact."""
    cells = [
        (
            f"{_clock(t):%H:%M:%S.%f}"[:-3],
            # Every 97th reading is missing: the gauge did not answer in time.
            "" if i % 97 == 96 else f"{p / _INCH:.2f}",
            "CLOSED" if v < 12 else "OPEN",
        )
        for i, (t, p, v) in enumerate(
            zip(row["time_s"], row["pressure_pa"], row["contact"], strict=True)
        )
    ]
    head = "# logger B, channel 1: gauge, channel 2: switch\n# interval 100 ms\n\n"
    table = _lines([("clock", "draft inH2O", "switch"), *cells], ",")
    return {"logger-b.csv": (head + table).encode()}


def _stamped_ohms(row: Row) -> Files:
    """UTF-16, tabs, date and time in one cell, ohms with `OL` for an open contact."""
    cells = [
        (
            _clock(t, row["tested_at"]).isoformat(timespec="milliseconds"),
            f"{p:.0f}",
            "OL" if r > 1e6 else f"{r:.2f}",
        )
        for t, p, r in zip(row["time_s"], row["pressure_pa"], row["contact"], strict=True)
    ]
    table = _lines([("Date/Time", "dp [Pa]", "R [ohm]"), *cells], "\t", "\r\n")
    return {"logger-c.csv": table.encode("utf-16")}


def _milliseconds(row: Row) -> Files:
    """Milliseconds, a line of units under the names, 1 and 0, a closing remark."""
    cells = [
        (f"{1000 * t:.0f}", f"{p:.0f}", f"{c:.0f}")
        for t, p, c in zip(row["time_s"], row["pressure_pa"], row["contact"], strict=True)
    ]
    rows = [("Elapsed", "Depression", "State"), ("ms", "Pa", "1=closed"), *cells]
    return {"logger-d.csv": (_lines(rows, ";") + "# end of recording\n").encode()}


def _two_files(row: Row) -> Files:
    """Gauge and contact from two loggers with one clock, over midnight."""
    start = datetime.fromisoformat("2025-11-07T23:59:30")
    gauge = [
        (f"{_clock(t, start):%H:%M:%S.%f}"[:-3], f"{p:.0f}")
        for t, p in zip(row["time_s"], row["pressure_pa"], strict=True)
    ]
    contact = [
        (f"{_clock(t, start):%H:%M:%S.%f}"[:-3], f"{v:.2f}")
        for t, v in zip(row["contact_time_s"], row["contact"], strict=True)
    ]
    return {
        "logger-e-gauge.csv": _lines([("Time", "Pressure (Pa)"), *gauge], ",").encode(),
        "logger-e-contact.csv": _lines([("Time", "Contact (V)"), *contact], ",").encode(),
    }


def _pinched_inches(row: Row) -> Files:
    """Windows-1252, semicolons and decimal commas, a column that nobody asked for, blank cells."""
    cells = [
        (_comma(t, 2), _comma(p / _INCH, 2), "21,5" if i % 50 == 0 else "", _comma(v, 1))
        for i, (t, p, v) in enumerate(
            zip(row["time_s"], row["pressure_pa"], row["contact"], strict=True)
        )
    ]
    head = ("t/s", "dp", "room °C", "U_contact")
    return {"logger-f.csv": _lines([head, *cells], ";", "\r\n").encode("cp1252")}


def _says(
    file: str, unit: str, *, time: str, pressure: str, contact: str, kind: str
) -> dict[str, str]:
    return {
        "file": file,
        "unit": unit,
        "time_column": time,
        "pressure_column": pressure,
        "contact_column": contact,
        "contact_kind": kind,
    }


HABITS: Final = (
    _Habit(
        "A60-1904-01", "G1", 100.0,
        _says(
            "logger-a.csv", "hPa",
            time="Time (s)", pressure="Draft (hPa)", contact="Contact (V)", kind="volt",
        ),
        _elapsed_hpa,
    ),
    _Habit(
        "B110-1907-01", "G2", _INCH,
        _says(
            "logger-b.csv", "inH2O",
            time="clock", pressure="draft inH2O", contact="switch", kind="on_off",
        ),
        _clock_inches,
    ),
    _Habit(
        "C45-2202-01", "G3", 1.0,
        _says(
            "logger-c.csv", "Pa",
            time="Date/Time", pressure="dp [Pa]", contact="R [ohm]", kind="ohm",
        ),
        _stamped_ohms,
    ),
    _Habit(
        "A60-2010-02", "G4", 1.0,
        _says(
            "logger-d.csv", "Pa",
            time="Elapsed", pressure="Depression", contact="State", kind="on_off",
        ),
        _milliseconds,
    ),
    _Habit(
        "B110-2106-03", "G1", 1.0,
        {
            **_says(
            "logger-e-gauge.csv", "Pa",
            time="Time", pressure="Pressure (Pa)", contact="Contact (V)", kind="volt",
        ),
            "contact_file": "logger-e-contact.csv",
            "contact_time_column": "Time",
        },
        _two_files,
    ),
    _Habit(
        "C45-1911-05", "G2", _INCH,
        _says(
            "logger-f.csv", "inH2O",
            time="t/s", pressure="dp", contact="U_contact", kind="volt",
        ),
        _pinched_inches,
    ),
)  # fmt: skip
