"""The interval of a proportion that was counted."""

from __future__ import annotations

from typing import Literal

from .._errors import OptionError, check_count, check_option, check_share
from ..methods._results import need_studies


def proportion_interval(
    x: int,
    n: int,
    *,
    method: Literal["wilson", "clopper_pearson"] = "wilson",
    confidence: float = 0.95,
) -> tuple[float, float]:
    """The interval of a proportion of which `x` in `n` were counted.

    `wilson` (1927): all proportions `p` with `|x / n - p| <= z sqrt(p (1 - p) / n)`; holds what it
    claims on average over `p`. `clopper_pearson` (1934): all that neither tail of the binomial
    distribution rejects at half of what is left; never holds less than it claims.

    Parameters
    ----------
    x, n
        counted, and trials; `0 <= x <= n`.
    method
        `wilson` or `clopper_pearson`.
    confidence
        of the interval.

    Returns
    -------
    tuple of float
        Lower and upper limit, 0 and 1 without a trial.

    Raises
    ------
    OptionError
        an option is unknown or out of range.
    ImportError
        statsmodels is not installed.

    Examples
    --------
    Newcombe (1998), table I: 15 of 148.

    >>> [round(limit, 4) for limit in proportion_interval(15, 148)]
    [0.0624, 0.1605]
    """
    need_studies("the interval of a proportion")
    from statsmodels.stats.proportion import proportion_confint

    check_option("method", method, ["wilson", "clopper_pearson"])
    check_share("confidence", confidence)
    trials = check_count("n", n, 0)
    if check_count("x", x, 0) > trials:
        raise OptionError("x", x, [f"a whole number from 0 to {trials}"])
    if not trials:
        return 0.0, 1.0
    kind = {"wilson": "wilson", "clopper_pearson": "beta"}[method]
    low, high = proportion_confint(x, trials, 1.0 - confidence, kind)
    # Rounding leaves a limit of nothing or of all a little inside.
    return (0.0 if x == 0 else float(low)), (1.0 if x == trials else float(high))
