"""What each cause should do to each result of a method, by rate and gauge."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from ._display import Changes, numbers
from ._left import (
    Left,
    Looks,
    always,
    centre,
    clocks,
    interpolated,
    left,
    of_instants,
    of_looks,
    sampled,
)
from ._reaction import UNKNOWN, Reaction, estimated, stated

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Effect:
    """One cause, a number a result.

    Attributes
    ----------
    shift_pa
        what it should add to the result, Pa.
    variance_pa2
        what it scatters beside that, Pa2.
    noise_pa2
        variance with which `shift_pa` itself is known where it was read off a recording, Pa2.
    """

    shift_pa: Floats
    variance_pa2: Floats
    noise_pa2: Floats


@dataclass(frozen=True, kw_only=True)
class Effects:
    """Every cause, a number a result, with what several results err alike in.

    Attributes
    ----------
    causes
        the effects by name.
    of_lag, of_reference_lag, of_gauge, of_reference_gauge
        a row a result and a column a gauge: what one second more of its lag does to a prediction
        of the result and of its reference (Pa/s), and what its accuracy allows in each (Pa).
    lag_u_s, centre_pa_s
        by gauge; the rate about which its lag was found from results of the reference, NaN where
        it was found otherwise.
    of_common
        a row a result and a column a gauge: standard uncertainty that no number of tests reduces,
        Pa.
    accuracy_told
        whether anything is stated of the accuracy of the result's gauge.
    left_pa2
        variance of each result after its own prediction, Pa2.
    test_row
        by result.
    slope_pa_s
        rate of the display at the look, by result.
    reactions
        by operator.
    """

    causes: dict[str, Effect]
    of_lag: Floats
    of_reference_lag: Floats
    of_gauge: Floats
    of_reference_gauge: Floats
    lag_u_s: Floats
    centre_pa_s: Floats
    of_common: Floats
    left_pa2: Floats
    test_row: NDArray[np.int64]
    accuracy_told: NDArray[np.bool_]
    slope_pa_s: Floats
    reactions: dict[str | None, Reaction] = field(default_factory=dict)


class ByTest:
    """Means over the changes of each test, by the rows of a list of tests."""

    def __init__(self, seen: Changes, tests: list[str]) -> None:
        place = {test: row for row, test in enumerate(tests)}
        self.seen = seen
        self.rows = np.array([place.get(test, -1) for test in seen.table["test_id"]], np.int64)
        self._used = self.rows >= 0
        self._size = len(tests)
        self.count = np.bincount(self.rows[self._used], minlength=self._size).astype(np.float64)

    def mean(self, of: Floats) -> Floats:
        """Mean over the changes of each test; NaN without any."""
        sums = np.bincount(self.rows[self._used], of[self._used], minlength=self._size)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(sums / self.count)

    def of_changes(self, by_test: Floats) -> Floats:
        """A number of each test for each of its changes."""
        return np.where(self._used, by_test[self.rows], np.nan)


def effects(
    pairs: pl.DataFrame, everything: pl.DataFrame, seen: Changes, value: str, reaction: Any
) -> Effects:
    """The causes of every result in `pairs`.

    `everything` are all tests, a row each: `test_id`, `operator_id`, `gauge_id`,
    `repeatability_pa`, `value_pa`, `accuracy_pa` and `called_pa`.
    """
    tests = everything["test_id"].to_list()
    by = ByTest(seen, tests)
    place = {test: row for row, test in enumerate(tests)}
    rows = np.array([place[test] for test in pairs["test_id"]], np.int64)
    own_u, spread = (numbers(everything, name) for name in ("own_u_pa", "repeatability_pa"))
    # Of a test without a change nothing is known.
    spread = spread**2 / np.where(by.count > 0.0, by.count, np.nan)
    made = _display_effects(by, value)
    slope = np.zeros(len(tests))
    reactions: dict[str | None, Reaction] = {}
    looks = Looks(
        after_s=np.zeros(seen.blend.size),
        slope_pa_s=seen.slope(0.0),
        variance_pa2=_of_readings(seen),
    )
    again = np.zeros(len(tests))
    if value == "called":
        known = sum((made[name].variance_pa2 for name in ("resolution", "reading", "refresh")),
                    start=of_instants(by))  # fmt: skip
        reactions = _reactions(by, everything, known, reaction)
        looked, looks = _reaction_effect(by, everything, reactions)
        made |= looked
        slope = by.mean(looks.slope_pa_s)
        again = _again(by)
    rest = left(by, value, own_u, looks, again)
    if value == "fitted":
        made["sampling"] = _beyond(made, rest, spread, by)
    else:
        # How well the pressure at the switch is known that the lag was read off against.
        one, fit = made["lag"], np.maximum(rest.of_fit_pa2 - spread, 0.0)
        noise = np.where(by.mean(seen.recorded.astype(np.float64)) > 0.5, fit, 0.0)
        made["lag"] = replace(one, noise_pa2=one.noise_pa2 + np.nan_to_num(noise))
    chosen = {
        name: Effect(
            shift_pa=one.shift_pa[rows], variance_pa2=one.variance_pa2[rows],
            noise_pa2=one.noise_pa2[rows],
        )
        for name, one in made.items()
    }  # fmt: skip
    switch, same = _switch_and_reference(pairs, spread, rows, by, place)
    chosen |= switch
    gauges = sorted(set(everything["gauge_id"].drop_nulls()))
    rate, accuracy = by.mean(seen.column("rate_pa_s")), numbers(everything, "accuracy_pa")
    columns = {gauge: column for column, gauge in enumerate(gauges)}
    own_lag, own_gauge = (np.zeros((rows.size, len(gauges))) for _ in range(2))
    other_lag, other_gauge = (np.zeros((rows.size, len(gauges))) for _ in range(2))
    gauge_of = everything["gauge_id"].to_list()
    for result, (row, others) in enumerate(zip(rows, pairs["ref_tests"].to_list(), strict=True)):
        for at, share, lag, gauge in [
            (row, 1.0, own_lag, own_gauge),
            *((place[other], 1.0 / len(others), other_lag, other_gauge) for other in others),
        ]:
            if (column := columns.get(gauge_of[at])) is not None:
                lag[result, column] += share * np.nan_to_num(rate[at])
                gauge[result, column] += share * np.nan_to_num(accuracy[at])
    others = sorted({place[one] for of in pairs["ref_tests"] for one in of})
    used = {gauge: [row for row in others if gauge_of[row] == gauge] for gauge in gauges}
    common = always(by)[rows]
    known_u = dict(seen.table.select("gauge_id", "lag_u_s").unique("gauge_id").iter_rows())
    return Effects(
        causes=chosen,
        of_lag=own_lag,
        of_reference_lag=other_lag,
        of_gauge=own_gauge,
        of_reference_gauge=other_gauge,
        lag_u_s=np.array([known_u.get(gauge) or 0.0 for gauge in gauges], np.float64),
        centre_pa_s=np.array([centre(seen, rest, rate, gauge, of) for gauge, of in used.items()]),
        of_common=np.where(own_lag != 0.0, common[:, None], 0.0),
        left_pa2=_left_of(rest, chosen, pairs, rows, same),
        test_row=rows,
        accuracy_told=np.isfinite(accuracy[rows]),
        slope_pa_s=slope[rows],
        reactions=reactions,
    )


def _display_effects(by: ByTest, value: str) -> dict[str, Effect]:
    """What the gauge does: lag, refresh, rounding, noise and the instants of the samples."""
    seen, nothing = by.seen, np.zeros(by.count.size)
    rate, late = seen.column("rate_pa_s"), seen.column("lag_s")
    in_lag = seen.table["in_lag"].to_numpy()
    noise, step = seen.column("noise_pa2"), seen.column("step_pa")
    noise = np.where(np.isnan(noise) & np.isfinite(step), 0.0, noise)
    half = _aged(seen)
    if value == "fitted":
        stated = np.where(in_lag, 0.0, half)
        return {
            "lag": Effect(shift_pa=nothing, variance_pa2=nothing, noise_pa2=nothing),
            "refresh": _mean(by, stated),
            "sampling": _mean(by, 0.0 * rate),
            "reading": _mean(by, 0.0 * rate, seen.column("var_pressure")),
        }
    rounding = step**2 / 12.0
    if value == "reading":
        noise, rounding = seen.blend * noise, seen.blend * rounding
    whole = np.where(seen.recorded, seen.shown(0.0) - seen.column("at_switch_pa"), -late * rate)
    # What a stated lag does not hold comes on top of it.
    whole = whole + np.where(in_lag, 0.0, np.nan_to_num(half))
    read_off = np.where(
        seen.recorded, _displayed(seen), np.nan_to_num(seen.column("var_rate")) * late**2,
    )  # fmt: skip
    made = {
        "lag": _mean(by, whole - np.nan_to_num(half), noise=read_off),
        "refresh": _refresh(seen, by, np.zeros(rate.size), _of_age(seen, value)),
        "resolution": _mean(by, 0.0 * rate, rounding),
        "reading": _mean(by, 0.0 * rate, noise),
    }
    if value == "reading":
        made["sampling"] = _mean(by, 0.0 * rate, sampled(seen))
    else:
        of = made["resolution"]
        made["resolution"] = Effect(
            shift_pa=of.shift_pa, variance_pa2=of.variance_pa2 + _again(by),
            noise_pa2=of.noise_pa2,
        )  # fmt: skip
    return made


def _again(by: ByTest) -> Floats:
    """Variance by writing the mean of several looks down on the steps of the display again."""
    rounding = by.mean(by.seen.column("step_pa") ** 2 / 12.0)
    return np.asarray(rounding * (1.0 - 1.0 / np.maximum(by.count, 1.0) ** 2))


def _of_age(seen: Changes, value: str) -> Floats:
    """Variance of a look by the display's age, Pa2."""
    share = interpolated(seen) if value == "reading" else 1.0
    return _age2(seen, np.zeros(seen.blend.size)) * share


def _of_readings(seen: Changes) -> Floats:
    """Variance of what the recording shows at each change less its prediction by rate, Pa2."""
    step, noise = seen.column("step_pa"), seen.column("noise_pa2")
    shown = seen.blend * (np.nan_to_num(noise) + np.nan_to_num(step) ** 2 / 12.0)
    return np.asarray(np.nan_to_num(_of_age(seen, "reading")) + shown + sampled(seen))


def _beyond(made: dict[str, Effect], rest: Left, spread: Floats, by: ByTest) -> Effect:
    """What a setpoint is uncertain by beside its readings and its switch: where changes fell."""
    zero = np.zeros(spread.size)
    least = by.mean(clocks(by.seen))
    beyond = np.maximum(rest.of_fit_pa2 - spread - made["reading"].variance_pa2, least)
    return Effect(shift_pa=zero, variance_pa2=beyond, noise_pa2=zero)


def _left_of(
    rest: Left, chosen: dict[str, Effect], pairs: pl.DataFrame, rows: NDArray[np.int64],
    same: NDArray[np.bool_],
) -> Floats:  # fmt: skip
    """Variance of each result less its prediction and its reference."""
    display = np.nan_to_num(chosen["switch"].variance_pa2) + rest.of_display_pa2[rows]
    number = pairs["n_ref"].cast(pl.Float64).to_numpy()
    fit = np.where(same, (1.0 - 1.0 / number) ** 2, 1.0) * rest.of_fit_pa2[rows]
    own = np.where(rest.is_fit[rows], fit, display)
    return np.asarray(own + np.nan_to_num(chosen["reference"].variance_pa2))


def _aged(seen: Changes) -> Floats:
    """What the age of its readings does to the mean display at each change, Pa.

    Of a recording: the mean over ages from nothing to `h` is the fresh display half of `h` before,
    and a twenty-fourth of its second derivative times `h` squared.
    """
    hold = seen.column("refresh_s")
    line = -0.5 * seen.column("rate_pa_s") * hold
    now, half, later = (seen.shown(share * hold) for share in (0.0, 0.5, 1.0))
    fresh = half - (later - 2.0 * half + now) / 6.0
    return np.where(seen.recorded, now - fresh, line)


def _refresh(seen: Changes, by: ByTest, looked: Floats, square: Floats | None = None) -> Effect:
    aged = _age2(seen, np.full(seen.blend.size, 0.1))
    # Between two looks half a refresh apart a display has changed by a whole one, or not at all.
    read_off = np.where(seen.recorded, 3.0 * np.nan_to_num(aged) + 2.0 * _displayed(seen), 0.0)
    return _mean(by, _aged(seen), _age2(seen, looked) if square is None else square, read_off)


def _age2(seen: Changes, looked: Floats) -> Floats:
    """Variance of the display by its age so long after each change, Pa2."""
    hold, rate = seen.column("refresh_s"), seen.column("rate_pa_s")
    square = np.maximum(rate**2 - np.nan_to_num(seen.column("var_rate")), 0.0)
    bent = seen.slope(looked) ** 2
    return np.where(seen.recorded, bent, square) * hold**2 / 12.0


def _displayed(seen: Changes) -> Floats:
    """Variance of one reading, rounding included, where the display was read off the recording."""
    rounding = np.nan_to_num(seen.column("step_pa")) ** 2 / 12.0
    whole = seen.blend * (np.nan_to_num(seen.column("noise_pa2")) + rounding)
    return np.where(seen.recorded, whole, 0.0)


def _mean(
    by: ByTest, shift: Floats, variance: Floats | None = None, noise: Floats | None = None
) -> Effect:
    """The mean of independent changes."""
    zero = np.zeros(shift.size)
    return Effect(
        shift_pa=by.mean(shift),
        variance_pa2=by.mean(zero if variance is None else variance) / by.count,
        noise_pa2=by.mean(zero if noise is None else noise) / by.count,
    )


def _reactions(
    by: ByTest, everything: pl.DataFrame, known: Floats, reaction: Any
) -> dict[str | None, Reaction]:
    operators = everything["operator_id"].to_list()
    distinct = list(dict.fromkeys(operators))
    if reaction is not None:
        return {name: stated(reaction, distinct).get(name, UNKNOWN) for name in distinct}
    called, switches = numbers(everything, "called_pa"), everything["switch_id"].to_list()
    found: dict[str | None, Reaction] = {}
    for name in distinct:
        theirs = np.array([one == name for one in operators], np.bool_)
        keep = (by.rows >= 0) & theirs[by.rows]
        values = np.where(theirs, called, np.nan)
        found[name] = estimated(by.seen.of(keep), by.rows[keep], values, known, switches)
    return found


def _reaction_effect(
    by: ByTest, everything: pl.DataFrame, reactions: dict[str | None, Reaction]
) -> tuple[dict[str, Effect], Looks]:
    """Reaction and refresh at the looks."""
    seen, of = by.seen, [reactions[name] for name in everything["operator_id"]]
    mean = by.of_changes(np.array([one.mean_s for one in of], np.float64))
    spread = by.of_changes(np.array([one.sd_s for one in of], np.float64))
    aged = _refresh(seen, by, np.nan_to_num(mean))
    slope = seen.slope(mean, np.nan_to_num(spread))
    shift = seen.shown(mean, np.nan_to_num(spread)) - seen.shown(0.0)
    moved = _mean(by, shift, slope**2 * spread**2, 2.0 * _displayed(seen))
    shown = (
        np.nan_to_num(seen.column("noise_pa2")) + np.nan_to_num(seen.column("step_pa")) ** 2 / 12.0
    )
    line = (slope * spread) ** 2 + np.nan_to_num(_age2(seen, mean))
    moving = np.where(seen.recorded, of_looks(seen, mean, spread), line)
    variance = np.nan_to_num(moving) + shown
    looks = Looks(after_s=mean, slope_pa_s=slope, variance_pa2=variance)
    return {"reaction": moved, "refresh": aged}, looks


def _switch_and_reference(
    pairs: pl.DataFrame, spread: Floats, rows: NDArray[np.int64], by: ByTest, place: dict[str, int]
) -> tuple[dict[str, Effect], NDArray[np.bool_]]:
    """Scatter of the switch and of the reference; thresholds that both sides saw cancel."""
    number = pairs["n_ref"].cast(pl.Float64).to_numpy()
    same = np.array(
        [one in others for one, others in pairs.select("test_id", "ref_tests").iter_rows()],
        np.bool_,
    )
    own = spread[rows]
    held = np.where(same, (1.0 - 1.0 / number) ** 2, 1.0)
    rest = numbers(pairs, "ref_pa2") - np.where(same, own / number**2, 0.0)
    seen = by.seen
    half = -0.5 * seen.column("rate_pa_s") * seen.column("refresh_s")
    of_test = by.mean(np.where(seen.table["in_lag"].to_numpy(), 0.0, np.nan_to_num(half)))
    shift = np.array(
        [-np.mean([of_test[place[other]] for other in others]) for others in pairs["ref_tests"]]
    )
    zero = np.zeros(rows.size)
    made = {
        "switch": Effect(shift_pa=zero, variance_pa2=own * held, noise_pa2=zero),
        "reference": Effect(
            shift_pa=np.nan_to_num(shift), variance_pa2=np.maximum(rest, 0.0), noise_pa2=zero
        ),
    }
    return made, same
