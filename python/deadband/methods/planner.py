"""The fastest test that is good enough."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import polars as pl

from .._errors import DeadbandError, check_count, check_pair
from ._procedure import Known, Procedure, known_gauge, positive
from ._reach import Reach, Route, Terms, reach_of
from .reachable import event_variance, from_reading, refused, route_of

Floats = npt.NDArray[np.float64]

#: Rates at which the reading's variance is found; between them it is a power of the rate.
_RATES: Final = {"formula": 13, "simulation": 7}

_ADVICE: Final = {
    "reading": "log faster, move more steadily, or take a display that is finer and quieter",
    "bracket": "log the contact faster",
    "resolution": "take a gauge with a finer display",
    "repeatability": "allow more cycles; what the switch scatters no gauge mends",
    "lag": "find the gauge's lag again from more tests (estimate_lag), or allow slower ramps",
    "accuracy": "take a better gauge, or have this one calibrated and state what is left",
}


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A planned ramp test.

    Attributes
    ----------
    procedure
        the recommended test: of all that are good enough the one that takes the least time; None
        where there is none.
    reach
        its budget; where nothing is good enough, that of the slowest ramp with the most cycles.
    options
        a row a number of cycles: `cycles`, `rate_pa_s` (the fastest that is good enough),
        `u_pa`, `expanded_pa`, `ratio`, `duration_s`, `status` (`ok` | `not_reachable`).
    curves
        `cycles`, `rate_pa_s`, `u_pa`, `expanded_pa`: what every ramp would reach.
    wanted_pa, wanted
        what is wanted of which: `u_pa` or `expanded_pa`.
    duration_s
        time that the recommended recording takes, s; without setting up the stand.
    forbids
        the line of the budget that forbids it, where it is not reachable.
    status, reason
        `ok`; `not_reachable`, with what to do; or what is wrong with the gauge (see `Reach`).

    Examples
    --------
    >>> gauge = {"resolution_pa": 1.0, "accuracy_abs_pa": 5.0, "lag_s": 0.4, "lag_u_s": 0.02}
    >>> plan_test(gauge, rated_pa=60.0).forbids
    'accuracy'
    """

    procedure: Procedure | None
    reach: Reach
    options: pl.DataFrame
    curves: pl.DataFrame
    wanted_pa: float
    wanted: str
    duration_s: float | None = None
    forbids: str | None = None
    status: str = "ok"
    reason: str = ""


def plan_test(
    gauge: Mapping[str, Any],
    *,
    rated_pa: float,
    tolerance: float = 0.10,
    ratio: float = 4.0,
    u_wanted_pa: float | None = None,
    expanded_wanted_pa: float | None = None,
    sample_s: float = 0.1,
    contact_sample_s: float | None = None,
    cycles_least: int = 2,
    cycles_most: int = 10,
    rates_pa_s: tuple[float, float] = (0.5, 12.0),
    low_pa: float = 0.0,
    high_pa: float | None = None,
    hold_s: float = 2.0,
    repeatability_pa: float | None = None,
    unsteadiness: float = 0.1,
    correlation_s: float = 1.0,
    route: Route | None = None,
    seed: int = 1,
    confidence: float = 0.95,
) -> Plan:
    """The fastest ramp that is good enough with a gauge, for each number of cycles.

    More cycles allow a faster ramp, but take their time: the recommended test is the shortest. The
    uncertainty of a ramp is that of `reachable`.

    Parameters
    ----------
    gauge, rated_pa, tolerance, repeatability_pa, unsteadiness, correlation_s
        as in `reachable`.
    route, seed, confidence
        as in `reachable`.
    ratio
        wanted test uncertainty ratio: tolerance over expanded uncertainty. 4 is common practice, no
        source. Not used where one of the next two is given.
    u_wanted_pa, expanded_wanted_pa
        wanted standard or expanded uncertainty, Pa; one of them.
    sample_s, contact_sample_s, low_pa, high_pa, hold_s
        as in `Procedure`.
    cycles_least, cycles_most
        cycles that are allowed. A single one does not show whether the switch repeats.
    rates_pa_s
        slowest and fastest rate that is considered, Pa/s.

    Returns
    -------
    Plan

    Raises
    ------
    OptionError, DeadbandError
        an option that cannot be, or two wishes at once.

    Examples
    --------
    >>> gauge = {"resolution_pa": 1.0, "accuracy_abs_pa": 0.8, "lag_s": 0.4, "lag_u_s": 0.02}
    >>> found = plan_test(gauge, rated_pa=60.0)
    >>> found.status, found.procedure.cycles, found.reach.expanded_pa <= 6.0 / 4.0 + 1e-6
    ('ok', 2, True)
    """
    terms = Terms.of(
        rated_pa=rated_pa, tolerance=tolerance, repeatability_pa=repeatability_pa,
        unsteadiness=unsteadiness, correlation_s=correlation_s, route=route, seed=seed,
        confidence=confidence,
    )  # fmt: skip
    wanted, wish = _wish(terms, ratio, u_wanted_pa, expanded_wanted_pa)
    check_count("cycles_least", cycles_least, 1)
    check_count("cycles_most", cycles_most, cycles_least)
    slowest, fastest = check_pair("rates_pa_s", rates_pa_s, "(slowest, fastest) in Pa/s")
    positive("rates_pa_s", slowest)
    positive("rates_pa_s", fastest - slowest)
    known = known_gauge(gauge)
    base = Procedure(
        rate_pa_s=slowest, sample_s=sample_s, contact_sample_s=contact_sample_s,
        low_pa=low_pa, high_pa=high_pa, hold_s=hold_s,
    )  # fmt: skip
    base.check(rated_pa)
    status, reason = refused(known, base, terms)
    if status != "ok":
        reach = reach_of(base, terms, [], "", status=status, reason=reason)
        return Plan(
            procedure=None, reach=reach, options=_table([], _OPTIONS), curves=_table([], _CURVES),
            wanted=wanted, wanted_pa=wish, status=status, reason=reason,
        )  # fmt: skip
    ramps = _Ramps.of(known, base, terms, fastest)
    return _planned(ramps, range(cycles_least, cycles_most + 1), wanted, wish)


def _wish(
    terms: Terms, ratio: float, u_pa: float | None, expanded_pa: float | None
) -> tuple[str, float]:
    if u_pa is not None and expanded_pa is not None:
        raise DeadbandError(
            "bad_option", "two wishes at once", location="option u_wanted_pa",
            advice="give u_wanted_pa or expanded_wanted_pa",
        )  # fmt: skip
    if u_pa is not None:
        positive("u_wanted_pa", u_pa)
        return "u_pa", u_pa
    if expanded_pa is not None:
        positive("expanded_wanted_pa", expanded_pa)
        return "expanded_pa", expanded_pa
    positive("ratio", ratio)
    return "expanded_pa", terms.tolerance * terms.rated_pa / ratio


@dataclass(frozen=True)
class _Ramps:
    """Budgets of ramps at any rate: the reading's variance is found at a few of them."""

    gauge: Known
    base: Procedure
    terms: Terms
    route: Route
    log_rates: Floats
    log_variances: Floats

    @classmethod
    def of(cls, gauge: Known, base: Procedure, terms: Terms, fastest: float) -> _Ramps:
        route = route_of(gauge, terms)
        rates, variances = [], []
        for rate in np.geomspace(base.rate_pa_s, fastest, _RATES[route]):
            ramp = replace(base, rate_pa_s=float(rate))
            if refused(gauge, ramp, terms)[0] != "ok":
                break
            variance = event_variance(gauge, ramp, terms, route)
            if not math.isfinite(variance):
                break
            rates.append(float(rate))
            variances.append(max(variance, 1e-12))
        return cls(gauge, base, terms, route, np.log(rates), np.log(variances))

    def at(self, rate: float, cycles: int) -> Reach:
        ramp = replace(self.base, rate_pa_s=rate, cycles=cycles)
        variance = math.nan
        if self.log_rates.size:
            variance = math.exp(np.interp(math.log(rate), self.log_rates, self.log_variances))
        return from_reading(self.gauge, ramp, self.terms, variance, self.route)

    @property
    def rates(self) -> Floats:
        """Rates on a grid fine enough that an interval of it is a step that nobody sets by hand."""
        if not self.log_rates.size:
            return np.array([])
        return np.exp(np.linspace(self.log_rates[0], self.log_rates[-1], 41))


def _planned(ramps: _Ramps, allowed: range, wanted: str, wish: float) -> Plan:
    options, curves = [], []
    for cycles in allowed:
        reached = [ramps.at(float(rate), cycles) for rate in ramps.rates]
        curves += [(cycles, r.procedure.rate_pa_s, r.u_pa, r.expanded_pa) for r in reached]
        options.append(_fastest(ramps, reached, cycles, wanted, wish))
    good = [one for one in options if one is not None]
    rated = ramps.terms.rated_pa
    rows = [
        (cycles, None, None, None, None, None, "not_reachable")
        if one is None
        else (cycles, one.procedure.rate_pa_s, one.u_pa, one.expanded_pa, one.ratio,
              one.procedure.duration_s(rated), "ok")
        for cycles, one in zip(allowed, options, strict=True)
    ]  # fmt: skip
    tables = (_table(rows, _OPTIONS), _table(curves, _CURVES))
    if good:
        best = min(good, key=lambda one: one.procedure.duration_s(rated))
        return Plan(
            procedure=best.procedure, reach=best, wanted=wanted, wanted_pa=wish,
            duration_s=best.procedure.duration_s(rated), options=tables[0],
            curves=tables[1],
        )  # fmt: skip
    least = ramps.at(ramps.base.rate_pa_s, allowed[-1])
    if least.status != "ok":
        status, forbids, reason = least.status, None, least.reason
    else:
        status = "not_reachable"
        forbids, reason = _why_not(least, wanted, wish)
    return Plan(
        procedure=None, reach=least, wanted=wanted, wanted_pa=wish, forbids=forbids, status=status,
        reason=reason, options=tables[0], curves=tables[1],
    )  # fmt: skip


def _fastest(
    ramps: _Ramps, reached: list[Reach], cycles: int, wanted: str, wish: float
) -> Reach | None:
    """The fastest ramp that is good enough: every slower one is, or it would be an accident."""
    enough = [_value(one, wanted) <= wish for one in reached]
    if not enough or not enough[0]:
        return None
    last = enough.index(False) - 1 if False in enough else len(enough) - 1
    if last == len(enough) - 1:
        return reached[last]
    low, high = (math.log(reached[i].procedure.rate_pa_s) for i in (last, last + 1))
    for _ in range(20):
        middle = 0.5 * (low + high)
        good = _value(ramps.at(math.exp(middle), cycles), wanted) <= wish
        low, high = (middle, high) if good else (low, middle)
    return ramps.at(math.exp(low), cycles)


def _value(reach: Reach, wanted: str) -> float:
    value = reach.u_pa if wanted == "u_pa" else reach.expanded_pa
    return math.inf if value is None else value


def _why_not(reach: Reach, wanted: str, wish: float) -> tuple[str, str]:
    """The line that forbids a wish, and what to do about it."""
    source, u_pa, _, _ = reach.lines.sort("u_pa").row(-1)
    best = _value(reach, wanted)
    name = "u" if wanted == "u_pa" else "U"
    # The factor is taken as it is: what is left of the variance when the largest line is set aside.
    allowed = (wish / best * (reach.u_pa or 0.0)) ** 2 - (reach.u_pa or 0.0) ** 2 + u_pa**2
    if allowed > 0.0:
        cure = f"it would have to be {math.sqrt(allowed):.2g} Pa"
    else:
        cure = "even without it the rest is too much"
    return source, (
        f"at {reach.procedure.rate_pa_s:g} Pa/s and {reach.procedure.cycles} cycles {name} is "
        f"{best:.3g} Pa and {wish:.3g} Pa is wanted; most of it is {source}, "
        f"{u_pa:.2g} Pa, {cure}: {_ADVICE.get(source, 'take a better gauge')}"
    )


_OPTIONS: Final = {
    "cycles": pl.Int32, "rate_pa_s": pl.Float64, "u_pa": pl.Float64, "expanded_pa": pl.Float64,
    "ratio": pl.Float64, "duration_s": pl.Float64, "status": pl.String,
}  # fmt: skip
_CURVES: Final = {
    "cycles": pl.Int32, "rate_pa_s": pl.Float64, "u_pa": pl.Float64, "expanded_pa": pl.Float64,
}  # fmt: skip


def _table(rows: list[tuple[Any, ...]], schema: Mapping[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=dict(schema), orient="row")
