"""Which test speaks for a switch, and which tests cannot both be right."""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from ..plots._rated import with_rating
from ._summary import unsafe_tests, with_side

_SUREST: Final = ("test_id", "method", "value_pa", "u_pa", "dof", "expanded_pa")
_RANK: Final = {"ramp": 0, "in_service": 1, "pinch": 2}


def contradictions(verdicts: Any, switches: Any) -> pl.DataFrame:
    """The tests whose rated setpoint contradicts the surest one of the same switch and day.

    The surest is the one of the least standard uncertainty. A test contradicts it when the two
    setpoints lie further apart than their expanded uncertainties allow, `sqrt(U1^2 + U2^2)`: the
    number En of ISO 13528 (from memory), their quotient, is then above 1. Chance alone does that to
    one test in twenty. Tests with one gauge share its error, so that they agree better than that.

    Returns
    -------
    polars.DataFrame
        The columns of the test, `day`, those of the surest one with `_of_surest`, and `apart_pa`
        with `apart_expanded_pa` (95 %), the furthest apart first.

    Raises
    ------
    SchemaError
        A column is missing.

    Examples
    --------
    >>> from datetime import datetime
    >>> nothing = [None] * 3
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": ["a", "b", "c"],
    ...         "switch_id": ["s"] * 3,
    ...         "method": ["ramp", "pinch", "in_service"],
    ...         "tested_at": [datetime(2024, 5, 1, hour) for hour in (9, 10, 11)],
    ...         "open_pa": [55.2, 44.4, 56.0],
    ...         "open_u_pa": [0.5, 2.7, 0.9],
    ...         "status": ["ok"] * 3,
    ...         **{name: nothing for name in ("close_pa", "close_u_pa", "p_conform", "p_unsafe")},
    ...         **{name: nothing for name in ("p_nuisance", "verdict")},
    ...     }
    ... )
    >>> switches = pl.DataFrame({"switch_id": ["s"], "rated_pa": [60.0], "action": ["fall"]})
    >>> contradictions(points, switches)["test_id"].to_list()
    ['b']
    """
    table = (
        with_rating(with_side(verdicts), switches)
        .filter(pl.col("value_pa").is_finite(), pl.col("u_pa").is_finite())
        .with_columns(pl.col("tested_at").dt.date().alias("day"))
        .drop_nulls("day")
    )
    surest = (
        table.sort("u_pa", "test_id")
        .unique(["switch_id", "day"], keep="first", maintain_order=True)
        .select("switch_id", "day", pl.col(*_SUREST).name.suffix("_of_surest"))
    )
    both = pl.col("expanded_pa") ** 2 + pl.col("expanded_pa_of_surest") ** 2
    paired = table.join(surest, on=["switch_id", "day"]).with_columns(
        (pl.col("value_pa") - pl.col("value_pa_of_surest")).alias("apart_pa"),
        both.sqrt().alias("apart_expanded_pa"),
    )
    en = pl.col("apart_pa").abs() / pl.col("apart_expanded_pa")
    return paired.filter(en > 1.0).sort(en, "test_id", descending=[True, False])


def unsafe_evidence(verdicts: Any, switches: Any) -> pl.DataFrame:
    """The test that speaks for each switch with a test on the unsafe side.

    That is its latest such test, of one day rather a slow ramp than a test in service, rather that
    than a pinch; one that contradicts a surer test of the day only where there is no other.

    Returns
    -------
    polars.DataFrame
        A row a switch, with its rating as in `with_rating`, `count` (of its tests on the unsafe
        side) and `contradicted`; the latest first, but those that only a pinch or a contradicted
        test speaks for last.

    Raises
    ------
    SchemaError
        A column is missing.
    """
    doubted = contradictions(verdicts, switches)["test_id"]
    rank = pl.col("method").replace_strict(_RANK, default=len(_RANK), return_dtype=pl.Int8)
    return (
        with_rating(unsafe_tests(with_side(verdicts)), switches)
        .with_columns(
            pl.len().over("switch_id").alias("count"),
            pl.col("test_id").is_in(doubted.to_list()).alias("contradicted"),
        )
        .sort(
            "contradicted",
            pl.col("tested_at").dt.date(),
            rank,
            "tested_at",
            "test_id",
            descending=[False, True, False, True, False],
            nulls_last=True,
        )
        .unique("switch_id", keep="first", maintain_order=True)
        .sort(
            "contradicted",
            pl.col("method") == "pinch",
            "tested_at",
            "test_id",
            descending=[False, False, True, False],
            nulls_last=True,
        )
    )
