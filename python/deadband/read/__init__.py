"""Reading recordings, switches and gauges from Parquet and from CSV files as loggers write them.

Everything comes out in pascal and seconds. A unit is never guessed, and neither is a decimal mark
or a separator that could be read in two ways: the error says what to state.
"""

from __future__ import annotations

from .._errors import InputError, OptionError, SchemaError
from ._gauges import read_gauges
from ._sign import flip_depression, wrong_signs
from ._switches import read_switches
from ._tests import read_tests
from ._units import units

__all__ = [
    "InputError",
    "OptionError",
    "SchemaError",
    "flip_depression",
    "read_gauges",
    "read_switches",
    "read_tests",
    "units",
    "wrong_signs",
]
