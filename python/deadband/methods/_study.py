"""What studies of precision share: reading their frame, and refusing what cannot be one."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from .._columns import need_columns
from .._errors import OptionError, SchemaError
from .._frames import FrameLike, lazy


def study_rows(found: FrameLike, value: str, columns: Sequence[str]) -> pl.DataFrame:
    """The rows of a long frame, with columns that are there, the value as a finite number or null.

    Raises
    ------
    SchemaError
        a column is missing, named twice, or the value is no number.
    OptionError
        a column is not named by a text.

    Examples
    --------
    >>> found = pl.DataFrame({"value_pa": [1.0, None], "operator_id": ["a", "b"], "x": [0, 0]})
    >>> study_rows(found, "value_pa", ["operator_id"]).rows()
    [(1.0, 'a'), (None, 'b')]
    """
    frame = lazy(found, "found")
    schema = frame.collect_schema()
    for name in (value, *columns):
        if not isinstance(name, str):
            raise OptionError("column", name, ["the name of a column"])
        need_columns(frame, [name], "found", "add it, or name the column to use")
        if [value, *columns].count(name) > 1:
            raise SchemaError(
                "conflicting_columns", "it is named for two things", column=name, table="found",
                advice="name a column for each",
            )  # fmt: skip
    if not (schema[value].is_numeric() or schema[value] == pl.Null):
        raise SchemaError(
            "wrong_type", f"it is {schema[value]}, not a number", column=value, table="found",
            advice="give numbers in pascal",
        )  # fmt: skip
    number = pl.col(value).cast(pl.Float64)
    finite = pl.when(number.is_finite()).then(number)
    return frame.select(finite.alias(value), *columns).collect()
