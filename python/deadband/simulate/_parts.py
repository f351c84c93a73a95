"""The parts of a test stand. Each mirrors a type of the Rust crate, field by field."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, ClassVar, TypeAlias


@dataclass(frozen=True, kw_only=True)
class Switch:
    """A draft switch: closes on rising pressure, opens on falling pressure.

    Each change has a threshold of its own: the setpoint plus normal scatter. An opening threshold
    is never drawn above the closing one before it, nor the other way round.

    Attributes
    ----------
    close_pa
        mean pressure at which the contact closes, Pa.
    open_pa
        mean pressure at which the contact opens, Pa; below `close_pa`.
    repeatability_pa
        standard deviation of the thresholds from cycle to cycle, Pa.
    bounces
        mean number of extra break/make pairs after a change (Poisson).
    bounce_s
        mean length of each make or break while bouncing, s.
    first_cycle_shift_pa
        sticking: added to the first closing threshold, taken off the first opening one, Pa.
    leak_time_constant_s
        leaking diaphragm or hose: time constant with which the pressure of an isolated hold decays
        to ambient, s; None for a tight one.
    stuck
        a contact that never changes: True always closed, False always open; None for a sound one.

    Examples
    --------
    >>> Switch(close_pa=64.0, open_pa=60.0).repeatability_pa
    0.3
    """

    close_pa: float = 70.0
    open_pa: float = 60.0
    repeatability_pa: float = 0.3
    bounces: float = 0.0
    bounce_s: float = 0.002
    first_cycle_shift_pa: float = 0.0
    leak_time_constant_s: float | None = None
    stuck: bool | None = None


@dataclass(frozen=True, kw_only=True)
class Gauge:
    """A pressure gauge with a display: late, noisy, coarse and finite.

    Its signal y is the true pressure p through a dead time and a first-order lag,
    `time_constant_s * dy/dt = p(t - dead_time_s) - y`. The display shows
    `offset_pa + (1 + gain_error) y` plus white noise, rounded to its step.

    Attributes
    ----------
    dead_time_s
        dead time, s.
    time_constant_s
        time constant of the first-order lag, s.
    resolution_pa
        display step, Pa; 0 for none.
    refresh_s
        time between updates of the display, which holds in between, s; 0 for a continuous one.
    noise_pa
        standard deviation of the white noise of one reading, before rounding, Pa.
    offset_pa
        offset of the zero, Pa.
    gain_error
        relative error of the gain.
    range_pa
        readings stop at plus and minus this, Pa; None for no end.

    Examples
    --------
    >>> gauge = Gauge(dead_time_s=0.1, time_constant_s=0.3)
    >>> gauge.lag_s
    0.4
    """

    dead_time_s: float = 0.05
    time_constant_s: float = 0.30
    resolution_pa: float = 1.0
    refresh_s: float = 0.0
    noise_pa: float = 0.5
    offset_pa: float = 0.0
    gain_error: float = 0.0
    range_pa: float | None = None

    @property
    def lag_s(self) -> float:
        """Mean lag: dead time plus time constant, s."""
        return self.dead_time_s + self.time_constant_s


@dataclass(frozen=True, kw_only=True)
class Ramp:
    """Pressure moved up and down by hand pump or valve, several cycles.

    Each stroke has a mean rate of its own, lognormal; within the stroke the rate is that mean
    times `1 + unsteadiness x(t)`, x an Ornstein-Uhlenbeck process of unit variance. The recording
    starts and ends at `low_pa`.

    Attributes
    ----------
    cycles
        strokes up, each followed by one down.
    low_pa, high_pa
        turning points, Pa.
    rate_pa_s
        mean size of the rate, Pa/s.
    rate_spread
        relative standard deviation of the rate between strokes.
    unsteadiness
        relative standard deviation of the rate within a stroke, 0 to 1.
    correlation_s
        correlation time of the rate within a stroke, s.
    hold_s
        hold at each turning point, s; at the top the line is isolated and leaks as the switch does.

    Examples
    --------
    >>> Ramp(cycles=2, high_pa=80.0).rate_pa_s
    5.0
    """

    method: ClassVar[str] = "ramp"

    cycles: int = 3
    low_pa: float = 0.0
    high_pa: float = 100.0
    rate_pa_s: float = 5.0
    rate_spread: float = 0.25
    unsteadiness: float = 0.15
    correlation_s: float = 1.0
    hold_s: float = 2.0


@dataclass(frozen=True, kw_only=True)
class Pinch:
    """A steady draft whose line is pinched off: `p = end + (level - end) exp(-t / fall)`.

    The first fall begins after `before_s`, to the instant: with a `Logger` without jitter all tests
    of a plan meet the clock at one place between two samples, the contact changes at one place, and
    fits of fast falls err alike (setpoints of 60 Pa, falls of 0.4 s logged every 0.1 s: by -6 to +6
    Pa with the level before the fall, and they scatter by 0.3 Pa; begun anywhere they are off by
    less than 1 Pa and scatter by 2 to 3 Pa). No hand is in step with a clock: draw `before_s` and
    `after_s` anew for each test, from an interval as long as `sample_s` at least.

    Attributes
    ----------
    level_pa
        steady draft, Pa.
    fall_s
        time constant of the fall, s.
    end_pa
        where the fall ends, Pa; below `level_pa`.
    before_s
        steady time before each pinch, s.
    after_s
        time for which the line stays pinched, s.
    recovery_s
        time constant of the slower recovery between repeats, s.
    count
        number of pinches.

    Examples
    --------
    >>> Pinch(level_pa=95.0, fall_s=0.3).count
    3
    """

    method: ClassVar[str] = "pinch"

    level_pa: float = 90.0
    fall_s: float = 0.4
    end_pa: float = 0.0
    before_s: float = 5.0
    after_s: float = 5.0
    recovery_s: float = 1.5
    count: int = 3


@dataclass(frozen=True, kw_only=True)
class InService:
    """The appliance starts and stops by itself: first-order rise and coast-down with flow noise.

    The noise is proportional to the draft and gone when the fan stands: an Ornstein-Uhlenbeck
    process passed once more through its own time constant, so that the pressure has a rate.

    Attributes
    ----------
    level_pa
        draft of the running fan, Pa.
    rise_s, fall_s
        time constants of the run-up and of the coast-down, s.
    flow_noise_pa
        standard deviation of the flow noise at full draft, Pa.
    flow_correlation_s
        correlation time of the flow noise, s.
    run_s
        time between start and stop, s.
    rest_s
        time between stop and the next start, s.
    starts
        number of starts, each followed by a stop.

    Examples
    --------
    >>> InService(level_pa=120.0, rise_s=3.0).starts
    2
    """

    method: ClassVar[str] = "in_service"

    level_pa: float = 95.0
    rise_s: float = 2.0
    fall_s: float = 3.0
    flow_noise_pa: float = 1.0
    flow_correlation_s: float = 0.3
    run_s: float = 20.0
    rest_s: float = 20.0
    starts: int = 2


@dataclass(frozen=True, kw_only=True)
class VoltageContact:
    """The contact channel logs the voltage across the contact: low when closed.

    Attributes
    ----------
    open_v, closed_v
        readings of an open and of a closed contact, V.
    noise_v
        standard deviation of a reading, V.

    Examples
    --------
    >>> VoltageContact(open_v=5.0).closed_v
    0.1
    """

    kind: ClassVar[str] = "voltage"

    open_v: float = 24.0
    closed_v: float = 0.1
    noise_v: float = 0.05


@dataclass(frozen=True, kw_only=True)
class OhmContact:
    """The contact channel logs the resistance of the contact: low when closed.

    Attributes
    ----------
    open_ohm, closed_ohm
        readings of an open and of a closed contact, ohm.
    noise
        relative standard deviation of a reading (lognormal).

    Examples
    --------
    >>> OhmContact().closed_ohm
    0.4
    """

    kind: ClassVar[str] = "ohm"

    open_ohm: float = 1e9
    closed_ohm: float = 0.4
    noise: float = 0.1


@dataclass(frozen=True, kw_only=True)
class BooleanContact:
    """The contact channel logs 1 when the contact is closed and 0 when it is open.

    Examples
    --------
    >>> Logger(contact=BooleanContact()).contact
    BooleanContact()
    """

    kind: ClassVar[str] = "boolean"


Motion: TypeAlias = Ramp | Pinch | InService
ContactSignal: TypeAlias = VoltageContact | OhmContact | BooleanContact


@dataclass(frozen=True, kw_only=True)
class Logger:
    """The logger that writes the display and the contact meter down.

    Its clock starts with the recording, as does the motion: without jitter both are in step, and
    what moves begins at the same place between two samples in every recording (see `Pinch`).

    Attributes
    ----------
    sample_s
        mean interval between samples, s.
    jitter
        relative standard deviation of one interval, 0 to 1 (lognormal: times always increase).
    contact_sample_s
        mean interval of the contact channel's own clock, s; None where it shares the clock.
    contact
        what the contact channel records.
    contact_delay_s
        delay of the contact meter, s.

    Examples
    --------
    >>> Logger(sample_s=0.05, jitter=0.1).contact.kind
    'voltage'
    """

    sample_s: float = 0.1
    jitter: float = 0.0
    contact_sample_s: float | None = None
    contact: ContactSignal = field(default_factory=VoltageContact)
    contact_delay_s: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Operator:
    """Somebody who reads the display a little after the contact changed, and writes it down.

    Attributes
    ----------
    reaction_s
        mean time from the change of the contact's meter to the glance at the display, s.
    reaction_sd_s
        standard deviation of that time, s; nobody reacts before the change.

    Examples
    --------
    >>> Operator(reaction_s=0.5).reaction_sd_s
    0.1
    """

    reaction_s: float = 0.35
    reaction_sd_s: float = 0.10


def stand(
    switch: Switch, gauge: Gauge, motion: Motion, logger: Logger, operator: Operator | None
) -> dict[str, Any]:
    """The mapping that the compiled core takes for a stand.

    Examples
    --------
    >>> whole = stand(Switch(), Gauge(), Pinch(), Logger(), None)
    >>> whole["motion"]["kind"], whole["logger"]["contact"]["kind"], whole["operator"]
    ('pinch', 'voltage', None)
    """
    contact = {"kind": logger.contact.kind, **asdict(logger.contact)}
    return {
        "switch": asdict(switch),
        "gauge": asdict(gauge),
        "motion": {"kind": motion.method, **asdict(motion)},
        "logger": {**asdict(logger), "contact": contact},
        "operator": asdict(operator) if operator is not None else None,
    }
