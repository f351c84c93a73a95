"""Plot positions: the share that failed, without a distribution, where it jumps."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from ._observed import arrays
from .kaplan_meier import counts
from .turnbull import turnbull

_TYPES: Final = pl.Schema({"years": pl.Float64, "share_failed": pl.Float64})


def positions(rows: pl.DataFrame) -> pl.DataFrame:
    """Each failure at the middle of the jump of the share that failed (Meeker and Escobar 1998).

    Of intervals, the mass that each holds is placed at its end, where all of it has failed.

    Examples
    --------
    >>> rows = pl.DataFrame({"entry_years": 0.0, "low_years": [1.0, 2.0], "high_years": [1.0, 2.0]})
    >>> positions(rows).rows()
    [(1.0, 0.25), (2.0, 0.75)]
    """
    seen = arrays(rows)
    if not seen.n_failed:
        return pl.DataFrame(schema=_TYPES)
    if seen.between:
        found = turnbull(seen)
        ends = np.isfinite(found.end) & (found.mass > 1e-6)
        share = np.cumsum(found.mass)[ends]
        made = {"years": found.end[ends], "share_failed": share}
        return pl.DataFrame(made, schema=_TYPES).filter(pl.col("share_failed") < 1.0 - 1e-9)
    table = counts(seen)
    left = np.cumprod(1.0 - table.failed / table.at_risk)
    middle = 1.0 - 0.5 * (left + np.concatenate([[1.0], left[:-1]]))
    return pl.DataFrame({"years": table.years, "share_failed": middle}, schema=_TYPES)
