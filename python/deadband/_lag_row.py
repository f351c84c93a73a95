"""One row of the lags table from what the compiled core found in one recording."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy.typing as npt
import polars as pl

from ._channels import Floats, clocks
from ._errors import DeadbandError
from .schema import dtypes


def lag_row(cells: Mapping[str, Any], gauge_id: str | None) -> pl.DataFrame:
    """The row, columns without a cell null, and no events.

    Examples
    --------
    >>> lag_row({"lag_s": 0.4, "status": "ok"}, "g1").select("gauge_id", "lag_s", "n_events").row(0)
    ('g1', 0.4, 0)
    """
    known = {"gauge_id": gauge_id, "n_events": 0, **cells}
    return pl.DataFrame(
        {name: pl.Series([known.get(name)], dtype=dtype) for name, dtype in dtypes("lags").items()}
    )


def paired_clocks(time_s: npt.ArrayLike, other: npt.ArrayLike) -> tuple[Floats, Floats]:
    """The times of a gauge and of its reference in seconds from one origin.

    Examples
    --------
    >>> paired_clocks([0, 1], [0.5])
    (array([0., 1.]), array([0.5]))
    """
    try:
        times, others = clocks(time_s, other)
    except DeadbandError as error:
        error.location = error.location.replace("contact_time_s", "reference_time_s")
        raise
    return times, others
