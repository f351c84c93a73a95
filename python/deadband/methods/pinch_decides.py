"""Whether a pinch test can decide a tolerance at all."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from statistics import NormalDist
from typing import Any, Final

import polars as pl

from .._errors import check_count, check_list, check_share
from ._procedure import Known, Procedure, known_gauge, positive
from ._reach import Terms
from ._trial import Correction, Trial, pinch_trial
from .reachable import refused

#: Tests of a switch at its rating that must be found good for a method to decide.
_DECIDES: Final = 0.95

#: A scatter of fewer tests is none.
_LEAST: Final = 5

_HOW: Final[dict[Correction, str]] = {
    "parts": "fitted, dead time and time constant known",
    "mean": "fitted, the mean lag alone known",
    "called": "called and not corrected",
}

_SCHEMA: Final = {
    "gauge_id": pl.String, "fall_s": pl.Float64, "correction": pl.String, "rate_pa_s": pl.Float64,
    "u_pa": pl.Float64, "bias_pa": pl.Float64, "stated_u_pa": pl.Float64, "lost": pl.Float64,
    "tolerance_pa": pl.Float64, "guard_pa": pl.Float64, "share_left": pl.Float64,
    "p_accepted": pl.Float64, "decides": pl.Boolean, "status": pl.String, "sentence": pl.String,
}  # fmt: skip


def pinch_decides(
    gauge: Mapping[str, Any],
    *,
    rated_pa: float,
    tolerance: float = 0.10,
    fall_s: Sequence[float] = (0.2, 0.4, 0.8),
    cycles: int = 3,
    sample_s: float = 0.1,
    contact_sample_s: float | None = None,
    level_pa: float | None = None,
    repeatability_pa: float | None = None,
    reaction: tuple[float, float] = (0.35, 0.10),
    risk: float = 0.05,
    n: int = 150,
    seed: int = 1,
) -> pl.DataFrame:
    """Whether a pinch test can decide a tolerance with a gauge, by simulated pinches.

    A steady draft is pinched off and falls to nothing as an exponential, seen by the gauge and
    analysed by the package: with dead time and time constant of the gauge known, with their sum
    alone, and not at all, as a value that somebody calls. The error of the stated lag is drawn anew
    for each test; what is stated of the gauge's accuracy is added. Falls begin anywhere between two
    samples. A contact that is logged every `h` at a rate `r` leaves `r h / sqrt(12 cycles)` open,
    whatever is known of the gauge: where that is most of the error (a fall of 0.2 s from 90 Pa,
    logged at 10 Hz: 5 Pa), to know the parts of the lag is worth nothing.

    A setpoint is accepted within the tolerance less a guard band of `z u` (1.645 u at a risk of
    5 %; JCGM 106, 8.3.2), for called values widened by their bias, which is of unknown size at the
    bench. The test decides if a switch exactly at its rating is accepted 95 times in 100: where it
    is not, `undecided` is all that such tests say.

    Parameters
    ----------
    gauge, rated_pa, tolerance, repeatability_pa
        as in `reachable`.
    fall_s
        time constants of the fall, s.
    cycles, sample_s, contact_sample_s
        as in `Procedure`.
    level_pa
        draft before the pinch, Pa; None: 1.5 times the rating.
    reaction
        mean and standard deviation of the time after which the display is read, s.
    risk
        probability of accepting a switch at the limit.
    n, seed
        simulated tests of each row, 5 or more, and their seed. The relative standard error of
        `u_pa` is about `1 / sqrt(2 n)`, 6 % for 150.

    Returns
    -------
    polars.DataFrame
        A row a fall and way of correction: `gauge_id`, `fall_s`, `correction` (`parts`, `mean`,
        `called`), `rate_pa_s` at the opening, `u_pa` (root mean square error; scatter about the
        bias for called values), `bias_pa`, `stated_u_pa` (median of what the package would state
        of the recording alone), `lost` (share of tests without a setpoint), `tolerance_pa`,
        `guard_pa`, `share_left` of the tolerance for acceptance, `p_accepted` (of a switch at its
        rating), `decides`, `status` (`ok`, `lag_unidentified`, `missing_value`, `bad_value`,
        `no_event`) and the same as a `sentence`.

    Raises
    ------
    OptionError, DeadbandError
        an option that cannot be.

    Examples
    --------
    >>> gauge = {"resolution_pa": 1.0, "dead_time_s": 0.1, "time_constant_s": 0.3, "lag_u_s": 0.02}
    >>> found = pinch_decides(gauge, rated_pa=60.0, fall_s=[0.4], n=20)
    >>> found.select("correction", "decides").rows()
    [('parts', False), ('mean', False), ('called', False)]
    """
    terms = Terms.of(
        rated_pa=rated_pa, tolerance=tolerance, repeatability_pa=repeatability_pa,
        reaction=reaction, seed=seed,
    )  # fmt: skip
    check_count("n", n, _LEAST)
    check_share("risk", risk, 0.5)
    check_list("fall_s", fall_s, "[0.2, 0.4]")
    known = known_gauge(gauge)
    rows = []
    for fall in fall_s:
        positive("fall_s", fall)
        pinch = Procedure(
            method="pinch", fall_s=fall, cycles=cycles, sample_s=sample_s,
            contact_sample_s=contact_sample_s, high_pa=level_pa, hold_s=5.0,
        )  # fmt: skip
        pinch.check(rated_pa)
        rows += [_row(known, pinch, terms, how, risk=risk, n=n) for how in _HOW]
    return pl.DataFrame(rows, schema=_SCHEMA)


def _row(
    gauge: Known, pinch: Procedure, terms: Terms, how: Correction, *, risk: float, n: int
) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(_SCHEMA)
    row |= {
        "gauge_id": gauge.gauge_id, "fall_s": pinch.fall_s, "correction": how,
        "rate_pa_s": pinch.rate_at(terms.rated_pa),
        "tolerance_pa": terms.tolerance * terms.rated_pa,
    }  # fmt: skip
    status, reason = refused(gauge, pinch, terms)
    if status == "ok" and how == "parts" and not gauge.has_parts:
        status = "lag_unidentified"
        reason = "how the lag splits into dead time and time constant is not known: state both"
    if status != "ok":
        return row | {"status": status, "sentence": reason}
    found = pinch_trial(
        gauge, pinch, terms.rated_pa, correction=how, repeatability_pa=terms.repeatability_pa,
        reaction=terms.reaction, n=n, seed=terms.seed,
    )  # fmt: skip
    if not math.isfinite(found.rms_pa):
        reason = "no simulated pinch gave an opening: log faster, or pinch more slowly"
        return row | {"lost": found.lost, "status": "no_event", "sentence": reason}
    accuracy = gauge.accuracy_u(terms.rated_pa) or 0.0
    limit = terms.tolerance * terms.rated_pa
    judged = _judged(found, how, limit=limit, accuracy=accuracy, risk=risk)
    what = f"pinch of {pinch.fall_s:g} s, {_HOW[how]}"
    return row | judged | {"sentence": f"{what}: {judged['sentence']}"}


def _judged(
    found: Trial, how: Correction, *, limit: float, accuracy: float, risk: float
) -> dict[str, Any]:
    bias = found.bias_pa if how == "called" else 0.0
    spread = found.sd_pa if how == "called" else found.rms_pa
    u = math.hypot(spread, accuracy)
    guard = NormalDist().inv_cdf(1.0 - risk) * u + abs(bias)
    half = limit - guard
    accepted = 0.0
    if half > 0.0:
        error = NormalDist(bias, max(u, 1e-12))
        accepted = (error.cdf(half) - error.cdf(-half)) * (1.0 - found.lost)
    share = max(half, 0.0) / limit
    decides = accepted >= _DECIDES
    if decides:
        verdict = f"{share:.0%} of the tolerance is left: it decides"
    elif share > 0.0:
        verdict = (
            f"{share:.0%} of the tolerance is left and {accepted:.0%} of switches at their rating "
            "are accepted: too few; test by a slow ramp"
        )
    else:
        verdict = "nothing of the tolerance is left: it cannot decide; test by a slow ramp"
    off = f", off by {bias:+.2g} Pa" if how == "called" else ""
    return {
        "u_pa": u, "bias_pa": found.bias_pa, "lost": found.lost, "guard_pa": guard,
        "stated_u_pa": found.stated_u_pa if math.isfinite(found.stated_u_pa) else None,
        "share_left": share, "p_accepted": accepted, "decides": decides, "status": "ok",
        "sentence": f"u = {u:.2g} Pa{off} against {limit:g} Pa, {verdict}",
    }  # fmt: skip
