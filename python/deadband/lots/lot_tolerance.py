"""Tolerance intervals of lots, from the setpoints and switches tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import polars as pl

from .._columns import check_columns
from .._errors import check_option, check_share
from .._frames import FrameLike
from .._history import Setpoint
from ..methods._results import need_studies
from ._per_switch import By, LotSample, Take, key_types, lot_samples
from ._sample import Sample
from .tolerance_factor import SIDES, Side
from .tolerance_interval import KINDS, Kind, ToleranceInterval, of_sample

_SCHEMA: Final = {
    "n_switches": pl.Int32, "n_tested": pl.Int32, "n_no_setpoint": pl.Int32, "n_stuck": pl.Int32,
    "mean_rel": pl.Float64, "sd_rel": pl.Float64, "low_rel": pl.Float64, "high_rel": pl.Float64,
    "rated_pa": pl.Float64, "low_pa": pl.Float64, "high_pa": pl.Float64, "coverage": pl.Float64,
    "confidence": pl.Float64, "within": pl.Boolean, "status": pl.String,
}  # fmt: skip


def lot_tolerance(
    points: FrameLike,
    switches: FrameLike,
    *,
    by: By = "lot",
    event: Setpoint | None = None,
    methods: Sequence[str] = ("ramp",),
    take: Take = "last",
    coverage: float = 0.95,
    confidence: float = 0.95,
    side: Side = "both",
    method: Kind = "normal",
    lags: FrameLike | None = None,
    gauges: FrameLike | None = None,
) -> pl.DataFrame:
    """Between which setpoints most switches of each lot lie, with stated confidence.

    `tolerance_interval` of one result a switch, relative to rating, the uncertainty of the tests
    taken out. A lot whose interval lies within its limits is shown to be good, with that coverage
    and confidence; one whose interval does not has not been shown to be bad. A lot of which a
    switch stays closed is not good, wherever the others lie.

    Parameters
    ----------
    points, switches
        the setpoints and switches tables. Verdicts instead of setpoints tell switches that stayed
        closed below their lower limit from tests that failed.
    by
        what makes a lot: `lot` (of one model), `model`, `action`, `rated_pa`, or a list of them.
        `["lot"]` makes one lot of those that two models call the same.
    event
        which setpoint; None: the rated one, opening for action `fall`, closing for `rise`.
    methods
        methods of test whose results count.
    take
        the `last` or the `first` test of each switch that tells anything of it: a setpoint, or
        that it stayed closed. One that tells neither takes nothing from an earlier one, nor does
        one of which two rows contradict each other. Setpoints from before (of the first tests: from
        after) a switch stayed closed do not count. `distribution` goes by the same rule.
    coverage, confidence, side, method
        as in `tolerance_interval`.
    lags, gauges
        the lags and gauges tables: what tests with one gauge have in common stays in the mean and
        is not taken out of the spread. Without them all of a test's uncertainty is taken for its
        own.

    Returns
    -------
    polars.DataFrame
        A row a lot: its columns (`model` and `lot` for `by="lot"`), `n_switches`, `n_tested`,
        `n_stuck` (switches that the last test found closed below their lower limit; told by
        verdicts alone), `n_no_setpoint` (tested without a result otherwise; neither is in the
        interval), `mean_rel`, `sd_rel` (of the true values), `low_rel`, `high_rel`
        (`value / rated - 1`), `rated_pa`, `low_pa`, `high_pa` (null where ratings differ),
        `coverage`, `confidence`, `within` (whether the interval lies within the tolerance, on the
        sides asked for; false where a switch is stuck, null where one may be: there are no verdicts
        and its last test gave no setpoint, or two rows of that contradict each other), `status`:
        `ok`, `stuck_switches` (the interval, if there is one, is of the others), `too_few_samples`,
        `zero_spread`, `bad_value`, `bad_rating`, `mixed_limits` (the interval stands, `within` is
        null), `missing_value` (switches that name no lot: counts only).

    Raises
    ------
    SchemaError
        a column is missing.
    OptionError
        an option is not known or out of range.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> opened = [58.1, 60.3, 61.0, 59.2, 60.4, 57.9]
    >>> ids = [f"s{i}" for i in range(6)]
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": ids, "switch_id": ids, "method": "ramp", "open_pa": opened,
    ...         "open_u_pa": 0.3, "close_pa": None, "close_u_pa": None,
    ...     }
    ... )  # fmt: skip
    >>> switches = pl.DataFrame({"switch_id": ids, "lot": "A", "rated_pa": 60.0, "action": "fall"})
    >>> found = lot_tolerance(points, switches).row(0, named=True)
    >>> round(found["low_pa"], 1), round(found["high_pa"], 1), found["within"]
    (53.8, 65.2, False)
    """
    check_share("coverage", coverage)
    check_share("confidence", confidence)
    check_option("side", side, SIDES)
    check_option("method", method, KINDS)
    need_studies("lot_tolerance")
    by = by if isinstance(by, str) else check_columns("by", by)
    rows: list[dict[str, Any]] = []
    for lot in lot_samples(
        points, switches, by=by, event=event, methods=methods, take=take, lags=lags, gauges=gauges
    ):
        found = of_sample(
            Sample.of([]) if lot.status == "missing_value" else lot.sample, coverage=coverage,
            confidence=confidence, side=side, method=method, common_u=lot.common_u,
        )  # fmt: skip
        ends = (found.low, found.high)
        rated = lot.rated_pa
        in_pa = [None if end is None or rated is None else rated * (1.0 + end) for end in ends]
        rows.append(
            {
                **lot.names, "n_switches": lot.n_switches, "n_tested": lot.sample.n,
                "n_no_setpoint": lot.n_no_setpoint, "n_stuck": lot.n_stuck,
                "mean_rel": found.mean, "sd_rel": found.sd, "low_rel": found.low,
                "high_rel": found.high, "rated_pa": rated, "low_pa": in_pa[0], "high_pa": in_pa[1],
                "coverage": coverage, "confidence": confidence,
                "within": _within(lot, found, side),
                "status": found.status if lot.told == "ok" else lot.told,
            }
        )  # fmt: skip
    return pl.DataFrame(rows, schema={**key_types(by), **_SCHEMA})


def _within(lot: LotSample, found: ToleranceInterval, side: Side) -> bool | None:
    if lot.n_stuck:
        return False
    ends = [end for end in (found.low, found.high) if end is not None]
    if not ends or lot.tolerance is None or lot.n_unexplained:
        return None
    return max(abs(end) if side == "both" else _out(end, side) for end in ends) <= lot.tolerance


def _out(end: float, side: Side) -> float:
    return -end if side == "lower" else end
