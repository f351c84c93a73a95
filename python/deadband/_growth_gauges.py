"""What tests with one gauge share in a fleet's growth, and what is found of each gauge."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

#: What tests with one gauge share: what one unit of its error adds to a test, and that unit.
_SHARED: Final = {"calibration": ("_calibration_u", "pa"), "lag": ("_lag_u", "s")}
#: Columns of the setpoints `with_own_u` of which these tables are made.
PARTS: Final = ("gauge_id", "_calibration_u", "_lag_u", "_lag_u_s")


class SharedError(NamedTuple):
    """An error that tests with one gauge share: which, and of which gauges.

    Examples
    --------
    >>> SharedError("lag", ["g1"], np.zeros(2, np.uint32), np.array([0.1, 0.0])).kind
    'lag'
    """

    kind: str
    gauges: list[str]
    #: Place of each test's gauge in `gauges`.
    source: npt.NDArray[np.uint32]
    #: What one unit of the gauge's error adds to each test, Pa.
    by: npt.NDArray[np.float64]


def shared_errors(tests: pl.DataFrame) -> list[SharedError]:
    """What tests share of which something is stated; a gauge that adds nothing is not among them.

    Examples
    --------
    >>> columns = {"gauge_id": ["b", "a", None], "_calibration_u": [0.5, 0.4, 0.0], "_lag_u": 0.0}
    >>> [(error.kind, error.gauges) for error in shared_errors(pl.DataFrame(columns))]
    [('calibration', ['a', 'b'])]
    """
    found = []
    for kind, (column, _) in _SHARED.items():
        gauges = tests.filter(pl.col(column) != 0.0)["gauge_id"].unique().sort().to_list()
        if not gauges:
            continue
        places = range(len(gauges))
        # A test without a part has nothing of the first gauge.
        source = tests["gauge_id"].replace_strict(gauges, places, default=0, return_dtype=pl.UInt32)
        source = source.fill_null(0).to_numpy().astype(np.uint32)
        found.append(SharedError(kind, gauges, source, tests[column].to_numpy().astype(np.float64)))
    return found


def gauge_table(
    tests: pl.DataFrame, shared: Sequence[SharedError], found: Mapping[str, Any]
) -> pl.DataFrame:
    """A row a gauge: what it is off by, against the others and what is stated of it."""
    schema: dict[str, pl.DataType] = {"gauge_id": pl.String(), "n_tests": pl.Int32()}
    table = pl.DataFrame(schema=schema)
    if shared:
        known = sorted({gauge for error in shared for gauge in error.gauges})
        counted = tests.group_by("gauge_id").agg(n_tests=pl.len().cast(pl.Int32))
        table = counted.filter(pl.col("gauge_id").is_in(known)).sort("gauge_id")
    estimates = iter(found["shared"])
    of = {error.kind: error for error in shared}
    for kind, (column, unit) in _SHARED.items():
        gauges = of[kind].gauges if kind in of else []
        rows = [(gauge, *next(estimates)[:2]) for gauge in gauges]
        names = f"{kind}_error", f"{kind}_error_u"
        errors = pl.DataFrame(
            rows, schema={"gauge_id": pl.String, **dict.fromkeys(names, pl.Float64)}, orient="row"
        )
        size = "_lag_u_s" if kind == "lag" else column
        sizes = tests.group_by("gauge_id").agg(_size=pl.col(size).cast(pl.Float64).mean())
        table = (
            table.join(errors, on="gauge_id", how="left", maintain_order="left")
            .join(sizes, on="gauge_id", how="left", maintain_order="left")
            .with_columns(
                (pl.col(name) * pl.col("_size")).alias(f"{name}_{unit}") for name in names
            )
            .drop("_size")
        )
    return table
