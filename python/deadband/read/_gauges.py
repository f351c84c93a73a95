"""The gauges: how finely they read, how true, how late."""

from __future__ import annotations

import os
from typing import Literal

import polars as pl

from .._errors import check_option
from ._register import Register, find_register, is_sheet, open_parquet, open_sheet, with_status


def _not_negative(name: str) -> pl.Expr:
    return pl.col(name).is_finite() & (pl.col(name) >= 0)


_RULES = {
    **{
        name: _not_negative(name)
        for name in ("resolution_pa", "accuracy_abs_pa", "lag_s", "lag_u_s")
    },
    "accuracy_rel": _not_negative("accuracy_rel") & (pl.col("accuracy_rel") < 1),
}


def read_gauges(
    path: str | os.PathLike[str], *, decimal: Literal[".", ","] | None = None
) -> pl.DataFrame:
    r"""The table of gauges, from CSV or Parquet.

    A CSV file holds `gauge_id`; `resolution_pa`, or `resolution` with a column `unit`;
    `accuracy_rel` (a fraction of the reading, or `0.5 %`); `accuracy_abs_pa`, or `accuracy_abs`
    with a column `unit`; and where stated `lag_s` and `lag_u_s`. Parquet holds the columns of the
    table.

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
        budget needs, it is `missing_value`.

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
    ('g1', 10.0, 0.005, 2.5, 0.4, None, 'ok')
    """
    if decimal is not None:
        check_option("decimal", decimal, (".", ","))
    file = find_register(path, "gauges")
    if not is_sheet(file):
        frame = open_parquet(file, "gauges")
        return with_status(frame, pl.repeat(False, frame.height, eager=True), "gauges", _RULES)
    also = ["resolution", "accuracy_abs", "unit"]
    register = Register(open_sheet(file, "gauges", ["gauge_id", "accuracy_rel"], also), decimal)
    register.text("gauge_id")
    register.pascals("resolution")
    register.numbers("accuracy_rel")
    register.pascals("accuracy_abs")
    register.numbers("lag_s", "lag_u_s")
    return with_status(*register.frame(), "gauges", _RULES)
