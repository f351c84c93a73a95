"""The measures of done, each compared with the rows that it speaks of."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from . import coarse, histories, lags, pinches, ramps, walks
from .scores import BAND, Row, counted, of


@dataclass(frozen=True)
class Bar:
    """One measure on its rows.

    Attributes
    ----------
    where, wanted
        the rows in words, and what is wanted of them.
    rows
        the rows.
    excess
        how far a row is beyond the measure, in its own unit; 0 or less: met.
    told
        the row's figure in words.
    within_chance
        whether the row's own counting error could carry it back inside; None where that is not
        reckoned.
    highest
        the largest share of intervals that is right, if the measure is one of coverage.
    """

    where: str
    wanted: str
    rows: Sequence[Row]
    excess: Callable[[Row], float]
    told: Callable[[Row], str]
    within_chance: Callable[[Row], bool] | None = None
    highest: float | None = None

    def _blind(self, missed: Sequence[Row]) -> str:
        """How many rows lie so high that their number of results could not tell 100 % from it."""
        if self.highest is None:
            return ""
        high = self.highest
        blind = sum(row.coverage[1] > high and counted(1.0, row.n)[0] <= high for row in missed)
        return f"; {blind} lie above, with too few results to tell 100 % from it" if blind else ""

    @property
    def missed(self) -> list[Row]:
        """Rows that do not meet it."""
        return [row for row in self.rows if self.excess(row) > 0.0]

    @property
    def worst(self) -> Row:
        """The row that is furthest out, or nearest to it."""
        return max(self.rows, key=self.excess)

    @property
    def line(self) -> str:
        """The measure as a row of a Markdown table."""
        missed = self.missed
        verdict = "met" if not missed else f"not met in {len(missed)} of {len(self.rows)}"
        if missed and self.within_chance is not None:
            chance = sum(map(self.within_chance, missed))
            verdict += f" ({chance} of them by no more than counting errs{self._blind(missed)})"
        worst = f"{self.told(self.worst)} ({self.worst.label})"
        return f"| {self.where} | {len(self.rows)} | {self.wanted} | {worst} | {verdict} |"


def _coverage(where: str, rows: Sequence[Row], low: float, high: float) -> Bar:
    def outside(row: Row) -> float:
        return max(low - row.coverage[1], row.coverage[1] - high)

    def by_chance(row: Row) -> bool:
        least, most = counted(row.coverage[1], row.n)
        return least <= high and most >= low

    wanted = f"95 % intervals hold {100 * low:.0f} to {100 * high:.0f} %"
    if high >= 1.0:
        wanted = f"95 % intervals hold at least {100 * low:.0f} %"
    return Bar(
        where,
        wanted,
        rows,
        outside,
        lambda row: f"{100 * row.coverage[1]:.1f} %",
        by_chance,
        high if high < 1.0 else None,
    )


def _sharp(where: str, rows: Sequence[Row]) -> Bar:
    return Bar(
        where,
        "median u at most 1.25 RMSE",
        rows,
        lambda row: row.sharpness - 1.25,
        lambda row: f"{row.sharpness:.2f}",
    )


def _ratio(where: str, rows: Sequence[Row], name: str, limit: float, what: str) -> Bar:
    return Bar(
        where,
        f"RMSE at most {limit:g} times {what}",
        rows,
        lambda row: row.ratios[name] - limit,
        lambda row: f"{row.ratios[name]:.2f}",
        lambda row: row.ratios[name] * (1.0 - 1.96 / (2.0 * row.n) ** 0.5) <= limit,
    )


def _ramp_bars(rows: Sequence[Row]) -> list[Bar]:
    where = "ramps, 2 to 20 Pa/s, 10 Hz, step 2.49 Pa"
    mine = [row for row in of(rows, ramps.FAMILY) if ramps.is_in_the_bar(row)]
    bias = Bar(
        where,
        "bias below 0.1 % of the setpoint",
        mine,
        lambda row: abs(row.worst_bias) / row.truth - 0.001,
        lambda row: f"{100 * row.worst_bias / row.truth:+.2f} %",
        lambda row: (
            abs(row.worst_bias) - 1.96 * row.rmse / (row.n / 2.0) ** 0.5 <= 1e-3 * row.truth
        ),
    )
    bound = _ratio(where, mine, "bound", 1.15, "the least possible")
    return [bias, _coverage(where, mine, 0.93, 0.98), _sharp(where, mine), bound]


def _coarse_bars(rows: Sequence[Row]) -> list[Bar]:
    where = "coarse displays, 1 to 12 Pa/s, 10 Hz, step 2.49 Pa"
    mine = [row for row in of(rows, coarse.FAMILY) if coarse.is_in_the_bar(row)]
    slow = [
        row
        for row in mine
        if row.cell["noise, steps"] == "1/50" and float(row.cell["rate, Pa/s"]) <= 3.0
    ]
    return [
        _coverage(where, mine, 0.93, 0.99),
        _sharp(where, mine),
        _ratio(where, mine, "white", 1.15, "the white-noise model's"),
        _ratio(
            "the same, 1/50 of a step, 1 and 3 Pa/s, the signal at single events",
            slow,
            coarse.PATH,
            0.5,
            "the white-noise model's",
        ),
    ]


def _lag_bars(rows: Sequence[Row]) -> list[Bar]:
    where = "lag from 6 changes or more"
    mine = of(rows, lags.RATES)
    bias = Bar(
        where,
        "bias below 10 ms",
        mine,
        lambda row: abs(row.worst_bias) - 0.010,
        lambda row: f"{1e3 * row.worst_bias:+.1f} ms",
        lambda row: abs(row.worst_bias) - 1.96 * row.rmse / row.n**0.5 <= 0.010,
    )
    others = of(rows, lags.STEP, lags.REFERENCE, lags.COMBINED)
    routes = "lag by a step, a reference, combined"
    return [bias, _coverage(where, mine, 0.93, 0.98), _coverage(routes, others, 0.93, 0.98)]


def _pinch_bars(rows: Sequence[Row]) -> list[Bar]:
    pinched = of(rows, pinches.FAMILY)
    fall = "pinches, fall time 0.2 to 0.8 s"
    least, most = pinches.ANY_FALL
    drawn = f"pinches, mean lag known, any split, any fall from {least:g} to {most:g} s"
    found = []
    for known, where in (
        (pinches.PARTS, f"{fall}, both parts of the lag known"),
        (pinches.MEAN, drawn),
    ):
        mine = [row for row in pinched if row.cell["lag known as"] == known]
        found += [_coverage(where, mine, 0.93, 1.0), _pinch_bias(where, mine)]
    one_fall = of(rows, pinches.ONE_FALL)
    found += [
        _coverage(f"{fall}, mean lag known, any split", one_fall, 0.93, 1.0),
        _pinch_bias(f"{fall}, mean lag known, any split", one_fall),
    ]
    one_split = of(rows, pinches.ONE_SPLIT)
    return [*found, _coverage(f"{fall}, mean lag known, one split", one_split, 0.93, 1.0)]


def _pinch_bias(where: str, rows: Sequence[Row]) -> Bar:
    return Bar(
        where,
        "bias below a third of u",
        rows,
        lambda row: abs(row.worst_bias) / row.median_u - 1.0 / 3.0,
        lambda row: f"{row.worst_bias / row.median_u:+.2f} u",
        lambda row: abs(row.worst_bias) - 1.96 * row.rmse / row.n**0.5 <= row.median_u / 3.0,
    )


def bars(rows: Sequence[Row]) -> list[Bar]:
    """All measures that have rows."""
    walking = of(rows, walks.FAMILY)
    known = "that of the smoother told the parameter"
    found = [
        *_ramp_bars(rows),
        *_coarse_bars(rows),
        *_lag_bars(rows),
        *_pinch_bars(rows),
        _ratio("paths whose rate walks at random", walking, "told", 1.10, known),
        _coverage("slope of a switch by its own tests", of(rows, histories.TREND), 0.93, 0.98),
        _coverage("slope and forecast in a fleet", of(rows, histories.LINE), 0.93, 0.98),
        _coverage("mean slope of a fleet", of(rows, histories.FLEET), 0.93, 0.98),
        _coverage("fleet whose gauge was replaced", of(rows, histories.REPLACED), 0.93, 0.98),
        _coverage("every cell of the study", rows, *BAND),
    ]
    return [bar for bar in found if bar.rows]


def table(rows: Sequence[Row]) -> str:
    """The measures in Markdown."""
    head = "| rows | how many | wanted | worst row | |"
    return "\n".join([head, "|---|---:|---|---|---|", *(bar.line for bar in bars(rows))])
