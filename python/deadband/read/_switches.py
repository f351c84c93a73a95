"""The switches: what each is rated for, where it comes from, how long it served."""

from __future__ import annotations

import os
from typing import Literal

import polars as pl

from .._errors import check_option
from ._register import Register, find_register, is_sheet, open_sheet, read_parquet
from ._status import Rule, with_status

_IN_ORDER = pl.col("removed_on") >= pl.col("installed_on")
_RULES = {
    "rated_pa": Rule(
        pl.col("rated_pa").is_finite() & (pl.col("rated_pa") > 0),
        "is no pressure above 0",
        "write the rated pressure",
    ),
    "action": Rule(pl.col("action").is_in(["fall", "rise"]), "is not known", "write fall or rise"),
    "tolerance": Rule(
        (pl.col("tolerance") > 0) & (pl.col("tolerance") < 1),
        "is no fraction between 0 and 1",
        "write 0.1 or 10 % for ten percent",
    ),
    # Which of the two dates is wrong cannot be told.
    "installed_on": Rule(_IN_ORDER, "is after removed_on", "correct the dates"),
    "removed_on": Rule(_IN_ORDER, "is before installed_on", "correct the dates"),
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
        `missing_value`; `reason` says which, where, and what to write.

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
    >>> print(read_switches(path)["reason"][1])
    switches.csv, line 3, column action: 'up' is not known; write fall or rise
    """
    if decimal is not None:
        check_option("decimal", decimal, (".", ","))
    file = find_register(path, "switches")
    if not is_sheet(file):
        return read_parquet(file, "switches", _RULES)
    sheet = open_sheet(file, "switches", ["switch_id", "action"], ["rated", "unit"])
    register = Register(sheet, decimal)
    register.text("switch_id", "model", "lot")
    register.pascals("rated")
    register.lower("action")
    register.numbers("tolerance")
    register.days("installed_on", "removed_on")
    register.truth("failed")
    return with_status(*register.frame(), "switches", _RULES, register.place())
