"""The switches: what each is rated for, where it comes from, how long it served."""

from __future__ import annotations

import os
from typing import Literal

import polars as pl

from .._errors import check_option
from ._register import Register, find_register, is_sheet, open_parquet, open_sheet, with_status

_RULES = {
    "rated_pa": pl.col("rated_pa").is_finite() & (pl.col("rated_pa") > 0),
    "action": pl.col("action").is_in(["fall", "rise"]),
    "tolerance": (pl.col("tolerance") > 0) & (pl.col("tolerance") < 1),
    # Which of the two dates is wrong cannot be told.
    "installed_on": pl.col("removed_on") >= pl.col("installed_on"),
    "removed_on": pl.col("removed_on") >= pl.col("installed_on"),
}


def read_switches(
    path: str | os.PathLike[str], *, decimal: Literal[".", ","] | None = None
) -> pl.DataFrame:
    r"""The table of switches, from CSV or Parquet.

    A CSV file holds `switch_id`, `action` (`fall` or `rise`) and `rated_pa`, or `rated` with a
    column `unit`; and where known `model`, `lot`, `tolerance` (a fraction, or `10 %`),
    `installed_on`, `removed_on` (ISO dates), `failed` (yes or no). Without a column `tolerance` it
    is 0.10 (common practice, no source). Parquet holds the columns of the table.

    Parameters
    ----------
    path
        The file, or a folder with `switches.parquet` or `switches.csv`.
    decimal
        The decimal mark of a CSV file, where its numbers can be read in two ways.

    Returns
    -------
    polars.DataFrame
        The switches table (`deadband.schema.SWITCHES`). A value that is impossible or unreadable is
        null and the row's `status` is `bad_value`; where one is missing that a verdict needs, it is
        `missing_value`.

    Raises
    ------
    SchemaError
        A column is missing.
    InputError
        The file cannot be read; a switch has no id or occurs twice; a unit is missing or unknown;
        no cell of a column can be read.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> path = Path(tempfile.mkdtemp()) / "switches.csv"
    >>> _ = path.write_text("switch_id;rated;unit;action\ns1;0,65;inH2O;fall\ns2;60;Pa;up\n")
    >>> read_switches(path).select("switch_id", "rated_pa", "tolerance", "status").rows()
    [('s1', 161.907785, 0.1, 'ok'), ('s2', 60.0, 0.1, 'bad_value')]
    """
    if decimal is not None:
        check_option("decimal", decimal, (".", ","))
    file = find_register(path, "switches")
    if not is_sheet(file):
        frame = open_parquet(file, "switches")
        return with_status(frame, pl.repeat(False, frame.height, eager=True), "switches", _RULES)
    sheet = open_sheet(file, "switches", ["switch_id", "action"], ["rated", "unit"])
    register = Register(sheet, decimal)
    register.text("switch_id", "model", "lot")
    register.pascals("rated")
    register.lower("action")
    register.numbers("tolerance")
    register.days("installed_on", "removed_on")
    register.truth("failed")
    return with_status(*register.frame(), "switches", _RULES)
