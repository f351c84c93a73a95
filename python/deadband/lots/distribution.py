"""Where the setpoints of each lot lie, how they scatter, and what fraction is out of tolerance."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any, Final, TypeAlias

import numpy as np
import polars as pl

from .._errors import OptionError, check_count, check_option, check_share
from .._frames import FrameLike
from .._growth import Growth
from .._history import Setpoint, check_methods, day_of
from ..methods._results import gap_of, need_studies
from ._carried import carried, growths
from ._columns import NUMBERS, TAKEN, schema
from ._last_round import LastRound, last_round, register
from ._likelihood import Results
from ._lot_rows import counts, lot_rows, tolerances_of
from ._lots import Lots
from ._normality import Normality, normality
from ._posterior import FEWEST, Posterior, posterior, summary
from ._unlike import apart, unlike

Component: TypeAlias = tuple[str, float | None, float | None, float | None]

_DRAWS: Final = 4000
#: Draws times lots, at most.
_MOST: Final = 500_000
#: Degrees of freedom within lots from which their scatter is told.
_FREE: Final = 3


def distribution(
    points: FrameLike,
    switches: FrameLike,
    *,
    event: Setpoint | None = None,
    by: str = "lot",
    at: date | None = None,
    growth: Growth | Sequence[Growth] | None = None,
    methods: Sequence[str] = ("ramp",),
    within_days: float = 30.0,
    lags: FrameLike | None = None,
    gauges: FrameLike | None = None,
    confidence: float = 0.95,
    seed: int = 0,
) -> Lots:
    """The distribution of each lot's setpoints over the rating, the error of testing taken out.

    A normal model of three levels (Gelman et al. 2013, 5.4): a switch is `x ~ N(m, s**2)` about its
    lot, a lot's mean `m ~ N(M, t**2)` about its model, `ln s` normal about that of its model, and
    this about that of all models; a result is `x` plus its own error, whose variance is known, plus
    errors that tests with one gauge share. So a lot that was tested roughly is no worse for it,
    only less sure, and a small lot is drawn towards its model. `M` flat, `t` uniform, the level of
    `s` by the rule of Jeffreys for a variance that adds to a known one, the spreads of `ln s` after
    Rayleigh with modes 0.5 and 0.7. Among five or more lots one whose mean is too far from the
    others of its model is not drawn towards them (`unlike`: Student's t, in units of the median
    absolute deviation, at 1 % for all of them). What the tests leave possible is integrated on
    grids and drawn with a fixed seed.

    The fraction out of tolerance is `E Phi((limit - m) / s)`: that of all switches made like those
    tested, not of these alone: a mean, drawn towards the lots of the model, for sums over lots and
    for comparing them. `capability` has the median of a lot's own tests, for a statement on one
    lot. The unsafe side is below the lower limit, where draft is proved that
    is not there; the nuisance side is above the upper one. A small fraction is told by the shape of
    the normal curve far out, which `p_normal` and the counts beside it can speak against: where
    switches scatter by a skew curve, or with the tails of Student's t with 5 degrees of freedom,
    intervals of 95 % hold 86 to 90 % of simulated fractions instead of 94 to 98 %. `Lots.under`
    tells the fractions of such shapes, `sensitivity` whether a verdict stands under all of them.

    A fraction is no permission to operate, and no statement about a switch that was not tested.

    Parameters
    ----------
    points
        the verdicts, or the setpoints table: of a test without a setpoint only the verdict tells
        whether the switch stayed closed, and without it `screen` acquits no lot with such a test.
    switches
        the switches table.
    event
        which setpoint; None: the one that each switch's rating is about.
    by
        the column of the switches table that makes the lots. `model` makes one lot a model.
    at
        the date for which the lots are described: later tests are not used. None: now.
    growth
        what `growth` found of the setpoint that is judged, or a list with both: the last results
        are carried along each switch's line to `at`, or to the last test that `growth` used, and
        counts are of carried ones; a switch without a line has then no result.
    methods
        methods of test that count; results of a pinch are biased (`corrected`).
    within_days
        the tests of a switch with no longer gap than this before its last one are averaged; an
        infinite gap averages all of them.
    lags, gauges
        the lags and gauges tables. What tests with one gauge share is then one unknown number for
        its calibration and one for its lag, common to all of them. Without, it is taken for an
        error of each test, and a lot that one gauge tested seems surer than it is.
    confidence
        of the intervals.
    seed
        of the draws.

    Returns
    -------
    Lots
        `status` of a lot: `ok`; `too_few_samples`: no switch of it has a result, or all lots
        together have fewer than three more results than lots; `too_few_draws`: the lots are so
        unlike that fewer than 100 draws weigh anything; `bad_rating`: its tested switches
        have no rating or action; `missing_value`: switches that name no lot. These have counts
        only.

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
    >>> random = np.random.default_rng(4)
    >>> lot = np.repeat(["L1", "L2", "L3"], 12)
    >>> true = np.repeat([60.0, 60.5, 54.5], 12) + random.normal(0.0, 1.2, 36)
    >>> switches = pl.DataFrame({"switch_id": [f"s{i}" for i in range(36)], "lot": lot})
    >>> switches = switches.with_columns(rated_pa=pl.lit(60.0), action=pl.lit("fall"))
    >>> points = switches.select("switch_id", test_id="switch_id", method=pl.lit("ramp"))
    >>> points = points.with_columns(
    ...     open_pa=pl.Series(true + random.normal(0.0, 0.5, 36)), open_u_pa=pl.lit(0.5),
    ...     close_pa=None, close_u_pa=None,
    ... )
    >>> found = distribution(points, switches)
    >>> found.lots.select("lot", pl.col("mean", "fraction_unsafe").round(2)).row(-1)
    ('L3', -0.09, 0.38)
    """  # fmt: skip
    need_studies("the distribution of lots")
    if event is not None:
        check_option("event", event, ["open", "close"])
    check_methods(methods)
    gap_of(within_days)
    check_share("confidence", confidence)
    check_count("seed", seed, 0)
    if str(by) != by or by in TAKEN:
        raise OptionError("by", by, ["a column of the switches table that sets lots apart"])
    lines = growths(growth)
    day = None if at is None else day_of("at", at)
    found = last_round(
        points, register(switches, by), event=event, methods=methods, at=day,
        within_days=within_days, known=(lags, gauges),
    )  # fmt: skip
    if lines:
        found = carried(found, lines, day or max(one.last for one in lines))
    return _described(found, event, by, confidence, np.random.default_rng(seed))


def _described(
    found: LastRound,
    event: Setpoint | None,
    by: str,
    confidence: float,
    random: np.random.Generator,
) -> Lots:
    table = counts(found.switches)
    tested = found.switches.filter(
        (pl.col("state") == "tested") & pl.col("_lot").is_not_null()
    ).sort("_model", "_lot", "switch_id")
    results = _results(tested, found.shared)
    used = table.filter((pl.col("n_tested") > 0) & pl.col("_lot").is_not_null())
    tolerances = tolerances_of(tested)
    told: Posterior | None = None
    normal: Normality | None = None
    rows: dict[str, Any] = {}
    components: list[Component] = []
    residual = pl.Series("residual", [None] * tested.height, pl.Float64)
    alone = np.zeros(used.height, dtype=np.bool_)
    too_few = "too_few_samples"
    if tested.height - used.height >= _FREE:
        draws = max(min(_DRAWS, _MOST // used.height), 1000)
        alone = unlike(results)
        results = apart(results, alone)
        told = posterior(results, draws, random)
        if told.effective < FEWEST:
            told, too_few = None, "too_few_draws"
    if told is not None:
        rows = lot_rows(told, tolerances, confidence)
        rows["shrinkage"] = np.where(alone, 0.0, rows["shrinkage"])
        components = _components(told, confidence, alone=results.model.max() + 1 == used.height)
        normal, rows["p_normal"], residual = normality(results, told, random)
    numbers = used.select("_model", "_lot").with_columns(
        pl.Series("unlike", alone),
        *(
            pl.Series(name, rows[name], pl.Float64).fill_nan(None)
            for name in (*NUMBERS, "p_normal")
            if name in rows
        ),
    )
    model = [] if by == "model" else ["model"]
    lots = (
        table.join(numbers, on=["_model", "_lot"], how="left", nulls_equal=True)
        .with_columns(
            status=pl.when(pl.col("_lot").is_null())
            .then(pl.lit("missing_value"))
            .when((pl.col("n_bad_rating") > 0) & (pl.col("n_tested") + pl.col("n_stuck") == 0))
            .then(pl.lit("bad_rating"))
            .when(pl.col("n_tested") == 0)
            .then(pl.lit("too_few_samples"))
            .when(pl.lit(told is None))
            .then(pl.lit(too_few))
            .otherwise(pl.lit("ok"))
        )
        .rename({"_lot": by, "_model": "model"} if model else {"_lot": by})
    )
    wanted = schema(by)
    lots = lots.with_columns(
        pl.lit(None, kind).alias(name) for name, kind in wanted.items() if name not in lots.columns
    )
    states = found.switches.join(
        tested.select("switch_id").with_columns(residual), on="switch_id", how="left"
    ).rename({"_lot": by, "_model": "model"} if model else {"_lot": by})
    return Lots(
        lots=lots.select(*wanted),
        switches=states.select(
            "switch_id", *model, by, "state", deviation="x", own_u=pl.col("variance").sqrt(),
            n_tests="n_tests", last_tested_on="_last_on", residual="residual",
        ),
        components=pl.DataFrame(components, _COMPONENTS, orient="row"),
        normality=normal,
        event=event,
        by=by,
        confidence=confidence,
        n_effective=0.0 if told is None else told.effective,
        _results=results,
        _normal=told,
        _posterior=told,
        _tolerances=tolerances,
    )  # fmt: skip


_COMPONENTS: Final = {
    "component": pl.String,
    "sd": pl.Float64,
    "sd_low": pl.Float64,
    "sd_high": pl.Float64,
}


def _components(told: Posterior, confidence: float, *, alone: bool) -> list[Component]:
    within = np.sqrt((told.sd**2).mean(axis=1))
    found: list[Component] = []
    for name, draws in (("between_lots", told.between), ("within_lots", within)):
        _, _, low, high = summary(draws, confidence)
        found.append((name, float(np.median(draws)), float(low), float(high)))
    # Models of a single lot each tell nothing of how lots of a model differ.
    return [("between_lots", None, None, None), found[1]] if alone else found


def _results(tested: pl.DataFrame, shared: pl.DataFrame) -> Results:
    """Numbers of the switches in order of model and lot."""
    places = tested.select(
        lot=pl.struct("_model", "_lot").rle_id(), model=pl.col("_model").rle_id()
    ).cast(pl.Int64)
    by_lot = places.unique("lot", maintain_order=True)
    used = shared.filter(pl.col("switch_id").is_in(tested["switch_id"].to_list()))
    names = used["source"].unique().sort().to_list()
    by = np.zeros((tested.height, len(names)))
    rows = dict(zip(tested["switch_id"].to_list(), range(tested.height), strict=True))
    for switch, source, value in used.iter_rows():
        by[rows[switch], names.index(source)] = value
    return Results(
        tested["x"].to_numpy().astype(np.float64),
        tested["variance"].to_numpy().astype(np.float64),
        by,
        places["lot"].to_numpy(),
        by_lot["model"].to_numpy(),
    )
