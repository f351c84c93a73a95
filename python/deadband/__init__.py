"""Setpoints, uncertainty and verdicts from recordings of draft (air-pressure) safety switch tests.

A verdict is a statement about a recording. It is no permission to operate an appliance.
"""

from . import life, lots, methods, plots, report, simulate
from ._analyse import Analysis, analyse
from ._batches import fit_batches
from ._changes import changes, known_steps, levels
from ._charts import chart, limit_for, run_length
from ._condition import condition
from ._core import __version__
from ._drift import drift, influence
from ._errors import DeadbandError, InputError, OptionError, RecordingError, SchemaError
from ._estimate import Estimate, Lag
from ._events import fit_events
from ._forecast import forecast, next_tests
from ._growth import Growth, growth
from ._lag_pool import combine_lags
from ._lag_reference import lag_from_reference
from ._lag_step import lag_from_step
from ._lags import estimate_lag
from ._setpoints import budget, setpoints
from ._trace import TraceFit, fit_trace
from ._verdicts import judge
from .read import read_gauges, read_switches, read_tests, units

__all__ = [
    "Analysis",
    "DeadbandError",
    "Estimate",
    "Growth",
    "InputError",
    "Lag",
    "OptionError",
    "RecordingError",
    "SchemaError",
    "TraceFit",
    "__version__",
    "analyse",
    "budget",
    "changes",
    "chart",
    "combine_lags",
    "condition",
    "drift",
    "estimate_lag",
    "fit_batches",
    "fit_events",
    "fit_trace",
    "forecast",
    "growth",
    "influence",
    "judge",
    "known_steps",
    "lag_from_reference",
    "lag_from_step",
    "levels",
    "life",
    "limit_for",
    "lots",
    "methods",
    "next_tests",
    "plots",
    "read_gauges",
    "read_switches",
    "read_tests",
    "report",
    "run_length",
    "setpoints",
    "simulate",
    "units",
]
