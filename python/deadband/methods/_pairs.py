"""Means of a method and of the reference, a row a round of a switch."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import polars as pl

from .._errors import DeadbandError
from .._frames import FrameLike
from ._results import tests_column

GROUP: Final = "_group"


def with_columns_of(
    results: pl.DataFrame, by: Sequence[str], tests: FrameLike | None
) -> pl.DataFrame:  # fmt: skip
    """The results with the columns `by`, those that they lack from the tests table.

    Raises
    ------
    SchemaError
        there is no such column.
    DeadbandError
        the tests table is needed and was not given.

    Examples
    --------
    >>> results = pl.DataFrame({"test_id": ["a"], "operator_id": ["mia"]})
    >>> tests = pl.DataFrame({"test_id": ["a"], "session": ["am"]})
    >>> with_columns_of(results, ["operator_id", "session"], tests).row(0)
    ('a', 'mia', 'am')
    """
    for name in by:
        if name in results.columns:
            continue
        if tests is None:
            raise DeadbandError(
                "missing_table",
                f"{name} stands in the tests table",
                location="option tests",
                advice="give tests=, or by of switch_id, gauge_id, operator_id",
            )
        told = tests_column(tests, name, "group by another").collect()
        results = results.join(told, on="test_id", how="left", maintain_order="left")
    return results


def groups_in(results: pl.DataFrame, by: Sequence[str]) -> pl.DataFrame:
    """The groups in order, nulls last, with their number `_group`; one group without columns.

    Examples
    --------
    >>> groups_in(pl.DataFrame({"operator_id": ["mia", None, "ann"]}), ["operator_id"]).rows()
    [('ann', 0), ('mia', 1), (None, 2)]
    """
    if not by:
        return pl.DataFrame({GROUP: [0]}, schema={GROUP: pl.UInt32})
    found = results.select(by).unique().sort(by, nulls_last=True)
    return found.with_columns(pl.int_range(pl.len(), dtype=pl.UInt32).alias(GROUP))


def with_group(results: pl.DataFrame, groups: pl.DataFrame) -> pl.DataFrame:
    """The results with the number of their group of `groups_in`; null of none of them.

    Examples
    --------
    >>> groups = pl.DataFrame({"operator_id": ["ann", None], "_group": [0, 1]})
    >>> results = pl.DataFrame({"operator_id": [None, "ben"]}, schema={"operator_id": pl.String})
    >>> with_group(results, groups)["_group"].to_list()
    [1, None]
    """
    by = [name for name in groups.columns if name != GROUP]
    if not by:
        return results.join(groups, how="cross")
    return results.join(groups, on=by, how="left", nulls_equal=True, maintain_order="left")


def pairs(both: pl.DataFrame, *, same_tests: bool = False) -> pl.DataFrame:
    """Means of either side, a row a group, switch and round.

    Parameters
    ----------
    both
        what `rounds` found, with `_group`: that of the method's side counts, and the reference's
        results of a round are set against each group in it.
    same_tests
        both sides are of the same tests, which share what the switch did: each test is a round.

    Returns
    -------
    polars.DataFrame
        `_group`, `switch_id`, `round`, and for `method` and `reference` the mean `_pa`, its
        standard uncertainty `_u_pa` from `own_u_pa` (null where that is), their number `_n`, the
        sum of squares about the mean `_ss`, and the mean square of `own_u_pa` `_own`.

    Examples
    --------
    >>> both = pl.DataFrame(
    ...     {
    ...         "_group": [None] * 3, "switch_id": ["s"] * 3, "round": [0] * 3,
    ...         "test_id": ["a", "b", "c"], "side": ["method", "method", "reference"],
    ...         "value_pa": [57.0, 58.0, 60.0], "own_u_pa": [3.0, 4.0, 0.2],
    ...     }
    ... )  # fmt: skip
    >>> pairs(both).select("method_pa", "method_u_pa", "method_n", "reference_pa").row(0)
    (57.5, 2.5, 2, 60.0)
    """
    place = ["switch_id", "test_id" if same_tests else "round"]
    value, u = pl.col("value_pa"), pl.col("own_u_pa")

    def side(name: str, keys: list[str]) -> pl.DataFrame:
        return (
            both.filter(pl.col("side") == name)
            .group_by(keys)
            .agg(
                value.mean().alias(f"{name}_pa"),
                # A sum leaves nulls out: one uncertainty unknown is that of the mean unknown.
                pl.when(u.is_not_null().all())
                .then((u**2).sum().sqrt() / pl.len())
                .alias(f"{name}_u_pa"),
                pl.len().cast(pl.Int64).alias(f"{name}_n"),
                ((value - value.mean()) ** 2).sum().alias(f"{name}_ss"),
                (u**2).mean().alias(f"{name}_own"),
            )
        )

    found = side("method", [GROUP, *place]).join(side("reference", place), on=place, how="inner")
    if same_tests:
        found = found.sort("switch_id", "test_id").rename({"test_id": "round"})
    return found.sort(GROUP, "switch_id", "round", nulls_last=True)
