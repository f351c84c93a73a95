"""Expected costs of acting on each lot of a table."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._columns import check_columns, need_columns, need_numbers
from .._errors import DeadbandError, check_share
from .._frames import FrameLike, lazy
from ._fractions import fraction_of_interval, fraction_of_mean, with_stuck
from ._per_switch import By
from .classification import Classification
from .cost import Decision, cost
from .prices import Prices, actions_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_ENDS: Final = ("_low", "_high")
_MEANS: Final = ("fraction_unsafe", "fraction_nuisance")
_TYPES: Final = {
    "action": pl.String, "n_tests": pl.Float64, "expected_cost": pl.Float64,
    "cost_low": pl.Float64, "cost_high": pl.Float64, "p_best": pl.Float64,
    "unsafe_left": pl.Float64, "best": pl.Boolean, "n_sample": pl.Int32,
    "value_of_knowing": pl.Float64, "status": pl.String,
}  # fmt: skip


def lot_costs(
    lots: FrameLike,
    prices: Prices,
    *,
    by: By = "lot",
    count: str | None = None,
    test: Classification | None = None,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Expected cost of recalling, testing, sampling or leaving each lot.

    `cost` of each row, the fractions taken from their intervals (`fraction_of_interval`). Where the
    table is that of `distribution` (it has `shrinkage`) its expected fractions stay the means, by
    which costs are; so does one that lies outside its own interval, as it may where it is minute
    but for a small probability. The fractions of `capability` are medians, and not used.

    No interval holds switches that stay closed. Where `n_stuck` tells of such, the unsafe fraction
    is `s + (1 - s) * fraction` with `s ~ Beta(n_stuck + 1/2, n_tested + 1/2)`, the nuisance
    fraction `(1 - s) * fraction` with the mean of `s`. A lot without an interval of which all that
    were tested are stuck has the counts alone; if others were tested, nothing is known of what is
    not stuck, its unsafe fraction `Beta(1/2, 1/2)`, and no nuisance is counted.

    An expected cost is no permission: a switch that is known to be stuck has to go out of service
    whatever the sum says.

    Parameters
    ----------
    lots
        a row a lot, as `capability` returns, or the `lots` of `distribution`: `lot`, the number of
        switches, `fraction_unsafe_low`, `fraction_unsafe_high`; and, where it is known,
        `fraction_nuisance_low`, `fraction_nuisance_high`, the expected `fraction_unsafe` and
        `fraction_nuisance`, and `n_stuck` with `n_tested` (those with a setpoint).
    prices, test
        as in `cost`.
    by
        the column that names the lots, or a list; `model` stays beside it where it is there.
    count
        the column with the number of switches in service; None: `n_in_service` where it is, else
        `n_switches`.
    confidence
        that of the intervals of the fractions, and of those of cost.

    Returns
    -------
    polars.DataFrame
        Four rows a lot, in the order of `lots`, with the columns of `Decision.actions`, `n_sample`
        (sample size of least cost, in the row `sample`), `value_of_knowing`, and `status`: `ok`,
        `no_switches`, `missing_value` (no number of switches, or no interval and none is stuck),
        `bad_value` (they cannot be, or not together). What is not `ok` is one row of nulls.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    OptionError
        `confidence` is no share, or prices or test are none.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> lots = pl.DataFrame(
    ...     {
    ...         "lot": ["A", "B"], "n_switches": [400, 400], "fraction_unsafe_low": [0.0, 0.05],
    ...         "fraction_unsafe_high": [0.01, 0.5],
    ...     }
    ... )  # fmt: skip
    >>> found = lot_costs(lots, Prices(recall=90.0, test=60.0, harm_unsafe=2000.0))
    >>> found.filter("best").select("lot", "action").rows()
    [('A', 'wait'), ('B', 'sample')]
    """
    check_share("confidence", confidence)
    actions_of(prices, Classification() if test is None else test)
    named = check_columns("by", by)
    told = lazy(lots, "lots")
    schema = told.collect_schema()
    if count is None:
        count = "n_in_service" if "n_in_service" in schema else "n_switches"
    needed = [count, *(f"fraction_unsafe{end}" for end in _ENDS)]
    wanted = (*named, *needed, *(["n_tested"] if "n_stuck" in schema else []))
    need_columns(told, wanted, "lots", "give what capability returned, or name it")
    side = [f"fraction_nuisance{end}" for end in _ENDS]
    used = [*needed, *(side if all(name in schema for name in side) else [])]
    used += [one for one in _MEANS if one in schema and f"{one}_low" in used]
    expected = "shrinkage" in schema
    if "n_stuck" in schema:
        used += ["n_stuck", "n_tested"]
    need_numbers(told, used, "lots")
    rows: list[dict[str, Any]] = []
    keys = list(dict.fromkeys([*(["model"] if "model" in schema else []), *named]))
    for row in told.select(list(dict.fromkeys([*keys, *used]))).collect().iter_rows(named=True):
        numbers = {name: row[name] for name in used} | {"expected": expected}
        lot = {name: row[name] for name in keys}
        rows += _rows(lot, numbers, count, (prices, test), confidence)
    names: dict[str, Any] = {**{name: schema[name] for name in keys}, **_TYPES}
    return pl.DataFrame(
        [{name: row.get(name) for name in names} for row in rows], schema=names, orient="row"
    )


def _rows(
    lot: dict[str, Any],
    numbers: dict[str, Any],
    count: str,
    known: tuple[Prices, Classification | None],
    confidence: float,
) -> list[dict[str, Any]]:
    number = numbers[count]
    if _lacks(number):
        return [lot | {"status": "missing_value"}]
    if not _is_count(number):
        return [lot | {"status": "bad_value"}]
    try:
        bad, high = _fractions(numbers, confidence)
    except DeadbandError as error:
        return [lot | {"status": error.kind}]
    found: Decision = cost(
        int(number), bad, known[0], nuisance=high, test=known[1], confidence=confidence
    )
    if found.status != "ok":
        return [lot | {"status": found.status}]
    return [
        lot | one | {
            "n_sample": found.n_best if one["action"] == "sample" else None,
            "value_of_knowing": found.value_of_knowing, "status": "ok",
        }
        for one in found.actions.iter_rows(named=True)
    ]  # fmt: skip


def _fractions(numbers: dict[str, Any], confidence: float) -> tuple[Floats, Any]:
    """The unsafe and the nuisance fraction of all switches of a lot, those that are stuck too."""
    bad, high = (_interval(numbers, side, confidence) for side in ("unsafe", "nuisance"))
    counts = [numbers.get(name) for name in ("n_stuck", "n_tested")]
    if _lacks(counts[0]) or counts[0] == 0:
        if bad is None or (high is None and "fraction_nuisance_low" in numbers):
            raise _none("missing_value", "the fractions are not told")
        return bad, 0.0 if high is None else high
    if _lacks(counts[1]):
        raise _none("missing_value", "of how many switches some are stuck is not told")
    if not all(_is_count(one) for one in counts):
        raise _none("bad_value", f"{counts[0]} stuck and {counts[1]} tested are no counts")
    n_stuck, n_tested = (int(one or 0) for one in counts)
    moving = (n_tested + 0.5) / (n_stuck + n_tested + 1.0)
    return with_stuck(bad, n_stuck, n_tested), 0.0 if high is None else moving * high


def _interval(numbers: dict[str, Any], side: str, confidence: float) -> Floats | None:
    mean, low, high = (numbers.get(f"fraction_{side}{end}") for end in ("", *_ENDS))
    if low is None or high is None or math.isnan(low) or math.isnan(high):
        return None
    used = numbers["expected"] or not (low <= (mean or 0.0) <= high)
    if mean is None or math.isnan(mean) or not used:
        return fraction_of_interval(low, high, confidence=confidence)
    return fraction_of_mean(mean, low, high, confidence=confidence)


def _none(kind: str, message: str) -> DeadbandError:
    return DeadbandError(kind, message, location="table lots", advice="the row says so")


def _lacks(number: Any) -> bool:
    return number is None or math.isnan(number)


def _is_count(number: Any) -> bool:
    return bool(0 <= number < math.inf and number == int(number))
