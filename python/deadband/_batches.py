"""The event kernel for engines that hand out Arrow record batches, such as a cluster's workers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

import polars as pl

from ._events import fit_events
from ._frames import FrameLike

if TYPE_CHECKING:
    import pyarrow as pa


def fit_batches(
    batches: Iterable[pa.RecordBatch], lags: FrameLike | None = None, **options: Any
) -> Iterator[pa.RecordBatch]:
    """`fit_events` over an iterator of record batches, as a cluster engine's map wants it.

    Rows depend on nothing but their own recording, so that the same rows come out of any batching.
    Recordings that share an id are told apart from others only within a batch.

    Parameters
    ----------
    batches
        record batches with the columns of the tests table.
    lags
        as in `fit_events`.
    **options
        as in `fit_events`, `gauges` among them.

    Returns
    -------
    iterator of pyarrow.RecordBatch
        the events table, batch by batch.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.

    Examples
    --------
    >>> from deadband import simulate
    >>> gauge = simulate.Instrument(gauge_id="g1")
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
    >>> plan = [
    ...     simulate.PlannedTest(test_id=f"t{i}", unit=unit, instrument=gauge) for i in range(4)
    ... ]
    >>> batches = simulate.fleet(plan, seed=1).tests.to_arrow().to_batches(max_chunksize=2)
    >>> sum(batch.num_rows for batch in fit_batches(batches))
    24
    """
    for batch in batches:
        events = fit_events(pl.DataFrame(batch), lags, **options)
        yield from events.to_arrow().to_batches()
