"""What a method is off from the reference, and setpoints with that taken out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import polars as pl

from .._columns import need_columns, need_numbers
from .._coverage import coverage_factor
from .._errors import OptionError, SchemaError, check_option, check_share
from .._frames import FrameLike, lazy
from .._history import METHODS, Setpoint
from ..schema import validate_setpoints
from ._compared import (
    Comparison,
    Scale,
    asked_for,
    check_comparison,
    groups_of,
    left_out,
    of_group,
    operators,
    rated_switches,
    tests_of,
    why_none,
)
from ._error import MethodError, method_error_of
from ._results import VALUES, Value, results

_NUMBERS: Final = ("bias", "bias_u", "bias_low", "bias_high", "sd")
_UNITS: Final = {"relative": "_rel", "absolute": "_pa"}
_KEYS: Final = ("method", "operator_id")
_EVENTS: Final[tuple[Setpoint, ...]] = ("open", "close")
_NAMED: Final = [f"{name}{unit}" for unit in _UNITS.values() for name in _NUMBERS]
_FOUND: Final = (
    "bias_rel", "bias_pa", "bias_u_rel", "bias_u_pa", "bias_dof", "sd_rel", "sd_pa", "sd_dof",
)  # fmt: skip


def method_error(
    points: FrameLike,
    switches: FrameLike | None = None,
    *,
    event: Setpoint = "open",
    value: Value = "fitted",
    tests: FrameLike | None = None,
    reference: str = "ramp",
    methods: Sequence[str] | None = None,
    by: str | Sequence[str] = ("method",),
    within_days: float = 30.0,
    scale: Scale = "relative",
    lags: FrameLike | None = None,
    gauges: FrameLike | None = None,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Bias and scatter of each method against the reference, for `corrected`.

    The bias is the mean over switches of the method's mean less the reference's of the same round,
    rounds of a switch averaged (that of `agreement`), its interval from Student's t; the scatter
    `sd` that of one result about truth and bias, with what differs between switches in it and the
    reference's own variance out of it. An error that every test of the reference shares (its
    calibration) is in neither.

    Parameters
    ----------
    points
        the setpoints table.
    switches
        the switches table; `relative` needs it.
    event
        which setpoint; its errors are its own (those of a fall are not those of a rise).
    value, tests, reference, methods, by, within_days, lags, gauges
        as in `misjudgement`. Numbers found with `lags` and `gauges` are for use with them.
    scale
        `relative`: to each switch's rating, since switches of several ratings stand in one fleet;
        `absolute`: in Pa.
    confidence
        of the bias's interval.

    Returns
    -------
    polars.DataFrame
        A row a group: `method`, `operator_id` (where asked for), `event`, `value`, `bias_rel`,
        `bias_u_rel`, `bias_low_rel`, `bias_high_rel`, `sd_rel` (or the same with `_pa`; the others
        null), `bias_dof`, `sd_dof`, `n_switches`, `n_results`, `n_reference`,
        `n_switches_left_out`; `status`: `ok`, `one_switch` (its difference alone), or as in
        `misjudgement` why there is nothing; of absolute errors ratings do not matter.

    Raises
    ------
    SchemaError
        a column or table is missing.
    OptionError
        an option is unknown or out of range.

    Examples
    --------
    >>> rows = [
    ...     ("a", "ramp", 60.0),
    ...     ("a", "pinch", 57.0),
    ...     ("b", "ramp", 62.0),
    ...     ("b", "pinch", 60.0),
    ... ]
    >>> points = pl.DataFrame(rows, schema=["switch_id", "method", "open_pa"], orient="row")
    >>> points = points.with_row_index("test_id").with_columns(
    ...     open_u_pa=pl.lit(0.1), close_pa=None, close_u_pa=None
    ... )
    >>> found = method_error(points, methods=["pinch"], scale="absolute")
    >>> found.select("bias_pa", "bias_u_pa", "bias_dof", "n_switches").row(0)
    (-2.5, 0.5, 1.0, 2)
    """
    keys = groups_of(by)
    check_option("event", event, _EVENTS)
    check_option("value", value, VALUES)
    check_option("scale", scale, _UNITS)
    check_comparison(reference, within_days, methods)
    check_share("confidence", confidence)
    rated = None if switches is None else rated_switches(switches)
    if scale == "relative" and rated is None:
        raise OptionError("scale", scale, ["absolute", "relative together with switches="])
    comparison = Comparison(
        points, rated if scale == "relative" else None, reference, event, value, tests,
        within_days, (lags, gauges),
    )  # fmt: skip
    every = comparison.own()
    rows = []
    for method in asked_for(methods, every, reference, value):
        pairs = comparison.pairs(method)
        unit = pl.col("rated_pa") if scale == "relative" else pl.lit(1.0)
        scaled = pairs.with_columns(
            scaled=pl.col("value_pa") / unit, scaled_u=pl.col("own_u_pa") / unit
        )
        single = "operator_id" in keys
        for operator in operators(every, method, keys):
            own = of_group(scaled, operator, single=single)
            names = {"method": method, "operator_id": operator}
            row: dict[str, Any] = {key: names[key] for key in keys}
            row |= {"event": event, "value": value}
            error = method_error_of(own, shared=method == reference)
            theirs = tests_of(every, method, operator, single=single)
            row["n_switches_left_out"] = left_out(theirs, error.n_switches)
            if error.n_results:
                rows.append({**row, **_told(error, _UNITS[scale], confidence)})
            else:
                rows.append({**row, **_counts(error), "status": why_none(theirs, method)})
    return pl.DataFrame(rows, schema=_schema(keys), orient="row")


def _counts(error: MethodError) -> dict[str, int]:
    return {name: getattr(error, name) for name in ("n_switches", "n_results", "n_reference")}


def _told(error: MethodError, unit: str, confidence: float) -> dict[str, Any]:
    counts = _counts(error)
    if error.status != "ok":
        return {**counts, f"bias{unit}": error.bias, "status": error.status}
    half = error.bias_u * coverage_factor(error.bias_dof, confidence)
    numbers = (error.bias, error.bias_u, error.bias - half, error.bias + half, error.sd)
    named = {f"{name}{unit}": number for name, number in zip(_NUMBERS, numbers, strict=True)}
    return {**named, "bias_dof": error.bias_dof, "sd_dof": error.sd_dof, **counts, "status": "ok"}


def _schema(keys: Sequence[str]) -> dict[str, Any]:
    return {
        **dict.fromkeys((*keys, "event", "value"), pl.String),
        **dict.fromkeys((*_NAMED, "bias_dof", "sd_dof"), pl.Float64),
        **dict.fromkeys(
            ("n_switches", "n_results", "n_reference", "n_switches_left_out"), pl.Int32
        ),
        "status": pl.String,
    }


def corrected(
    points: FrameLike,
    found: FrameLike,
    switches: FrameLike | None = None,
    *,
    tests: FrameLike | None = None,
    reference: str = "ramp",
) -> pl.DataFrame:
    """Setpoints with the bias of their method taken out, and its scatter put in.

    `value - bias`, with `u = sqrt(max(u, sd)**2 + bias_u**2)`: the method's scatter was found from
    results as they are and holds the recording's own uncertainty already, so that the greater of
    the two counts and not both. Degrees of freedom by Welch and Satterthwaite. Where the study was
    of called values or of readings, these are what is corrected.

    The error of the bias is the same in every test that it is taken out of, and does not average
    out over them. `common_bias` makes it known to `drift` and `growth`; without that a mean over
    corrected tests, or a line through tests of several methods, claims more than it knows. A line
    through corrected tests of one method alone has a slope on which the bias has no bearing.

    Parameters
    ----------
    points
        the setpoints table.
    found
        what `method_error` returned, for one event or for both (`polars.concat`).
    switches
        the switches table; a relative bias needs it.
    tests
        the tests table; called values need it.
    reference
        the method that is left as it is, whatever `found` says of its readings or calls.

    Returns
    -------
    polars.DataFrame
        The setpoints table, sorted by `test_id`, with `method_corrected` (the method whose bias was
        taken out, or null) and `correction`: `corrected`; `reference`, as it was; `no_reference`,
        as it was since no study tells its method's error; `missing_value`, as it was since there
        is no value or no rating; `corrected_before`, as it was, of setpoints that come with a
        `method_corrected`: give both events at once, and to another study the setpoints as they
        were analysed. The deadband of a corrected test is null: its two ends have
        errors of their own.

    Raises
    ------
    SchemaError
        a column is missing, or a group stands twice in `found`.
    OptionError
        `found` is relative and there are no switches.

    Examples
    --------
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": ["1", "2"], "switch_id": ["a", "a"], "method": ["ramp", "pinch"],
    ...         "open_pa": [60.0, 57.5], "open_u_pa": [0.1, 0.1], "close_pa": [None, None],
    ...         "close_u_pa": [None, None],
    ...     }
    ... )
    >>> found = pl.DataFrame(
    ...     {
    ...         "method": ["pinch"], "event": ["open"], "bias_pa": [-2.5], "bias_u_pa": [0.3],
    ...         "bias_dof": [9.0], "sd_pa": [0.4], "sd_dof": [20.0], "status": ["ok"],
    ...     }
    ... )
    >>> corrected(points, found).select("open_pa", "open_u_pa", "correction").rows()
    [(60.0, 0.1, 'reference'), (60.0, 0.5, 'corrected')]
    """  # fmt: skip
    check_option("reference", reference, METHODS)
    rows = validate_setpoints(lazy(points, "setpoints"), keep=["method_corrected"])
    before = pl.lit(None, dtype=pl.String)
    if "method_corrected" in rows.collect_schema():
        before = pl.col("method_corrected").cast(pl.String)
    rows = rows.with_columns(method_corrected=before).with_columns(
        correction=pl.when(pl.col("method_corrected").is_not_null())
        .then(pl.lit("corrected_before"))
        .when(pl.col("method") == reference)
        .then(pl.lit("reference"))
        .otherwise(pl.lit("no_reference")),
    )
    study = _study(found, switches).filter(pl.col("method") != reference)
    for event, value in study.select("event", "value").unique().sort("event", "value").rows():
        known = study.filter(event=event, value=value)
        rows = _of_event(rows, known, switches, tests)
    changed = pl.col("method_corrected").is_not_null()
    return (
        rows.with_columns(
            pl.when(~changed).then(name).alias(name)
            for name in ("deadband_pa", "deadband_u_pa", "deadband_dof")
        )
        .sort("test_id", maintain_order=True)
        .collect()
    )


def _study(found: FrameLike, switches: FrameLike | None) -> pl.DataFrame:
    told = lazy(found, "found").collect()
    needed = ("method", "event", "bias_dof", "sd_dof", "status")
    need_columns(told, needed, "found", "give what method_error returned")
    numbers = [name for name in _FOUND if name in told.columns]
    need_numbers(told, numbers, "found", "give what method_error returned")
    absent = [pl.lit(None, dtype=pl.Float64).alias(n) for n in _FOUND if n not in told.columns]
    if "value" not in told.columns:
        absent.append(pl.lit("fitted").alias("value"))
    keys = [name for name in _KEYS if name in told.columns]
    whole = told.with_columns(absent).filter(pl.col("status") == "ok")
    if whole.select(*keys, "event").is_duplicated().any():
        raise SchemaError(
            "duplicate_id", f"a group of {', '.join((*keys, 'event'))} stands twice",
            column="method", table="found", advice="keep one row a group",
        )  # fmt: skip
    if switches is None and whole["bias_rel"].is_not_null().any():
        raise OptionError("switches", None, ["the switches table, for a bias over the rating"])
    return whole.select(*keys, "event", "value", *_FOUND)


def _of_event(
    rows: pl.LazyFrame,
    study: pl.DataFrame,
    switches: FrameLike | None,
    tests: FrameLike | None,
) -> pl.LazyFrame:
    """The rows with one setpoint corrected where the study tells its error."""
    columns = rows.collect_schema().names()
    event, value = study.select("event", "value").row(0)
    keys = [name for name in _KEYS if name in study.columns]
    name, u, dof = f"{event}_pa", f"{event}_u_pa", f"{event}_dof"
    raw, own = _raw(rows, tests, event, value), pl.col("_raw_u")
    if switches is None:
        rated = raw.with_columns(rated_pa=pl.lit(None, dtype=pl.Float64))
    else:
        ratings = rated_switches(switches).select("switch_id", "rated_pa")
        rated = raw.join(ratings, on="switch_id", how="left", maintain_order="left")
    told = study.lazy().drop("event", "value").with_columns(_told=pl.lit(value=True))
    joined = rated.join(told, on=keys, how="left", nulls_equal=True, maintain_order="left")

    def pascal(what: str) -> pl.Expr:
        return pl.coalesce(f"{what}_pa", pl.col(f"{what}_rel") * pl.col("rated_pa"))

    scatter = pl.max_horizontal(own, pascal("sd"))
    whole = (scatter**2 + pascal("bias_u") ** 2).sqrt()
    free = pl.when(own > pascal("sd")).then(pl.col(dof)).otherwise("sd_dof").fill_null(float("inf"))
    spread = scatter**4 / free + pascal("bias_u") ** 4 / pl.col("bias_dof")
    left = pl.when(spread > 0.0).then(whole**4 / spread).otherwise(float("inf"))
    told_here = pl.col("_told").fill_null(value=False) & (
        pl.col("correction") != "corrected_before"
    )
    can = told_here & (pl.col("_raw") - pascal("bias")).is_finite() & whole.is_finite()
    can = can.fill_null(value=False)
    # A test of which the other setpoint was corrected stays one that was.
    lacks = told_here & ~can & (pl.col("correction") != "corrected")
    return joined.with_columns(
        pl.when(can).then(pl.col("_raw") - pascal("bias")).otherwise(name).alias(name),
        pl.when(can).then(whole).otherwise(u).alias(u),
        pl.when(can).then(left).otherwise(dof).alias(dof),
        method_corrected=pl.when(can).then("method").otherwise("method_corrected"),
        correction=pl.when(can)
        .then(pl.lit("corrected"))
        .when(lacks)
        .then(pl.lit("missing_value"))
        .otherwise("correction"),
    ).select(columns)


def _raw(
    rows: pl.LazyFrame, tests: FrameLike | None, event: Setpoint, value: Value
) -> pl.LazyFrame:
    """With `_raw` and `_raw_u`: the value that the study was of, and what is stated of it."""
    told = results(rows, tests, event=event, value=value).filter(pl.col("status") == "ok")
    values = told.lazy().select("test_id", _raw="value_pa", _raw_u="u_pa")
    return rows.join(values, on="test_id", how="left", maintain_order="left")
