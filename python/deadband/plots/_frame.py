"""Any frame in, an eager Polars frame with the columns a picture needs out."""

from __future__ import annotations

from typing import Any

import polars as pl

from .._errors import SchemaError


def collected(frame: Any, needs: tuple[str, ...], name: str) -> pl.DataFrame:
    """The frame as `polars.DataFrame`, once every column in `needs` is known to be there.

    Parameters
    ----------
    frame
        Polars eager or lazy frame, or anything that offers the Arrow PyCapsule interface.
    needs
        Names of the columns the caller uses.
    name
        What the caller calls this frame, for the error.

    Raises
    ------
    TypeError
        The object is no frame.
    SchemaError
        A column is missing; the message names it and lists what is there.

    Examples
    --------
    >>> collected(pl.LazyFrame({"gauge_id": ["g1"]}), ("gauge_id",), "lags").shape
    (1, 1)
    """
    if isinstance(frame, pl.LazyFrame):
        table = frame.collect()
    elif isinstance(frame, pl.DataFrame):
        table = frame
    elif hasattr(frame, "__arrow_c_stream__"):
        table = pl.DataFrame(frame)
    else:
        raise TypeError(
            f"{name} must be a frame (Polars, pandas, Arrow), not {type(frame).__name__}"
        )
    for column in needs:
        if column not in table.columns:
            raise SchemaError(
                "missing_column",
                "there is no such column",
                column=column,
                table=name,
                present=table.columns,
                advice="give the table as its verb returns it",
            )
    return table
