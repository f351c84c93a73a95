"""One result a switch, relative to its rating, and the lots that they make."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import polars as pl

from .._columns import need_columns
from .._errors import OptionError, check_list, check_option
from .._frames import FrameLike, lazy, need_unique
from .._history import Setpoint, can_be_rated, check_methods, is_followed, stands_once
from ..methods._results import results
from ..schema import validate_setpoints, validate_switches
from ._sample import Sample

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

Take = Literal["last", "first"]
By = str | Sequence[str]

#: Columns of the switches table that can make lots.
_GROUPS: Final = ("lot", "model", "action", "rated_pa")


@dataclass(frozen=True, kw_only=True)
class LotSample:
    """Results of the switches of one lot, relative to rating: `value_pa / rated_pa - 1`.

    Attributes
    ----------
    names
        column and value of what makes the lot.
    sample
        the results.
    groups
        number of the subgroup of each result of the sample, in its order.
    common_u
        standard uncertainty of the mean by errors that tests with one gauge share.
    tolerance, rated_pa
        of all switches of the lot; None where they differ or there are none.
    n_switches, n_in_service
        switches of the lot, tested or not, and those of them that were not removed.
    n_stuck, n_no_setpoint
        switches whose last (or first) test found them closed below their lower limit, and those
        where it gave no setpoint for another reason; neither is in the sample.
    n_unexplained
        those of `n_no_setpoint` that may be stuck: the points tell no verdicts.
    status
        that of the sample, or `missing_value` (switches that name no lot), `bad_rating`,
        `mixed_limits`.
    """

    names: dict[str, Any]
    sample: Sample
    groups: NDArray[np.intp]
    common_u: float
    tolerance: float | None
    rated_pa: float | None
    n_switches: int
    n_in_service: int
    n_stuck: int
    n_no_setpoint: int
    n_unexplained: int
    status: str

    @property
    def told(self) -> str:
        """The status for a table: `stuck_switches` goes before what the numbers lack."""
        stuck = self.n_stuck > 0 and self.status != "missing_value"
        return "stuck_switches" if stuck else self.status


def lot_samples(
    points: FrameLike,
    switches: FrameLike,
    *,
    by: By,
    subgroup: str | None = None,
    event: Setpoint | None,
    methods: Sequence[str],
    take: Take,
    lags: FrameLike | None,
    gauges: FrameLike | None,
) -> Iterator[LotSample]:
    """The lots of the switches table, in order of name, each with its results."""
    columns = _columns(by)
    # Lots of two models may have one name.
    parts = ["model", "lot"] if subgroup == "lot" else [subgroup] if subgroup else []
    check_option("take", take, ["last", "first"])
    if event is not None:
        check_option("event", event, ["open", "close"])
    check_methods(methods)
    named = [by] if isinstance(by, str) else list(by)
    rated = _switches(switches, named, columns, [*parts, *([subgroup] if subgroup else [])])
    made = _made(points, rated, event, methods, (lags, gauges)).sort(
        "tested_at", "test_id", descending=take == "first", nulls_last=False
    )
    verdicts = "verdict" in lazy(points, "setpoints").collect_schema().names()
    told = _told(made, verdicts=verdicts)
    rows = rated.join(told, on="switch_id", how="left", coalesce=True).sort(
        *columns, "value_rel", "switch_id", nulls_last=True
    )
    for key, group in rows.group_by(columns, maintain_order=True):
        names = dict(zip(columns, key, strict=True))
        lot = _lot(names, group, parts)
        nameless = any(names[name] is None for name in named)
        yield replace(lot, status="missing_value") if nameless else lot


def key_types(by: By) -> dict[str, Any]:
    """Columns of a table of lots that name them.

    Examples
    --------
    >>> key_types("lot")
    {'model': String, 'lot': String}
    """
    return {name: pl.Float64 if name == "rated_pa" else pl.String for name in _columns(by)}


def _columns(by: By) -> list[str]:
    columns = [by] if isinstance(by, str) else by
    check_list("by", columns, '["model", "lot"]')
    names = list(columns)
    if not names:
        raise OptionError("by", by, ["lot", '["model", "lot"]'])
    for name in names:
        check_option("by", name, _GROUPS)
    return ["model", "lot"] if by == "lot" else names


def _switches(
    switches: FrameLike, named: list[str], columns: list[str], parts: list[str]
) -> pl.DataFrame:
    told = lazy(switches, "switches")
    need_columns(told, [*named, *parts[-1:]], "switches", "add it, or group by another")
    rated = validate_switches(told, keep=parts)
    need_unique(rated, "switch_id", "switches")
    always = ["switch_id", "action", "rated_pa", "tolerance", "removed_on"]
    return rated.select(list(dict.fromkeys([*always, *columns, *parts]))).collect()


def _made(
    points: FrameLike,
    rated: pl.DataFrame,
    event: Setpoint | None,
    methods: Sequence[str],
    known: tuple[FrameLike | None, FrameLike | None],
) -> pl.DataFrame:
    """Tests of the event that is meant, of switches with a rating; `known`: lags and gauges."""
    both: tuple[Setpoint, Setpoint] = ("open", "close")
    found = [
        results(points, event=one, lags=known[0], gauges=known[1]).with_columns(_event=pl.lit(one))
        for one in both
    ]
    of_action = pl.when(pl.col("action") == "fall").then(pl.lit("open"))
    meant = of_action.when(pl.col("action") == "rise").then(pl.lit("close"))
    # What a verdict is about is the rated setpoint, whichever is asked for.
    changed = ((pl.col("_event") == meant) & (pl.col("status") == "ok")).any()
    return (
        pl.concat(found)
        .filter(is_followed(methods))
        .join(rated.filter(can_be_rated()), on="switch_id", how="inner")
        .join(_verdicts(points), on="test_id", how="left", nulls_equal=True)
        .with_columns(
            stuck=(pl.col("verdict") == "does_not_conform").fill_null(value=False)
            & ~changed.over("test_id", "switch_id")
        )
        .filter(pl.col("_event") == (pl.lit(event) if event else meant))
    )


def _verdicts(points: FrameLike) -> pl.DataFrame:
    """Verdict of each test that stands once: of two rows with one id neither is surely right."""
    given = lazy(points, "setpoints")
    if "verdict" not in given.collect_schema().names():
        return pl.DataFrame(schema={"test_id": pl.String, "verdict": pl.String})
    rows = validate_setpoints(given, keep=["verdict"])
    return rows.filter(stands_once()).select("test_id", pl.col("verdict").cast(pl.String)).collect()


def _told(made: pl.DataFrame, *, verdicts: bool) -> pl.DataFrame:
    """What the last test of each switch, in the order of `made`, says; it alone counts.

    A setpoint that an earlier test found is no result of a switch that has stopped to change. Where
    verdicts tell those, a later recording that could not be read takes nothing from it; of two rows
    with one id neither verdict is sure.
    """
    if verdicts:
        says = pl.col("status").is_in(["ok", "duplicate_id"]) | pl.col("stuck")
        made = made.filter(says | ~says.any().over("switch_id"))
    shared = (pl.col("u_pa") ** 2 - pl.col("own_u_pa") ** 2).clip(lower_bound=0.0).sqrt()
    return (
        made.group_by("switch_id", maintain_order=True)
        .last()
        .select(
            "switch_id",
            "gauge_id",
            state=pl.when("stuck")
            .then(pl.lit("stuck"))
            .when(pl.col("status") != "ok")
            .then(pl.lit("no_setpoint"))
            .otherwise(pl.lit("tested")),
            value_rel=pl.col("value_pa") / pl.col("rated_pa") - 1.0,
            unexplained=(pl.col("status") != "ok")
            & ~pl.col("stuck")
            & ((pl.col("status") == "duplicate_id") | pl.lit(not verdicts)),
            u_rel=pl.col("own_u_pa") / pl.col("rated_pa"),
            shared_rel=shared / pl.col("rated_pa"),
        )
    )


def _lot(names: dict[str, Any], rows: pl.DataFrame, parts: list[str]) -> LotSample:
    tested = rows.filter(pl.col("value_rel").is_not_null())
    sample = Sample.of(tested["value_rel"].to_list(), tested["u_rel"].to_list())
    shared = tested.group_by("gauge_id").agg(pl.col("shared_rel").sum())["shared_rel"].to_numpy()
    common = float(np.sqrt((shared**2).sum())) / max(tested.height, 1)
    groups = np.zeros(tested.height, dtype=np.intp)
    if parts:
        groups = (
            tested.select(pl.struct(parts).rank("dense")).to_series().to_numpy().astype(np.intp)
        )
    one = {name: rows[name].drop_nulls().unique().to_list() for name in ("tolerance", "rated_pa")}
    only = {name: told[0] if len(told) == 1 else None for name, told in one.items()}
    status = sample.status
    if not rows.select(can_be_rated().fill_null(value=False).any()).item():
        status = "bad_rating"
    elif only["tolerance"] is None:
        status = "mixed_limits"
    silent = (rows["state"] == "no_setpoint").sum()
    return LotSample(
        names=names, sample=sample, groups=groups, common_u=common, tolerance=only["tolerance"],
        rated_pa=only["rated_pa"], n_switches=rows.height,
        n_in_service=rows["removed_on"].null_count(),
        n_stuck=int((rows["state"] == "stuck").sum()), n_no_setpoint=int(silent),
        n_unexplained=int(rows["unexplained"].sum() or 0), status=status,
    )  # fmt: skip
