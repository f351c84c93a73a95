"""Columns whose values, not their type, say that they hold what a table wants.

Libraries without a null for whole numbers keep them as floats with NaN, a column without any value
comes back from a text file as text or as floats, and instants come back as text.
"""

from __future__ import annotations

import polars as pl

# Instants as they are written to CSV: ISO 8601, with or without a zone.
_NAIVE = ("%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%dT%H:%M")
_ZONED = ("%Y-%m-%dT%H:%M:%S%.f%:z", "%Y-%m-%dT%H:%M%:z")


def by_value(
    frame: pl.LazyFrame, name: str, found: pl.DataType, wanted: pl.DataType
) -> tuple[pl.Expr | None, str]:
    """The cast of a column that its values allow though its type does not.

    The column is collected, alone, to look at its values. A column without any value becomes nulls
    of any type; floats that are whole become whole numbers, and ids; ISO text becomes instants and
    dates. Text that spells numbers stays refused: a decimal mark could be read in two ways.

    Parameters
    ----------
    frame
        The frame.
    name
        The column.
    found, wanted
        Its type, and that of the table.

    Returns
    -------
    tuple of polars.Expr or None and str
        The cast, or None and the value that prevents it (empty: the type does).

    Examples
    --------
    >>> frame = pl.LazyFrame({"n_close": [3.0, None], "lag_s": [2.5, 1.0]})
    >>> cast, _ = by_value(frame, "n_close", pl.Float64(), pl.Int32())
    >>> frame.select(cast).collect().to_series().to_list()
    [3, None]
    >>> by_value(frame, "lag_s", pl.Float64(), pl.Int32())
    (None, '2.5')
    """
    value = pl.col(name)
    if found.is_float():
        known = value.fill_nan(None)
        cast = _whole(known, wanted)
    elif found == pl.String:
        known = value
        cast = _instant(known, wanted)
    else:
        return None, ""
    if cast is None:
        cast = pl.lit(None, dtype=wanted).alias(name)
    seen = frame.select(known.alias("value"), cast.alias("made")).collect()
    lost = seen.filter(pl.col("value").is_not_null() & pl.col("made").is_null())["value"]
    return (cast, "") if lost.is_empty() else (None, str(lost[0]))


def _whole(value: pl.Expr, wanted: pl.DataType) -> pl.Expr | None:
    if wanted not in (pl.String(), pl.Int32()):
        return None
    whole = pl.when(value == value.floor()).then(value)
    if wanted == pl.String():
        return whole.cast(pl.Int64, strict=False).cast(pl.String)
    return whole.cast(wanted, strict=False)


def _instant(value: pl.Expr, wanted: pl.DataType) -> pl.Expr | None:
    if wanted not in (pl.Datetime("us"), pl.Date()):
        return None
    text = value.str.strip_chars().str.replace(r"^(\S+) +", "${1}T").str.replace(r"Z$", "+00:00")
    naive = [text.str.to_datetime(form, time_unit="us", strict=False) for form in _NAIVE]
    zoned = [
        text.str.to_datetime(
            form, time_unit="us", time_zone="UTC", strict=False
        ).dt.replace_time_zone(None)
        for form in _ZONED
    ]
    day = text.str.to_date("%Y-%m-%d", strict=False).cast(pl.Datetime("us"))
    return pl.coalesce(*naive, day, *zoned).cast(wanted).alias(value.meta.output_name())
