"""Capability of lots or models, from the setpoints and switches tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._columns import check_columns
from .._errors import check_share
from .._frames import FrameLike
from .._history import Setpoint
from ..methods._results import need_studies
from ._per_switch import By, LotSample, Take, key_types, lot_samples
from ._pivots import Pivots
from .capability_indices import Three, generalized

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_FRACTIONS: Final = {
    "fraction_unsafe": "fraction_below",
    "fraction_nuisance": "fraction_above",
    "fraction_outside": "fraction_outside",
}
_ENDS: Final = ("", "_low", "_high")
_COUNTS: Final = (
    "n_switches", "n_in_service", "n_tested", "n_no_setpoint", "n_stuck", "n_subgroups",
)  # fmt: skip
_NUMBERS: Final = (
    "mean_rel", "sd_rel", "sd_within_rel",
    *(f"{name}{end}" for name in ("cp", "cpk", "pp", "ppk", *_FRACTIONS) for end in _ENDS),
)  # fmt: skip


def capability(
    points: FrameLike,
    switches: FrameLike,
    *,
    by: By = "lot",
    subgroup: str = "lot",
    event: Setpoint | None = None,
    methods: Sequence[str] = ("ramp",),
    take: Take = "last",
    lags: FrameLike | None = None,
    gauges: FrameLike | None = None,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Capability of each lot, and the fraction of its switches outside the limits.

    One result a switch, relative to rating, against `-+ tolerance`; the tests' own variance is
    taken out of the spread. Pp and Ppk are from the spread of all switches, Cp and Cpk from the
    spread within subgroups, about the same mean (ISO 22514-1): what the maker could reach if lots
    did not differ. Where a group is one subgroup both are the same. The mean of several lots is
    that of these lots; how far the next ones may lie is not in the interval.

    The fractions are of a normal distribution, `unsafe` below the lower limit, where a contact
    stays closed without draft, `nuisance` above the upper one. Formulas: `capability_indices`.
    `fraction_unsafe` here is the median of what this lot's own tests leave possible, with an
    interval that holds as often as claimed for each lot: for a statement on one lot, to its maker
    say. That of `distribution` is an expected share, drawn towards the other lots of the model: for
    sums over lots, and to compare them. Neither holds switches that stay closed: `n_stuck`.

    Parameters
    ----------
    points, switches, by, event, methods, take, lags, gauges
        as in `lot_tolerance`.
    subgroup
        column of the switches table within which the spread of Cp and Cpk is taken; `lot`: that of
        one model.
    confidence
        of the two-sided intervals.

    Returns
    -------
    polars.DataFrame
        A row a lot: its columns (`model` and `lot` for `by="lot"`), `n_switches`, `n_in_service`
        (not removed), `n_tested`, `n_stuck` (switches that the last test found closed below their
        lower limit; told by verdicts alone), `n_no_setpoint` (tested without a result otherwise;
        neither is in a fraction), `n_subgroups`, `mean_rel`, `sd_rel` and `sd_within_rel` (of the
        true values), `cp`, `cpk`, `pp`, `ppk`, `fraction_unsafe`, `fraction_nuisance`,
        `fraction_outside`, each with `_low` and `_high`, and `status`: `ok`; `stuck_switches`
        (`n_stuck` is not 0; numbers, if there are any, are of the others); `spread_not_told` (the
        tests explain all of the scatter: estimates and upper limits of the indices are null, lower
        limits stand where they are finite); `too_few_samples` (fewer than 2 switches; Cp and Cpk
        are null where no subgroup has 2), `zero_spread`, `bad_value`, `bad_rating`, `mixed_limits`,
        `missing_value` (switches that name no lot). Where numbers are null, `n_tested` and these
        say why.

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
    >>> found = capability(points, switches).row(0, named=True)
    >>> round(found["ppk"], 2), round(found["ppk_low"], 2), round(found["fraction_unsafe_high"], 2)
    (1.46, 0.49, 0.06)
    """
    check_share("confidence", confidence)
    need_studies("capability")
    by = by if isinstance(by, str) else check_columns("by", by)
    rows: list[dict[str, Any]] = []
    for lot in lot_samples(
        points, switches, by=by, subgroup=subgroup, event=event, methods=methods, take=take,
        lags=lags, gauges=gauges,
    ):  # fmt: skip
        sample = lot.sample
        rows.append(
            {
                **lot.names, "n_switches": lot.n_switches, "n_in_service": lot.n_in_service,
                "n_tested": sample.n, "n_no_setpoint": lot.n_no_setpoint,
                "n_stuck": lot.n_stuck, "n_subgroups": np.unique(lot.groups).size,
                **_row(lot, confidence),
            }
        )  # fmt: skip
    schema = {
        **key_types(by), **dict.fromkeys(_COUNTS, pl.Int32), **dict.fromkeys(_NUMBERS, pl.Float64),
        "status": pl.String,
    }  # fmt: skip
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)


def _row(lot: LotSample, confidence: float) -> dict[str, Any]:
    sample = lot.sample
    row: dict[str, Any] = {"status": lot.told}
    if lot.status != "missing_value":
        row |= {"mean_rel": sample.mean, "sd_rel": sample.sd}
    if lot.status != "ok" or lot.tolerance is None:
        return row
    limits = (-lot.tolerance, lot.tolerance)
    pivots = sample.pivots(lot.common_u)
    overall = generalized(pivots, limits, 0.0, confidence)
    for name in ("cp", "cpk"):
        row |= _three(name.replace("c", "p", 1), overall[name])
    for name, of in _FRACTIONS.items():
        row |= _three(name, overall[of])
    within = _within(lot, pivots)
    if within is not None:
        row["sd_within_rel"] = within.sd
        found = overall if within is pivots else generalized(within, limits, 0.0, confidence)
        row |= _three("cp", found["cp"]) | _three("cpk", found["cpk"])
    if sample.sd == 0.0 and lot.told == "ok":
        row["status"] = "spread_not_told"
    return row


def _within(lot: LotSample, overall: Pivots) -> Pivots | None:
    """Pivots with the spread within subgroups, pooled."""
    _, at = np.unique(lot.groups, return_inverse=True)
    size = np.bincount(at)
    if size.size == 1:
        return overall
    # Without a subgroup of two nothing is known; of two that are alike, and exact, no more.
    if size.max() < 2 or (_same(lot.sample.values, at) and not lot.sample.own.all()):
        return None
    return lot.sample.pivots(lot.common_u, at.astype(np.intp))


def _same(values: Floats, at: NDArray[np.intp]) -> bool:
    return all(np.ptp(values[at == one]) == 0.0 for one in np.unique(at))


def _three(name: str, three: Three) -> dict[str, float | None]:
    return {f"{name}{end}": one for end, one in zip(_ENDS, three, strict=True)}
