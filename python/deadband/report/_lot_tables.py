"""The tables of the page about lots."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from .._coverage import with_uncertainty
from .._history import is_followed, stands_once
from ..lots._both_sides import BothSides
from ..lots._sentence import percent
from ..lots._shape import SHAPES
from ..plots._frame import collected
from ..plots._style import pascal_per, pretty
from ._lot_words import LOT_VERDICT, SHAPE, lot_name
from ._summary import Analysis, plural
from ._tables import LONGEST, Cell, Column, Table, cells, chance, moment
from ._words import SOURCE

#: Switches listed of a lot, and lots whose switches are listed.
_OF_LOT: Final = 60
_LOTS: Final = 40
_MARK: Final = {"exceeds": "bad", "undecided": "maybe", "within": "good"}
_EVENT: Final = {"fall": "open", "rise": "close"}


@dataclass(frozen=True)
class OfLot:
    """A lot's switches, and a sentence about them."""

    anchor: str
    heading: str
    sentence: str
    table: Table


def ranked(screened: BothSides, side: str, longest: int = LONGEST) -> Table:
    """The lots by the evidence against them on one side."""
    found, by = getattr(screened, side), screened.found.by
    keys = screened.keys
    means = screened.found.lots.select(*keys, "mean", "mean_low", "mean_high")
    table = found.join(means, on=keys, how="left", nulls_equal=True, maintain_order="left")
    with_model = by != "model"
    rows = [
        cells(
            row[by] or f"no {by} named",
            _verdict(row),
            *([row["model"] or "-"] if with_model else []),
            f"{row['n_tested']:,} of {row['n_switches']:,}",
            _share(row),
            f"{row['counted']:,}",
            _mean(row),
            chance(row["p_exceeds"]),
            chance(row["p_value"]),
            chance(row["q_value"]),
            _more(row),
        )
        for row in table.head(longest).iter_rows(named=True)
    ]
    whole = f"{100 * screened.found.confidence:g} %"
    columns = (
        Column(by.capitalize(), kind="id"),
        Column("Verdict"),
        *([Column("Model", kind="id")] if with_model else []),
        Column("Tested", kind="number"),
        Column(f"Expected share {side} ({whole} interval)", kind="number"),
        Column("Counted", kind="number"),
        Column(f"Mean / % of rating ({whole} interval)", kind="number"),
        Column(f"Chance of > {_whole(percent(screened.fraction))}", kind="number"),
        Column("p", kind="number"),
        Column("q", kind="number"),
        Column("Further ramps", kind="number"),
    )
    caption = f"{by.capitalize()}s by the evidence on the {side} side"
    return Table(caption, columns, rows, table.height, "lots")


def by_shape(screened: BothSides, side: str, longest: int = LONGEST) -> Table:
    """Shares and verdicts of the lots with numbers, were their scatter of another shape."""
    by, table = screened.found.by, screened.shapes[side]
    lots = table.filter(pl.col("fraction").is_not_null()).partition_by(
        "rank", *screened.keys, maintain_order=True
    )
    rows = []
    for lot in lots[:longest]:
        told = {row["shape"]: row for row in lot.iter_rows(named=True)}
        first = next(iter(told.values()))
        stands = lot["stands"].all() and lot.height == len(SHAPES)
        rows.append(
            cells(
                lot_name(first, by),
                *(_under(told.get(shape)) for shape in SHAPES),
                "-" if first["verdict"] is None else Cell("yes") if stands else Cell("no", "maybe"),
            )
        )
    columns = (
        Column(by.capitalize(), kind="id"),
        *(Column(SHAPE[shape]) for shape in SHAPES),
        Column("Verdict stands"),
    )
    caption = f"Share and verdict on the {side} side, were the scatter of another shape"
    return Table(caption, columns, rows, len(lots), "lot_shapes")


def _under(row: dict[str, Any] | None) -> str | Cell:
    if row is None:
        return "not told"
    verdict = LOT_VERDICT.get(row["verdict"], "")
    return Cell(f"{percent(row['fraction'])} {verdict}".strip(), _MARK.get(row["verdict"], ""))


def gauges(analysis: Analysis, tests: pl.DataFrame, unit: str, longest: int = LONGEST) -> Table:
    """The gauges of the tests that count: what is stated of them, and their lags."""
    per_unit, printed = pascal_per(unit), pretty(unit)
    setpoint = pl.col("open_pa").is_not_null() | pl.col("close_pa").is_not_null()
    names = tests.group_by("gauge_id").agg(pl.len(), told=setpoint.sum())
    known = names.join(
        collected(analysis.lags, "lags").select("gauge_id", "lag_s", "lag_u_s", "dof", "source"),
        on="gauge_id",
        how="left",
    )
    if analysis.gauges is not None:
        stated = collected(analysis.gauges, "gauges").unique("gauge_id", keep="first")
        told = stated.select("gauge_id", "accuracy_rel", "accuracy_abs_pa", "resolution_pa")
        known = known.join(told, on="gauge_id", how="left")
    rows = [
        cells(
            row["gauge_id"] or "not named",
            f"{row['len']:,}",
            f"{row['told']:,}",
            _accuracy(row, per_unit, printed),
            _plain(row.get("resolution_pa"), per_unit),
            with_uncertainty(row["lag_s"], row["lag_u_s"], row["dof"]),
            "-" if row["lag_s"] is None else SOURCE.get(row["source"], row["source"] or "-"),
        )
        for row in known.sort("gauge_id", nulls_last=True).head(longest).iter_rows(named=True)
    ]
    columns = (
        Column("Gauge", kind="id"),
        Column("Recordings", kind="number"),
        Column("With a setpoint", kind="number"),
        Column("Accuracy stated (limits of error)"),
        Column(f"Display step / {printed}", kind="number"),
        Column("Mean lag ± U / s", kind="number"),
        Column("Lag from"),
    )
    return Table("Gauges of these recordings", columns, rows, known.height, "lags")


def counted(analysis: Analysis, methods: Sequence[str]) -> pl.DataFrame:
    """The tests of the switches in the register, by the methods that count."""
    switches = collected(analysis.switches, "switches").select("switch_id")
    tests = collected(analysis.verdicts, "verdicts").filter(is_followed(methods) & stands_once())
    return tests.join(switches, on="switch_id", how="semi")


def tested(analysis: Analysis, tests: pl.DataFrame, used: str) -> list[str]:
    """What was tested, when and by which methods, in words."""
    dates = tests["tested_at"].drop_nulls()
    when = f" from {moment(dates.min())} to {moment(dates.max())}" if dates.len() else ""  # type: ignore[arg-type]
    said = [
        (
            f"{plural(tests.height, 'recording')} ({used}) of "
            f"{plural(tests['switch_id'].n_unique(), 'switch', 'switches')}{when}. Of each switch "
            "the latest round counts; the tests of a round are averaged."
        )
    ]
    others = collected(analysis.verdicts, "verdicts").height - tests.height
    if others:
        said.append(
            f"{plural(others, 'recording')} by other methods, of other switches, without a named "
            f"method or sharing an id {'gives' if others == 1 else 'give'} no result; those by "
            "other methods tell only whether a switch stayed closed."
        )
    if analysis.gauges is None:
        said.append("Nothing is stated of the gauges: their accuracy is in no uncertainty here.")
    return said


def of_lots(
    analysis: Analysis, screened: BothSides, tests: pl.DataFrame, unit: str
) -> Iterator[OfLot]:
    """The switches of the first lots in order of evidence, each lot a table."""
    found = screened.found
    table = _dated(found.switches, collected(analysis.switches, "switches"), tests)
    lots = found.lots.join(
        screened.unsafe.select(*screened.keys, "rank"), on=screened.keys, nulls_equal=True
    ).sort("rank")
    for row in lots.head(_LOTS).iter_rows(named=True):
        mine = table
        for key in screened.keys:
            mine = mine.filter(pl.col(key).eq_missing(pl.lit(row[key], pl.String)))
        name = lot_name(row, found.by)
        yield OfLot(f"lot-{row['rank']}", name, _about(row), _switch_table(mine, name, unit))


def lots_left_out(screened: BothSides) -> str:
    """Where the switches of further lots are listed."""
    left = screened.found.lots.height - _LOTS
    if left <= 0:
        return ""
    return f"The switches of {left:,} more are in lot_switches.parquet and lot_switches.csv."


def _dated(switches: pl.DataFrame, register: pl.DataFrame, tests: pl.DataFrame) -> pl.DataFrame:
    """The switches with rating and date of the latest test that says what is said of them."""
    rated = register.select("switch_id", "rated_pa", "tolerance", "action")
    table = switches.join(rated.unique("switch_id", keep="first"), on="switch_id", how="left")
    ends = tests.join(rated.select("switch_id", "action"), on="switch_id", how="left")
    has = pl.when(pl.col("action") == "rise").then("close_pa").otherwise("open_pa").is_not_null()
    dates = ends.group_by("switch_id").agg(
        _with=pl.col("tested_at").filter(has).max(), _any=pl.col("tested_at").max()
    )
    closed = pl.col("last_tested_on").cast(ends.schema["tested_at"])
    return (
        table.join(dates, on="switch_id", how="left")
        .with_columns(
            tested_at=pl.when(pl.col("state") == "tested")
            .then("_with")
            .when(pl.col("state") == "stuck")
            .then(closed)
            .otherwise("_any")
        )
        .drop("_with", "_any", "last_tested_on")
    )


def _switch_table(rows: pl.DataFrame, name: str, unit: str) -> Table:
    per_unit, printed = pascal_per(unit), pretty(unit)
    shown = rows.filter(pl.col("state") != "not_tested").sort(
        pl.col("state") != "stuck", "deviation", "switch_id", nulls_last=True
    )
    lines = [
        cells(
            row["switch_id"],
            _state(row),
            f"{_EVENT[row['action']]} {row['rated_pa'] / per_unit:.4g}"
            if row["action"] in _EVENT and row["rated_pa"] is not None
            else "-",
            *_apart(row, (row["rated_pa"] or math.nan) / per_unit),
            *_apart(row, 100.0),
            f"{row['n_tests']:,}" if row["state"] == "tested" else "-",
            moment(row["tested_at"]),
        )
        for row in shown.head(_OF_LOT).iter_rows(named=True)
    ]
    columns = (
        Column("Switch", kind="id"),
        Column("Measured"),
        Column(f"Rated / {printed}", kind="number"),
        Column(f"Deviation / {printed}", kind="number"),
        Column(f"u / {printed}", kind="number"),
        Column("Deviation / %", kind="number"),
        Column("u / %", kind="number"),
        Column("Tests", kind="number"),
        Column("Last test"),
    )
    return Table(f"Switches tested: {name}", columns, lines, shown.height, "lot_switches")


def _about(row: dict[str, Any]) -> str:
    said = f"{row['n_tested']:,} of {plural(row['n_switches'], 'switch', 'switches')} with a result"
    if row["status"] != "ok":
        return said + "."
    shared = row["gauge_u"]
    return (
        f"{said}. Mean deviation {_signed(row['mean'])} %, standard deviation of its switches "
        f"{100.0 * row['sd']:.1f} % ({_ends(row['sd_low'], row['sd_high'], '.1f')}). What the "
        f"gauges share leaves {100.0 * shared:.2g} % open of the mean (standard uncertainty), "
        "beside the u of each switch."
    )


def _state(row: dict[str, Any]) -> str | Cell:
    if row["state"] == "stuck":
        return Cell("stayed closed", "bad")
    if row["state"] != "tested":
        return "no rating" if row["state"] == "bad_rating" else "no setpoint"
    if row["deviation"] < -row["tolerance"]:
        return Cell("below the lower limit", "bad")
    return (
        Cell("above the upper limit", "maybe") if row["deviation"] > row["tolerance"] else "within"
    )


def _verdict(row: dict[str, Any]) -> Cell:
    verdict = row["verdict"]
    return Cell(LOT_VERDICT.get(verdict, "no numbers"), _MARK.get(verdict, ""))


def _more(row: dict[str, Any]) -> str:
    if row["verdict"] != "undecided":
        return "-"
    if row["gauge_limits"]:
        return "better gauges"
    return "see evidence" if row["n_more"] is None else f"about {row['n_more']:,}"


def _share(row: dict[str, Any]) -> str:
    if row["fraction"] is None:
        return "-"
    ends = percent(row["fraction_low"]), percent(row["fraction_high"])
    share = percent(row["fraction"])
    if ends[0] == share:
        return share if ends[1] == share else f"{share} (up to {ends[1]})"
    return f"{share} ({ends[0]} to {ends[1]})"


def _mean(row: dict[str, Any]) -> str:
    if row["mean"] is None:
        return "-"
    return f"{_signed(row['mean'])} ({_ends(row['mean_low'], row['mean_high'])})"


def _signed(share: float) -> str:
    return f"{100.0 * share:+.1f}".replace("-", "−")


def _ends(low: float, high: float, form: str = "+.1f") -> str:
    return f"{100.0 * low:{form}} to {100.0 * high:{form}}".replace("-", "−")


def _apart(row: dict[str, Any], scale: float) -> tuple[str, str]:
    """Deviation and standard uncertainty, this one to two digits, where the last test told them."""
    value, u = row["deviation"], row["own_u"]
    if row["state"] != "tested" or not math.isfinite(scale):
        return "-", "-"
    places = _places(u * scale)
    return f"{value * scale:+.{places}f}".replace("-", "−"), f"{u * scale:.{places}f}"


def _whole(text: str) -> str:
    """The text, never broken over two lines."""
    return text.replace(" ", "\u00a0")


def _places(u: float) -> int:
    return 1 if not u > 0.0 else max(0, 1 - math.floor(math.log10(u)))


def _accuracy(row: dict[str, Any], per_unit: float, printed: str) -> str:
    parts = []
    if row.get("accuracy_rel"):
        parts.append(f"{100.0 * row['accuracy_rel']:.3g} % of reading")
    if row.get("accuracy_abs_pa"):
        parts.append(f"{row['accuracy_abs_pa'] / per_unit:.3g} {printed}")
    return " + ".join(parts) or "not stated"


def _plain(value: float | None, per_unit: float) -> str:
    return "-" if value is None else f"{value / per_unit:.3g}"
