"""What studies of precision share: reading their frame, and refusing what cannot be one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import polars as pl

from .._columns import need_columns, need_numbers
from .._errors import DeadbandError, OptionError, SchemaError, listed
from .._frames import FrameLike, lazy

#: Columns of results of which a study holds one value, unless they make groups.
_ONE: Final = ("method", "event")
RATED: Final = "rated_pa"


def study_rows(found: FrameLike, value: str, columns: Sequence[str]) -> pl.DataFrame:
    """The rows of a long frame, with columns that are there, the value as a finite number or null.

    Results of several methods, or events, are no study of one: their difference would be taken for
    scatter.

    Raises
    ------
    SchemaError
        a column is missing, named twice, or the value is no number.
    OptionError
        a column is not named by a text.
    DeadbandError
        there are several methods or events, and they make no groups.

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
    need_numbers(frame, [value], "found", "give numbers in pascal")
    number = pl.col(value).cast(pl.Float64)
    finite = pl.when(number.is_finite()).then(number)
    beside = [name for name in _ONE if name in schema and name not in (value, *columns)]
    rows = frame.select(finite.alias(value), *columns, *beside).collect()
    for name in beside:
        there = rows.filter(pl.col(value).is_not_null())[name].drop_nulls().unique().sort()
        if there.len() > 1:
            raise DeadbandError(
                "mixed_results", f"results of {listed(map(str, there))} in one study",
                location=f"table found, column {name}",
                advice=f"ask for one {name} at a time, or make it one of the groups",
            )  # fmt: skip
    return rows.drop(beside)


def several_ratings(found: FrameLike, value: str) -> bool:
    """Whether results with a value are of switches of more than one rating, as far as it is told.

    Examples
    --------
    >>> found = pl.DataFrame({"value_pa": [1.0, 2.0], "rated_pa": [60.0, 45.0]})
    >>> several_ratings(found, "value_pa"), several_ratings(found.head(1), "value_pa")
    (True, False)
    """
    frame = lazy(found, "found")
    if RATED not in frame.collect_schema():
        return False
    told = frame.filter(pl.col(value).is_not_null()).select(pl.col(RATED).drop_nulls())
    return told.collect()[RATED].n_unique() > 1
