"""Expected costs of acting on each lot of a table."""

from __future__ import annotations

import math
from typing import Any, Final

import polars as pl

from .._errors import DeadbandError, SchemaError, check_share
from .._frames import FrameLike, lazy
from ._fractions import fraction_of_interval
from .classification import Classification
from .cost import Decision, cost
from .prices import Prices

_ENDS: Final = ("", "_low", "_high")
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
    by: str = "lot",
    count: str | None = None,
    test: Classification | None = None,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Expected cost of recalling, testing, sampling or leaving each lot.

    `cost` of each row, the fractions taken from their intervals (`fraction_of_interval`).

    Parameters
    ----------
    lots
        a row a lot, as `capability` returns: `lot`, the number of switches,
        `fraction_unsafe_low`, `fraction_unsafe_high`; and, where it is known,
        `fraction_nuisance_low`, `fraction_nuisance_high`.
    prices, test
        as in `cost`.
    by
        the column that names the lots.
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
        `no_switches`, `missing_value` (no number of switches or no interval), `bad_value` (they
        cannot be). What is not `ok` is one row of nulls.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    OptionError
        `confidence` is no share.
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
    told = lazy(lots, "lots")
    schema = told.collect_schema()
    if count is None:
        count = "n_in_service" if "n_in_service" in schema else "n_switches"
    needed = [count, *(f"fraction_unsafe{end}" for end in _ENDS[1:])]
    for name in (by, *needed):
        if name not in schema:
            raise SchemaError(
                "missing_column", "there is no such column", column=name, table="lots",
                present=schema.names(), advice="give what capability returned, or name it",
            )  # fmt: skip
    side = [f"fraction_nuisance{end}" for end in _ENDS[1:]]
    used = [*needed, *(side if all(name in schema for name in side) else [])]
    for name in used:
        if not (schema[name].is_numeric() or schema[name] == pl.Null):
            raise SchemaError(
                "wrong_type", f"it is {schema[name]}, not a number", column=name, table="lots",
                advice="give numbers",
            )  # fmt: skip
    rows: list[dict[str, Any]] = []
    for row in told.select(by, *used).collect().iter_rows(named=True):
        rows += _rows({by: row[by]}, [row[name] for name in used], prices, test, confidence)
    names: dict[str, Any] = {by: schema[by], **_TYPES}
    return pl.DataFrame(
        [{name: row.get(name) for name in names} for row in rows], schema=names, orient="row"
    )


def _rows(
    lot: dict[str, Any],
    numbers: list[Any],
    prices: Prices,
    test: Classification | None,
    confidence: float,
) -> list[dict[str, Any]]:
    if any(one is None or math.isnan(one) for one in numbers):
        return [lot | {"status": "missing_value"}]
    number = numbers[0]
    if not 0 <= number < math.inf or number != int(number):
        return [lot | {"status": "bad_value"}]
    try:
        bad = fraction_of_interval(*numbers[1:3], confidence=confidence)
        high = fraction_of_interval(*numbers[3:5], confidence=confidence) if numbers[3:] else 0.0
    except DeadbandError as error:
        return [lot | {"status": error.kind}]
    found: Decision = cost(
        int(number), bad, prices, nuisance=high, test=test, confidence=confidence
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
