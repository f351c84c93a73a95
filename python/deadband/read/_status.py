"""The status of a row of a register, and why it is not `ok`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import polars as pl

from ..schema import TABLES, validate


class Rule(NamedTuple):
    """What a possible value of a column fulfils.

    Attributes
    ----------
    holds
        True where the value is possible.
    wrong
        What is wrong with one that is not.
    advice
        What to write instead.
    """

    holds: pl.Expr
    wrong: str
    advice: str


class Place(NamedTuple):
    """Where the rows of a register came from, for words about them.

    Attributes
    ----------
    rows
        The place of each row: file and line.
    cells
        The column as it was written: its name in the file, and its cells.
    """

    rows: pl.Series
    cells: Mapping[str, tuple[str, pl.Series]]


def with_status(
    frame: pl.DataFrame, unread: pl.Series, table: str, rules: Mapping[str, Rule], place: Place
) -> pl.DataFrame:
    """A register with impossible values made null, a `status` that says so and a `reason`.

    Parameters
    ----------
    frame
        The values read.
    unread
        Why a cell of the row could not be read; null where all could.
    table
        The table.
    rules
        Column -> what a possible value fulfils.
    place
        Where the rows came from.

    Returns
    -------
    polars.DataFrame
        The columns of the table; `status` is `bad_value`, `missing_value` or `ok`, and `reason`
        says file, line, column, what is wrong and what to do.

    Examples
    --------
    >>> frame = pl.DataFrame(
    ...     {"switch_id": ["a", "b"], "rated_pa": [-5.0, 60.0], "action": ["fall", "rise"]}
    ... )
    >>> rules = {"rated_pa": Rule(pl.col("rated_pa") > 0, "is not above 0", "correct it")}
    >>> place = Place(pl.Series(["s.csv, line 2", "s.csv, line 3"]), {})
    >>> found = with_status(frame, pl.Series([None, None]), "switches", rules, place)
    >>> found.select("status", "reason").row(0)
    ('bad_value', "s.csv, line 2, column rated_pa: '-5.0' is not above 0; correct it")
    """
    typed = validate(frame.lazy(), table).collect().with_columns(place.rows.alias("_place"))
    flaws = {
        name: pl.col(name).is_not_null() & ~rule.holds.fill_null(True)
        for name, rule in rules.items()
    }
    words = [unread.cast(pl.String)]
    for name, rule in rules.items():
        shown, cells = place.cells.get(name, (name, typed[name].cast(pl.String)))
        said = pl.format(
            f"{{}}, column {shown}: '{{}}' {rule.wrong}; {rule.advice}",
            "_place",
            pl.lit(cells).fill_null(""),
        )
        words.append(typed.select(pl.when(flaws[name]).then(said)).to_series())
    columns = TABLES[table]
    needed = [name for name, column in columns.items() if column.required or column.default]
    blanks = pl.concat_list(
        pl.when(pl.col(name).is_null()).then(pl.lit(place.cells.get(name, (name,))[0]))
        for name in needed
    ).list.drop_nulls()
    bad = pl.coalesce(*(pl.lit(reason) for reason in words))
    return (
        typed.with_columns(_bad=bad, _blank=blanks)
        .with_columns(
            *(pl.when(~flaw).then(pl.col(name)).alias(name) for name, flaw in flaws.items())
        )
        .with_columns(
            status=pl.when(pl.col("_bad").is_not_null())
            .then(pl.lit("bad_value"))
            .when(pl.col("_blank").list.len() > 0)
            .then(pl.lit("missing_value"))
            .otherwise(pl.lit("ok")),
            reason=pl.when(pl.col("_bad").is_not_null())
            .then("_bad")
            .when(pl.col("_blank").list.len() > 0)
            .then(
                pl.format(
                    "{}, column {}: the cell is blank; fill it in",
                    "_place",
                    pl.col("_blank").list.join(", "),
                )
            ),
        )
        .select(list(columns))
    )
