"""What a result scatters after its own prediction, and what of it nobody can foretell."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ._display import Changes
    from ._effects import ByTest

    Floats = NDArray[np.float64]

#: Middles of twenty-four parts of a normal distribution that are equally probable.
_NODES: Final = tuple(NormalDist().inv_cdf((i + 0.5) / 24.0) for i in range(24))
#: Held longer than that many sample intervals, a reading stands in the log more than once.
_HELD: Final = 1.5


@dataclass(frozen=True, kw_only=True)
class Looks:
    """A number a change.

    Attributes
    ----------
    after_s
        mean time from the change to the look, s.
    slope_pa_s
        rate of the display there, Pa/s.
    variance_pa2
        variance of one look by age, noise, rounding and time, Pa2.
    """

    after_s: Floats
    slope_pa_s: Floats
    variance_pa2: Floats


@dataclass(frozen=True, kw_only=True)
class Left:
    """A number a test.

    Attributes
    ----------
    of_display_pa2
        variance of what is left without the part of the switch, Pa2.
    of_fit_pa2
        variance of the setpoint of the recording, switch included, Pa2: that of what is left where
        `is_fit`.
    is_fit
        whether what is left is the setpoint of the recording itself.
    """

    of_display_pa2: Floats
    of_fit_pa2: Floats
    is_fit: NDArray[np.bool_]


def clocks(seen: Changes) -> Floats:
    """Variance at each change by where a display's refresh fell between two samples, Pa2.

    Common to the changes of one recording (`clock_u_s` of the events) and in the setpoint's own
    uncertainty; from test to test it scatters.
    """
    return np.asarray(_square_rate(seen) * np.nan_to_num(seen.column("clock_u_s")) ** 2)


def always(by: ByTest) -> Floats:
    """What the split of its lag leaves open of each test, and of all tests alike, Pa."""
    seen = by.seen
    square = np.nan_to_num(seen.column("var_common")) - clocks(seen)
    return np.asarray(by.mean(np.sqrt(np.maximum(square, 0.0))))


def interpolated(seen: Changes) -> Floats:
    """Share of the variance by age that a reading has which is interpolated between two samples.

    With `q` the sample interval in refreshes, `(1 - q)**3 + q**3`: where the display turned in
    between, the middle of both readings is nearer the mean than either.
    """
    hold, sample = seen.column("refresh_s"), seen.column("sample_s")
    with np.errstate(invalid="ignore", divide="ignore"):
        q = np.minimum(np.nan_to_num(sample / hold, nan=1.0, posinf=1.0), 1.0)
    return np.asarray((1.0 - q) ** 3 + q**3)


def of_looks(seen: Changes, after_s: Floats, spread_s: Floats) -> Floats:
    """Variance of what a recorded display shows at normal times after each change, Pa2.

    The recording tells between which two samples the display turned: only on which side of that a
    look falls is chance. Of a turn by `J` within the interval of a look either reading is as likely
    as the other is near, `J**2 / 6` on average; less what shifts the pressure at the switch alike.
    """
    sample = np.nan_to_num(seen.column("sample_s"))
    times = [after_s + node * spread_s for node in _NODES]
    shown = np.asarray([seen.shown(one) for one in times])
    # A turn drawn as a straight line over an interval: of its squares two thirds are left.
    turns = [seen.shown(one + 0.5 * sample) - seen.shown(one - 0.5 * sample) for one in times]
    turned = np.mean(np.square(turns), axis=0) * 1.5 / 6.0
    alike = seen.slope(after_s) ** 2 * sample**2 / 6.0
    held = np.nan_to_num(seen.column("refresh_s")) > _HELD * sample
    return np.asarray(shown.var(axis=0) + np.where(held, np.maximum(turned - alike, 0.0), 0.0))


def sampled(seen: Changes) -> Floats:
    """Variance by the change of the contact falling between two samples, Pa2."""
    return np.asarray(_square_rate(seen) * np.nan_to_num(seen.column("time_width_s")) ** 2 / 12.0)


def of_instants(by: ByTest) -> Floats:
    """Variance of the display that a recording shows beside a change found in it, by test, Pa2."""
    seen = by.seen
    noise = np.nan_to_num(seen.column("var_pressure"))
    return np.asarray(by.mean(clocks(seen)) + by.mean(sampled(seen) + noise) / by.count)


def centre(seen: Changes, rest: Left, rate: Floats, gauge: str, rows: list[int]) -> float:
    """Mean rate of results in `rows` by the weights that found the gauge's lag from them; NaN."""
    source = dict(seen.table.select("gauge_id", "source").iter_rows())
    square, at = rest.of_fit_pa2[rows], rate[rows]
    known = (square > 0.0) & np.isfinite(at)
    if source.get(gauge) != "rates" or not np.any(known):
        return float("nan")
    return float(np.average(at[known], weights=1.0 / square[known]))


def _square_rate(seen: Changes) -> Floats:
    rate2 = seen.column("rate_pa_s") ** 2
    return np.asarray(np.maximum(rate2 - np.nan_to_num(seen.column("var_rate")), 0.0))


def left(
    by: ByTest, value: str, own_u_pa: Floats, looks: Looks, again_pa2: Floats
) -> Left:  # fmt: skip
    """What is left of each test.

    Parameters
    ----------
    by
        the changes by test.
    value
        `called`, `reading` or `fitted`.
    own_u_pa
        standard uncertainty of each setpoint without what its gauge does to all alike, Pa.
    looks
        when the display was looked at.
    again_pa2
        variance by a second rounding, by test, Pa2.
    """
    seen, number = by.seen, by.count
    fit = np.maximum(np.nan_to_num(own_u_pa) ** 2 - np.nan_to_num(always(by)) ** 2, 0.0)
    read = by.mean(seen.recorded.astype(np.float64)) > 0.5
    # Change and look are found in one recording: what is wrong in the instant of the change or in
    # the clock of the display shifts both, each by its own rate.
    of_line = (
        np.nan_to_num(seen.column("var_rate"))
        * (np.nan_to_num(looks.after_s) - np.nan_to_num(seen.column("lag_s"))) ** 2
    )
    beside = np.where(seen.recorded, np.nan_to_num(seen.column("var_pressure")), of_line)
    rate = seen.column("rate_pa_s")
    with np.errstate(invalid="ignore", divide="ignore"):
        parted = np.where(seen.recorded, np.nan_to_num((looks.slope_pa_s / rate - 1.0) ** 2), 0.0)
    beside = beside + parted * sampled(seen)
    shown = by.mean(np.nan_to_num(looks.variance_pa2) + beside) / number + np.nan_to_num(again_pa2)
    shown = shown + by.mean(parted * clocks(seen))
    if value == "reading":
        shown = shown + by.mean(clocks(seen)) * (1.0 - 1.0 / number)
    is_fit = np.full(number.size, fill_value=True) if value == "fitted" else read
    if value == "called":
        is_fit = np.zeros(number.size, np.bool_)
    return Left(of_display_pa2=shown, of_fit_pa2=fit, is_fit=is_fit)
