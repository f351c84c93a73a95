"""The events of a fleet, fitted a batch of recordings at a time, with word of how far it is."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import polars as pl

from ._analyse import Analysis, conclude
from ._events import fit_events
from ._lags import estimate_lag
from .read import wrong_signs
from .schema import validate_gauges, validate_switches, validate_tests

_CHANNELS = ("time_s", "pressure_pa", "contact", "contact_time_s")


@dataclass
class Found:
    """What came to light while the recordings were read.

    Attributes
    ----------
    unreadable
        test -> why its file could not be read.
    negative
        tests whose large readings are the negative ones.
    noted
        test -> what in its file may be meant otherwise.
    """

    unreadable: dict[str, str] = field(default_factory=dict)
    negative: list[str] = field(default_factory=list)
    noted: dict[str, str] = field(default_factory=dict)


def analyse_in_batches(
    tests: pl.LazyFrame,
    switches: pl.DataFrame,
    gauges: pl.DataFrame | None,
    *,
    risk: float,
    batch: int,
    advance: Callable[[int], object] = lambda _: None,
) -> tuple[Analysis, Found]:
    """`analyse`, with no more than `batch` recordings in memory at a time.

    Parameters
    ----------
    tests, switches, gauges, risk
        as in `analyse`.
    batch
        recordings in a batch.
    advance
        called with a number of recordings whenever that many are done; each is done twice.

    Returns
    -------
    tuple of Analysis and Found
        The same tables as those of `analyse`, and what was noticed on the way.

    Examples
    --------
    >>> from deadband import simulate
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
    >>> gauge = simulate.Instrument(gauge_id="g1", lag_s=0.3, lag_u_s=0.02)
    >>> plan = [
    ...     simulate.PlannedTest(test_id=f"t{i}", unit=unit, instrument=gauge) for i in range(3)
    ... ]
    >>> made = simulate.fleet(plan, seed=1)
    >>> whole, found = analyse_in_batches(
    ...     made.tests.lazy(), made.switches, made.gauges, risk=0.05, batch=2
    ... )
    >>> whole.verdicts.height, found.unreadable
    (3, {})
    """
    recordings = validate_tests(tests, keep=["read_error", "read_note"])
    rated = validate_switches(switches.lazy()).collect()
    stated = None if gauges is None else validate_gauges(gauges.lazy()).collect()
    ids = recordings.select("test_id").collect()["test_id"]
    repeated = ids.filter(ids.is_duplicated()).unique()
    empty = pl.DataFrame(schema=recordings.collect_schema())
    found = Found()

    def watched() -> Iterator[pl.DataFrame]:
        for part in recordings.collect_batches(chunk_size=batch, maintain_order=True):
            _notice(part, found)
            yield part

    shown = _events(watched(), empty, repeated, (None, stated), advance)
    lags = estimate_lag(shown, stated, switches=rated)
    again = recordings.collect_batches(chunk_size=batch, maintain_order=True)
    events = _events(iter(again), empty, repeated, (lags, stated), advance)
    return conclude(recordings, events, lags, rated, stated, risk=risk), found


def _events(
    parts: Iterator[pl.DataFrame],
    empty: pl.DataFrame,
    repeated: pl.Series,
    known: tuple[pl.DataFrame | None, pl.DataFrame | None],
    advance: Callable[[int], object],
) -> pl.DataFrame:
    lags, gauges = known
    done: list[pl.DataFrame] = []
    held = [empty]
    for part in parts:
        twice = part["test_id"].is_in(repeated.implode(), nulls_equal=True)
        # Recordings of one id must meet in one call to be told as such; their channels do not
        # matter then and would only take room.
        held.append(
            part.filter(twice).with_columns(
                pl.lit(None, part.schema[name]).alias(name) for name in _CHANNELS
            )
        )
        done.append(fit_events(part.filter(~twice), lags, gauges=gauges))
        advance(part.height)
    done.append(fit_events(pl.concat(held), lags, gauges=gauges))
    return pl.concat(done).sort("test_id", "time_s", "switch_id", maintain_order=True)


def _notice(part: pl.DataFrame, found: Found) -> None:
    if "read_error" in part.columns:
        broken = part.filter(pl.col("read_error").is_not_null())
        found.unreadable.update(broken.select("test_id", "read_error").iter_rows())
    if "read_note" in part.columns:
        noted = part.filter(pl.col("read_note").is_not_null())
        found.noted.update(noted.select("test_id", "read_note").iter_rows())
    below = part.lazy().filter(pl.col("pressure_pa").list.min() < 0.0)
    found.negative.extend(wrong_signs(below).collect()["test_id"].to_list())
