"""One simulated recording."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from .. import _core
from .._errors import DeadbandError
from ._parts import Gauge, Logger, Motion, Operator, Ramp, Switch, stand

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Recording:
    """A recording as a logger would have written it, and what really happened.

    Attributes
    ----------
    time_s
        times of the samples, s, shape (n,).
    pressure_pa
        readings of the display, Pa, shape (n,).
    contact
        the contact channel in V, ohm or 0 and 1, shape (n,), or (m,) with a clock of its own.
    contact_time_s
        times of the contact channel, s, shape (m,); None where it shares `time_s`.
    called_close_pa, called_open_pa
        what the operator called, Pa; None without an operator or without such a change.
    truth
        a row a change of the contact, bounces left out: `cycle` (from 1: a close begins a new
        one), `event` (`close` or `open`), `time_s`, `pressure_pa` (true pressure at the switch),
        `threshold_pa` (the same but for rounding), `rate_pa_s` (of the true pressure), `signal_pa`
        (what the gauge would have shown then without noise and rounding).

    Examples
    --------
    >>> recording(seed=1).truth.columns[:4]
    ['cycle', 'event', 'time_s', 'pressure_pa']
    """

    time_s: Floats
    pressure_pa: Floats
    contact: Floats
    contact_time_s: Floats | None
    called_close_pa: float | None
    called_open_pa: float | None
    truth: pl.DataFrame


def recording(
    switch: Switch | None = None,
    gauge: Gauge | None = None,
    motion: Motion | None = None,
    *,
    logger: Logger | None = None,
    operator: Operator | None = None,
    seed: int,
) -> Recording:
    """Record one test of a switch.

    The true pressure is piecewise linear on a fine grid; the contact changes exactly where it
    crosses the threshold of its cycle, and the gauge's lag is solved exactly along it. Motion,
    switch, gauge, clock, contact and operator draw from random streams of their own (ChaCha8), so
    that the same seed with another gauge is the same movement of the same pressure.

    Parameters
    ----------
    switch, gauge, motion, logger
        the stand; what is left out has the defaults of its class, the motion those of `Ramp`.
    operator
        who calls the setpoints; None for nobody.
    seed
        0 to 2**64 - 1. A seed is a recording, on any number of threads.

    Raises
    ------
    ValueError
        a field that no stand can have, by name; a seed out of range; a recording of more than 20
        million samples.

    Examples
    --------
    A gauge that lags 0.4 s reads a rising pressure too low, by rate times lag:

    >>> steady = Ramp(rate_pa_s=5.0, rate_spread=0.0, unsteadiness=0.0)
    >>> late = Gauge(dead_time_s=0.1, time_constant_s=0.3)
    >>> made = recording(gauge=late, motion=steady, seed=1)
    >>> error = made.truth["pressure_pa"] - made.truth["signal_pa"]
    >>> error.round(6).to_list()
    [2.0, -2.0, 2.0, -2.0, 2.0, -2.0]
    """
    whole = stand(
        switch or Switch(), gauge or Gauge(), motion or Ramp(), logger or Logger(), operator
    )
    made = record([whole], [seed])[0]
    truth = truth_frame(made["truth"])
    return Recording(**{**made, "truth": truth})


def record(stands: Sequence[Mapping[str, Any]], seeds: Sequence[int]) -> list[dict[str, Any]]:
    """Record every stand with its seed in the compiled core, on all threads.

    Examples
    --------
    >>> made = record([{}, {"motion": {"kind": "pinch"}}], [1, 2])
    >>> [len(one["truth"]["close"]) for one in made]
    [6, 5]
    """
    for seed in seeds:
        if not 0 <= seed < 2**64:
            raise DeadbandError("bad_value", f"the seed is {seed}", advice="use 0 to 2**64 - 1")
    return _core.simulate(list(stands), list(seeds))


def truth_frame(truth: Mapping[str, npt.NDArray[Any]]) -> pl.DataFrame:
    """The changes of one contact as a frame, cycles numbered as in the events table.

    Examples
    --------
    >>> import numpy as np
    >>> closes = {"close": np.array([False, True, False]), "time_s": np.array([1.0, 2.0, 3.0])}
    >>> truth_frame(closes)["cycle"].to_list()
    [1, 2, 2]
    """
    frame = pl.DataFrame(dict(truth), schema_overrides={"close": pl.Boolean})
    starts_closed = pl.col("close").first().not_().fill_null(value=False)
    return frame.select(
        (pl.col("close").cum_sum() + starts_closed.cast(pl.Int32)).cast(pl.Int32).alias("cycle"),
        pl.when("close").then(pl.lit("close")).otherwise(pl.lit("open")).alias("event"),
        pl.exclude("close"),
    )
