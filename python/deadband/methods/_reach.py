"""The budget of a planned test, and what it assumes."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, Literal

import polars as pl

from .._coverage import coverage_factor
from .._errors import (
    OptionError,
    check_count,
    check_flag,
    check_number,
    check_option,
    check_pair,
    check_share,
)
from ._procedure import Procedure, not_negative, positive

Route = Literal["formula", "simulation"]

#: What the package assumes of a switch, relative to its setpoint, and the degrees of freedom that
#: it counts that for; those of a repeatability that is given.
_REPEATABILITY: Final = 0.005
_ASSUMED_DOF: Final = 1.0
_GIVEN_DOF: Final = 4.0
_SHARE: Final = "a share of the rating, above 0 and below 1 (0.10 is 10 %)"


@dataclass(frozen=True, kw_only=True)
class Reach:
    """The uncertainty budget of a test that is planned.

    Attributes
    ----------
    procedure, rated_pa
        what was asked.
    lines
        `source` (as in `db.budget`; `reaction` for called values, `simulated` for a pinch, which
        holds all but the accuracy), `u_pa`, `dof`, `share` of the variance.
    u_pa, dof, expanded_pa
        combined standard uncertainty, its effective degrees of freedom (Welch-Satterthwaite), and
        `k u + |bias|`; None where nothing can be told.
    bias_pa
        mean error that is not corrected: that of called values.
    tolerance_pa, ratio
        half the width of the tolerance, and that over `expanded_pa`: the test uncertainty ratio.
    route
        `formula` or `simulation`: where `reading` comes from.
    status, reason
        `ok`, or why there are no numbers: `bad_value`, `missing_value`, `lag_unidentified`,
        `too_few_samples`, `coarse_display`, `no_event`.

    Examples
    --------
    >>> from deadband.methods import reachable
    >>> gauge = {"resolution_pa": 1.0, "lag_s": 0.4, "lag_u_s": 0.02}
    >>> reachable(gauge, Procedure(), rated_pa=60.0).status
    'ok'
    """

    procedure: Procedure
    rated_pa: float
    lines: pl.DataFrame
    u_pa: float | None = None
    dof: float | None = None
    expanded_pa: float | None = None
    bias_pa: float = 0.0
    tolerance_pa: float
    ratio: float | None = None
    route: str
    status: str = "ok"
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class Terms:
    """What is assumed of switch, hand and operator, checked.

    Attributes
    ----------
    rated_pa, tolerance
        rating, Pa, and tolerance relative to it.
    repeatability_pa, repeatability_dof
        of the switch, Pa, and the degrees of freedom that it counts for.
    hand
        unsteadiness and correlation time, s.
    called
        whether the value is called and not fitted.
    reaction
        mean and standard deviation of the reaction, s.
    route, seed, confidence
        as in `reachable`.

    Examples
    --------
    >>> Terms.of(rated_pa=60.0).repeatability_pa
    0.3
    """

    rated_pa: float
    tolerance: float
    repeatability_pa: float
    repeatability_dof: float
    hand: tuple[float, float]
    called: bool
    reaction: tuple[float, float]
    route: Route | None
    seed: int
    confidence: float

    @classmethod
    def of(
        cls, *, rated_pa: float, tolerance: float = 0.10, repeatability_pa: float | None = None,
        unsteadiness: float = 0.1, correlation_s: float = 1.0, called: bool = False,
        reaction: tuple[float, float] = (0.35, 0.1), route: Route | None = None, seed: int = 1,
        confidence: float = 0.95,
    ) -> Terms:  # fmt: skip
        """Check the options of `reachable`."""
        for name, value in (("rated_pa", rated_pa), ("correlation_s", correlation_s)):
            positive(name, value)
        if not 0.0 < check_number("tolerance", tolerance, _SHARE) < 1.0:
            raise OptionError("tolerance", tolerance, [_SHARE])
        not_negative("unsteadiness", unsteadiness)
        for part in check_pair("reaction", reaction, "(mean, standard deviation) in s"):
            not_negative("reaction", part)
        check_flag("called", called)
        check_count("seed", seed, 0)
        check_share("confidence", confidence)
        if route is not None:
            check_option("route", route, ["formula", "simulation"])
        if repeatability_pa is not None:
            not_negative("repeatability_pa", repeatability_pa)
        given = repeatability_pa is not None
        return cls(
            rated_pa=rated_pa, tolerance=tolerance, hand=(unsteadiness, correlation_s),
            repeatability_pa=_REPEATABILITY * rated_pa if repeatability_pa is None
            else repeatability_pa,
            repeatability_dof=_GIVEN_DOF if given else _ASSUMED_DOF,
            called=called, reaction=reaction, route=route, seed=seed, confidence=confidence,
        )  # fmt: skip


def reach_of(
    procedure: Procedure, terms: Terms, lines: list[tuple[str, float, float]], route: str, *,
    bias: float = 0.0, status: str = "ok", reason: str = "",
) -> Reach:  # fmt: skip
    """Combined and expanded uncertainty of lines (JCGM 100, equations 10 and G.2b).

    Examples
    --------
    >>> lines = [("reading", 0.3, float("inf")), ("repeatability", 0.4, 8.0)]
    >>> round(reach_of(Procedure(), Terms.of(rated_pa=60.0), lines, "formula").dof, 2)
    19.53
    """
    schema = {"source": pl.String, "u_pa": pl.Float64, "dof": pl.Float64}
    frame = pl.DataFrame(lines, schema=schema, orient="row")
    square = sum(u * u for _, u, _ in lines)
    frame = frame.with_columns(share=pl.col("u_pa") ** 2 / (square or 1.0))
    limit = terms.tolerance * terms.rated_pa
    whole = Reach(
        procedure=procedure, rated_pa=terms.rated_pa, lines=frame, route=route, tolerance_pa=limit,
        status=status, reason=reason,
    )  # fmt: skip
    if status != "ok":
        return whole
    excess = sum(u**4 / dof for _, u, dof in lines)
    dof = square * square / excess if excess > 0.0 else math.inf
    u = math.sqrt(square)
    wide = (coverage_factor(dof, terms.confidence) * u if u > 0.0 else 0.0) + abs(bias)
    ratio = limit / wide if wide > 0.0 else math.inf
    return replace(whole, u_pa=u, dof=dof, expanded_pa=wide, bias_pa=bias, ratio=ratio)
