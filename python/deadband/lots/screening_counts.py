"""Which lots have too many failures, from counts alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from .._errors import OptionError, check_list, check_share
from ..methods._results import need_studies
from ._beta_binomial import exceeding, means, quantile, rates
from ._discovery import discovery
from .proportion import proportion_interval

Floats = NDArray[np.float64]

_SCHEMA: Final[dict[str, Any]] = {
    "rank": pl.Int32,
    "lot": pl.String,
    "n": pl.Int64,
    "x": pl.Int64,
    **dict.fromkeys(
        (
            "proportion", "proportion_low", "proportion_high", "fraction", "fraction_u",
            "fraction_low", "fraction_high", "p_exceeds", "expected_fdr", "p_value", "q_value",
        ),
        pl.Float64,
    ),
    "verdict": pl.String,
    "status": pl.String,
}  # fmt: skip


def screen_counts(
    n: Sequence[int],
    x: Sequence[int],
    *,
    lots: Sequence[str] | None = None,
    fraction: float = 0.05,
    fdr: float = 0.05,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Rank lots by the evidence that more than `fraction` of their switches fail, from counts.

    For lots of which it is known only how many of `n` failed: returned ones, or those that a go and
    no-go test condemned. Failures are binomial, rates differ between lots by a beta distribution
    whose parameters are integrated on a grid with the prior `(alpha + beta)**-2.5` from 0.5 on (Gelman et
    al., Bayesian Data Analysis, 5.3). Rule and columns of false discovery as in `screen`; the p-value is
    that of the binomial test, and a lot is `within` where the prior of Jeffreys, which knows of no other
    lot, says so too. The error of the test that counted is in the counts: what a rough
    test condemned is more than what is out of tolerance. Setpoints say more: `distribution`.

    Parameters
    ----------
    n, x
        switches of each lot, and those of them that failed.
    lots
        names; None: `1`, `2`, ...
    fraction, fdr
        as in `screen`.
    confidence
        of the intervals.

    Returns
    -------
    polars.DataFrame
        A row a lot, the surest first: `rank`, `lot`, `n`, `x`; `proportion`, `x / n` with Wilson's
        interval; `fraction`, the mean of what is possible, with `fraction_u` and interval, drawn
        towards the other lots; `p_exceeds`, `expected_fdr`, `p_value`, `q_value`, `verdict`;
        `status`: `ok`, `too_few_samples` (`n` is 0), `missing_value` (a count is null) or
        `bad_value` (a count below zero, or more failed than there are), without numbers.

    Raises
    ------
    OptionError
        lists differ in length, hold something else than whole numbers, or an option is out of
        range.
    ImportError
        SciPy or statsmodels is not installed.

    Examples
    --------
    >>> found = screen_counts([40, 38, 41, 12], [1, 0, 11, 1], lots=["A", "B", "C", "D"])
    >>> found.select("lot", pl.col("fraction").round(2), "verdict").rows()
    [('C', 0.26, 'exceeds'), ('D', 0.1, 'undecided'), ('A', 0.03, 'undecided'), ('B', 0.01, 'within')]
    """  # noqa: E501, a row is a line
    need_studies("screening of lots by counts")
    check_share("fraction", fraction)
    check_share("fdr", fdr)
    check_share("confidence", confidence)
    trials, failed = _counts("n", n), _counts("x", x)
    names: Any = [str(i + 1) for i in range(trials.len())] if lots is None else lots
    check_list("lots", names, '["A", "B"]')
    if not all(name is None or isinstance(name, str) for name in names):
        raise OptionError("lots", names, ["a list of names as text"])
    for option, given in (("x", failed), ("lots", names)):
        if len(given) != trials.len():
            raise OptionError(option, f"{len(given)} values", [f"as many as n has, {trials.len()}"])
    bad = (pl.col("n") < 0) | (pl.col("x") < 0) | (pl.col("x") > pl.col("n"))
    table = pl.DataFrame({"lot": pl.Series(names, dtype=pl.String), "n": trials, "x": failed})
    table = table.with_columns(
        status=pl.when(pl.any_horizontal(pl.col("n", "x").is_null()))
        .then(pl.lit("missing_value"))
        .when(bad)
        .then(pl.lit("bad_value"))
        .when(pl.col("n") == 0)
        .then(pl.lit("too_few_samples"))
        .otherwise(pl.lit("ok"))
    )
    known = table.filter(pl.col("status") == "ok")
    rest = table.filter(pl.col("status") != "ok")
    if known.height:
        known = _screened(known, fraction, fdr, confidence)
    ranked = pl.concat([known, rest], how="diagonal")
    ranked = ranked.with_columns(rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int32))
    absent = {name: kind for name, kind in _SCHEMA.items() if name not in ranked.columns}
    return ranked.with_columns(
        pl.lit(None, kind).alias(name) for name, kind in absent.items()
    ).select(_SCHEMA.keys())


def _screened(known: pl.DataFrame, fraction: float, fdr: float, confidence: float) -> pl.DataFrame:
    from scipy.stats import beta, binom

    n, x = (known[name].to_numpy().astype(np.float64) for name in ("n", "x"))
    found = rates(x, n)
    chance = exceeding(found, x, n, fraction)
    p_value: Floats = binom.sf(x - 1.0, n, fraction)
    # By the prior of Jeffreys, as of a lot that has no neighbours.
    alone: Floats = beta.sf(fraction, x + 0.5, n - x + 0.5)
    called = discovery(chance, p_value, fdr, alone=alone)
    mean, sd = means(found, x, n)
    tail = 0.5 * (1.0 - confidence)
    ends = [
        proportion_interval(failed, trials, confidence=confidence)
        for failed, trials in known.select("x", "n").iter_rows()
    ]
    return known.with_columns(
        proportion=pl.col("x") / pl.col("n"),
        proportion_low=pl.Series([low for low, _ in ends]),
        proportion_high=pl.Series([high for _, high in ends]),
        fraction=pl.Series(mean),
        fraction_u=pl.Series(sd),
        fraction_low=pl.Series(quantile(found, x, n, tail)),
        fraction_high=pl.Series(quantile(found, x, n, 1.0 - tail)),
        p_exceeds=pl.Series(chance),
        expected_fdr=pl.Series(called.expected),
        p_value=pl.Series(p_value),
        q_value=pl.Series(called.q_value),
        verdict=pl.Series(called.verdict.tolist(), dtype=pl.String),
    ).sort("p_exceeds", "proportion", "lot", descending=[True, True, False])


def _counts(option: str, given: Any) -> pl.Series:
    check_list(option, given, "[40, 38]")
    allowed = ["a list of whole numbers"]
    try:
        column = pl.Series(list(given), strict=True)
    except (TypeError, OverflowError, pl.exceptions.PolarsError):
        raise OptionError(option, given, allowed) from None
    if not (column.dtype.is_integer() or column.dtype == pl.Null):
        raise OptionError(option, given, allowed)
    try:
        counts: pl.Series = column.cast(pl.Int64)
    except pl.exceptions.PolarsError:
        raise OptionError(option, given, ["numbers below 2**63"]) from None
    return counts
