"""The tables that go in and come out: their columns, stated once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import polars as pl


class Column(NamedTuple):
    """One column of a table.

    Attributes
    ----------
    dtype
        Its type.
    required
        Whether it must be there.
    nullable
        Whether null is one of its ordinary values.
    meaning
        What it holds.
    default
        What fills it when it is absent.

    Examples
    --------
    >>> SWITCHES["rated_pa"].dtype, SWITCHES["rated_pa"].required
    (Float64, True)
    """

    dtype: pl.DataType
    required: bool
    nullable: bool
    meaning: str
    default: Any = None


_STR: Final = pl.String()
_F64: Final = pl.Float64()
_I32: Final = pl.Int32()
_BOOL: Final = pl.Boolean()
_DATE: Final = pl.Date()
_WHEN: Final = pl.Datetime("us")
_LIST: Final = pl.List(pl.Float64())


def _must(dtype: pl.DataType, meaning: str, *, nullable: bool = False) -> Column:
    return Column(dtype, required=True, nullable=nullable, meaning=meaning)


def _may(dtype: pl.DataType, meaning: str, default: Any = None) -> Column:
    return Column(dtype, required=False, nullable=True, meaning=meaning, default=default)


_IDENTITY: Final[dict[str, Column]] = {
    "test_id": _must(_STR, "the recording"),
    "switch_id": _must(_STR, "the switch"),
    "gauge_id": _may(_STR, "the gauge"),
    "operator_id": _may(_STR, "who did the test"),
    "method": _may(_STR, "ramp, pinch or in_service"),
    "tested_at": _may(_WHEN, "when the test was done"),
}

TESTS: Final[Mapping[str, Column]] = {
    **_IDENTITY,
    "method": _must(_STR, "ramp, pinch or in_service"),
    "tested_at": _must(_WHEN, "when the test was done"),
    "time_s": _must(_LIST, "time of each reading, s"),
    "pressure_pa": _must(_LIST, "reading, Pa; depression positive"),
    "contact": _must(_LIST, "contact channel: volts, ohms, or 1 closed and 0 open"),
    "contact_time_s": _may(_LIST, "time of each contact sample, s; null: shares time_s"),
    "called_close_pa": _may(_F64, "closing pressure the operator wrote down, Pa"),
    "called_open_pa": _may(_F64, "opening pressure the operator wrote down, Pa"),
}

SWITCHES: Final[Mapping[str, Column]] = {
    "switch_id": _must(_STR, "the switch"),
    "model": _may(_STR, "its model"),
    "lot": _may(_STR, "its production lot"),
    "rated_pa": _must(_F64, "rated pressure, Pa"),
    "action": _must(_STR, "fall: the rating is the opening point; rise: the closing point"),
    # Ten percent: common practice, no source.
    "tolerance": _may(_F64, "allowed deviation as a fraction of the rating", 0.10),
    "installed_on": _may(_DATE, "day of installation"),
    "removed_on": _may(_DATE, "day of removal; null: still in service"),
    "failed": _may(_BOOL, "whether it was removed because it failed"),
    "status": _may(_STR, "ok, missing_value or bad_value, as found on reading"),
    "reason": _may(_STR, "why the status is not ok, in words"),
}

GAUGES: Final[Mapping[str, Column]] = {
    "gauge_id": _must(_STR, "the gauge"),
    "resolution_pa": _must(_F64, "display step, Pa"),
    "accuracy_rel": _must(_F64, "accuracy limit as a fraction of the reading"),
    "accuracy_abs_pa": _must(_F64, "accuracy limit, Pa; added to the relative one"),
    "lag_s": _may(_F64, "stated mean lag, s"),
    "lag_u_s": _may(_F64, "standard uncertainty of the stated lag, s"),
    "dead_time_s": _may(_F64, "stated dead time, s; with time_constant_s"),
    "time_constant_s": _may(_F64, "stated first-order time constant, s; with dead_time_s"),
    "status": _may(_STR, "ok, missing_value or bad_value, as found on reading"),
    "reason": _may(_STR, "why the status is not ok, in words"),
}

EVENTS: Final[Mapping[str, Column]] = {
    **_IDENTITY,
    "cycle": _may(_I32, "cycle within the recording"),
    "event": _must(_STR, "close or open"),
    "time_s": _may(_F64, "middle of the bracket, s"),
    "time_width_s": _must(_F64, "width of the bracket, s"),
    "reading_pa": _may(_F64, "what the display showed, Pa"),
    "pressure_pa": _must(_F64, "the gauge's signal with the noise removed, Pa"),
    "rate_pa_s": _must(_F64, "its rate, Pa/s; rising positive"),
    "var_pressure": _must(_F64, "variance of the pressure, Pa2"),
    "cov_pressure_rate": _must(_F64, "covariance of pressure and rate, Pa2/s"),
    "var_rate": _must(_F64, "variance of the rate, Pa2/s2"),
    "bounces": _may(_I32, "bounces merged into the event"),
    "model": _may(_STR, "smooth, interval (a coarse display) or relaxation (a fast fall)"),
    "lag_applied": _may(_BOOL, "whether the lag is already taken out", default=False),
    "noise_pa": _may(_F64, "standard deviation of one reading about the smooth path, Pa"),
    "step_pa": _may(_F64, "display step found in the readings, else the stated, Pa; null: none"),
    "var_common": _may(_F64, "variance that repeated events have in common, Pa2", default=0.0),
    "clock_u_s": _may(
        _F64, "standard uncertainty of a time that all readings are off alike, s", default=0.0
    ),
    "bracket_shift_pa": _may(
        _F64, "middle of the pressures of the bracket less pressure_pa, Pa", default=0.0
    ),
    "corner": _may(_BOOL, "whether the bracket begins at the corner of a fall", default=False),
    "sudden": _may(_BOOL, "whether a mean lag added afterwards would be wrong", default=False),
    "status": _must(_STR, "ok, or why there are no numbers"),
}

LAGS: Final[Mapping[str, Column]] = {
    "gauge_id": _must(_STR, "the gauge"),
    "lag_s": _must(_F64, "mean lag, s", nullable=True),
    "lag_u_s": _must(_F64, "its standard uncertainty, s", nullable=True),
    "dof": _may(_F64, "effective degrees of freedom"),
    "n_events": _may(_I32, "events that told the lag"),
    "dead_time_s": _may(_F64, "dead time, s"),
    "time_constant_s": _may(_F64, "first-order time constant, s"),
    "source": _may(_STR, "rates, step, reference, stated, or pooled of several"),
    "repeatability_pa": _may(_F64, "standard deviation of one actuation found with the lag, Pa"),
    "between_tests_pa": _may(_F64, "standard deviation between tests of one switch, Pa"),
    "dead_time_u_s": _may(_F64, "standard uncertainty of the dead time, s"),
    "time_constant_u_s": _may(_F64, "standard uncertainty of the time constant, s"),
    "hold_s": _may(_F64, "time for which the display holds a reading, s; half is in the lag"),
    "behind": _may(_STR, "what the reading runs behind: pressure (the gauge) or contact"),
    "n_routes": _may(_I32, "routes pooled"),
    "q": _may(_F64, "Cochran's Q of the routes"),
    "p_consistent": _may(_F64, "probability of routes as far apart if they agree"),
    "between_routes_s": _may(_F64, "standard deviation between routes that disagree, s"),
    "reason": _may(_STR, "why there is no lag, or what to doubt of it, in words"),
    "status": _may(_STR, "ok, or why there is no lag"),
}

SETPOINTS: Final[Mapping[str, Column]] = {
    **_IDENTITY,
    "close_pa": _must(_F64, "close setpoint, Pa", nullable=True),
    "close_u_pa": _must(_F64, "its standard uncertainty, Pa", nullable=True),
    "close_dof": _may(_F64, "its effective degrees of freedom"),
    "open_pa": _must(_F64, "open setpoint, Pa", nullable=True),
    "open_u_pa": _must(_F64, "its standard uncertainty, Pa", nullable=True),
    "open_dof": _may(_F64, "its effective degrees of freedom"),
    "deadband_pa": _may(_F64, "close minus open, Pa"),
    "deadband_u_pa": _may(_F64, "its standard uncertainty, Pa"),
    "deadband_dof": _may(_F64, "its effective degrees of freedom"),
    "repeatability_pa": _may(_F64, "standard deviation of one actuation, Pa"),
    "n_close": _may(_I32, "closings used"),
    "n_open": _may(_I32, "openings used"),
    "lag_correction_pa": _may(_F64, "what taking the lag out changed, Pa"),
    "bracket_model": _may(_STR, "mean or overlap: what was made of the brackets"),
    "status": _may(_STR, "ok, or why there are no numbers"),
}

VERDICTS: Final[Mapping[str, Column]] = {
    **SETPOINTS,
    "p_conform": _must(_F64, "probability that the rated event conforms", nullable=True),
    "p_conform_other": _may(_F64, "the same for the other event; advisory"),
    "p_unsafe": _must(_F64, "probability of the dangerous side", nullable=True),
    "p_nuisance": _must(_F64, "probability of the nuisance side", nullable=True),
    "verdict": _must(_STR, "conforms, does_not_conform or undecided", nullable=True),
    "limit_low_pa": _may(_F64, "lower limit, Pa"),
    "limit_high_pa": _may(_F64, "upper limit, Pa"),
    "rule": _may(_STR, "decision rule"),
    "n_findings_unsafe": _may(_I32, "findings on the unsafe or an unknown side; null: not looked"),
    "n_findings_nuisance": _may(_I32, "findings on the nuisance side; null: not looked"),
    "findings": _may(_STR, "the findings in words, the unsafe ones first"),
    "reason": _may(_STR, "why there is no verdict, in words, where more is known than the status"),
}

CONDITION: Final[Mapping[str, Column]] = {
    "test_id": _must(_STR, "the recording"),
    "switch_id": _must(_STR, "the switch"),
    "kind": _must(_STR, "what was looked at"),
    "value": _must(_F64, "its number, in `unit`", nullable=True),
    "u": _may(_F64, "standard uncertainty of the value"),
    "dof": _may(_F64, "degrees of freedom behind it"),
    "low": _may(_F64, "lower end of the 95 % interval, or of the pressures reached"),
    "high": _may(_F64, "upper end of it"),
    "unit": _may(_STR, "unit of the value"),
    "n": _may(_I32, "changes, readings or other switches behind the value"),
    "p_value": _may(_F64, "probability of a value as far out in a sound switch"),
    "flagged": _must(_BOOL, "whether it is a finding"),
    "side": _must(_STR, "unsafe, nuisance, unknown or none"),
    "sentence": _must(_STR, "the same in words"),
    "status": _may(_STR, "ok, or why it could not be judged"),
}

TABLES: Final[Mapping[str, Mapping[str, Column]]] = {
    "tests": TESTS,
    "switches": SWITCHES,
    "gauges": GAUGES,
    "events": EVENTS,
    "lags": LAGS,
    "setpoints": SETPOINTS,
    "verdicts": VERDICTS,
    "condition": CONDITION,
}
