"""How a test is made, and what is known of the gauge that it is made with."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from math import isnan
from numbers import Real
from typing import Any, Final, Literal, TypeGuard

from .._errors import DeadbandError, OptionError, check_count, check_number, check_option

Method = Literal["ramp", "pinch"]

#: Rest before the first and after the last movement of a simulated ramp, s.
_REST_S: Final = 3.0
#: Noise where none is known: that of the displays of this package's studies, in steps.
_ASSUMED_NOISE: Final = 0.4


@dataclass(frozen=True, kw_only=True)
class Procedure:
    """How a test is made.

    Attributes
    ----------
    method
        `ramp`: the pressure is moved slowly up and down; `pinch`: a steady draft is pinched off.
    rate_pa_s
        rate of a ramp, Pa/s.
    fall_s
        time constant of a pinch's fall, s.
    cycles
        cycles of a ramp, or pinches.
    sample_s
        interval at which the display is logged, s; of a display that is refreshed more slowly than
        it is logged, the time between its refreshes.
    contact_sample_s
        interval at which the contact is logged, s; None: as the display.
    low_pa, high_pa
        turning points of a ramp; end and level of a pinch, Pa; `high_pa` None: 1.5 times the
        rating.
    hold_s
        hold at each turning point of a ramp, steady time before and after each pinch, s.

    Examples
    --------
    >>> Procedure(rate_pa_s=3.0, cycles=5).duration_s(60.0)
    326.0
    >>> Procedure(method="pinch", fall_s=0.3, hold_s=5.0).duration_s(60.0)
    45.0
    """

    method: Method = "ramp"
    rate_pa_s: float = 5.0
    fall_s: float = 0.4
    cycles: int = 3
    sample_s: float = 0.1
    contact_sample_s: float | None = None
    low_pa: float = 0.0
    high_pa: float | None = None
    hold_s: float = 2.0

    def __post_init__(self) -> None:
        check_option("method", self.method, ["ramp", "pinch"])
        check_count("cycles", self.cycles, 1)
        for name in ("rate_pa_s", "fall_s", "sample_s"):
            positive(name, getattr(self, name))
        if self.contact_sample_s is not None:
            positive("contact_sample_s", self.contact_sample_s)
        not_negative("hold_s", self.hold_s)
        finite("low_pa", self.low_pa)
        if self.high_pa is not None:
            finite("high_pa", self.high_pa)

    def top_pa(self, rated_pa: float) -> float:
        """The upper turning point, or the level before a pinch, Pa."""
        return 1.5 * rated_pa if self.high_pa is None else self.high_pa

    @property
    def contact_s(self) -> float:
        """Interval at which the contact is logged, s."""
        return self.sample_s if self.contact_sample_s is None else self.contact_sample_s

    def rate_at(self, rated_pa: float) -> float:
        """Size of the pressure's rate at the opening, Pa/s."""
        if self.method == "ramp":
            return self.rate_pa_s
        return (rated_pa - self.low_pa) / self.fall_s

    def duration_s(self, rated_pa: float) -> float:
        """Time that the recording takes, s: without setting up the stand.

        A ramp holds at every turning point and rests 3 s at both ends; a pinch holds before and
        after each fall and is given 5 s to recover.
        """
        if self.method == "pinch":
            return self.cycles * (2.0 * self.hold_s + 5.0)
        stroke = (self.top_pa(rated_pa) - self.low_pa) / self.rate_pa_s + self.hold_s
        return 2.0 * _REST_S + 2.0 * self.cycles * stroke

    def check(self, rated_pa: float) -> None:
        """Raise unless the pressure passes the rating."""
        if not self.low_pa < rated_pa < self.top_pa(rated_pa):
            raise DeadbandError(
                "bad_value",
                f"the pressure is moved between {self.low_pa:g} and {self.top_pa(rated_pa):g} Pa "
                f"and never passes {rated_pa:g} Pa",
                location="option procedure",
                advice="give a low_pa below the rating and a high_pa above it",
            )


@dataclass(frozen=True, kw_only=True)
class Known:
    """What is known of a gauge, checked: a row of the gauges table as numbers.

    Attributes
    ----------
    gauge_id
        its name.
    resolution_pa, noise_pa
        display step and standard deviation of a reading before rounding, Pa.
    accuracy_rel, accuracy_abs_pa
        limits of error; None where none is stated.
    lag_s, lag_u_s, lag_dof
        mean lag with its standard uncertainty and degrees of freedom; None where not known.
    dead_time_s, time_constant_s
        parts of the lag; None where the split is not known.
    status, reason
        `ok`, or why nothing can be told with this gauge.
    """

    gauge_id: str
    resolution_pa: float = 0.0
    noise_pa: float = 0.0
    accuracy_rel: float | None = None
    accuracy_abs_pa: float | None = None
    lag_s: float | None = None
    lag_u_s: float | None = None
    lag_dof: float = math.inf
    dead_time_s: float | None = None
    time_constant_s: float | None = None
    status: str = "ok"
    reason: str = ""

    @property
    def splits(self) -> list[tuple[float, float]]:
        """Dead time and time constant, s: the known one, or three that the mean lag allows."""
        if self.dead_time_s is not None and self.time_constant_s is not None:
            return [(self.dead_time_s, self.time_constant_s)]
        lag = self.lag_s or 0.0
        return [(lag * share, lag * (1.0 - share)) for share in (1 / 6, 1 / 2, 5 / 6)]

    @property
    def has_parts(self) -> bool:
        """Whether the split of the lag is known."""
        return self.dead_time_s is not None and self.time_constant_s is not None

    def accuracy_u(self, rated_pa: float) -> float | None:
        """Standard uncertainty at the rating, Pa, limits taken as rectangular (JCGM 100, 4.3.7)."""
        if self.accuracy_rel is None and self.accuracy_abs_pa is None:
            return None
        limit = (self.accuracy_abs_pa or 0.0) + (self.accuracy_rel or 0.0) * abs(rated_pa)
        return limit / math.sqrt(3.0)


_NUMBERS: Final = (
    "resolution_pa", "noise_pa", "accuracy_rel", "accuracy_abs_pa", "lag_s", "lag_u_s", "dof",
    "dead_time_s", "time_constant_s",
)  # fmt: skip


def known_gauge(gauge: Mapping[str, Any]) -> Known:
    """A row of the gauges table as numbers; what cannot be is a `status`, as a fleet has such rows.

    Examples
    --------
    >>> gauge = known_gauge({"gauge_id": "G1", "resolution_pa": 1.0, "lag_s": 0.4, "lag_u_s": 0.02})
    >>> gauge.noise_pa, gauge.status
    (0.4, 'ok')
    >>> known_gauge({"gauge_id": "G2", "resolution_pa": -1.0}).reason
    'resolution_pa is -1 and must be a number of 0 or more'
    """
    if not isinstance(gauge, Mapping):
        raise OptionError("gauge", type(gauge).__name__, ["a row of the gauges table, as a dict"])
    name = str(gauge.get("gauge_id") or "gauge")
    given: dict[str, float] = {}
    for key in _NUMBERS:
        value = gauge.get(key)
        if value is None:
            continue
        least = "above 0" if key == "dof" else "of 0 or more"
        if (
            not _is_number(value)
            or value < 0.0
            or (value == 0.0 if key == "dof" else math.isinf(value))
        ):
            shown = f"{value:g}" if _is_number(value) else repr(value)
            reason = f"{key} is {shown} and must be a number {least}"
            return Known(gauge_id=name, status="bad_value", reason=reason)
        given[key] = float(value)
    parts = [given.get(key) for key in ("dead_time_s", "time_constant_s")]
    if parts[0] is not None and parts[1] is not None:
        whole = parts[0] + parts[1]
        lag = given.setdefault("lag_s", whole)
        # As elsewhere: two roundings of what is stated may differ.
        if abs(whole - lag) > 0.02 * lag + 0.002:
            reason = f"dead_time_s and time_constant_s add up to {whole:g} s, lag_s is {lag:g} s"
            return Known(gauge_id=name, status="bad_value", reason=reason)
    else:
        given.pop("dead_time_s", None)
        given.pop("time_constant_s", None)
    step = given.get("resolution_pa", 0.0)
    if step == 0.0 and "noise_pa" not in given:
        reason = "the display has no step and its noise is not known: give noise_pa"
        return Known(gauge_id=name, status="missing_value", reason=reason)
    return Known(
        gauge_id=name,
        resolution_pa=step,
        noise_pa=given.get("noise_pa", _ASSUMED_NOISE * step),
        accuracy_rel=given.get("accuracy_rel"),
        accuracy_abs_pa=given.get("accuracy_abs_pa"),
        lag_s=given.get("lag_s"),
        lag_u_s=given.get("lag_u_s"),
        lag_dof=given.get("dof", math.inf),
        dead_time_s=given.get("dead_time_s"),
        time_constant_s=given.get("time_constant_s"),
    )


def _is_number(value: object) -> TypeGuard[float]:
    return not isinstance(value, bool) and isinstance(value, Real) and not isnan(float(value))


def positive(option: str, value: object) -> None:
    """Raise `OptionError` unless `value` is a finite number above 0.

    Examples
    --------
    >>> positive("rate_pa_s", 5.0)
    """
    if not 0.0 < check_number(option, value) < math.inf:
        raise OptionError(option, value, ["a number above 0"])


def not_negative(option: str, value: object) -> None:
    """Raise `OptionError` unless `value` is a finite number of 0 or more.

    Examples
    --------
    >>> not_negative("hold_s", 0.0)
    """
    if not 0.0 <= check_number(option, value) < math.inf:
        raise OptionError(option, value, ["a number of 0 or more"])


def finite(option: str, value: object) -> None:
    """Raise `OptionError` unless `value` is a finite number.

    Examples
    --------
    >>> finite("low_pa", -5.0)
    """
    if not math.isfinite(check_number(option, value)):
        raise OptionError(option, value, ["a finite number"])
