"""The uncertainty that a way of testing can reach with a gauge, before anything is recorded."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

from .._errors import OptionError, check_option
from .._history import Setpoint
from ._procedure import Known, Procedure, known_gauge
from ._reach import Reach, Route, Terms, reach_of
from ._reading import Hand, overlap_factor, reading_variance
from ._trial import Correction, Trial, pinch_trial, ramp_trial

#: Noise, in display steps, from which on rounding is as good as white noise.
_WHITE: Final = 0.25
#: Readings that a change needs on either side.
_EDGE: Final = 4
#: A bracket that is so many times as wide as a reading's u is left to the overlap.
_WIDE: Final = 4.0
_RAMPS: Final = 30
_PINCHES: Final = 150


def reachable(
    gauge: Mapping[str, Any],
    procedure: Procedure,
    *,
    rated_pa: float,
    tolerance: float = 0.10,
    repeatability_pa: float | None = None,
    unsteadiness: float = 0.1,
    correlation_s: float = 1.0,
    called: bool = False,
    reaction: tuple[float, float] = (0.35, 0.10),
    event: Setpoint = "open",
    route: Route | None = None,
    seed: int = 1,
    confidence: float = 0.95,
) -> Reach:
    """The uncertainty of a setpoint that a way of testing can reach with a gauge, line by line.

    For a ramp of `n` cycles at rate `r`, contact logged every `h`:

    - `reading`, `resolution`: what the smoother leaves of noise and rounding at an event, by `n`
      events; see `route`.
    - `bracket`: `r h / sqrt(12 n)`. Where it is wider than four standard uncertainties of the
      reading, the package takes the overlap of the brackets, and these lines and the next become
      smaller by the same factor.
    - `repeatability`: that of the switch by `sqrt(n)`.
    - `lag`: `r u(lag)`, which no number of cycles reduces.
    - `accuracy`: limits of error over `sqrt(3)` at the rating.

    A called value has the noise of single readings, their rounding and that of the mean, `reaction`
    (`r` times the standard deviation of the reaction time, by `n` events), and a bias of `r` times
    lag less mean reaction: the display is behind the pressure, the glance at it behind the contact.
    The bias is added to the expanded uncertainty whole (JCGM 100, F.2.4.5). A pinch is simulated,
    all but the accuracy.

    Parameters
    ----------
    gauge
        a row of the gauges table as a mapping: `resolution_pa`, `accuracy_rel`, `accuracy_abs_pa`,
        `lag_s`, `lag_u_s`, `dead_time_s`, `time_constant_s`, and where known `noise_pa`, the
        standard deviation of a reading before rounding (else 0.4 of a step, an assumption), and
        `dof` of the lag (else infinite).
    procedure
        how the test is made.
    rated_pa, tolerance
        rating of the switch and its tolerance, relative. 10 % is common practice, no source.
    repeatability_pa
        standard deviation of a single event, Pa; None: 0.5 % of the rating, the package's
        assumption, as one degree of freedom and not four.
    unsteadiness, correlation_s
        the hand: relative standard deviation of the rate within a stroke and its correlation time.
    called, reaction
        whether the value is called by somebody, and mean and standard deviation of his reaction, s.
    event
        which setpoint; it decides the sign of the bias only.
    route
        `formula`: by theory (see `reading_variance` in `_reading.py`), for noise of a quarter of a
        display step or more; `simulation`: from 30 seeded recordings through the package itself;
        None: the formula where it holds.
    seed
        of the simulation.
    confidence
        coverage probability of the expanded uncertainty.

    Returns
    -------
    Reach

    Raises
    ------
    OptionError, DeadbandError
        an option or a procedure that cannot be. A gauge that cannot be has a `status`.

    Examples
    --------
    >>> from deadband.methods import Procedure
    >>> gauge = {"resolution_pa": 1.0, "accuracy_abs_pa": 0.5, "lag_s": 0.4, "lag_u_s": 0.02}
    >>> found = reachable(gauge, Procedure(rate_pa_s=4.0, cycles=3), rated_pa=60.0)
    >>> found.lines["source"].to_list()
    ['reading', 'bracket', 'resolution', 'repeatability', 'lag', 'accuracy']
    >>> found.expanded_pa < 1.0
    True
    >>> reachable({"resolution_pa": 1.0}, Procedure(), rated_pa=60.0).status
    'lag_unidentified'
    """
    check_option("event", event, ["open", "close"])
    terms = Terms.of(
        rated_pa=rated_pa, tolerance=tolerance, repeatability_pa=repeatability_pa,
        unsteadiness=unsteadiness, correlation_s=correlation_s, called=called, reaction=reaction,
        route=route, seed=seed, confidence=confidence,
    )  # fmt: skip
    known = known_gauge(gauge)
    if not isinstance(procedure, Procedure):
        raise OptionError("procedure", procedure, ["a Procedure"])
    procedure.check(rated_pa)
    status, reason = refused(known, procedure, terms)
    if status != "ok":
        return reach_of(procedure, terms, [], "", status=status, reason=reason)
    if procedure.method == "pinch":
        return _pinch(known, procedure, terms)
    sign = 1.0 if event == "open" else -1.0
    if called:
        return _called(known, procedure, terms, sign)
    how = route_of(known, terms)
    return from_reading(known, procedure, terms, event_variance(known, procedure, terms, how), how)


def refused(gauge: Known, procedure: Procedure, terms: Terms) -> tuple[str, str]:
    """Status and reason of a gauge and procedure that tell nothing; `ok` where they do.

    Examples
    --------
    >>> refused(known_gauge({"resolution_pa": 1.0}), Procedure(), Terms.of(rated_pa=60.0))[0]
    'lag_unidentified'
    """
    if gauge.status != "ok":
        return gauge.status, gauge.reason
    if gauge.lag_s is None:
        return "lag_unidentified", (
            "the gauge's lag is not known: find it from ramps at different rates (estimate_lag), "
            "or state lag_s and lag_u_s"
        )
    if gauge.lag_u_s is None:
        return "missing_value", "the lag's uncertainty is not known: state lag_u_s"
    if procedure.method == "pinch" or terms.called:
        return "ok", ""
    rated = terms.rated_pa
    nearest = min(rated - procedure.low_pa, procedure.top_pa(rated) - rated)
    readings = nearest / procedure.rate_pa_s / procedure.sample_s
    if readings < _EDGE:
        return "too_few_samples", (
            f"{readings:.1f} readings between the change and a turning point, {_EDGE} are needed: "
            "move more slowly or further, or log faster"
        )
    if terms.route == "formula" and gauge.noise_pa < _WHITE * gauge.resolution_pa:
        return "coarse_display", (
            f"noise below {_WHITE:g} of the display's step: no formula holds there; "
            'give route="simulation"'
        )
    return "ok", ""


def route_of(gauge: Known, terms: Terms) -> Route:
    """Where the line of the reading comes from.

    Examples
    --------
    >>> route_of(known_gauge({"resolution_pa": 1.0, "noise_pa": 0.05}), Terms.of(rated_pa=60.0))
    'simulation'
    """
    steady = gauge.noise_pa < _WHITE * gauge.resolution_pa
    return terms.route or ("simulation" if steady else "formula")


def event_variance(gauge: Known, procedure: Procedure, terms: Terms, route: Route) -> float:
    """Variance of the pressure at one event of a ramp, without its bracket, Pa²; NaN: no events.

    Examples
    --------
    >>> gauge = known_gauge({"resolution_pa": 1.0, "lag_s": 0.4, "lag_u_s": 0.02})
    >>> terms = Terms.of(rated_pa=60.0)
    >>> slow, fast = [
    ...     event_variance(gauge, Procedure(rate_pa_s=rate), terms, "formula") for rate in (1, 8)
    ... ]
    >>> slow < fast
    True
    """
    if route == "simulation":
        found = ramp_trial(
            gauge, procedure, terms.rated_pa, hand=terms.hand, n=_RAMPS, seed=terms.seed
        )
        return found**2
    span = procedure.top_pa(terms.rated_pa) - procedure.low_pa
    hand = Hand(
        rate_pa_s=procedure.rate_pa_s, unsteadiness=terms.hand[0], correlation_s=terms.hand[1],
        stroke_s=span / procedure.rate_pa_s,
    )  # fmt: skip
    noise = gauge.noise_pa**2 + gauge.resolution_pa**2 / 12.0
    return reading_variance(hand, procedure.sample_s, noise, gauge.splits)


def from_reading(
    gauge: Known, procedure: Procedure, terms: Terms, variance: float, route: Route
) -> Reach:
    """The budget of a ramp whose events have this variance.

    Examples
    --------
    >>> gauge = known_gauge({"resolution_pa": 1.0, "lag_s": 0.4, "lag_u_s": 0.0})
    >>> found = from_reading(gauge, Procedure(), Terms.of(rated_pa=60.0), 0.04, "formula")
    >>> round(found.lines["u_pa"][4], 3)
    0.0
    """
    if not math.isfinite(variance):
        reason = "the simulated tests gave too few changes of contact: move more slowly"
        return reach_of(procedure, terms, [], route, status="no_event", reason=reason)
    n = procedure.cycles
    bracket = procedure.rate_pa_s * procedure.contact_s
    factor = 1.0
    if n > 1 and bracket > _WIDE * math.sqrt(variance):
        factor = overlap_factor(n, bracket, math.hypot(terms.repeatability_pa, math.sqrt(variance)))
    by_n = factor / math.sqrt(n)
    total = gauge.noise_pa**2 + gauge.resolution_pa**2 / 12.0
    rounding = gauge.resolution_pa**2 / 12.0 / total if route == "formula" and total > 0.0 else 0.0
    lines = [
        ("reading", math.sqrt(variance * (1.0 - rounding)) * by_n, math.inf),
        ("bracket", bracket / math.sqrt(12.0) * by_n, math.inf),
        ("resolution", math.sqrt(variance * rounding) * by_n, math.inf),
        ("repeatability", terms.repeatability_pa * by_n, terms.repeatability_dof + 2.0 * (n - 1)),
        ("lag", procedure.rate_pa_s * (gauge.lag_u_s or 0.0), gauge.lag_dof),
    ]
    return reach_of(procedure, terms, _with_accuracy(lines, gauge, terms), route)


def _called(gauge: Known, procedure: Procedure, terms: Terms, sign: float) -> Reach:
    n, rate = procedure.cycles, procedure.rate_pa_s
    step = gauge.resolution_pa / math.sqrt(12.0)
    lines = [
        ("reading", gauge.noise_pa / math.sqrt(n), math.inf),
        ("resolution", step * math.sqrt(1.0 + 1.0 / n) if n > 1 else step, math.inf),
        ("reaction", rate * terms.reaction[1] / math.sqrt(n), math.inf),
        ("repeatability", terms.repeatability_pa / math.sqrt(n),
         terms.repeatability_dof + 2.0 * (n - 1)),
        ("lag", rate * (gauge.lag_u_s or 0.0), gauge.lag_dof),
    ]  # fmt: skip
    # The reading comes after the change by the reaction, and shows what was before it by the lag.
    bias = -sign * rate * (terms.reaction[0] - (gauge.lag_s or 0.0))
    return reach_of(procedure, terms, _with_accuracy(lines, gauge, terms), "formula", bias=bias)


def _pinch(gauge: Known, procedure: Procedure, terms: Terms) -> Reach:
    correction: Correction = "called" if terms.called else "parts" if gauge.has_parts else "mean"
    found = pinch_trial(
        gauge, procedure, terms.rated_pa, correction=correction, n=_PINCHES, seed=terms.seed,
        repeatability_pa=terms.repeatability_pa, reaction=terms.reaction,
    )  # fmt: skip
    return from_trial(gauge, procedure, terms, found)


def from_trial(gauge: Known, procedure: Procedure, terms: Terms, found: Trial) -> Reach:
    """The budget of a pinch from its simulated tests.

    Examples
    --------
    >>> pinch = Procedure(method="pinch", fall_s=0.4)
    >>> gauge = known_gauge({"resolution_pa": 1.0, "lag_s": 0.4, "lag_u_s": 0.02})
    >>> from_trial(gauge, pinch, Terms.of(rated_pa=60.0), Trial(2.0, 0.5, 1.9, 0.0)).u_pa
    2.0
    """
    if not math.isfinite(found.rms_pa):
        reason = "no simulated pinch gave an opening: log faster, or pinch more slowly"
        return reach_of(procedure, terms, [], "simulation", status="no_event", reason=reason)
    # Only who corrects nothing is off to one known side; else the bias is part of the error.
    spread = found.sd_pa if terms.called else found.rms_pa
    lines = _with_accuracy([("simulated", spread, math.inf)], gauge, terms)
    bias = found.bias_pa if terms.called else 0.0
    return reach_of(procedure, terms, lines, "simulation", bias=bias)


def _with_accuracy(
    lines: list[tuple[str, float, float]], gauge: Known, terms: Terms
) -> list[tuple[str, float, float]]:
    accuracy = gauge.accuracy_u(terms.rated_pa)
    return lines if accuracy is None else [*lines, ("accuracy", accuracy, math.inf)]
