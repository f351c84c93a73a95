"""One result a switch, relative to its rating, and the lots that they make."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import polars as pl

from .._columns import check_columns, need_columns
from .._errors import check_option
from .._frames import FrameLike, lazy, need_unique
from .._history import Setpoint, can_be_rated, check_methods
from ..schema import validate_switches
from ._last_tests import counted_tests, is_judged
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
        switches whose last (or first) test that tells found them closed below their lower limit,
        and those that have no setpoint for another reason; neither is in the sample.
    n_unexplained
        those that are not stuck, but may be: see `counted_tests`.
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
    tests = counted_tests(
        points, rated.lazy().with_columns(_judged=is_judged()), event=event, methods=methods,
        known=(lags, gauges), newest=take == "last",
    )  # fmt: skip
    rows = rated.join(_per_switch(tests), on="switch_id", how="left", coalesce=True).sort(
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
    names = check_columns("by", by, _GROUPS)
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


def _per_switch(tests: pl.LazyFrame) -> pl.DataFrame:
    """The result of each switch: that of the last test of `tests` whose setpoint counts."""
    state = tests.group_by("switch_id").agg(pl.col("state", "_maybe").first())
    shared = (pl.col("_all_u") ** 2 - pl.col("_u") ** 2).clip(lower_bound=0.0).sqrt()
    last = (
        tests.filter(pl.col("value").is_not_null() & (pl.col("state") == "tested"))
        .group_by("switch_id", maintain_order=True)
        .last()
        .select(
            "switch_id",
            "gauge_id",
            value_rel=pl.col("value") / pl.col("rated_pa") - 1.0,
            u_rel=pl.col("_u") / pl.col("rated_pa"),
            shared_rel=shared / pl.col("rated_pa"),
        )
    )
    return state.join(last, on="switch_id", how="left").collect()


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
    maybe = rows["_maybe"] & (rows["state"] != "stuck")
    return LotSample(
        names=names, sample=sample, groups=groups, common_u=common, tolerance=only["tolerance"],
        rated_pa=only["rated_pa"], n_switches=rows.height,
        n_in_service=rows["removed_on"].null_count(),
        n_stuck=int((rows["state"] == "stuck").sum()), n_no_setpoint=int(silent),
        n_unexplained=int(maybe.sum() or 0), status=status,
    )  # fmt: skip
