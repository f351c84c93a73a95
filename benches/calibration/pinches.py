"""Pinched lines: openings in falls that are over within a few readings.

A fall through a first-order gauge looks the same with fall time and time constant exchanged. Who
knows the mean of the lag alone can only weigh what may be, every split of the lag and every fall
equally likely beforehand. That is right on the average over gauges and falls so drawn, and there it
is measured. With one split, or one fall, in all tests of a cell the error is much the same in each:
a bias that no method could see, in tables of its own.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from deadband import simulate

from .scores import Cell, Row, of, score
from .stands import Stand, mean_lags, record, setpoints

FAMILY, ONE_FALL, ONE_SPLIT = FAMILIES = (
    "pinches",
    "pinches, one fall",
    "pinches, one split",
)
REPEATABILITY_PA = 0.3
MEAN, PARTS = "mean", "parts"
COUNT = 3
LAG = (0.1, 0.3)
#: Fall times where every test has its own, s: from nearly none, as the analysis takes it.
ANY_FALL = (0.02, 0.8)

#: Fall time s (None: a test its own), sampling Hz, contact on a clock of its own at 500 Hz, dead
#: time and time constant.
Factors = tuple[float | None, float, bool, tuple[float, float]]

RATES = (5.0, 10.0, 20.0, 50.0)
OTHER_LAGS = ((0.05, 0.1), (0.2, 0.6), (0.3, 0.1))
CLOCKS = (False, True)

CELLS: list[Factors] = [
    *((fall, hertz, own, LAG) for fall in (0.2, 0.4, 0.8) for hertz in RATES for own in CLOCKS),
    *((fall, 10.0, own, lag) for lag in OTHER_LAGS for fall in (0.2, 0.8) for own in CLOCKS),
]
#: At one sampling rate, which matters little to what the split does.
ONE_SPLIT_CELLS = [cell for cell in CELLS if cell[1] == 10.0]
#: Of two gauges with the same mean lag one.
ONE_FALL_CELLS = [cell for cell in ONE_SPLIT_CELLS if cell[3] != OTHER_LAGS[-1]]
ANY_CELLS: list[Factors] = [
    *((None, hertz, own, LAG) for hertz in RATES for own in CLOCKS),
    *((None, 10.0, own, lag) for lag in OTHER_LAGS[:-1] for own in CLOCKS),
]


def _stand(factors: Factors, *, any_split: bool) -> Stand:
    fall, hertz, own_clock, (dead_time_s, time_constant_s) = factors
    least, most = ANY_FALL if fall is None else (fall, fall)
    return Stand(
        simulate.Gauge(dead_time_s=dead_time_s, time_constant_s=time_constant_s),
        lambda phase, other: simulate.Pinch(
            fall_s=least + (most - least) * other, count=COUNT, before_s=4.0 + phase
        ),
        simulate.Logger(sample_s=1.0 / hertz, contact_sample_s=0.002 if own_clock else None),
        REPEATABILITY_PA,
        any_split,
    )


def _cell(factors: Factors, known: str, gauge: str) -> Cell:
    fall, hertz, own_clock, _ = factors
    return {
        "fall, s": "any" if fall is None else fall,
        "sampling, Hz": hertz,
        "contact": "500 Hz" if own_clock else "as readings",
        "lag known as": known,
        "gauge, s": gauge,
    }


def _row(
    family: str, cell: Cell, made: simulate.Fleet, truth: pl.DataFrame, lags: pl.DataFrame
) -> Row:
    found, lost, _ = setpoints(made.tests, lags, truth, ("open",))
    return score(family, cell, found, lost=lost)


def fixed_rows(factors: Factors, count: int, seed: int) -> list[Row]:
    """Gauges all alike, both parts of their lag known; of some cells also with the mean alone."""
    lag = factors[-1]
    gauge = f"{lag[0]:g} + {lag[1]:g}"
    cell = _cell(factors, PARTS, gauge)
    made, truth = record(_stand(factors, any_split=False), count, seed, FAMILY, cell)
    mean = mean_lags(made)
    parts = mean.with_columns(time_constant_s=pl.lit(lag[1]), dead_time_s=pl.col("lag_s") - lag[1])
    rows = [_row(FAMILY, cell, made, truth, parts)]
    if factors in ONE_SPLIT_CELLS:
        rows.append(_row(ONE_SPLIT, _cell(factors, MEAN, gauge), made, truth, mean))
    return rows


def any_split_row(factors: Factors, count: int, seed: int) -> Row:
    """The mean lag known, each test's gauge with a split of its own."""
    family = FAMILY if factors[0] is None else ONE_FALL
    cell = _cell(factors, MEAN, f"{sum(factors[-1]):g}, any split")
    made, truth = record(_stand(factors, any_split=True), count, seed, family, cell)
    return _row(family, cell, made, truth, mean_lags(made))


def rows(count: int, seed: int, *, quick: bool = False) -> list[Row]:
    """All cells; `quick` takes a few."""
    some = slice(2, None, 10) if quick else slice(None)
    fixed = [row for cell in CELLS[some] for row in fixed_rows(cell, count, seed)]
    drawn = [any_split_row(cell, count, seed) for cell in (ANY_CELLS + ONE_FALL_CELLS)[some]]
    both = [*drawn, *fixed]
    return [row for family in FAMILIES for row in of(both, family)]


def worst_told(rows: Sequence[Row]) -> str:
    """The worst bias of a family in Markdown, and how it stands to u."""
    worst = max(rows, key=lambda row: abs(row.worst_bias) / row.median_u)
    share = worst.worst_bias / worst.median_u
    where = "inside u" if abs(share) <= 1.0 else "beyond u but inside 2 u"
    if abs(share) > 2.0:
        where = "beyond 2 u"
    return f"The worst bias is {worst.worst_bias:+.2f} Pa, {share:+.2f} u ({worst.label}): {where}."
