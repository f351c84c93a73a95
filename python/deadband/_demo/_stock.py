"""The invented stock: switches of three models in six lots, four gauges, and who tests them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

from ..simulate import (
    BooleanContact,
    Gauge,
    Instrument,
    Logger,
    OhmContact,
    Operator,
    Switch,
    Unit,
    VoltageContact,
)
from ._draw import Draw

STEP_INCH: Final = 2.490889  # 0.01 inH2O (conventional) in Pa
PER_LOT: Final = 10


@dataclass(frozen=True)
class Model:
    """What the label of a model says.

    Examples
    --------
    >>> MODELS["C-45"].action
    'rise'
    """

    rated_pa: float
    action: str
    deadband_pa: float
    repeatability_pa: float


@dataclass(frozen=True)
class Lot:
    """How a lot came out: offset and scatter of the rated setpoint, and its drift.

    Examples
    --------
    >>> LOTS["B110-2106"].offset_pa
    -14.0
    """

    model: str
    installed: date
    offset_pa: float
    scatter_pa: float
    drift_pa_year: float
    drift_scatter: float


MODELS: Final[Mapping[str, Model]] = {
    "A-60": Model(60.0, "fall", 4.0, 0.25),
    "B-110": Model(110.0, "fall", 6.5, 0.45),
    "C-45": Model(45.0, "rise", 3.0, 0.20),
}

LOTS: Final[Mapping[str, Lot]] = {
    "A60-1904": Lot("A-60", date(2019, 5, 6), 0.3, 0.9, 0.0, 0.10),
    "A60-2010": Lot("A-60", date(2020, 11, 2), 0.0, 0.8, -1.5, 0.3),
    "B110-1907": Lot("B-110", date(2019, 9, 2), 0.8, 1.6, 0.0, 0.15),
    "B110-2106": Lot("B-110", date(2021, 7, 5), -14.0, 1.4, 0.0, 0.15),
    "C45-1911": Lot("C-45", date(2020, 1, 7), 0.2, 0.6, 0.0, 0.08),
    "C45-2202": Lot("C-45", date(2022, 3, 7), -0.1, 0.6, 0.0, 0.08),
}

# Never installed: they stay on the bench of the training room.
TRAINING: Final = (
    "A60-1904-09", "A60-1904-10", "B110-1907-09", "B110-1907-10", "C45-1911-09", "C45-1911-10",
)  # fmt: skip

LEAKING: Final = {
    "A60-1904-03": 90.0, "A60-2010-07": 120.0, "B110-1907-05": 150.0, "C45-1911-02": 60.0,
}  # fmt: skip
STICKING: Final = {
    "A60-1904-08": 4.0, "B110-1907-02": 6.0, "C45-1911-06": 3.0, "C45-2202-04": 3.5,
}  # fmt: skip
CHATTERING: Final = ("A60-1904-05", "B110-1907-08", "C45-2202-07")
WELDED: Final = ("C45-1911-04", date(2024, 1, 1))

# Removed for reasons that have nothing to do with the switch: the appliance was replaced.
REPLACED: Final = {
    "A60-1904-02": date(2023, 6, 14), "B110-1907-07": date(2022, 10, 4),
    "C45-1911-08": date(2024, 8, 20), "C45-2202-10": date(2025, 2, 11),
}  # fmt: skip

GAUGES: Final[Mapping[str, Instrument]] = {
    "G1": Instrument(
        gauge_id="G1",
        accuracy_rel=0.005,
        accuracy_abs_pa=0.5,
        lag_s=0.15,
        lag_u_s=0.02,
        gauge=Gauge(
            dead_time_s=0.05, time_constant_s=0.10, resolution_pa=1.0, noise_pa=0.50,
            offset_pa=0.15, gain_error=0.002,
        ),
    ),
    "G2": Instrument(
        gauge_id="G2",
        accuracy_rel=0.005,
        accuracy_abs_pa=1.0,
        gauge=Gauge(
            dead_time_s=0.08, time_constant_s=0.32, resolution_pa=STEP_INCH, noise_pa=1.20,
            offset_pa=-0.40, gain_error=-0.002,
        ),
    ),
    "G3": Instrument(
        gauge_id="G3",
        accuracy_rel=0.010,
        accuracy_abs_pa=1.0,
        gauge=Gauge(
            dead_time_s=0.15, time_constant_s=0.75, resolution_pa=1.0, noise_pa=0.45,
            offset_pa=0.30, gain_error=0.003,
        ),
    ),
    "G4": Instrument(
        gauge_id="G4",
        accuracy_rel=0.005,
        accuracy_abs_pa=0.5,
        gauge=Gauge(
            dead_time_s=0.05, time_constant_s=0.30, resolution_pa=1.0, noise_pa=0.50,
            offset_pa=-0.20, gain_error=0.001,
        ),
    ),
}  # fmt: skip

LOGGERS: Final[Mapping[str, Logger]] = {
    "G1": Logger(sample_s=0.1, contact_sample_s=0.05, contact=VoltageContact(noise_v=0.02)),
    "G2": Logger(sample_s=0.1, jitter=0.03, contact=VoltageContact(noise_v=0.02)),
    "G3": Logger(sample_s=0.2, contact=OhmContact(open_ohm=2e7, closed_ohm=0.4, noise=0.05)),
    "G4": Logger(sample_s=0.1, contact=BooleanContact()),
}

TECHNICIANS: Final[Mapping[str, Operator]] = {
    "tech-1": Operator(reaction_s=0.30, reaction_sd_s=0.08),
    "tech-2": Operator(reaction_s=0.40, reaction_sd_s=0.12),
    "tech-3": Operator(reaction_s=0.50, reaction_sd_s=0.15),
}

# Reaction, and the rate each of them takes for a slow ramp, Pa/s.
TRAINEES: Final[Mapping[str, tuple[Operator, float]]] = {
    "trainee-1": (Operator(reaction_s=0.25, reaction_sd_s=0.08), 2.5),
    "trainee-2": (Operator(reaction_s=0.35, reaction_sd_s=0.10), 4.0),
    "trainee-3": (Operator(reaction_s=0.45, reaction_sd_s=0.10), 5.0),
    "trainee-4": (Operator(reaction_s=0.60, reaction_sd_s=0.15), 6.5),
    "trainee-5": (Operator(reaction_s=0.80, reaction_sd_s=0.20), 8.0),
}


@dataclass(frozen=True)
class Aging:
    """A unit as it left the factory, and how fast its setpoints move.

    Examples
    --------
    >>> unit = stock(1)["A60-2010-01"]
    >>> unit.on(date(2025, 1, 1)).open_pa < unit.on(date(2021, 1, 1)).open_pa
    True
    """

    unit: Unit
    drift_pa_year: float

    def on(self, day: date) -> Switch:
        """How it behaves on a day."""
        switch = self.unit.switch
        if self.unit.switch_id == WELDED[0] and day >= WELDED[1]:
            return replace(switch, stuck=True)
        installed = self.unit.installed_on or day
        moved = round(self.drift_pa_year * (day - installed).days / 365.25, 4)
        return replace(switch, close_pa=switch.close_pa + moved, open_pa=switch.open_pa + moved)


def stock(seed: int) -> dict[str, Aging]:
    """Every switch, by its id.

    Examples
    --------
    >>> len(stock(1)), stock(1)["C45-1911-02"].unit.switch.leak_time_constant_s
    (60, 60.0)
    """
    ids = [f"{lot}-{number:02}" for lot in LOTS for number in range(1, PER_LOT + 1)]
    return {switch_id: _aging(seed, switch_id) for switch_id in ids}


def _aging(seed: int, switch_id: str) -> Aging:
    lot_id = switch_id[:-3]
    lot = LOTS[lot_id]
    model = MODELS[lot.model]
    draw = Draw(seed, switch_id)
    rated_event = model.rated_pa + draw.normal(lot.offset_pa, lot.scatter_pa)
    deadband = model.deadband_pa * draw.uniform(0.9, 1.1)
    open_pa = rated_event if model.action == "fall" else rated_event - deadband
    drift = draw.normal(lot.drift_pa_year, lot.drift_scatter)
    chatters = switch_id in CHATTERING
    unit = Unit(
        switch_id=switch_id,
        model=lot.model,
        lot=lot_id,
        rated_pa=model.rated_pa,
        action=model.action,
        installed_on=None if switch_id in TRAINING else draw.day(lot.installed, 60),
        failed=False,
        switch=Switch(
            close_pa=round(open_pa + deadband, 3),
            open_pa=round(open_pa, 3),
            repeatability_pa=round(model.repeatability_pa * draw.uniform(0.8, 1.3), 3),
            bounces=4.0 if chatters else 1.0,
            bounce_s=0.02 if chatters else 0.003,
            first_cycle_shift_pa=STICKING.get(switch_id, 0.0),
            leak_time_constant_s=LEAKING.get(switch_id),
        ),
    )
    return Aging(unit, 0.0 if switch_id in TRAINING else drift)
