"""The gauges: how finely they read, how true, how late."""

from __future__ import annotations

import os
from math import inf
from typing import Literal

import polars as pl

from .._errors import check_option
from ..schema import parts_add_up
from ._register import Register, find_register, is_sheet, open_sheet, read_parquet
from ._status import Rule, with_status

# A gauge that errs by more than a fifth of its reading proves no setpoint, and draft is not shown
# ten seconds late: the sign for percent was lost, or the seconds are milliseconds.
_MOST_ACCURACY = 0.2
_MOST_LAG_S = 10.0


def _from_zero(name: str, most: float = inf, advice: str = "write 0 or above") -> Rule:
    value = pl.col(name)
    wrong = "is below 0" if most == inf else f"is below 0 or above {most:g}"
    return Rule(value.is_finite() & (value >= 0) & (value <= most), wrong, advice)


_RULES = {
    "resolution_pa": _from_zero("resolution_pa"),
    "accuracy_abs_pa": _from_zero("accuracy_abs_pa"),
    "lag_s": _from_zero("lag_s", _MOST_LAG_S, "write seconds"),
    "lag_u_s": _from_zero("lag_u_s", _MOST_LAG_S, "write seconds"),
    "dead_time_s": Rule(
        pl.col("dead_time_s").is_finite() & (pl.col("dead_time_s") <= _MOST_LAG_S) & parts_add_up(),
        "and time_constant_s are not two parts of lag_s, from 0 on",
        "write both, in seconds, and their sum as lag_s or no lag_s",
    ),
    "time_constant_s": Rule(
        pl.col("time_constant_s").is_finite()
        & (pl.col("time_constant_s") <= _MOST_LAG_S)
        & pl.col("dead_time_s").is_not_null(),
        "is no time constant beside a dead_time_s",
        "write both, in seconds",
    ),
    "accuracy_rel": _from_zero(
        "accuracy_rel", _MOST_ACCURACY, "write a fraction of the reading, or percent with its sign"
    ),
}


def read_gauges(
    path: str | os.PathLike[str], *, decimal: Literal[".", ","] | None = None
) -> pl.DataFrame:
    r"""The table of gauges, from CSV or Parquet.

    A CSV file holds `gauge_id`; `resolution_pa`, or `resolution` with a column `unit`;
    `accuracy_rel` (a fraction of the reading, or `0.5 %`); `accuracy_abs_pa`, or `accuracy_abs`
    with a column `unit`; and where stated `lag_s` and `lag_u_s`, `dead_time_s` and
    `time_constant_s`, the two parts of the lag. Parquet holds the columns of the table.

    Parameters
    ----------
    path
        The file, or a folder with `gauges.parquet` or `gauges.csv`.
    decimal
        The decimal mark of a CSV file, where its numbers can be read in two ways.

    Returns
    -------
    polars.DataFrame
        The gauges table (`deadband.schema.GAUGES`). A value that is impossible or unreadable is
        null and the row's `status` is `bad_value`; where one is missing that the uncertainty
        budget needs, it is `missing_value`; `reason` says which, where, and what to write. A
        relative accuracy above 0.2 and a lag above 10 s are taken for slips of the unit.

    Raises
    ------
    SchemaError
        A column is missing.
    InputError
        The file cannot be read; a gauge has no id or occurs twice; a unit is missing or unknown;
        no cell of a column can be read.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> path = Path(tempfile.mkdtemp()) / "gauges.csv"
    >>> _ = path.write_text(
    ...     "gauge_id,resolution,unit,accuracy_rel,accuracy_abs_pa,lag_s\n"
    ...     "g1,0.1,hPa,0.5 %,2.5,0.4\n"
    ... )
    >>> read_gauges(path).row(0)
    ('g1', 10.0, 0.005, 2.5, 0.4, None, None, None, 'ok', None)
    """
    if decimal is not None:
        check_option("decimal", decimal, (".", ","))
    file = find_register(path, "gauges")
    if not is_sheet(file):
        return read_parquet(file, "gauges", _RULES)
    also = ["resolution", "accuracy_abs", "unit"]
    register = Register(open_sheet(file, "gauges", ["gauge_id", "accuracy_rel"], also), decimal)
    register.text("gauge_id")
    register.pascals("resolution")
    register.numbers("accuracy_rel")
    register.pascals("accuracy_abs")
    register.numbers("lag_s", "lag_u_s", "dead_time_s", "time_constant_s")
    return with_status(*register.frame(), "gauges", _RULES, register.place())
