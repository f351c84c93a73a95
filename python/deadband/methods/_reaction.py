"""How long an operator takes from the change of a contact to the look at the display."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._columns import need_columns
from .._errors import DeadbandError, OptionError, listed
from .._frames import FrameLike, lazy, need_unique
from ._display import Changes
from ._results import need_studies

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Called values from which a mean time and its scatter are estimated, at least.
FEWEST: Final = 4
_EARLIEST_S, _LATEST_S = -0.5, 2.5


@dataclass(frozen=True, kw_only=True)
class Reaction:
    """One operator's time from the change to the look, normal from call to call.

    Attributes
    ----------
    mean_s, sd_s
        its mean and standard deviation, s; NaN where it cannot be told.
    mean_u_s, sd_u_s
        standard uncertainties of the two, those of the gauges' lags not counted.
    source
        `stated` or `estimated`.
    pull
        by the row of the test: what one pascal more in its called value adds to the mean, s/Pa.
    rest_pa
        by the row of the test: called value less the display at the look of the others, Pa.
    rest_pa2
        its variance, Pa2.
    """

    mean_s: float
    sd_s: float
    mean_u_s: float = 0.0
    sd_u_s: float = 0.0
    source: str = "stated"
    pull: dict[int, float] = field(default_factory=dict)
    rest_pa: dict[int, float] = field(default_factory=dict)
    rest_pa2: dict[int, float] = field(default_factory=dict)


UNKNOWN: Final = Reaction(mean_s=float("nan"), sd_s=float("nan"), source="estimated")


def stated(reaction: Any, operators: list[str | None]) -> dict[str | None, Reaction]:
    """Times that were told: two numbers for everybody, or a table with a row an operator."""
    if isinstance(reaction, tuple | list):
        allowed = [
            "a mean and a standard deviation of 0 s or more",
            "a table with a row an operator",
            "None",
        ]
        fits = len(reaction) == 2 and all(isinstance(one, int | float) for one in reaction)
        if not fits or not all(np.isfinite(reaction)) or min(reaction) < 0.0:
            raise OptionError("reaction", reaction, allowed)
        one = Reaction(mean_s=float(reaction[0]), sd_s=float(reaction[1]))
        return dict.fromkeys(operators, one)
    return _of_table(reaction)


def _of_table(frame: FrameLike) -> dict[str | None, Reaction]:
    rows = lazy(frame, "reaction")
    needed = ("operator_id", "reaction_s", "reaction_sd_s")
    need_columns(rows, needed, "reaction", "add it: a row an operator, times in s")
    need_unique(rows.select("operator_id"), "operator_id", "reaction")
    numbers = ["reaction_s", "reaction_sd_s"]
    if "reaction_u_s" in rows.collect_schema():
        numbers.append("reaction_u_s")
    table = rows.select("operator_id", pl.col(numbers).cast(pl.Float64)).drop_nulls().collect()
    for operator, *times in table.iter_rows():
        if not all(np.isfinite(times)) or min(times) < 0.0:
            raise DeadbandError(
                "bad_value", f"{listed(map(str, times))} s are no times of reaction",
                location=f"table reaction, operator {operator}", advice="give 0 s or more",
            )  # fmt: skip
    return {
        row[0]: Reaction(
            mean_s=row[1], sd_s=row[2], mean_u_s=row[3] if len(row) > 3 else 0.0
        )
        for row in table.iter_rows()
    }  # fmt: skip


def estimated(
    seen: Changes, tests: NDArray[np.int64], called: Floats, known: Floats,
    switches: Sequence[str | None] = (),
) -> Reaction:  # fmt: skip
    """The mean time and its scatter that explain an operator's called values best.

    A called value is the mean of what the display showed at the looks. Weighted least squares in
    the mean time, the variance of a test being `known` plus that of the time, squared slope times
    `sd_s**2` over the number of looks; `sd_s` makes the weighted squares as large as their degrees
    of freedom (Paule and Mandel 1982).

    Parameters
    ----------
    seen
        the changes.
    tests
        the row of the test of each change, -1 for a change of no test in use.
    called
        called values by the row of the test, Pa; NaN where there is none.
    known
        variance of each that is known, Pa2.
    switches
        by the row of the test; without, every test has a switch of its own.
    """
    rows = np.flatnonzero(np.isfinite(called) & np.isfinite(known))
    count = np.bincount(tests[tests >= 0], minlength=called.size)
    told = np.isfinite(seen.shown(0.0)[tests >= 0])
    untold = np.bincount(tests[tests >= 0], ~told, minlength=called.size)
    rows = rows[(count[rows] > 0) & (untold[rows] == 0)]
    if rows.size < FEWEST:
        return UNKNOWN
    optimize = _optimize()

    def means(of: Floats) -> Floats:
        sums = np.bincount(tests[tests >= 0], of[tests >= 0], minlength=called.size)
        return np.asarray(sums[rows] / count[rows])

    def rest(mean: float, sd: float) -> Floats:
        return np.asarray(called[rows] - means(seen.shown(mean, sd)))

    mean, variance, searched = 0.3, 0.01, False
    looked = np.zeros(rows.size)
    for _ in range(12):
        sd = variance**0.5
        looked = means(seen.slope(mean, sd) ** 2) / count[rows]
        weight = 1.0 / (known[rows] + variance * looked)
        before = (mean, variance)

        def squares(at: float, weight: Floats = weight, sd: float = sd) -> float:
            return float(weight @ rest(at, sd) ** 2)

        mean = _lowest(optimize, squares, mean if searched else None)
        searched = True
        variance = _excess(rest(mean, sd) ** 2, known[rows], looked)
        if abs(mean - before[0]) < 1e-4 and abs(variance - before[1]) < 1e-5:
            break
    weight = 1.0 / (known[rows] + variance * looked)
    sd = variance**0.5
    slope = means(seen.slope(mean, sd))
    total = float(weight @ slope**2)
    if not np.isfinite(total) or total <= 0.0:
        return UNKNOWN
    share = weight * looked
    # A switch pulls the mean towards its own calls: without them their rests were so much larger.
    own = weight * slope**2 / total
    if switches:
        _, same = np.unique([str(switches[row]) for row in rows], return_inverse=True)
        own = np.bincount(same, own)[same]
    rests = rest(mean, sd) / np.maximum(1.0 - own, 0.5)
    # By the delta method from the variance of the weighted squares.
    of_variance = (2.0 * rows.size) ** 0.5 / float(share.sum())
    return Reaction(
        mean_s=mean,
        sd_s=sd,
        mean_u_s=total**-0.5,
        sd_u_s=of_variance / (2.0 * sd) if sd > 0.0 else of_variance**0.5,
        source="estimated",
        pull=dict(zip(rows.tolist(), (weight * slope / total).tolist(), strict=True)),
        rest_pa=dict(zip(rows.tolist(), rests.tolist(), strict=True)),
        rest_pa2=dict(zip(rows.tolist(), (1.0 / weight).tolist(), strict=True)),
    )


def _optimize() -> Any:
    need_studies("the reaction time of operators")
    from scipy import optimize

    return optimize


def _lowest(optimize: Any, of: Any, near: float | None) -> float:
    """Where a curve of several bottoms is lowest; the bottom near a place where one is known."""
    grid = np.arange(_EARLIEST_S, _LATEST_S + 0.01, 0.1)
    best = float(grid[int(np.argmin([of(at) for at in grid]))]) if near is None else near
    found = optimize.minimize_scalar(
        of, bounds=(best - 0.1, best + 0.1), method="bounded", options={"xatol": 1e-5}
    )
    return float(found.x)


def _excess(squares: Floats, known: Floats, share: Floats) -> float:
    """The variance at which the weighted squares equal their degrees of freedom; at least 0."""
    dof = squares.size - 1

    def over(variance: float) -> float:
        return float((squares / (known + variance * share)).sum()) - dof

    if over(0.0) <= 0.0 or not np.any(share > 0.0):
        return 0.0
    low, high = 0.0, 1.0
    while over(high) > 0.0 and high < 1e4:
        high *= 4.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if over(middle) > 0.0 else (low, middle)
    return 0.5 * (low + high)
