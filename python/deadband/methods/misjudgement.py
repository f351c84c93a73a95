"""How often a method condemns a good switch and passes a bad one, in the fleet as it is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray

from .._errors import check_count, check_option, check_share
from .._frames import FrameLike
from .._history import Setpoint
from ._compared import (
    Comparison,
    Scale,
    asked_for,
    check_comparison,
    groups_of,
    left_out,
    of_group,
    operators,
    rated_switches,
    tests_of,
    why_none,
)
from ._counted import COUNTED, counted
from ._error import MethodError, method_error_of
from ._fleet import Fleet, Shape, fleet_of
from ._global_risk import risks
from ._results import VALUES, Value, need_studies
from ._truths import truths

Floats = NDArray[np.float64]
Rule = Literal["simple", "guarded"]

#: Fewer switches tell no distribution.
_FLEET: Final = 3
_DRAWS: Final = 2000
#: Tails of the interval, as a share of what they claim: posterior intervals of 95 % of a mixture,
#: whose prior is not the fleet, hold 87 to 97 % of simulated studies, those of 97.5 % 92 to 99 %.
_TAILS: Final[dict[Shape, float]] = {"normal": 1.0, "mixture": 0.5}
#: A share that is none: what double precision leaves of one.
_NONE: Final = 1e-14

SHARES: Final = (
    "p_bad_unsafe", "p_bad_nuisance", "p_passed_unsafe", "p_passed_nuisance",
    "p_condemned_unsafe", "p_condemned_nuisance",
)  # fmt: skip
TOTALS: Final = ("p_passed_bad", "p_condemned_good")
CONDITIONAL: Final = (
    "p_passed_of_unsafe", "p_passed_of_nuisance", "p_condemned_of_good", "p_unsafe_of_passed",
    "p_bad_of_passed",
)  # fmt: skip
_ALL: Final = (*SHARES, *TOTALS, *CONDITIONAL)


def misjudgement(
    points: FrameLike,
    switches: FrameLike,
    *,
    event: Setpoint | None = None,
    value: Value = "fitted",
    tests: FrameLike | None = None,
    reference: str = "ramp",
    methods: Sequence[str] | None = None,
    by: str | Sequence[str] = ("method",),
    within_days: float = 30.0,
    rule: Rule = "simple",
    risk: float = 0.05,
    shape: Shape = "mixture",
    scale: Scale = "relative",
    lags: FrameLike | None = None,
    gauges: FrameLike | None = None,
    confidence: float = 0.95,
    seed: int = 0,
) -> pl.DataFrame:
    """Shares of all switches that a method judges wrongly, the unsafe and the harmless side apart.

    Global risks (JCGM 106:2012, 9.5): `x`, the true setpoint over its rating, has the distribution
    of the fleet; one test by the method gives `y ~ N(x + bias, sd**2)`. A switch is bad on the
    unsafe side where `x` lies below its lower limit (a contact still closed there proves draft that
    is not there; of `rise` the closing point, as in `judge`), on the nuisance side above the upper.

    The fleet is every switch once, as the reference tested it last, the tests' own variances taken
    out; where all their values are one it has no spread, and the intervals reach to what these
    variances could hide. `bias` and `sd` come from the switches that the method and the reference
    tested at about the same time. The intervals are of generalised pivotal quantities of both
    (Weerahandi 1993), of the mixture from its posterior distribution, with half the tails that are
    claimed, since its prior is not the fleet (measured); they hold for the model, which
    `counted_...` checks: what was seen in the rounds, the reference's mean taken for the truth, on
    the switches that were in them.

    Parameters
    ----------
    points, switches
        the setpoints and the switches tables.
    event
        which setpoint; None: the one that each switch's rating is about.
    value
        as in `results`.
    tests
        the tests table; `called` needs it.
    reference, within_days
        as in `rounds`. The reference's own fitted values are always what is compared with.
    methods
        which methods; None: all that tests were made by, the reference with its fitted values left
        out.
    by
        one column or several: `method`, which is always one of them, and `operator_id`.
    rule
        `simple`: accepted where the value lies within the limits; `guarded`: where it does by
        `z sd`, `z` the normal quantile of `1 - risk` and `sd` the method's scatter (JCGM 106, 8.3).
    risk
        of the guard band, above 0 and below 0.5.
    shape
        of the fleet: `mixture` of two normal distributions, so that one bad lot or a few broken
        switches do not widen all the others, by its posterior mean; `normal`: one.
    scale
        whether bias and scatter go with the rating (`relative`) or are the same in Pa
        (`absolute`).
    lags, gauges
        the lags and gauges tables, for what tests with one gauge have in common.
    confidence
        of the intervals.
    seed
        of the draws behind them.

    Returns
    -------
    polars.DataFrame
        A row a group, one without operator among them. `bias`, `sd` (over the rating; Pa where
        absolute), `n_switches`, `n_results`, `n_fleet`, `n_switches_left_out` (tested by the
        method, and in no number: no reference at about the same time, or no usable rating),
        `value`, `rule`, `shape`; then shares with `_low` and `_high`:

        - of all switches `p_bad_unsafe`, `p_bad_nuisance`, `p_passed_unsafe`,
          `p_passed_nuisance`, `p_condemned_unsafe`, `p_condemned_nuisance` (good, but below or
          above the acceptance limits) and the sums `p_passed_bad` (global consumer's risk) and
          `p_condemned_good` (global producer's risk);
        - `p_passed_of_unsafe`, `p_passed_of_nuisance`: of the bad ones those that pass;
          `p_condemned_of_good`: of the good ones those that do not; `p_unsafe_of_passed`,
          `p_bad_of_passed`: of those that pass the bad ones. Null where there are none of these.

        `counted_bad_unsafe`, ... are results of the rounds in each of the six cells, and
        `counted_p_...` their shares of `n_results` with Wilson's interval for as many trials as
        there are switches, since results of one switch are alike.

        `status`: `ok`; `one_switch` (tested by both: its difference, `bias`, alone),
        `too_few_samples` (fewer than three switches in the fleet). Without numbers: `no_tests` (of
        a method that was asked for), `missing_value` (none of its tests has such a value),
        `unknown_switch` (none is of a switch of the switches table), `bad_value` (their ratings are
        not above 0 Pa, tolerances not between 0 and 1 (0.10 is 10 %), or actions neither `fall` nor
        `rise`), `unknown_method` (none is stated, or the setpoints table has a word that is none of
        the methods), `no_reference` (no such switch was tested by both at about the same time).

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    OptionError
        an option is unknown or out of range.
    ImportError
        SciPy or statsmodels is not installed.

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> true = random.normal(60.0, 3.0, 40)
    >>> ramps = [(f"s{i}", "ramp", value + random.normal(0.0, 0.2)) for i, value in enumerate(true)]
    >>> pinches = [
    ...     (f"s{i}", "pinch", v - 2.0 + random.normal(0.0, 1.0)) for i, v in enumerate(true)
    ... ]
    >>> rows = ramps + pinches
    >>> points = pl.DataFrame(rows, schema=["switch_id", "method", "open_pa"], orient="row")
    >>> points = points.with_row_index("test_id").with_columns(
    ...     open_u_pa=pl.lit(0.2), close_pa=None, close_u_pa=None
    ... )
    >>> switches = pl.DataFrame({"switch_id": [f"s{i}" for i in range(40)]}).with_columns(
    ...     rated_pa=pl.lit(60.0), action=pl.lit("fall")
    ... )
    >>> found = misjudgement(points, switches).row(0, named=True)
    >>> found["method"], round(100 * found["bias"], 1), found["p_condemned_unsafe"] > 0.04
    ('pinch', -3.3, True)
    """
    need_studies("misjudgement")
    keys = groups_of(by)
    _check(event, value, rule, shape, scale)
    check_comparison(reference, within_days, methods)
    check_share("confidence", confidence)
    check_share("risk", risk, 0.5)
    check_count("seed", seed, 0)
    comparison = Comparison(
        points, rated_switches(switches), reference, event, value, tests, within_days,
        (lags, gauges),
    )  # fmt: skip
    study = _Study(truths(comparison), (rule, risk, shape, scale), confidence, seed)
    rows = []
    every = comparison.own()
    for method in asked_for(methods, every, reference, value):
        pairs = comparison.pairs(method)
        for operator in operators(every, method, keys):
            names = {"method": method, "operator_id": operator}
            group = {key: names[key] for key in keys}
            own = of_group(pairs, operator, single="operator_id" in keys)
            theirs = tests_of(every, method, operator, single="operator_id" in keys)
            found = study.row(own, theirs, method, shared=method == reference)
            rows.append({**group, "value": value, "rule": rule, "shape": shape, **found})
    return pl.DataFrame(rows, schema=_schema(keys), orient="row")


class _Study:
    """The fleet and the options, for one group after the other."""

    def __init__(
        self,
        fleet: pl.DataFrame,
        options: tuple[Rule, float, Shape, Scale],
        confidence: float,
        seed: int,
    ) -> None:
        from scipy.special import ndtri

        rule, risk, shape, scale = options
        self.fleet, self.scale, self.confidence = fleet, scale, confidence
        self.guards = float(ndtri(1.0 - risk)) if rule == "guarded" else 0.0
        self.random = np.random.default_rng(seed)
        unit = pl.lit(1.0) if scale == "relative" else pl.col("rated_pa")
        kinds = fleet.group_by(tolerance="tolerance", unit=unit).agg(n=pl.len())
        self.kinds = kinds.sort("tolerance", "unit").rows()
        self.behind: Fleet | None = None
        if fleet.height >= _FLEET:
            value, variance = fleet["x"].to_numpy(), fleet["variance"].to_numpy()
            self.behind = fleet_of(value, variance, shape, self.random, _DRAWS)

    def row(
        self, rounds: pl.DataFrame, own: pl.DataFrame, method: str | None, *, shared: bool
    ) -> dict[str, Any]:
        """Everything that is told of one group, `own` being all of its tests."""
        unit = pl.lit(1.0) if self.scale == "relative" else pl.col("rated_pa")
        scaled = rounds.with_columns(
            scaled=pl.col("relative") * unit,
            scaled_u=pl.col("own_u_pa") / pl.col("rated_pa") * unit,
        )
        error = method_error_of(scaled, shared=shared)
        counts = {
            "n_switches": error.n_switches,
            "n_results": error.n_results,
            "n_fleet": self.fleet.height,
            "n_switches_left_out": left_out(own, error.n_switches),
        }
        if not error.n_results:
            return {**counts, "status": why_none(own, method)}
        if error.status != "ok":
            return {**counts, "bias": error.bias, "status": error.status}
        if self.behind is None:
            return {**counts, "bias": error.bias, "sd": error.sd, "status": "too_few_samples"}
        guard = pl.lit(self.guards * error.sd) / unit
        return {
            **counts,
            "bias": error.bias,
            "sd": error.sd,
            **self._shares(error, self.behind),
            **counted(rounds, guard, self.confidence),
            "status": "ok",
        }

    def _shares(self, error: MethodError, fleet: Fleet) -> dict[str, float | None]:
        guard = self.guards * error.sd
        here = self._wrong(fleet.point, error.bias, error.sd, guard).mean(axis=1)
        bias, sd = error.draws(self.random, fleet.mean.shape[1])
        drawn = self._wrong((fleet.weight, fleet.mean, fleet.sd), bias, sd, guard)
        tail = 0.5 * (1.0 - self.confidence) * _TAILS[fleet.shape]
        found: dict[str, float | None] = {}
        for name, value, others in zip(_ALL, _named(here), _named(drawn), strict=True):
            there = others[np.isfinite(others)]
            ends = np.quantile(there, [tail, 1.0 - tail]) if there.size else (np.nan, np.nan)
            numbers = (float(value), float(ends[0]), float(ends[1]))
            for suffix, number in zip(("", "_low", "_high"), numbers, strict=True):
                found[f"{name}{suffix}"] = number if np.isfinite(number) else None
        return found

    def _wrong(
        self, fleet: tuple[Floats, Floats, Floats], bias: Any, sd: Any, guard: float
    ) -> Floats:
        """The six shares (and a row a draw), over ratings and components."""
        whole = sum(n for *_, n in self.kinds)
        found = np.zeros((6, fleet[0].shape[1]))
        for tolerance, unit, n in self.kinds:
            # A guard band wider than half the tolerance leaves its middle, which nothing hits.
            edge = max(tolerance - guard / unit, 0.0)
            for weight, mean, spread in zip(*fleet, strict=True):
                shares = risks(
                    mean,
                    spread,
                    bias / unit,
                    sd / unit,
                    limits=(-tolerance, tolerance),
                    acceptance=(-edge, edge),
                )
                found += n / whole * weight * np.array(shares)
        return found


def _named(shares: Floats) -> Floats:
    """The six shares, their sums and the conditional ones, in the order of the columns."""
    unsafe, nuisance, passed_unsafe, passed_nuisance, condemned_below, condemned_above = shares
    passed_bad, condemned = passed_unsafe + passed_nuisance, condemned_below + condemned_above
    good = 1.0 - unsafe - nuisance
    passed = good - condemned + passed_bad
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.array(
            [
                *shares,
                passed_bad,
                condemned,
                *(
                    np.where(of > _NONE, np.clip(part / of, 0.0, 1.0), np.nan)
                    for part, of in (
                        (passed_unsafe, unsafe), (passed_nuisance, nuisance), (condemned, good),
                        (passed_unsafe, passed), (passed_bad, passed),
                    )
                ),
            ]
        )  # fmt: skip


def _check(event: str | None, value: str, rule: str, shape: str, scale: str) -> None:
    if event is not None:
        check_option("event", event, ["open", "close"])
    check_option("value", value, VALUES)
    check_option("rule", rule, ["simple", "guarded"])
    check_option("shape", shape, ["mixture", "normal"])
    check_option("scale", scale, ["relative", "absolute"])


def _schema(keys: Sequence[str]) -> dict[str, Any]:
    ends = ("", "_low", "_high")
    numbers = [f"{name}{end}" for name in _ALL for end in ends]
    seen = [f"{name.replace('counted_', 'counted_p_')}{end}" for name in COUNTED for end in ends]
    counts = ("n_switches", "n_results", "n_fleet", "n_switches_left_out")
    return {
        **dict.fromkeys((*keys, "value", "rule", "shape"), pl.String),
        **dict.fromkeys(("bias", "sd"), pl.Float64),
        **dict.fromkeys(counts, pl.Int32),
        **dict.fromkeys(numbers, pl.Float64),
        **dict.fromkeys(COUNTED, pl.Int32),
        **dict.fromkeys(seen, pl.Float64),
        "status": pl.String,
    }
