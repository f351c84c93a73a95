"""The study as a page in Markdown."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import deadband as db

from . import bars, causes, coarse, histories, lags, pinches, ramps, walks
from .scores import LEVELS, Row, by_family, shown
from .stands import LAG_U_S


class Family(NamedTuple):
    """How the table of a family is headed and in which unit it speaks."""

    title: str
    unit: str
    per_unit: float
    digits: int
    ratios: dict[str, str]


FAMILIES = {
    ramps.FAMILY: Family(
        "Ramps on a display that flickers", "Pa", 1.0, 3, {"bound": "RMSE / least possible"}
    ),
    coarse.FAMILY: Family(
        "Coarse displays",
        "Pa",
        1.0,
        3,
        {
            "white": "RMSE / white-noise model's",
            coarse.PATH: "the same of the signal at an event",
        },
    ),
    walks.FAMILY: Family(
        "Paths whose rate walks at random", "Pa", 1.0, 3, {"told": "RMSE / told the parameter"}
    ),
    lags.RATES: Family("Lag from ramps at different rates", "ms", 1e-3, 1, {}),
    lags.STEP: Family("Lag from a step", "ms", 1e-3, 1, {}),
    lags.REFERENCE: Family("Lag from a reference gauge", "ms", 1e-3, 1, {}),
    lags.COMBINED: Family("Lag from ramps and a step together", "ms", 1e-3, 1, {}),
    pinches.FAMILY: Family("Pinches", "Pa", 1.0, 2, {}),
    pinches.ONE_FALL: Family(
        "Pinches, one fall, the same for every test, any split", "Pa", 1.0, 2, {}
    ),
    pinches.ONE_SPLIT: Family("Pinches, one split, the same for every test", "Pa", 1.0, 2, {}),
    histories.TREND: Family("Slope of a switch by its own tests", "Pa/year", 1.0, 3, {}),
    histories.LINE: Family("Line of a switch in its fleet", "Pa/year or Pa", 1.0, 3, {}),
    histories.FLEET: Family("Mean slope of a fleet", "Pa/year", 1.0, 4, {}),
    histories.REPLACED: Family("Fleet whose gauge was replaced", "Pa/year or Pa", 1.0, 3, {}),
}


def table(rows: Sequence[Row]) -> str:
    """The rows of one family in Markdown."""
    told = FAMILIES[rows[0].family]
    lost = any(row.lost for row in rows)
    quantities = list(rows[0].bias)
    names = [f"bias {name}" if len(quantities) > 1 else "bias" for name in quantities]
    head = [
        *rows[0].cell,
        "n",
        *(["without result"] if lost else []),
        *(f"{name}, {told.unit}" for name in names),
        f"RMSE, {told.unit}",
        "median u / RMSE",
        *(f"in {100 * p:.0f} %" for p in LEVELS),
        *told.ratios.values(),
    ]
    lines = [f"| {' | '.join(head)} |", "|" + "---:|" * len(head)]
    for row in rows:
        cells = [
            *map(shown, row.cell.values()),
            str(row.n),
            *([str(row.lost)] if lost else []),
            *(f"{bias / told.per_unit:+.{told.digits}f}" for bias in row.bias.values()),
            f"{row.rmse / told.per_unit:.{told.digits}f}",
            f"{row.sharpness:.2f}",
            *(f"{100 * share:.1f}" for share in row.coverage),
            *(f"{row.ratios[name]:.2f}" if name in row.ratios else "" for name in told.ratios),
        ]
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def _before(family: str, rows: Sequence[Row]) -> str:
    biased = {
        pinches.ONE_FALL: "Fall and time constant exchanged look the same, and the fall of all "
        "tests is one of many that the analysis thinks possible",
        pinches.ONE_SPLIT: "Only the mean of the lag is known, and the split of all tests is one "
        "of many that the analysis thinks possible",
    }
    if family not in biased:
        return ""
    return f"{biased[family]}: their error is a bias. {pinches.worst_told(rows)}\n\n"


def summary(rows: Sequence[Row]) -> str:
    """A line a family in Markdown, the range of its cells given; the README shows the same."""
    lines = [
        "| recordings | cells | results | 95 % intervals hold | in one cell | median u / RMSE | |",
        "|---|---:|---:|---:|---:|---:|---|",
    ]
    for family, members in by_family(rows).items():
        told = FAMILIES[family]
        total = sum(row.n for row in members)
        whole = sum(row.n * row.coverage[1] for row in members) / total
        low, high = (pick(100 * row.coverage[1] for row in members) for pick in (min, max))
        sharp = [row.sharpness for row in members]
        beside = []
        for name, words in told.ratios.items():
            ratios = [row.ratios[name] for row in members if name in row.ratios]
            beside.append(f"{words}: {min(ratios):.2f} to {max(ratios):.2f}")
        lines.append(
            f"| {told.title} | {len(members)} | {total} | {100 * whole:.1f} % "
            f"| {low:.1f} to {high:.1f} % | {min(sharp):.2f} to {max(sharp):.2f} "
            f"| {', '.join(beside)} |"
        )
    return "\n".join(lines)


def page(rows: Sequence[Row], *, command: str, on: str, picture: str) -> str:
    """Write the study up.

    Parameters
    ----------
    rows
        all cells.
    command, on
        what made it, and when.
    picture
        name of the picture beside the page.
    """
    tables = "\n\n".join(
        f"### {FAMILIES[family].title}\n\n{_before(family, members)}{table(members)}"
        for family, members in by_family(rows).items()
    )
    errors = {
        n: 100 * (0.95 * 0.05 / n) ** 0.5 for n in sorted({row.n for row in rows}, reverse=True)
    }
    scatter = ", ".join(f"{error:.1f} points in {n}" for n, error in errors.items())
    lost = sum(row.lost for row in rows)
    return f"""\
# Calibration study

Made on {on} with deadband {db.__version__} by {command}.
Simulated recordings whose truth is known; every cell has random numbers of its own, and the same
command makes the same page. A simulation shows what the method does with the pressure, gauge and
switch described here, not that yours are like them: it is no permission to operate anything.

## Measures of done

{bars.table(rows)}

A row is one cell. Counting errs too: a coverage of 95 % has a standard error of
{scatter} results. Where a measure is missed "by no more than counting errs", the interval of 95 %
of the cell's own figure (Wilson 1927 for shares) reaches back inside.

![Coverage, bias and RMSE of every cell]({picture})

*Every cell, families side by side in the order of the tables; bars are what the count leaves open.
Biases beyond 1.5 u are drawn at the edge. Hollow: only the mean of the lag is known.*

## What came out

{summary(rows)}

{lost} of {sum(row.n + row.lost for row in rows)} results were not given (`status` says why).

### Cells outside 92 to 99 %

{causes.explained(rows)}

## What was simulated

Switches open between 55 and 65 Pa, each with a setpoint of its own so that it falls anywhere
between two steps of the display, and close 10 Pa above. A setpoint is that of the switch: the
scatter of its cycles ({ramps.REPEATABILITY_PA:g} Pa; {coarse.REPEATABILITY_PA:g} Pa on coarse
displays) is part of the error. Where the lag is stated it is off by a random error with the stated
u = {LAG_U_S:g} s, and half the display's refresh is part of it. Noise is that of one reading before
the display rounds it, in steps of the display. "Lag, s" and "gauge, s" are dead time + time
constant. Open and close of a test count as two results; they share the lag's error with opposite
signs.

- **Ramps**: three cycles between 0 and 100 Pa. The rate differs between strokes (lognormal, 25 %)
  and wanders within each with a correlation time of 1 s (unsteadiness, as a fraction of the rate).
  Least possible is the best linear estimate by one who knows the hand's covariance, the noise
  (rounding as white noise), dead time and time constant, scatter and lag uncertainty, but not the
  level and mean rate of a stroke; brackets as if uniform, so that several of them may beat it.
- **Coarse displays**: the same, noise a fiftieth to a third of the step. No least possible is
  given: rounding is not white noise there, and the best reading of intervals is not linear. The
  white-noise model is this library's smoother with its own search, given the same stroke and the
  stated lag, the mean of the cycles; it is not told which readings are at rest. The scatter of the
  switch and the error of the stated lag are part of both, so that their ratio is nearer to 1 than
  that of the readings alone. That one stands beside: the gauge's signal at single events whose
  instants both are told, so that scatter, brackets and lag have no part in it.
- **Paths whose rate walks at random**: {walks.READINGS} readings at 10 Hz, noise
  {walks.NOISE_PA:g} Pa, the smoother's own model drawn exactly; value at one instant in the middle,
  beside the same smoother told how much the rate walks. Its u takes the parameter that it found for
  the true one.
- **Lag**: each gauge known only from its own recordings. Rates: ramps of one cycle at 3, 6 and 12
  Pa/s (unsteadiness 0.2) on one switch; of three cycles for 18 changes, ten ramps at 3 to 12 Pa/s
  for 20. Step: a fall within 0.1 ms anywhere between two samples. Reference: one cycle at 15 Pa/s
  beside a gauge without lag (step 0.1 Pa, uneven clock). Combined: the six changes and a step, the
  contact meter's delay known to {1e3 * lags.METER_U_S:g} ms.
- **Pinches**: three falls from 90 Pa towards 0, a display of 1 Pa with noise of 0.5 Pa, the
  contact sampled with the readings or on a clock of its own. The lag is known in both parts, the
  dead time then having the mean's error, or as its mean. Where only the mean is known the analysis
  takes every split of it into dead time and time constant, and every fall, for equally likely; the
  tests of "any split" and "any fall" are drawn so, falls from {pinches.ANY_FALL[0]:g} to
  {pinches.ANY_FALL[1]:g} s, and the measure is read there. One split, or one fall, in all tests of
  a cell gives the same error again and again, a bias that no method can see: tables of their own.
- **Histories**: switches of level {histories.LEVEL_SD_PA:g} Pa and slope {histories.SLOPE_SD:g}
  Pa/year about the fleet's, correlated by a half, a test a year with u of {histories.U_PA[0]:g} to
  {histories.U_PA[1]:g} Pa and an excess between tests. Slope of a switch alone by `drift`; by
  `growth` of {histories.SWITCHES} switches its slope and its level {histories.AHEAD:g} years after
  the last test, whose interval is that of a forecast date too, and the mean slope of the fleet.
  Where the gauge was replaced half way each of the two is off by anything within
  ± {histories.LIMIT_PA:g} Pa, as is stated of it; of each fleet one switch, for all of them are
  right or wrong together.

## The cells

{tables}

## What this does not cover

- Not every combination: corners of rate, noise and unsteadiness, and one factor after the other
  about them.
- Drifting gauges, gauges off by more than is stated, chatter, leaks, gaps, saturation, contacts
  that stick; the uncertainty of single events.
- Noise that is not white, and hands that move otherwise than described above.
"""
