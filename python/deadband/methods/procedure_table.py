"""Ways of testing and what they reach, as a table to print and hang up."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import polars as pl

from .._columns import need_columns
from .._errors import check_count, check_list
from .._frames import FrameLike, lazy, need_unique
from ..schema import validate_gauges, validate_lags
from ._procedure import Procedure
from ._reach import Reach
from .planner import plan_test
from .reachable import reachable

_SCHEMA: Final = {
    "gauge_id": pl.String, "aim": pl.String, "rate_pa_s": pl.Float64, "cycles": pl.Int32,
    "duration_s": pl.Float64, "u_pa": pl.Float64, "expanded_pa": pl.Float64, "ratio": pl.Float64,
    "limited_by": pl.String, "status": pl.String, "reason": pl.String,
}  # fmt: skip
_LAG: Final = ("lag_s", "lag_u_s", "dead_time_s", "time_constant_s")

_CAUTION: Final = (
    "U: expanded uncertainty (95 %) that is to be expected, no verdict on any switch.",
    "Carbon monoxide, gas and mains voltage can kill. Never bypass or jumper a safety switch.",
    "Licensed practice, the maker's instructions and local codes come first.",
)


def procedure_table(
    gauges: FrameLike,
    lags: FrameLike | None = None,
    *,
    rated_pa: float,
    tolerance: float = 0.10,
    ratios: Sequence[float] = (4.0,),
    rates_pa_s: Sequence[float] = (2.0, 5.0, 10.0),
    cycles: int = 3,
    sample_s: float = 0.1,
    repeatability_pa: float | None = None,
    unsteadiness: float = 0.1,
) -> pl.DataFrame:
    """What each gauge reaches: the fastest test for each wanted ratio, and tests at fixed rates.

    Parameters
    ----------
    gauges
        the gauges table; a column `noise_pa` is used where there is one.
    lags
        the lags table, as of `estimate_lag`; a lag in it goes before a stated one.
    rated_pa, tolerance, repeatability_pa, unsteadiness
        as in `reachable`.
    ratios
        wanted test uncertainty ratios, a planned test each (`plan_test`). 4 is common practice, no
        source.
    rates_pa_s, cycles
        rates of further ramps, and their cycles.
    sample_s
        interval at which display and contact are logged, s.

    Returns
    -------
    polars.DataFrame
        A row a gauge and procedure: `gauge_id`, `aim` (`ratio 4`, or `given`), `rate_pa_s`,
        `cycles`, `duration_s`, `u_pa`, `expanded_pa`, `ratio`, `limited_by` (the largest line of
        the budget), `status` (as in `Plan` and `Reach`), `reason`.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type, or a gauge stands in two rows.
    OptionError, DeadbandError
        an option that cannot be.

    Examples
    --------
    >>> gauges = pl.DataFrame(
    ...     {
    ...         "gauge_id": ["G1"], "resolution_pa": [1.0], "accuracy_rel": [0.005],
    ...         "accuracy_abs_pa": [0.5], "lag_s": [0.4], "lag_u_s": [0.02],
    ...     }
    ... )  # fmt: skip
    >>> table = procedure_table(gauges, rated_pa=60.0, rates_pa_s=[5.0])
    >>> table.select("gauge_id", "aim", "cycles", "limited_by").rows()
    [('G1', 'ratio 4', 2, 'accuracy'), ('G1', 'given', 3, 'accuracy')]
    """
    check_count("cycles", cycles, 1)
    check_list("ratios", ratios, "[4.0]")
    check_list("rates_pa_s", rates_pa_s, "[2.0, 5.0]")
    common: dict[str, Any] = {
        "rated_pa": rated_pa, "tolerance": tolerance, "repeatability_pa": repeatability_pa,
        "unsteadiness": unsteadiness,
    }  # fmt: skip
    rows = []
    for gauge in _known(gauges, lags).iter_rows(named=True):
        name = gauge["gauge_id"]
        for ratio in ratios:
            plan = plan_test(gauge, ratio=ratio, sample_s=sample_s, **common)
            row = _row(name, f"ratio {ratio:g}", plan.reach, rated_pa)
            rows.append(row | {"status": plan.status, "reason": plan.reason})
        for rate in rates_pa_s:
            ramp = Procedure(rate_pa_s=rate, cycles=cycles, sample_s=sample_s)
            rows.append(_row(name, "given", reachable(gauge, ramp, **common), rated_pa))
    return pl.DataFrame(rows, schema=_SCHEMA)


def _known(gauges: FrameLike, lags: FrameLike | None) -> pl.DataFrame:
    stated = validate_gauges(lazy(gauges, "gauges"), keep=["noise_pa"])
    need_unique(stated, "gauge_id", "gauges")
    if lags is None:
        return stated.collect()
    told = validate_lags(lazy(lags, "lags"))
    need_unique(told, "gauge_id", "lags")
    found = pl.col("_lag_s").is_not_null()
    # Parts belong to their lag: those that were stated do not split one that was found.
    return (
        stated.join(
            told.select("gauge_id", "dof", *(pl.col(name).alias(f"_{name}") for name in _LAG)),
            on="gauge_id",
            how="left",
            maintain_order="left",
        )
        .with_columns(pl.when(found).then(f"_{name}").otherwise(name).alias(name) for name in _LAG)
        .collect()
    )


def _row(gauge_id: str, aim: str, reach: Reach, rated_pa: float) -> dict[str, Any]:
    ramp, lines = reach.procedure, reach.lines
    return {
        "gauge_id": gauge_id, "aim": aim, "rate_pa_s": ramp.rate_pa_s, "cycles": ramp.cycles,
        "duration_s": ramp.duration_s(rated_pa), "u_pa": reach.u_pa,
        "expanded_pa": reach.expanded_pa, "ratio": reach.ratio,
        "limited_by": None if lines.is_empty() else lines.sort("u_pa")["source"][-1],
        "status": reach.status, "reason": reach.reason,
    }  # fmt: skip


def printed(table: FrameLike) -> str:
    """A `procedure_table` as plain text of fixed width, cautions below it.

    Rates and ratios are rounded down to the tenth and `U` up, so that nothing on paper is better
    than it is; a rate below 1 Pa/s to the hundredth.

    Raises
    ------
    SchemaError
        a column is missing.

    Examples
    --------
    >>> gauges = pl.DataFrame(
    ...     {
    ...         "gauge_id": ["G1"], "resolution_pa": [1.0], "accuracy_rel": [0.005],
    ...         "accuracy_abs_pa": [0.5], "lag_s": [0.4], "lag_u_s": [0.02],
    ...     }
    ... )  # fmt: skip
    >>> print(printed(procedure_table(gauges, rated_pa=60.0, ratios=[], rates_pa_s=[5.0])))
    gauge  aim    rate / Pa/s  cycles  time / s  U / Pa  ratio  most of it
    -----  -----  -----------  ------  --------  ------  -----  ----------
    G1     given          5.0       3       126     1.1    5.9  accuracy
    <BLANKLINE>
    U: expanded uncertainty (95 %) that is to be expected, no verdict on any switch.
    Carbon monoxide, gas and mains voltage can kill. Never bypass or jumper a safety switch.
    Licensed practice, the maker's instructions and local codes come first.
    """
    head = ("gauge", "aim", "rate / Pa/s", "cycles", "time / s", "U / Pa", "ratio", "most of it")
    right = {2, 3, 4, 5, 6}
    rows = _planned(table)
    cells = [_cells(row) for row in rows]
    widths = [max(len(line[i]) for line in [head, *cells]) for i in range(len(head))]

    def line(texts: Sequence[str]) -> str:
        padded = [
            text.rjust(width) if i in right else text.ljust(width)
            for i, (text, width) in enumerate(zip(texts, widths, strict=True))
        ]
        return "  ".join(padded).rstrip()

    rule = tuple("-" * width for width in widths)
    remarks = [
        f"{row['gauge_id']}, {row['aim']}: {row['reason']}" for row in rows if row["status"] != "ok"
    ]
    below = ["", *dict.fromkeys(remarks)] if remarks else []
    return "\n".join([*map(line, [head, rule, *cells]), *below, "", *_CAUTION])


def _planned(table: FrameLike) -> list[dict[str, Any]]:
    whole = lazy(table, "table").collect()
    advice = "give what procedure_table returned"
    return need_columns(whole, _SCHEMA, "procedure_table", advice).rows(named=True)


def _cells(row: Mapping[str, Any]) -> tuple[str, ...]:
    def number(name: str, rounded: Callable[[float], str]) -> str:
        return "-" if row[name] is None else rounded(row[name])

    limit = row["limited_by"] or "-"
    return (
        str(row["gauge_id"]), row["aim"], number("rate_pa_s", _rate), str(row["cycles"]),
        number("duration_s", "{:.0f}".format), number("expanded_pa", _up), number("ratio", _down),
        limit if row["status"] == "ok" else f"{limit} ({row['status']})",
    )  # fmt: skip


def _rate(rate: float) -> str:
    return _down(rate) if rate >= 1.0 else _down(rate, 2)


def _down(value: float, places: int = 1) -> str:
    """Rounded down; what is meant as a tenth stays one."""
    return f"{math.floor(value * 10.0**places + 1e-6) / 10.0**places:.{places}f}"


def _up(value: float) -> str:
    return f"{math.ceil(value * 10.0 - 1e-6) / 10.0:.1f}"
