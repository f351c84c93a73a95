"""The lag of a gauge by its routes: from rates, from a step, from a reference, and together."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import polars as pl

import deadband as db
from deadband import simulate

from .scores import Cell, Found, Row, score
from .stands import DEADBAND_PA, STEP_PA, gauge, rng_of

RATES, STEP, REFERENCE, COMBINED = FAMILIES = (
    "lag, rates",
    "lag, step",
    "lag, reference",
    "lag, combined",
)
METER_U_S = 0.01
#: Rates of a gauge's ramp tests, Pa/s, and cycles of each, by the changes of contact they give.
PLANS: dict[str, tuple[tuple[float, ...], int]] = {
    "6 in 3 tests": ((3.0, 6.0, 12.0), 1),
    "18 in 3 tests": ((3.0, 6.0, 12.0), 3),
    "20 in 10 tests": ((3.0, 3.0, 4.0, 5.0, 6.0, 6.0, 8.0, 10.0, 12.0, 12.0), 1),
}
FEW, MANY, TEN = PLANS


class Case(NamedTuple):
    """A gauge and how it is logged."""

    lag: tuple[float, float] = (0.1, 0.3)
    noise: str = "1/2"
    hertz: float = 10.0
    extra: float | str = ""

    @property
    def gauge(self) -> simulate.Gauge:
        """The gauge."""
        above, _, below = self.noise.partition("/")
        return gauge(STEP_PA, float(above) / float(below or 1), self.lag)

    @property
    def logger(self) -> simulate.Logger:
        """The logger, its contact meter on the same clock."""
        return simulate.Logger(sample_s=1.0 / self.hertz)

    def cell(self, extra: str) -> Cell:
        """The factors as the tables name them; `extra` names the last."""
        return {
            "gauge, s": f"{self.lag[0]:g} + {self.lag[1]:g}",
            "noise, steps": self.noise,
            "sampling, Hz": self.hertz,
            extra: self.extra,
        }


def _cases(first: float | str, *others: Case) -> list[Case]:
    return [
        Case(extra=first),
        Case((0.05, 0.1), extra=first),
        Case((0.2, 0.6), extra=first),
        *others,
    ]


#: The last factor: changes of contact a gauge.
RATE_CASES = _cases(
    FEW,
    Case(noise="1", extra=FEW),
    Case(noise="1/50", extra=FEW),
    Case(hertz=5.0, extra=FEW),
    Case(hertz=50.0, extra=FEW),
    Case(extra=MANY),
    Case(extra=TEN),
)
#: How the instant of the step is known.
STEP_CASES = _cases(
    "exact",
    Case(noise="1", extra="exact"),
    Case(noise="1/50", extra="exact"),
    Case(hertz=5.0, extra="exact"),
    Case(hertz=50.0, extra="exact"),
    Case(extra="to a sample"),
)
#: Sampling of the reference, Hz.
REFERENCE_CASES = _cases(14.3)
#: Delay of the contact meter, s.
COMBINED_CASES = _cases(0.1, Case(extra=0.0))


def ramps(case: Case, names: list[str], plan: str, delay_s: float, seed: int) -> pl.DataFrame:
    """The ramp tests of `PLANS` for each gauge, all of one switch a gauge."""
    rates, cycles = PLANS[plan]
    rng = np.random.default_rng([seed, len(names), round(1000 * case.hertz)])
    opens = rng.uniform(55.0, 65.0, len(names))
    logger = simulate.Logger(sample_s=1.0 / case.hertz, contact_delay_s=delay_s)
    tests = [
        simulate.PlannedTest(
            test_id=f"{name} {index}",
            unit=simulate.Unit(
                switch_id=f"switch {name}",
                rated_pa=60.0,
                switch=simulate.Switch(open_pa=opened, close_pa=opened + DEADBAND_PA),
            ),
            instrument=simulate.Instrument(gauge_id=name, gauge=case.gauge),
            motion=simulate.Ramp(rate_pa_s=rate, cycles=cycles, unsteadiness=0.2),
            logger=logger,
        )
        for name, opened in zip(names, opens, strict=True)
        for index, rate in enumerate(rates)
    ]
    return simulate.fleet(tests, seed=seed).tests


def lag_from_a_step(case: Case, name: str, phase: float, seed: int) -> pl.DataFrame:
    """One step of pressure, at an instant anywhere between two samples."""
    start = 5.0 + phase / case.hertz
    fall = simulate.Pinch(fall_s=1e-4, count=1, before_s=start, after_s=6.0)
    made = simulate.recording(gauge=case.gauge, motion=fall, logger=case.logger, seed=seed)
    kept = made.time_s < start + 6.0
    exact = case.extra != "to a sample"
    seen = start if exact else 5.0 + 0.5 / case.hertz
    return db.lag_from_step(
        made.time_s[kept],
        made.pressure_pa[kept],
        unit="Pa",
        gauge_id=name,
        start_s=seen,
        start_u_s=0.0 if exact else None,
    )


def lag_from_a_reference(case: Case, name: str, seed: int) -> pl.DataFrame:
    """One cycle by hand, seen by the gauge and by a fine reference without a lag."""
    hand = simulate.Ramp(cycles=1, rate_pa_s=15.0, unsteadiness=0.2, hold_s=1.0)
    fine = simulate.Gauge(dead_time_s=0.0, time_constant_s=0.0, resolution_pa=0.1, noise_pa=0.1)
    clock = simulate.Logger(sample_s=1.0 / float(case.extra), jitter=0.2)
    tested = simulate.recording(gauge=case.gauge, motion=hand, logger=case.logger, seed=seed)
    other = simulate.recording(gauge=fine, motion=hand, logger=clock, seed=seed)
    return db.lag_from_reference(
        tested.time_s,
        tested.pressure_pa,
        other.time_s,
        other.pressure_pa,
        unit="Pa",
        gauge_id=name,
    )


def _row(family: str, cell: Cell, lags: pl.DataFrame, truth: float) -> Row:
    known = lags.drop_nulls("lag_u_s")
    columns = [known[name].to_numpy() for name in ("lag_s", "lag_u_s")]
    dof = known["dof"].fill_null(np.inf).to_numpy()
    found = Found(*columns, dof, np.full(known.height, truth))
    return score(family, cell, {"lag": found}, lost=lags.height - known.height)


def rates_row(case: Case, count: int, seed: int) -> Row:
    """Many gauges, each known only from its own ramps."""
    cell = case.cell("changes")
    names = [f"{RATES} {dict(cell)} {i}" for i in range(count)]
    tests = ramps(case, names, str(case.extra), 0.0, seed)
    return _row(RATES, cell, db.estimate_lag(db.fit_events(tests)), sum(case.lag))


def step_row(case: Case, count: int, seed: int) -> Row:
    """Many steps."""
    cell = case.cell("start known")
    rng = rng_of(seed, STEP, cell)
    found = [
        lag_from_a_step(case, "g", phase, int(rng.integers(2**63)))
        for phase in rng.uniform(size=count)
    ]
    return _row(STEP, cell, pl.concat(found), sum(case.lag))


def reference_row(case: Case, count: int, seed: int) -> Row:
    """Many pairs of gauges."""
    cell = case.cell("reference, Hz")
    rng = rng_of(seed, REFERENCE, cell)
    found = [lag_from_a_reference(case, "g", int(rng.integers(2**63))) for _ in range(count)]
    return _row(REFERENCE, cell, pl.concat(found), sum(case.lag))


def combined_row(case: Case, count: int, seed: int) -> Row:
    """Ramps and a step of the same gauges, the contact meter's delay known with an error."""
    cell = case.cell("contact meter, s")
    rng = rng_of(seed, COMBINED, cell)
    delay = float(case.extra)
    names = [f"{COMBINED} {dict(cell)} {i}" for i in range(count)]
    by_rates = db.estimate_lag(db.fit_events(ramps(case, names, FEW, delay, seed)))
    parts = []
    for name, phase in zip(names, rng.uniform(size=count), strict=True):
        step = lag_from_a_step(case, name, phase, int(rng.integers(2**63)))
        u = METER_U_S if delay else 0.0
        meter = db.Lag(max(rng.normal(delay, u), 0.0), u=u)
        parts.append(db.combine_lags(by_rates.filter(gauge_id=name), step, contact_delay=meter))
    return _row(COMBINED, cell, pl.concat(parts), sum(case.lag) - delay)


def rows(count: int, few: int, seed: int, *, quick: bool = False) -> list[Row]:
    """All routes, `few` pairs of gauges a cell; `quick` takes one case each."""
    routes: list[tuple[list[Case], Callable[[Case, int, int], Row], int]] = [
        (RATE_CASES, rates_row, count),
        (STEP_CASES, step_row, count),
        (REFERENCE_CASES, reference_row, few),
        (COMBINED_CASES, combined_row, count),
    ]
    return [
        make(case, number, seed)
        for cases, make, number in routes
        for case in (cases[:1] if quick else cases)
    ]
