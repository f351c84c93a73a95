"""What speaks for and against each lot, and the verdict."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import polars as pl

from ._discovery import discovery
from ._exceed import Exceeds, Side
from ._further import further_tests, good_tests, own_tests
from ._sentence import UNUSUAL

ADDED: Final[dict[str, Any]] = {
    **dict.fromkeys(("p_exceeds", "expected_fdr", "p_value", "p_stuck", "q_value"), pl.Float64),
    "p_counted": pl.Float64,
    "p_exceeds_counted": pl.Float64,
    "verdict": pl.String,
    "n_more": pl.Int32,
    "gauge_limits": pl.Boolean,
}

#: What `_called` finds.
_SAID: Final[dict[str, Any]] = {
    **ADDED, "_by_curve": pl.Float64, "_by_own": pl.Float64, "_limited": pl.Boolean,
    "_own_limited": pl.Boolean, "_exceeding": pl.Boolean,
}  # fmt: skip


def judged(
    table: pl.DataFrame, told: Exceeds | None, fraction: float, fdr: float, side: Side
) -> pl.DataFrame:
    """The lots of `table` with the columns `ADDED`, the surest first.

    `told` is of the rows with status `ok`, in their order. Beside these `borrowed`: the lot would
    be within by its model, but not by its own tests; and `by_counts`: its counts hold it open, and
    `n_more` are those that have to be good.
    """
    known = table.filter(pl.col("status") == "ok")
    curve = ("p_exceeds", "p_value")
    values = (None, None) if told is None else (told.chance, told.p_value)
    known = known.with_columns(
        pl.lit(None, pl.Float64).alias(name) if value is None else pl.Series(name, value)
        for name, value in zip(curve, values, strict=True)
    )
    rest = table.filter(pl.col("status") != "ok")
    ranked = _counts(pl.concat([known, rest], how="diagonal"), fraction, side)
    ranked = _called(ranked, told, fdr)
    return _more(_acquitted(ranked, fdr), fraction, fdr).sort(
        "_chance", "mean", descending=[True, False], nulls_last=True, maintain_order=True
    )


def _counts(ranked: pl.DataFrame, fraction: float, side: Side) -> pl.DataFrame:
    """What the counts say by themselves."""
    from scipy.stats import beta, binom

    counted, stuck = ranked["counted"].to_numpy(), ranked["n_stuck"].to_numpy()
    # Against a lot its switches that were tested without a setpoint count as good, for it not.
    known_trials = (ranked["n_tested"] + ranked["n_stuck"]).to_numpy()
    trials = known_trials + ranked["n_no_setpoint"].to_numpy()
    by_counts = {
        "p_counted": binom.sf(counted - 1, trials, fraction),
        # The prior of Jeffreys for a proportion.
        "p_exceeds_counted": beta.sf(fraction, counted + 0.5, trials - counted + 0.5),
        "p_stuck": binom.sf(stuck - 1, trials, fraction),
        "_p_exceeds_known": beta.sf(fraction, counted + 0.5, known_trials - counted + 0.5),
    }
    known = [pl.Series(name, values, pl.Float64) for name, values in by_counts.items()]
    ranked = ranked.with_columns(
        pl.when(pl.lit(pl.Series(known_trials)) > 0).then(one).alias(one.name) for one in known
    )
    closed = (pl.col("n_stuck") > 0) & pl.lit(side != "nuisance")
    return ranked.with_columns(p_stuck=pl.when(closed).then("p_stuck"))


def _called(ranked: pl.DataFrame, told: Exceeds | None, fdr: float) -> pl.DataFrame:
    """Both rates of false discovery over all lots of which something was tested, and verdicts."""
    closed = pl.col("p_stuck").is_not_null()
    # Switches that name no lot are none that could be called.
    lot = (pl.col("status") != "missing_value") & (pl.col("n_tested") + pl.col("n_stuck") > 0)
    by_counts = pl.when(closed).then("p_exceeds_counted")
    # A curve that is not the lot's own tells of it no more than its counts do.
    odd = pl.col("p_normal").fill_null(1.0) < UNUSUAL
    by_curve = pl.when(odd).then(pl.max_horizontal("p_value", "p_counted")).otherwise("p_value")
    twice = (2.0 * pl.min_horizontal(by_curve, "p_stuck")).clip(upper_bound=1.0)
    ranked = ranked.with_row_index("_row").with_columns(
        _chance=pl.max_horizontal("p_exceeds", by_counts),
        _alone=pl.max_horizontal(1.0 - pl.col("p_value"), pl.when(closed).then("_p_exceeds_known")),
        _p=pl.when(closed & pl.col("p_value").is_not_null())
        .then(twice)
        .otherwise(pl.coalesce(by_curve, "p_stuck")),
    )
    tested = ranked.filter(lot)
    if not tested.height:
        none = {name: kind for name, kind in _SAID.items() if name not in ranked.columns}
        return ranked.with_columns(pl.lit(None, kind).alias(name) for name, kind in none.items())
    # A lot of which neither curve nor stuck switch tells counts among those compared.
    chance, alone, p = (
        tested[name].fill_null(other).to_numpy()
        for name, other in (("_chance", 0.0), ("_alone", 1.0), ("_p", 1.0))
    )
    found = discovery(chance, p, fdr, alone=alone)
    more, own = np.full((2, tested.height), np.nan)
    limited, own_limited = np.zeros((2, tested.height), dtype=np.bool_)
    leans = np.zeros(tested.height, dtype=np.bool_)
    if told is not None:
        # Those with a curve are the first rows.
        to = slice(told.chance.size)
        more[to], limited[to] = further_tests(told, found.verdict, fdr)
        own[to], own_limited[to] = own_tests(told, fdr)
        leans[to] = told.margin.mean(axis=0) > 0.0
    said = tested.select("_row").with_columns(
        expected_fdr=pl.Series(found.expected),
        q_value=pl.Series(found.q_value),
        verdict=pl.Series(found.verdict.tolist(), dtype=pl.String),
        _by_curve=pl.Series(more).fill_nan(None),
        _by_own=pl.Series(own).fill_nan(None),
        _limited=pl.Series(limited),
        _own_limited=pl.Series(own_limited),
        _exceeding=pl.Series(leans),
    )
    said = said.filter(tested["_p"].is_not_null())
    return ranked.join(said, on="_row", how="left").sort("_row")


def _acquitted(ranked: pl.DataFrame, fdr: float) -> pl.DataFrame:
    """Acquittals taken back where something speaks against them that no curve holds."""
    closed = pl.col("p_stuck").is_not_null()
    odd = (pl.col("p_normal") < UNUSUAL) & (pl.col("_p_exceeds_known") > fdr)
    taken = (pl.col("verdict") == "within") & (odd | (pl.col("n_maybe_stuck") > 0))
    unnamed = pl.col("verdict").is_null() & closed
    open_case = pl.when(taken | unnamed).then(pl.lit("undecided"))
    return ranked.with_columns(verdict=open_case.otherwise("verdict"), _odd=odd)


def _more(ranked: pl.DataFrame, fraction: float, fdr: float) -> pl.DataFrame:
    """How many further tests settle those that are undecided, by whatever holds them open."""
    trials = (ranked["n_tested"] + ranked["n_stuck"]).to_numpy()
    good = good_tests(ranked["counted"].to_numpy(), trials, fraction, fdr)
    undecided = pl.col("verdict") == "undecided"
    by_curve = (undecided & (pl.col("p_exceeds") > fdr)).fill_null(value=False)
    # More tests of a curve that is not the lot's own do not convict it.
    convicts = ~pl.col("_odd").fill_null(value=False) | (pl.col("p_counted") <= fdr)
    exceeding = by_curve & pl.col("_exceeding") & convicts
    by_model = undecided & (pl.col("p_exceeds") <= fdr) & (1.0 - pl.col("p_value") > fdr)
    counts_speak = (pl.col("p_stuck").is_not_null() | pl.col("_odd")) & (
        pl.col("_p_exceeds_known") > fdr
    )
    # No number of others tells of a switch that may have stayed closed.
    open_to_tests = exceeding | (pl.col("n_maybe_stuck") == 0)
    ranked = ranked.with_columns(
        pl.Series("_good", good).fill_nan(None),
        gauge_limits=(pl.col("_limited") & by_curve) | (pl.col("_own_limited") & by_model),
        borrowed=by_model.fill_null(value=False),
        by_counts=(
            undecided & ~exceeding & counts_speak & (pl.col("status") != "missing_value")
        ).fill_null(value=False),
    ).with_columns(
        _tests=pl.when(by_curve).then("_by_curve").when("borrowed").then("_by_own").otherwise(0.0),
        _good=pl.when("by_counts").then("_good").otherwise(0.0),
    )  # fmt: skip
    most = pl.max_horizontal("_tests", "_good")
    known = pl.col("_tests").is_not_null() & pl.col("_good").is_not_null() & (most > 0.0)
    return ranked.with_columns(n_more=pl.when(known & open_to_tests).then(most).cast(pl.Int32))
