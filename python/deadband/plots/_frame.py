"""Any frame in, an eager Polars frame with the columns of its table out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from .._frames import lazy
from ..schema import validate


def collected(frame: Any, table: str, *, keep: Sequence[str] = ()) -> pl.DataFrame:
    """The frame with exactly the columns of `table`, absent optional ones null, and `keep`.

    Parameters
    ----------
    frame
        Polars eager or lazy frame, or anything that offers the Arrow PyCapsule interface.
    table
        Which table it is: a key of `deadband.schema.TABLES`.
    keep
        Further columns to carry along where they are present.

    Raises
    ------
    DeadbandError
        The object is no frame.
    SchemaError
        A required column is missing or of a type that cannot be used; the message names it.

    Examples
    --------
    >>> lags = pl.LazyFrame({"gauge_id": ["g1"], "lag_s": [0.4], "lag_u_s": [0.02]})
    >>> collected(lags, "lags")["dof"].to_list()
    [None]
    """
    return validate(lazy(frame, table), table, keep=keep).collect()
