"""Groups of which no cause can be told, and why."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import polars as pl

from .._history import METHODS
from ._lines import SCHEMA

#: From the nearest to an answer to the farthest: what one group lacks is what its best test lacks.
_WHY: Final = (
    "ok", "lag_unidentified", "no_event", "no_reference", "missing_value", "unknown_method",
)  # fmt: skip


def none_of(
    every: pl.DataFrame, paired: set[str], changed: Sequence[set[str]], groups: Sequence[str]
) -> pl.DataFrame:
    """A row a group without a single usable test, with nulls and a status.

    Parameters
    ----------
    every
        a row a test: the columns of `results`.
    paired
        tests that stand beside a reference.
    changed
        tests whose changes were found, and those whose gauges have a lag too.
    groups
        the columns that make the groups.

    Examples
    --------
    >>> every = pl.DataFrame({"test_id": ["a"], "method": ["pinch"], "status": ["ok"]})
    >>> none_of(every, {"a"}, [{"a"}, set()], ["method"]).select("cause", "status").row(0)
    ('observed', 'lag_unidentified')
    """

    def among(tests: set[str]) -> pl.Expr:
        return pl.col("test_id").is_in(sorted(tests))

    known = pl.col("method").is_in(METHODS).fill_null(value=False)
    place = (
        pl.when(~known).then(5).when(pl.col("status") != "ok").then(4).when(~among(paired)).then(3)
        .when(~among(changed[0])).then(2).when(~among(changed[1])).then(1).otherwise(0)
    )  # fmt: skip
    nothing = [pl.lit(None, dtype=kind).alias(name) for name, kind in SCHEMA.items()]
    return (
        every.with_columns(_place=place)
        .group_by(groups, maintain_order=True)
        .agg(pl.col("_place").min())
        .filter(pl.col("_place") > 0)
        .with_columns(nothing)
        .with_columns(
            cause=pl.lit("observed"), source=pl.lit("observed"),
            n_results=pl.lit(0, pl.Int32), n_switches=pl.lit(0, pl.Int32),
            status=pl.col("_place").replace_strict(dict(enumerate(_WHY)), return_dtype=pl.String),
        )
        .drop("_place")
    )  # fmt: skip
