"""Recordings with known truth: for tests, for training, and for planning a test.

A stand has a switch, a gauge, something that moves the pressure (`Ramp`, `Pinch`, `InService`), a
logger and perhaps an operator. `recording` records it once; `fleet` records a plan of many tests
and gives the tables that the analysis reads, with the truth beside them.

A simulated stand has no flame. On a real one carbon monoxide, gas and mains voltage are at hand:
never bypass or jumper a safety switch, and follow the maker's instructions and the local codes.
"""

from ._fleet import Fleet, Instrument, PlannedTest, Unit, fleet
from ._parts import (
    BooleanContact,
    Gauge,
    InService,
    Logger,
    OhmContact,
    Operator,
    Pinch,
    Ramp,
    Switch,
    VoltageContact,
)
from ._recording import Recording, recording

__all__ = [
    "BooleanContact",
    "Fleet",
    "Gauge",
    "InService",
    "Instrument",
    "Logger",
    "OhmContact",
    "Operator",
    "Pinch",
    "PlannedTest",
    "Ramp",
    "Recording",
    "Switch",
    "Unit",
    "VoltageContact",
    "fleet",
    "recording",
]
