"""Which lots have too many switches out of tolerance, and how many tests settle the others."""

from __future__ import annotations

from typing import Final

import polars as pl

from .._errors import OptionError, check_option, check_share
from ..methods._results import need_studies
from ._columns import keys_of
from ._evidence import ADDED, judged
from ._exceed import SIDES, Side
from ._lots import Lots
from ._sentence import sentence

_WORDS: Final = {"unsafe": "below the lower limit", "nuisance": "above the upper limit",
                 "either": "outside the limits"}  # fmt: skip

#: Before what is said of lots of another shape.
_AS: Final = {
    "normal": "",
    "heavy_tails": "With heavy tails, ",
    "light_tails": "With light tails, ",
    "skew_low": "With a long tail towards low setpoints, ",
    "skew_high": "With a long tail towards high setpoints, ",
}


def screen(
    lots: Lots, *, fraction: float = 0.05, side: Side = "unsafe", fdr: float = 0.05
) -> pl.DataFrame:
    """Rank lots by the evidence that more than `fraction` of their switches are out of tolerance.

    Two kinds of evidence stand beside each other. `p_value` is that of the lot's own mean, if its
    fraction were `fraction` or less: the mean of no other lot is used, but how much its switches
    scatter is told beside the other lots, and of one or two results by these alone; `q_value` is
    adjusted for the number of lots by Benjamini and Hochberg (1995). Lots with `q_value <= fdr` are
    called `exceeds`: of all so called a share of `fdr` at most is called wrongly, even if every lot
    lies at the level (measured: 5 %). `p_exceeds` is the probability with the lot drawn towards its
    model, and `expected_fdr = mean(1 - p_exceeds)` that of all lots as likely or likelier (Newton
    et al. 2004, Biostatistics 5): it finds more of the bad lots, but where all lie at the level it
    calls one in a fourth of all fleets, and a supplier may not want his lot judged by another's.

    No curve holds a switch that stays closed. On the unsafe side, and on both together, `p_stuck`
    is the binomial p-value of those alone, which no error of measurement touches, and `q_value` of
    such a lot is adjusted from twice the smaller of `p_value` and `p_stuck`, or from `p_stuck`
    where there is no curve; its place and `expected_fdr` are by the larger of `p_exceeds` and
    `p_exceeds_counted`. Where a lot is hardly normal (`p_normal` below 0.01) its curve convicts it
    no more than its counts do: the larger of `p_value` and `p_counted` is taken.

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
        A row a lot, the surest first, those of which nothing is known last: `rank`, model, lot,
        `n_switches`, `n_tested`, `n_stuck`, `n_no_setpoint`, the fraction of this side with its
        interval, of the switches that open, and `counted`, the measured ones and those that stayed
        closed; `p_exceeds`, `expected_fdr` of calling this lot and all above it, `p_value`,
        `p_stuck`, `q_value`; of the counts alone, measurement error and all, `p_counted`, the
        binomial p-value, and `p_exceeds_counted`, the probability with the prior of Jeffreys, both
        of all that were tested, those without a setpoint taken for good;
        `verdict`: `exceeds`, `within` or `undecided`, null of a lot without curve that has no
        switch which stays closed (on the nuisance side: without curve); of an undecided one
        `n_more`, the number of further switches to be ramped until it is as likely as not to be
        decided, if what was found so far is true (normal approximation): by model and own tests,
        or, where the model alone has it within, by its own ones. Where counts speak against it, as
        with switches that stay closed, no fewer than have to be tested, all of them good, until
        the counts of those that have a result leave no more than `fdr` (null where 300 are too
        few). Null too where a switch may have stayed closed, and with `gauge_limits` where no
        number decides because of what its gauges leave open; `evidence`, a sentence; `status`.

        A lot is `within` where `p_exceeds` is no more than `fdr`, and by its own tests
        `1 - p_value` neither, however good its neighbours are; where it is not normal, or has
        switches that stay closed, nor the chance by the counts of those that have a result. None is
        within where nothing tells whether a switch stayed closed, as with setpoints in place of
        verdicts, or where it stayed closed and opened on one day (`n_maybe_stuck` of
        `distribution`). What stays closed is no matter of the nuisance side.

    Raises
    ------
    OptionError
        an option is unknown or out of range, or `lots` are none.
    ImportError
        SciPy or statsmodels is not installed.

    Examples
    --------
    >>> import numpy as np
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
    keys = keys_of(lots.lots.columns, lots.by)
    name = "outside" if side == "either" else side
    counted = pl.col("counted_unsafe"), pl.col("counted_nuisance")
    table = lots.lots.select(
        *keys, "n_switches", "n_tested", "n_no_setpoint", "n_stuck", "n_maybe_stuck",
        "n_bad_rating", "first_tested_on", "last_tested_on", "mean", "unlike", "p_normal",
        "status",
        fraction=f"fraction_{name}", fraction_low=f"fraction_{name}_low",
        fraction_high=f"fraction_{name}_high",
        counted=sum(counted) if side == "either" else f"counted_{side}",
    )  # fmt: skip
    if side == "nuisance":
        # What stays closed does not lie above a limit.
        table = table.with_columns(n_maybe_stuck=pl.lit(0, pl.Int32))
    ranked = judged(table, lots.exceeds(fraction, side), fraction, fdr, side)
    words = [
        _AS[lots.shape] + sentence(row, lots.by, fraction, _WORDS[side], lots.confidence)
        for row in ranked.iter_rows(named=True)
    ]
    return ranked.with_columns(evidence=pl.Series(words, dtype=pl.String)).select(
        rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int32),
        **{key: pl.col(key) for key in keys},
        **{column: pl.col(column) for column in _SHOWN},
    )


_SHOWN: Final = (
    "n_switches", "n_tested", "n_stuck", "n_no_setpoint", "fraction", "fraction_low",
    "fraction_high", "counted", *ADDED, "evidence", "status",
)  # fmt: skip
