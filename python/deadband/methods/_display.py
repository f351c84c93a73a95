"""What a gauge's display showed about each change of a contact, and how late it was there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._frames import FrameLike, lazy, need_unique
from ..schema import validate_events, validate_gauges, validate_lags, validate_tests

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Times after a change at which a display is looked up, s.
GRID_S: Final[Floats] = np.round(np.arange(-1.0, 3.0001, 0.02), 2)
#: Hermite's nodes and weights of a normal time of reaction.
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
#: Held longer than that many sample intervals, a reading was shown more than once.
_HELD: Final = 1.5
#: Jumps of more than a step and a half that a recording needs to tell how long its display holds.
_JUMPS: Final = 6
_STATED: Final = ("refresh_s", "resolution_pa", "accuracy_rel", "accuracy_abs_pa")
_LISTS: Final = ("time_s", "pressure_pa")


def numbers(table: pl.DataFrame, name: str) -> Floats:
    """A column as numbers, NaN where there is none.

    Examples
    --------
    >>> numbers(pl.DataFrame({"a": [1, None]}), "a").tolist()
    [1.0, nan]
    """
    return np.asarray(table[name].cast(pl.Float64).fill_null(np.nan).to_numpy(), np.float64)


@dataclass(frozen=True, kw_only=True)
class Changes:
    """Every change of one kind that was found in recordings.

    Attributes
    ----------
    table
        a row a change, sorted by test: `test_id`, `at_switch_pa`, `rate_pa_s`, `lag_s`,
        `lag_u_s`, `refresh_s`, `refresh_u_s`, `in_lag` (half a refresh is part of the lag),
        `step_pa`, `noise_pa2`, `sample_s` (between two readings) and what else the events say.
    shown_pa
        a row a change: the display at `GRID_S` after it.
    recorded
        whether that row is the recording, and not a straight line of the change's own rate.
    blend
        by which a display interpolated between two samples at the change has less noise than one
        sample; 1 without a recording.
    """

    table: pl.DataFrame
    shown_pa: Floats
    recorded: NDArray[np.bool_]
    blend: Floats

    def of(self, keep: NDArray[np.bool_]) -> Changes:
        """Some of the changes."""
        return Changes(
            table=self.table.filter(pl.Series(keep)), shown_pa=self.shown_pa[keep],
            recorded=self.recorded[keep], blend=self.blend[keep],
        )  # fmt: skip

    def column(self, name: str) -> Floats:
        """A column as numbers, NaN where there is none."""
        return numbers(self.table, name)

    def shown(self, after_s: Floats | float, spread_s: Floats | float = 0.0) -> Floats:
        """The mean display, a time after each change that is normal with `spread_s`."""
        mean, spread = np.asarray(after_s, np.float64), np.asarray(spread_s, np.float64)
        if not np.any(spread > 0.0):
            return self._at(mean)
        looks = (
            self._at(mean + node * spread) * w for node, w in zip(_NODES, _WEIGHTS, strict=True)
        )
        return np.asarray(np.sum(list(looks), axis=0), np.float64)

    def slope(self, after_s: Floats | float, half_s: Floats | float = 0.0) -> Floats:
        """The display's mean rate over `half_s` to either side of a time after each change.

        At least a refresh to either side: a display that holds moves in jumps, and whether one
        falls into a shorter time is chance.
        """
        half = np.maximum(half_s, np.fmax(self.column("refresh_s"), 0.15))
        mean = np.asarray(after_s, np.float64)
        return np.asarray((self._at(mean + half) - self._at(mean - half)) / (2.0 * half))

    def _at(self, after: Floats) -> Floats:
        step = GRID_S[1] - GRID_S[0]
        place = np.clip((after - GRID_S[0]) / step, 0.0, GRID_S.size - 1.001)
        place = np.broadcast_to(place, self.shown_pa.shape[:1])
        known = np.nan_to_num(place)
        index = known.astype(np.int64)
        row = np.arange(index.size)
        low, high = self.shown_pa[row, index], self.shown_pa[row, index + 1]
        return np.where(np.isnan(place), np.nan, low + (known - index) * (high - low))


def changes(
    events: FrameLike,
    lags: FrameLike,
    gauges: FrameLike | None,
    tests: FrameLike | None,
    *,
    event: str,
    recorded: bool = False,
) -> Changes:
    """The changes of one kind, with their gauges' lags and displays.

    On a ramp, whose rate is steady within a lag, the display follows in a straight line; of the
    other methods' changes, and with `recorded` of all, it is read from the recording where there
    is one.
    """
    shown = None if tests is None else validate_tests(lazy(tests, "tests"))
    rows = (
        validate_events(lazy(events, "events"))
        .filter(pl.col("event") == event, pl.col("status") == "ok")
        .filter(pl.all_horizontal(pl.col("pressure_pa", "rate_pa_s", "time_s").is_not_null()))
        .join(_gauges(lags, gauges), on="gauge_id", how="left")
        .sort("test_id", "time_s")
        .collect()
    )
    tracks = _tracks(shown, rows["test_id"].unique())
    found = _holds(rows, tracks)
    rows = rows.join(found, on="gauge_id", how="left", maintain_order="left").with_columns(
        refresh_s=pl.coalesce("refresh_s", "hold_s", "_found_s"),
        refresh_u_s=pl.when(pl.col("refresh_s").is_null() & pl.col("hold_s").is_null())
        .then("_found_u_s")
        .otherwise(0.0),
        step_pa=pl.coalesce("step_pa", "resolution_pa"),
        in_lag=(pl.col("source") != "stated").fill_null(value=True),
        noise_pa2=_noise(),
        # As the gauge itself said: a lag that was added is taken off again.
        signal_pa=pl.when("lag_applied")
        .then(pl.col("pressure_pa") - pl.col("lag_s") * pl.col("rate_pa_s"))
        .otherwise("pressure_pa"),
        at_switch_pa=pl.when("lag_applied")
        .then("pressure_pa")
        .otherwise(pl.col("pressure_pa") + pl.col("lag_s") * pl.col("rate_pa_s")),
    )
    # Of a fall within the lag that has not been taken out the pressure at the switch is not known.
    bent = pl.lit(recorded) | (
        (pl.col("method") != "ramp").fill_null(value=False) & pl.col("lag_applied")
    )
    rows = rows.with_columns(_bent=bent)
    signal, rate = (rows[name].fill_null(np.nan).to_numpy() for name in ("signal_pa", "rate_pa_s"))
    line, blend = signal[:, None] + rate[:, None] * GRID_S, np.ones(rows.height)
    sample = rows["time_width_s"].cast(pl.Float64).fill_null(np.nan).to_numpy().copy()
    intervals = {test: float(np.median(np.diff(track[0]))) for test, track in tracks.items()}
    read_off = np.zeros(rows.height, np.bool_)
    for row, (test, at, of) in enumerate(rows.select("test_id", "time_s", "_bent").iter_rows()):
        if (track := tracks.get(test)) is None:
            continue
        blend[row], sample[row] = _blend(track[0], at), intervals[test]
        if of:
            line[row], read_off[row] = np.interp(at + GRID_S, *track), True
    rows = rows.with_columns(sample_s=pl.Series(sample, dtype=pl.Float64))
    return Changes(table=rows, shown_pa=line, recorded=read_off, blend=blend)


def _blend(time: Floats, at: float) -> float:
    after = int(np.clip(np.searchsorted(time, at), 1, time.size - 1))
    share = float(np.clip((at - time[after - 1]) / (time[after] - time[after - 1]), 0.0, 1.0))
    return share**2 + (1.0 - share) ** 2


def _noise() -> pl.Expr:
    """Variance of one reading without its rounding, Pa2; none of an interval is known."""
    rounding = pl.col("step_pa").fill_null(0.0) ** 2 / 12.0
    return (pl.col("noise_pa") ** 2 - rounding).clip(lower_bound=0.0)


def _gauges(lags: FrameLike, gauges: FrameLike | None) -> pl.LazyFrame:
    """A row a gauge: its lag, and what is stated of its display and its accuracy."""
    known = validate_lags(lazy(lags, "lags"))
    need_unique(known, "gauge_id", "lags")
    rows = known.select("gauge_id", "lag_s", "lag_u_s", "hold_s", "source")
    if gauges is None:
        return rows.with_columns(pl.lit(None, dtype=pl.Float64).alias(name) for name in _STATED)
    stated = validate_gauges(lazy(gauges, "gauges"), keep=["refresh_s"])
    need_unique(stated, "gauge_id", "gauges")
    if "refresh_s" not in stated.collect_schema():
        stated = stated.with_columns(refresh_s=pl.lit(None, dtype=pl.Float64))
    told = stated.select("gauge_id", *_STATED).cast({"refresh_s": pl.Float64})
    return rows.join(told, on="gauge_id", how="left")


def _tracks(tests: pl.LazyFrame | None, wanted: pl.Series) -> dict[str, tuple[Any, Any]]:
    """Clock and readings of recordings that are whole, by test."""
    if tests is None or not wanted.len():
        return {}
    whole = pl.all_horizontal(pl.col(_LISTS).is_not_null()) & (
        pl.col("time_s").list.len() == pl.col("pressure_pa").list.len()
    )
    rows = tests.filter(pl.col("test_id").is_in(wanted.implode()) & whole)
    table = rows.select("test_id", *_LISTS).collect()
    return {
        test: (np.asarray(time, np.float64), np.asarray(pressure, np.float64))
        for test, time, pressure in table.iter_rows()
        if len(time) > 1
    }


def _holds(rows: pl.DataFrame, tracks: dict[str, tuple[Any, Any]]) -> pl.DataFrame:
    """For how long each gauge's display held a reading, by the recordings that tell it."""
    gauge = dict(rows.select("test_id", "gauge_id").iter_rows())
    found = [(gauge[test], held(time, pressure)) for test, (time, pressure) in tracks.items()]
    told = pl.DataFrame(found, schema={"gauge_id": pl.String, "hold": pl.Float64}, orient="row")
    spread = pl.col("hold").std().fill_null(0.0) / pl.len().sqrt()
    return (
        told.drop_nulls()
        .group_by("gauge_id")
        .agg(pl.col("hold").median().alias("_found_s"), spread.alias("_found_u_s"))
    )


def held(time: Floats, pressure: Floats) -> float | None:
    """For how long a display held its readings, s; 0: as fast as the log; None: cannot be told.

    The times between changes of the reading beside jumps of more than a step and a half, which a
    slow signal does not make. The nearest changes are one refresh apart, further ones several.

    Examples
    --------
    >>> time = np.arange(400) * 0.1
    >>> ticks = np.floor(time / 0.5 + 1e-9)
    >>> round(held(time, np.round(0.1 * ticks**2)), 2), held(time, np.round(0.1 * time**3))
    (0.5, 0.0)
    >>> held(time, np.zeros(400)) is None
    True
    """
    interval = float(np.median(np.diff(time)))
    moved = np.diff(pressure)
    at = np.flatnonzero(moved != 0.0) + 1
    if at.size < _JUMPS + 1:
        return None
    sizes = np.abs(moved[at - 1])
    step = float(sizes[sizes > 1e-9 * max(1.0, float(np.abs(pressure).max()))].min(initial=np.inf))
    jump = sizes > 1.5 * step
    gaps = np.diff(time[at])[jump[1:] & jump[:-1]]
    if gaps.size < _JUMPS:
        return None
    near = float(np.quantile(gaps, 0.125))
    if near <= _HELD * interval:
        return 0.0
    return float(gaps[gaps < near + _HELD * interval].mean())
