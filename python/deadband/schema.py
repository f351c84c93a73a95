"""The tables that go in and come out, and the check of a frame against them.

Pressures are in pascal, times in seconds, instants without a time zone (UTC where one was given).
A column that is not required may be absent. A column that is nullable may be null by nature; a null
anywhere else leads to `missing_value` in the `status` of that row, never to an error.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from ._coerce import by_value
from ._errors import SchemaError, check_option, listed
from ._tables import (
    CONDITION,
    EVENTS,
    GAUGES,
    LAGS,
    SETPOINTS,
    SWITCHES,
    TABLES,
    TESTS,
    VERDICTS,
    Column,
)

__all__ = [
    "CONDITION",
    "EVENTS",
    "GAUGES",
    "LAGS",
    "SETPOINTS",
    "SWITCHES",
    "TABLES",
    "TESTS",
    "VERDICTS",
    "Column",
    "dtypes",
    "validate",
    "validate_events",
    "validate_gauges",
    "validate_lags",
    "validate_setpoints",
    "validate_switches",
    "validate_tests",
]


def dtypes(table: str) -> pl.Schema:
    """Column names and types of a table, in order.

    Parameters
    ----------
    table
        A key of `TABLES`.

    Raises
    ------
    OptionError
        There is no such table.

    Examples
    --------
    >>> dtypes("lags")["lag_s"], dtypes("lags").names()[0]
    (Float64, 'gauge_id')
    """
    check_option("table", table, TABLES)
    return pl.Schema({name: column.dtype for name, column in TABLES[table].items()})


def validate(
    frame: pl.LazyFrame,
    table: str,
    *,
    need: Sequence[str] = (),
    keep: Sequence[str] = (),
    keep_nan: bool = False,
) -> pl.LazyFrame:
    """A frame with exactly the columns of a table, in their order and with their types.

    Types that hold the same values are cast: narrower numbers and decimals to Float64, arrays to
    lists, whole-number and categorical ids to strings, dates to instants, other time units and
    zones to UTC microseconds. A scalar NaN becomes null unless it is to be kept. Only names and
    types are looked at, and nothing is collected, unless a type does not tell: floats where whole
    numbers belong (as pandas keeps them beside a NaN), columns without any value, and instants as
    ISO text are looked through, a column at a time, and cast where every value allows it. Absent
    optional columns are added as nulls (or with their default). Other columns are left out, so that
    no name of the user's can collide with one of a result.

    Parameters
    ----------
    frame
        The frame.
    table
        A key of `TABLES`.
    need
        Optional columns that this caller cannot do without.
    keep
        Columns outside the table to carry along where they are present.
    keep_nan
        Whether a NaN in a column of floats stays one, for a caller to whom it is a statement that
        cannot be and not one that is absent.

    Returns
    -------
    polars.LazyFrame
        The columns of the table, then those of `keep`.

    Raises
    ------
    SchemaError
        A required column is missing or has a type that cannot be cast; names it.
    OptionError
        There is no such table.

    Examples
    --------
    >>> frame = pl.LazyFrame({"gauge_id": [7], "lag_s": [0.4], "lag_u_s": [0.03], "note": ["x"]})
    >>> checked = validate(frame, "lags")
    >>> checked.collect().row(0)[:3], "note" in checked.collect_schema()
    (('7', 0.4, 0.03), False)
    """
    check_option("table", table, TABLES)
    columns = TABLES[table]
    found = frame.collect_schema()
    missing = [
        name
        for name, column in columns.items()
        if name not in found and (column.required or name in need)
    ]
    if missing:
        also = f" (missing too: {listed(missing[1:])})" if missing[1:] else ""
        raise SchemaError(
            "missing_column",
            f"there is no such column{also}",
            column=missing[0],
            table=table,
            present=found.names(),
            advice=f"add it: {columns[missing[0]].meaning}",
        )
    expressions = [
        _as_column(frame, name, column, found, table, keep_nan=keep_nan)
        if name in found
        else pl.lit(column.default, dtype=column.dtype).alias(name)
        for name, column in columns.items()
    ]
    kept = [pl.col(name) for name in keep if name in found and name not in columns]
    return frame.select(*expressions, *kept)


def _as_column(
    frame: pl.LazyFrame,
    name: str,
    column: Column,
    found: pl.Schema,
    table: str,
    *,
    keep_nan: bool,
) -> pl.Expr:
    expression = _cast(pl.col(name), found[name], column.dtype)
    value = ""
    if expression is None:
        expression, value = by_value(frame, name, found[name], column.dtype)
    if expression is None:
        which = f" ({value!r})" if value else ""
        raise SchemaError(
            "wrong_type",
            f"its type is {found[name]}, which does not hold {column.dtype}{which}",
            column=name,
            table=table,
            present=found.names(),
            advice=f"cast it to {column.dtype}: {column.meaning}",
        )
    if column.dtype == pl.Float64 and not keep_nan:
        return expression.fill_nan(None)
    return expression


def _cast(value: pl.Expr, found: pl.DataType, wanted: pl.DataType) -> pl.Expr | None:
    """The cast that keeps every value, or None where there is none."""
    if found == wanted:
        return value
    if isinstance(found, pl.Datetime):
        moved = value.dt.convert_time_zone("UTC").dt.replace_time_zone(None)
        value = moved if found.time_zone else value
    holds: dict[Any, bool] = {
        pl.String: found.is_integer() or isinstance(found, (pl.Categorical, pl.Enum)),
        pl.Float64: found.is_numeric(),
        pl.Int32: found.is_integer(),
        pl.Datetime: isinstance(found, (pl.Date, pl.Datetime)),
        pl.Date: isinstance(found, pl.Datetime),
        pl.List: _holds_numbers(found),
    }
    usable = isinstance(found, pl.Null) or holds.get(wanted.base_type(), False)
    return value.cast(wanted, strict=False) if usable else None


def _holds_numbers(found: pl.DataType) -> bool:
    if not isinstance(found, (pl.List, pl.Array)):
        return False
    inner = found.inner
    return inner.is_numeric() or inner in {pl.Boolean, pl.Null}


def validate_tests(
    frame: pl.LazyFrame, *, need: Sequence[str] = (), keep: Sequence[str] = ()
) -> pl.LazyFrame:
    """`validate` for recordings; a boolean contact becomes 1 (closed) and 0 (open).

    Examples
    --------
    >>> from datetime import date
    >>> frame = pl.LazyFrame(
    ...     {
    ...         "test_id": ["a"],
    ...         "switch_id": ["s"],
    ...         "method": ["ramp"],
    ...         "tested_at": [date(2024, 3, 15)],
    ...         "time_s": [[0, 1]],
    ...         "pressure_pa": [[5.0, 6.0]],
    ...         "contact": [[False, True]],
    ...     }
    ... )
    >>> validate_tests(frame).collect()["contact"].to_list()
    [[0.0, 1.0]]
    """
    return validate(frame, "tests", need=need, keep=keep)


def validate_switches(
    frame: pl.LazyFrame,
    *,
    need: Sequence[str] = (),
    keep: Sequence[str] = (),
    keep_nan: bool = False,
) -> pl.LazyFrame:
    """`validate` for switches; an absent tolerance is 0.10 (common practice, no source).

    Examples
    --------
    >>> frame = pl.LazyFrame({"switch_id": ["s"], "rated_pa": [60], "action": ["fall"]})
    >>> validate_switches(frame).collect()["tolerance"].to_list()
    [0.1]
    """
    return validate(frame, "switches", need=need, keep=keep, keep_nan=keep_nan)


def validate_gauges(
    frame: pl.LazyFrame, *, need: Sequence[str] = (), keep: Sequence[str] = ()
) -> pl.LazyFrame:
    """`validate` for gauges; `lag_s` is the sum of its parts where it is not stated itself.

    A NaN stays one: it is as impossible a statement as a negative accuracy. Null states nothing.

    Examples
    --------
    >>> validate_gauges(pl.LazyFrame({"gauge_id": ["g"]}))
    Traceback (most recent call last):
        ...
    deadband._errors.SchemaError: table gauges, column resolution_pa: there is no such column ...
    """
    whole = pl.coalesce("lag_s", pl.col("dead_time_s") + pl.col("time_constant_s"))
    return validate(frame, "gauges", need=need, keep=keep, keep_nan=True).with_columns(lag_s=whole)


def parts_add_up() -> pl.Expr:
    """Whether a row of the gauges or lags table holds dead time and time constant, the lag's parts.

    Both are finite and zero or above, and their sum is the lag where that is there, too. They may
    differ by 2 % of the lag and 2 ms, the last digits of what is stated.

    Examples
    --------
    >>> frame = pl.DataFrame(
    ...     {"lag_s": [0.4, 0.5, None], "dead_time_s": 0.1, "time_constant_s": [0.3, 0.3, 0.3]}
    ... )
    >>> frame.select(parts_add_up()).to_series().to_list()
    [True, False, True]
    """
    whole = pl.col("dead_time_s") + pl.col("time_constant_s")
    lag = pl.coalesce("lag_s", whole)
    parts = pl.col("dead_time_s", "time_constant_s")
    usable = pl.all_horizontal((parts >= 0.0) & parts.is_finite())
    near = (whole - lag).abs() <= 0.02 * lag + 0.002
    return (usable & near).fill_null(value=False).alias("parts_add_up")


def parts_cannot_be() -> pl.Expr:
    """Whether a row of the lags table holds parts of a lag that cannot be.

    One that is negative or not finite, or two that do not add up (`parts_add_up`). A part alone
    tells no split, and may stand.

    Examples
    --------
    >>> frame = pl.DataFrame(
    ...     {"lag_s": 0.4, "dead_time_s": [0.1, 0.2, None, -0.1], "time_constant_s": 0.3}
    ... ).with_columns(time_constant_u_s=pl.lit(0.01))
    >>> frame.select(parts_cannot_be()).to_series().to_list()
    [False, True, False, True]
    """
    each = pl.col("dead_time_s", "time_constant_s", "time_constant_u_s")
    wrong = pl.any_horizontal(((each < 0.0) | ~each.is_finite()).fill_null(value=False))
    both = pl.all_horizontal(pl.col("dead_time_s", "time_constant_s").is_not_null())
    return (wrong | (both & ~parts_add_up())).alias("parts_cannot_be")


def validate_events(
    frame: pl.LazyFrame,
    *,
    need: Sequence[str] = (),
    keep: Sequence[str] = (),
    keep_nan: bool = False,
) -> pl.LazyFrame:
    """`validate` for events; an absent `lag_applied` is false.

    Examples
    --------
    >>> empty = pl.LazyFrame(schema=dtypes("events"))
    >>> validate_events(empty).collect_schema() == dtypes("events")
    True
    """
    return validate(frame, "events", need=need, keep=keep, keep_nan=keep_nan)


def validate_lags(
    frame: pl.LazyFrame,
    *,
    need: Sequence[str] = (),
    keep: Sequence[str] = (),
    keep_nan: bool = False,
) -> pl.LazyFrame:
    """`validate` for lags, of which gauge, lag and its uncertainty are enough.

    Examples
    --------
    >>> frame = pl.LazyFrame({"gauge_id": ["g"], "lag_s": [0.4], "lag_u_s": [0.03]})
    >>> validate_lags(frame).collect()["dof"].to_list()
    [None]
    """
    return validate(frame, "lags", need=need, keep=keep, keep_nan=keep_nan)


def validate_setpoints(
    frame: pl.LazyFrame, *, need: Sequence[str] = (), keep: Sequence[str] = ()
) -> pl.LazyFrame:
    """`validate` for setpoints.

    Examples
    --------
    >>> empty = pl.LazyFrame(schema=dtypes("setpoints"))
    >>> validate_setpoints(empty, need=["tested_at"]).collect_schema() == dtypes("setpoints")
    True
    """
    return validate(frame, "setpoints", need=need, keep=keep)
