"""Which lots have too many switches out of tolerance, and how many tests settle the others."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import polars as pl

from .._errors import OptionError, check_option, check_share
from ..methods._results import need_studies
from ._discovery import discovery
from ._exceed import SIDES, Exceeds, Side
from ._further import further_tests
from ._sentence import UNUSUAL, sentence
from .distribution import Lots

_WORDS: Final = {"unsafe": "below the lower limit", "nuisance": "above the upper limit",
                 "either": "outside the limits"}  # fmt: skip


def screen(
    lots: Lots, *, fraction: float = 0.05, side: Side = "unsafe", fdr: float = 0.05
) -> pl.DataFrame:
    """Rank lots by the evidence that more than `fraction` of their switches are out of tolerance.

    Two kinds of evidence stand beside each other. `p_value` is that of the lot's own tests, if its
    fraction were `fraction` or less, the mean of no other lot used; `q_value` is adjusted for the
    number of lots by Benjamini and Hochberg (1995). Lots with `q_value <= fdr` are called
    `exceeds`: of all so called a share of `fdr` at most is called wrongly, even if every lot lies
    at the level (measured: 5 %). `p_exceeds` is the probability with the lot drawn towards its
    model, and `expected_fdr = mean(1 - p_exceeds)` that of all lots as likely or likelier (Newton
    et al. 2004, Biostatistics 5): it finds more of the bad lots, but where all lie at the level it
    calls one in a fourth of all fleets, and a supplier may not want his lot judged by another's.

    Parameters
    ----------
    lots
        what `distribution` found.
    fraction
        the level, above 0 and below 0.5.
    side
        `unsafe`: below the lower limit; `nuisance`: above the upper one; `either`: both.
    fdr
        false discovery rate: accepted share of wrong lots among those called.

    Returns
    -------
    polars.DataFrame
        A row a lot, the surest first, those without numbers last: `rank`, model, lot, `n_switches`,
        `n_tested`, the fraction of this side with its interval and `counted`, the measured ones;
        `p_exceeds`, `expected_fdr` of calling this lot and all above it, `p_value`, `q_value`,
        of the counts alone, measurement error and all, `p_counted`, the binomial p-value, and
        `p_exceeds_counted`, the probability with the prior of Jeffreys; `verdict`: `exceeds`,
        `within` (`p_exceeds <= fdr`, and where a lot is not normal, or has switches that stay
        closed, which no curve holds, `p_exceeds_counted <= fdr`; a switch that stays closed is no
        matter of the nuisance side) or `undecided`; null of a lot without results; of an undecided
        one `n_more`, the number of further switches to be ramped until it is as likely as not to be
        decided, if what was found so far is true (normal approximation), null with `gauge_limits`
        where no number does because of what its gauges leave open; `evidence`, a sentence;
        `status`.

    Raises
    ------
    OptionError
        an option is unknown or out of range, or `lots` are none.
    ImportError
        SciPy or statsmodels is not installed.

    Examples
    --------
    >>> from deadband.lots import distribution
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
    >>> screen(distribution(points, switches)).select("lot", "verdict").rows()
    [('L3', 'exceeds'), ('L2', 'within'), ('L1', 'within')]
    """  # fmt: skip
    need_studies("screening of lots")
    if not isinstance(lots, Lots):
        raise OptionError("lots", type(lots).__name__, ["what distribution found"])
    check_share("fraction", fraction, 0.5)
    check_option("side", side, SIDES)
    check_share("fdr", fdr)
    keys = [name for name in ("model", lots.by) if name in lots.lots.columns]
    keys = list(dict.fromkeys(keys))
    name = "outside" if side == "either" else side
    counted = pl.col("counted_unsafe"), pl.col("counted_nuisance")
    table = lots.lots.select(
        *keys, "n_switches", "n_tested", "n_stuck", "mean", "p_normal", "status",
        fraction=f"fraction_{name}", fraction_low=f"fraction_{name}_low",
        fraction_high=f"fraction_{name}_high",
        counted=sum(counted) if side == "either" else f"counted_{side}",
    )  # fmt: skip
    known = table.filter(pl.col("status") == "ok")
    told = lots.exceeds(fraction, side)
    if told is not None:
        known = known.with_columns(**_numbers(told, fdr))
    none = {column: kind for column, kind in _ADDED.items() if column not in known.columns}
    known = known.with_columns(pl.lit(None, kind).alias(column) for column, kind in none.items())
    rest = table.filter(pl.col("status") != "ok")
    ranked = _with_counted(pl.concat([known, rest], how="diagonal"), fraction, fdr, side)
    by_counts = pl.when(pl.col("n_stuck") > 0).then("p_exceeds_counted")
    ranked = ranked.sort(
        pl.coalesce("p_exceeds", by_counts), "mean", descending=[True, False], nulls_last=True
    )
    words = [
        sentence(row, lots.by, fraction, _WORDS[side], lots.confidence)
        for row in ranked.iter_rows(named=True)
    ]
    return ranked.with_columns(evidence=pl.Series(words, dtype=pl.String)).select(
        rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int32),
        **{key: pl.col(key) for key in keys},
        **{column: pl.col(column) for column in _SHOWN},
    )


_ADDED: Final[dict[str, Any]] = {
    **dict.fromkeys(("p_exceeds", "expected_fdr", "p_value", "q_value"), pl.Float64),
    "p_counted": pl.Float64,
    "p_exceeds_counted": pl.Float64,
    "verdict": pl.String,
    "n_more": pl.Int32,
    "gauge_limits": pl.Boolean,
}
_SHOWN: Final = (
    "n_switches", "n_tested", "fraction", "fraction_low", "fraction_high", "counted", *_ADDED,
    "evidence", "status",
)  # fmt: skip


def _with_counted(ranked: pl.DataFrame, fraction: float, fdr: float, side: Side) -> pl.DataFrame:
    """What the counts say; where no normal curve tells of some of them, only they can acquit."""
    from scipy.stats import beta, binom

    counted = ranked["counted"].to_numpy()
    trials = (ranked["n_tested"] + ranked["n_stuck"]).to_numpy()
    by_counts = {
        "p_counted": binom.sf(counted - 1, trials, fraction),
        # The prior of Jeffreys for a proportion.
        "p_exceeds_counted": beta.sf(fraction, counted + 0.5, trials - counted + 0.5),
    }
    known = [pl.Series(name, values, pl.Float64) for name, values in by_counts.items()]
    ranked = ranked.with_columns(
        pl.when(pl.lit(pl.Series(trials)) > 0).then(one).alias(one.name) for one in known
    )
    odd = (pl.col("p_normal") < UNUSUAL).fill_null(value=False)
    if side != "nuisance":
        odd |= pl.col("n_stuck") > 0
    against = odd & (pl.col("p_exceeds_counted") > fdr) & (pl.col("verdict") == "within")
    silent = pl.col("verdict").is_null() & (pl.col("n_stuck") > 0) & pl.lit(side != "nuisance")
    open_case = pl.when(against | silent).then(pl.lit("undecided"))
    return ranked.with_columns(verdict=open_case.otherwise("verdict"))


def _numbers(told: Exceeds, fdr: float) -> dict[str, pl.Series]:
    found = discovery(told.chance, told.p_value, fdr)
    more, limited = further_tests(told, found.verdict, fdr)
    undecided = found.verdict == "undecided"
    return {
        "p_exceeds": pl.Series(told.chance),
        "expected_fdr": pl.Series(found.expected),
        "p_value": pl.Series(told.p_value),
        "q_value": pl.Series(found.q_value),
        "verdict": pl.Series(found.verdict.tolist(), dtype=pl.String),
        "n_more": pl.Series(np.where(undecided, more, np.nan)).fill_nan(None).cast(pl.Int32),
        "gauge_limits": pl.Series(undecided & limited),
    }
