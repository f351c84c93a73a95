"""Which test was done when, with what, and when a switch was taken out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from typing import Final

from ..simulate import InService, Pinch, PlannedTest, Ramp
from ._draw import Draw
from ._stock import (
    GAUGES,
    LOGGERS,
    REPLACED,
    TECHNICIANS,
    TRAINEES,
    TRAINING,
    WELDED,
    Aging,
)

YEARS: Final = (2021, 2022, 2023, 2024, 2025)

# The fourth gauge belongs to the bench with the motor valve, which serves these places from 2023 on
# and always moves the pressure at the same rate.
BENCH_NUMBERS: Final = ("06", "07", "08")
BENCH_SINCE: Final = 2023
BENCH_RATE_PA_S: Final = 5.0

STRICT_SINCE: Final = 2024


def plan(seed: int, stock: dict[str, Aging]) -> list[PlannedTest]:
    """Every test of the fleet, in the order of its date.

    Examples
    --------
    >>> from ._stock import stock
    >>> tests = plan(1, stock(1))
    >>> sorted({test.motion.method for test in tests})
    ['in_service', 'pinch', 'ramp']
    """
    tests = [*_study(seed, stock)]
    for switch_id, aging in stock.items():
        if switch_id not in TRAINING:
            tests += _life(seed, aging)
    return sorted(tests, key=lambda test: (str(test.tested_at), test.test_id))


def _life(seed: int, aging: Aging) -> list[PlannedTest]:
    """The yearly tests of one switch in the field, until it is taken out."""
    switch_id = aging.unit.switch_id
    tests: list[PlannedTest] = []
    removed = REPLACED.get(switch_id)
    failed = False
    for year in YEARS:
        draw = Draw(seed, f"{switch_id}/{year}")
        day = draw.day(date(year, 2, 1), 300)
        if removed is not None and day >= removed:
            break
        if day < (aging.unit.installed_on or day):
            continue
        tests += _visits(draw, aging, year, day)
        if _found_bad(aging, day):
            removed, failed = day + timedelta(days=draw.choice((7, 14, 21))), True
            break
    unit = replace(aging.unit, removed_on=removed, failed=failed)
    return [replace(test, unit=unit) for test in tests]


def _found_bad(aging: Aging, day: date) -> bool:
    """Whether the visit ends with an order to replace it: welded, or far below its rating.

    Far is a fifth until 2023 and an eighth from then on: rules of the invented company, not of the
    trade.
    """
    switch = aging.on(day)
    far = 1 / 5 if day.year < STRICT_SINCE else 1 / 8
    return switch.stuck is not None or switch.open_pa < (1.0 - far) * aging.unit.rated_pa


def _visits(draw: Draw, aging: Aging, year: int, day: date) -> Iterator[PlannedTest]:
    switch_id = aging.unit.switch_id
    gauge_id = draw.choice(("G1", "G2", "G3"))
    on_bench = switch_id[-2:] in BENCH_NUMBERS and year >= BENCH_SINCE
    operator_id = draw.choice(tuple(TECHNICIANS))
    rated = aging.unit.rated_pa
    ramp = Ramp(
        high_pa=1.3 * rated,
        rate_pa_s=draw.uniform(2.5, 7.5),
        rate_spread=0.35,
        unsteadiness=draw.uniform(0.08, 0.2),
        hold_s=3.0,
    )
    if on_bench:
        gauge_id = "G4"
        ramp = on_the_bench(ramp)
    base = PlannedTest(
        test_id=f"{year}-{switch_id}",
        unit=aging.unit,
        instrument=GAUGES[gauge_id],
        motion=ramp,
        logger=LOGGERS[gauge_id],
        operator=TECHNICIANS[operator_id],
        operator_id=operator_id,
        tested_at=draw.working_time(day),
        switch=aging.on(day),
    )
    yield base
    if on_bench or switch_id == WELDED[0]:
        return
    if year == 2024 and draw.uniform(0.0, 1.0) < 0.9:
        yield _pinched(draw, base)
    if year in {2023, 2025} and draw.uniform(0.0, 1.0) < 0.6:
        yield _in_service(draw, base)


def on_the_bench(ramp: Ramp) -> Ramp:
    """The same ramp driven by the motor valve.

    Examples
    --------
    >>> on_the_bench(Ramp(rate_pa_s=3.0)).rate_pa_s
    5.0
    """
    return replace(ramp, rate_pa_s=BENCH_RATE_PA_S, rate_spread=0.0, unsteadiness=0.0)


def _pinched(draw: Draw, base: PlannedTest) -> PlannedTest:
    rated = base.unit.rated_pa
    return replace(
        base,
        test_id=f"{base.test_id}-pinch",
        motion=Pinch(
            level_pa=draw.uniform(1.3, 1.5) * rated,
            fall_s=draw.uniform(0.25, 0.7),
            before_s=3.0,
            after_s=4.0,
        ),
        logger=replace(base.logger, sample_s=0.05),
    )


def _in_service(draw: Draw, base: PlannedTest) -> PlannedTest:
    rated = base.unit.rated_pa
    return replace(
        base,
        test_id=f"{base.test_id}-service",
        motion=InService(
            level_pa=draw.uniform(1.35, 1.5) * rated,
            rise_s=draw.uniform(2.0, 4.0),
            fall_s=draw.uniform(2.5, 5.0),
            flow_noise_pa=draw.uniform(0.008, 0.02) * rated,
        ),
    )


def _study(seed: int, stock: dict[str, Aging]) -> Iterator[PlannedTest]:
    """Five trainees test six switches by three methods, twice each, in one week of March 2024."""
    for day, (trainee, (operator, rate)) in enumerate(TRAINEES.items()):
        for switch_id in TRAINING:
            unit = stock[switch_id].unit
            for repeat in (1, 2):
                draw = Draw(seed, f"{trainee}/{switch_id}/{repeat}")
                level = draw.uniform(1.35, 1.45) * unit.rated_pa
                motions = (
                    Ramp(
                        cycles=2, high_pa=1.25 * unit.rated_pa, rate_pa_s=rate, rate_spread=0.3,
                        hold_s=1.0,
                    ),
                    Pinch(
                        level_pa=level, fall_s=draw.uniform(0.3, 0.6), before_s=3.0, after_s=3.0,
                        count=2,
                    ),
                    InService(
                        level_pa=level, rise_s=2.5, fall_s=3.5, starts=1, run_s=15.0,
                        flow_noise_pa=0.015 * unit.rated_pa,
                    ),
                )  # fmt: skip
                for motion in motions:
                    yield PlannedTest(
                        test_id=f"study-{trainee[-1]}-{switch_id}-{motion.method}-{repeat}",
                        unit=unit,
                        instrument=GAUGES["G2"],
                        motion=motion,
                        logger=LOGGERS["G2"],
                        operator=operator,
                        operator_id=trainee,
                        tested_at=draw.working_time(date(2024, 3, 11) + timedelta(days=day)),
                    )
