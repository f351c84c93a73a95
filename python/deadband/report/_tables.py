"""The page's tables: frames into cells of text."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal

import polars as pl

from .._coverage import coverage_factor, with_uncertainty
from ..plots._frame import collected
from ..plots._rated import with_rating
from ..plots._style import pascal_per, pretty
from ._evidence import unsafe_evidence
from ._summary import ORDER, Summary, with_side
from ._words import METHOD, SOURCE, VERDICT, spaced, status_words

LONGEST: Final = 200  # rows of a table on the page
_MARK: Final = {"does_not_conform": "bad", "undecided": "maybe", "conforms": "good"}


@dataclass(frozen=True)
class Column:
    """A heading, and how its cells are set.

    Numbers stand to the right, sentences may take several lines, identifiers may be broken where
    room is short.
    """

    name: str
    kind: Literal["text", "number", "prose", "id"] = "text"


@dataclass(frozen=True)
class Cell:
    """A text and, for verdicts, which look it gets."""

    text: str
    mark: str = ""


@dataclass(frozen=True)
class Table:
    """Headings, rows of cells, and how many rows there would be without the cap."""

    caption: str
    columns: tuple[Column, ...]
    rows: list[tuple[Cell, ...]]
    total: int
    file: str

    @property
    def note(self) -> str:
        """Where the rest is, when the table was cut."""
        if len(self.rows) == self.total:
            return ""
        return (
            f"The first {len(self.rows):,} of {self.total:,} rows. "
            f"All of them are in {self.file}.parquet and {self.file}.csv beside this page."
        )


def verdict_table(verdicts: Any, switches: Any, unit: str, longest: int = LONGEST) -> Table:
    """Every judged test, the unsafe ones first."""
    per_unit = pascal_per(unit)
    table = with_rating(with_side(verdicts), switches).filter(pl.col("verdict").is_not_null())
    # Where the deadband has no degrees of freedom of its own, the lesser of its ends are cautious.
    least = pl.min_horizontal("close_dof", "open_dof")
    if "deadband_dof" in table.columns:
        least = pl.coalesce("deadband_dof", least)
    table = table.with_columns(least.alias("deadband_dof"))
    rank = pl.col("verdict").replace_strict(
        {verdict: place for place, verdict in enumerate(ORDER)}, default=len(ORDER)
    )
    # Chances that print alike count as alike; among them the latest test comes first.
    table = table.sort(
        rank,
        ~pl.col("unsafe_side"),
        pl.col("p_unsafe").round(3),
        "tested_at",
        "test_id",
        descending=[False, False, True, True, False],
        nulls_last=True,
    )
    printed = pretty(unit)
    rows = [
        cells(
            row["test_id"],
            _verdict(row),
            _rated_setpoint(row, per_unit),
            _factor(row["dof"]),
            limits(row["limit_low_pa"], row["limit_high_pa"], per_unit),
            chance(row["p_unsafe"]),
            chance(row["p_nuisance"]),
            with_uncertainty(
                *scaled(row, "deadband_pa", "deadband_u_pa", "deadband_dof", per_unit)
            ),
            row["switch_id"],
            METHOD.get(row["method"], row["method"] or "-"),
            moment(row["tested_at"]),
        )
        for row in table.head(longest).iter_rows(named=True)
    ]
    columns = (
        Column("Test"),
        Column("Verdict"),
        Column(f"Rated setpoint ± U / {printed}", kind="number"),
        Column("k", kind="number"),
        Column(f"Limits / {printed}", kind="number"),
        Column("Chance unsafe", kind="number"),
        Column("Chance nuisance", kind="number"),
        Column(f"Deadband ± U / {printed}", kind="number"),
        Column("Switch", kind="id"),
        Column("Method"),
        Column("Tested"),
    )
    return Table("Verdicts, unsafe side first", columns, rows, table.height, "verdicts")


def unsafe_table(verdicts: Any, switches: Any, unit: str, longest: int = LONGEST) -> Table:
    """The switches with a test on the unsafe side, each with the test that speaks for it."""
    per_unit = pascal_per(unit)
    table = with_side(verdicts)
    stock = collected(switches, "switches").select("switch_id", "model", "lot", "removed_on")
    judged = table.filter(pl.col("verdict").is_not_null()).sort(
        "tested_at", "test_id", nulls_last=False
    )
    latest = judged.unique("switch_id", keep="last", maintain_order=True)
    now = {row["switch_id"]: _verdict(row) for row in latest.iter_rows(named=True)}
    found = unsafe_evidence(verdicts, switches).join(
        stock.unique("switch_id", keep="first"),
        on="switch_id",
        how="left",
        maintain_order="left",
    )
    rows = [
        cells(
            row["switch_id"],
            now[row["switch_id"]],
            "-" if row["removed_on"] is None else f"{row['removed_on']:%Y-%m-%d}",
            f"{row['count']:,}",
            row["test_id"] + (", contradicted" if row["contradicted"] else ""),
            _rated_setpoint(row, per_unit),
            limits(row["limit_low_pa"], row["limit_high_pa"], per_unit),
            chance(row["p_unsafe"]),
            row["model"] or "-",
            row["lot"] or "-",
        )
        for row in found.head(longest).iter_rows(named=True)
    ]
    printed = pretty(unit)
    columns = (
        Column("Switch", kind="id"),
        Column("Latest verdict"),
        Column("Removed"),
        Column("Unsafe tests", kind="number"),
        Column("One of them", kind="id"),
        Column(f"Rated setpoint ± U / {printed}", kind="number"),
        Column(f"Limits / {printed}", kind="number"),
        Column("Chance unsafe", kind="number"),
        Column("Model", kind="id"),
        Column("Lot", kind="id"),
    )
    caption = "Switches with a test on the unsafe side"
    return Table(caption, columns, rows, found.height, "verdicts")


def method_table(summary: Summary) -> Table:
    """Counts by method and verdict."""
    rows = [
        cells(
            METHOD.get(method, method),
            *(f"{counts.get(verdict, 0):,}" for verdict in (*ORDER, "none")),
            f"{sum(counts.values()):,}",
        )
        for method, counts in summary.by_method.items()
    ]
    if len(rows) > 1:
        totals = [summary.verdicts[verdict] for verdict in ORDER]
        without = summary.tests - summary.judged
        rows.append(cells("all", *(f"{count:,}" for count in (*totals, without, summary.tests))))
    columns = (
        Column("Method"),
        *(Column(VERDICT[verdict].capitalize(), kind="number") for verdict in ORDER),
        Column("No verdict", kind="number"),
        Column("Recordings", kind="number"),
    )
    return Table("Recordings by method and verdict", columns, rows, len(rows), "verdicts")


def empty_table(verdicts: Any, reasons: Mapping[str, str], longest: int = LONGEST) -> Table:
    """The recordings without a verdict, by status, with the reason where one is known."""
    table = with_side(verdicts).filter(pl.col("verdict").is_null()).sort("status", "test_id")
    rows = [
        cells(
            row["test_id"],
            row["switch_id"] or "-",
            spaced(row["status"]),
            METHOD.get(row["method"], row["method"] or "-"),
            moment(row["tested_at"]),
            *([reasons.get(row["test_id"], "-")] if reasons else []),
        )
        for row in table.head(longest).iter_rows(named=True)
    ]
    columns = (
        Column("Test"),
        Column("Switch", kind="id"),
        Column("Status"),
        Column("Method"),
        Column("Tested"),
        *([Column("Reason", kind="prose")] if reasons else []),
    )
    return Table("Recordings without a verdict", columns, rows, table.height, "verdicts")


def lag_table(lags: Any, gauges: Any | None = None, longest: int = LONGEST) -> Table:
    """The gauges' lags, and what is stated of them."""
    table = stated_beside(collected(lags, "lags"), gauges).sort("gauge_id")
    rows = [
        cells(
            row["gauge_id"] or "not named",
            with_uncertainty(row["lag_s"], row["lag_u_s"], row["dof"]),
            _factor(row["dof"]) if row["lag_s"] is not None else "-",
            "-" if row["lag_s"] is None else SOURCE.get(row["source"], row["source"] or "-"),
            with_uncertainty(row["stated_s"], row["stated_u_s"], None),
            number(row["n_events"], "d"),
            number(row["dead_time_s"], ".3g"),
            number(row["time_constant_s"], ".3g"),
            _lag_status(row),
        )
        for row in table.head(longest).iter_rows(named=True)
    ]
    columns = (
        Column("Gauge"),
        Column("Mean lag ± U / s", kind="number"),
        Column("k", kind="number"),
        Column("From"),
        Column("Stated ± U / s", kind="number"),
        Column("Events", kind="number"),
        Column("Dead time / s", kind="number"),
        Column("Time constant / s", kind="number"),
        Column("Status", kind="prose"),
    )
    return Table("Lag of each gauge", columns, rows, table.height, "lags")


def stated_beside(lags: pl.DataFrame, gauges: Any | None) -> pl.DataFrame:
    """The lags with `stated_s`, `stated_u_s`, and `contradicted`: found, and unlike the stated."""
    none = pl.lit(None, dtype=pl.Float64)
    if gauges is None:
        return lags.with_columns(stated_s=none, stated_u_s=none, contradicted=False)
    told = collected(gauges, "gauges").select("gauge_id", stated_s="lag_s", stated_u_s="lag_u_s")
    joined = lags.join(told.unique("gauge_id", keep="first"), on="gauge_id", how="left")
    apart = (pl.col("lag_s") - pl.col("stated_s")).abs()
    combined = (pl.col("lag_u_s") ** 2 + pl.col("stated_u_s") ** 2).sqrt()
    # Where the two agree they are pooled, or the better one is taken.
    found = ~pl.col("source").is_in(["stated", "pooled"])
    unlike = found & (apart > coverage_factor(math.inf) * combined)
    return joined.with_columns(unlike.fill_null(value=False).alias("contradicted"))


def cells(*texts: str | Cell) -> tuple[Cell, ...]:
    """Texts as cells."""
    return tuple(text if isinstance(text, Cell) else Cell(str(text)) for text in texts)


def chance(p: float | None) -> str:
    """A probability with three decimals, its ends never rounded to certainty.

    >>> chance(0.04211), chance(1e-9), chance(0.99999), chance(None)
    ('0.042', '< 0.001', '> 0.999', '-')
    """
    if p is None or not math.isfinite(p):
        return "-"
    if p < 0.001:
        return "< 0.001"
    return "> 0.999" if p > 0.999 else f"{p:.3f}"


def limits(low: float | None, high: float | None, per_unit: float) -> str:
    """Two limits, or the one that there is.

    >>> limits(54.0, 66.0, 1.0)
    '54 to 66'
    """
    ends = [f"{end / per_unit:.4g}" for end in (low, high) if end is not None]
    return " to ".join(ends) or "-"


def moment(value: datetime | None) -> str:
    """The day of an instant.

    >>> moment(datetime(2024, 3, 1, 9, 30))
    '2024-03-01'
    """
    return "-" if value is None else f"{value:%Y-%m-%d}"


def number(value: float | None, form: str) -> str:
    """A number in the given format, or a dash.

    >>> number(0.4123, ".2f"), number(None, ".2f")
    ('0.41', '-')
    """
    return "-" if value is None else format(value, form)


def scaled(
    row: dict[str, Any], value: str, u: str, dof: str, per_unit: float
) -> tuple[float | None, float | None, float | None]:
    """Value, standard uncertainty and degrees of freedom of a row, in the unit to print in."""
    parts = (None if row[name] is None else row[name] / per_unit for name in (value, u))
    first, second = parts
    return first, second, row[dof]


def _rated_setpoint(row: dict[str, Any], per_unit: float) -> str:
    found = with_uncertainty(*scaled(row, "value_pa", "u_pa", "dof", per_unit))
    return "none found" if found == "-" else f"{row['rated_event']} {found}"


def _lag_status(row: dict[str, Any]) -> str:
    if row["status"] != "ok":
        return " ".join(status_words(row["status"]))
    return "contradicts the stated lag" if row["contradicted"] else "ok"


def _factor(dof: float | None) -> str:
    factor = coverage_factor(math.inf if dof is None else dof)
    return f"{factor:.2f}" if math.isfinite(factor) else "unknown"


def _verdict(row: dict[str, Any]) -> Cell:
    verdict = row["verdict"]
    text = VERDICT.get(verdict, spaced(verdict))
    if verdict == "does_not_conform":
        text += ", unsafe side" if row["unsafe_side"] else ", nuisance side"
    return Cell(text, _MARK.get(verdict, ""))


def statuses(without: dict[str, int]) -> Iterable[tuple[str, int, str, str]]:
    """Each status with its count, what happened and what to do."""
    for status, count in without.items():
        happened, todo = status_words(status)
        yield spaced(status), count, happened, todo
