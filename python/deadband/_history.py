"""Tests of a switch as points of a history: which of them count, and when they were."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, datetime
from typing import Any, Final, Literal

import polars as pl

from ._errors import OptionError, SchemaError, check_list, check_option
from ._frames import FrameLike, lazy, need_unique
from .schema import validate_gauges, validate_lags, validate_setpoints

Setpoint = Literal["open", "close"]

YEAR_S: Final = 365.2425 * 86400.0
EPOCH: Final = pl.datetime(2000, 1, 1)
#: Lists of a history, in the order in which the kernels take them.
LISTS: Final = ("_years", "_value", "_u", "_gauge", "_lag_u", "_calibration_u")
_EXCESS: Final = {"moments": "paule_mandel", "likelihood": "reml", "none": "none"}
#: Columns of the setpoints table by which no histories are made: each test has its own.
_TAKEN: Final = ("test_id", "tested_at", "status")
#: Part of a test's uncertainty that is its own at least, whatever is said to be shared.
_OWN: Final = 0.1

METHODS: Final = ("ramp", "pinch", "in_service")


def years(column: str = "tested_at") -> pl.Expr:
    """Instants as years from the start of 2000.

    Examples
    --------
    >>> from datetime import datetime
    >>> tests = pl.DataFrame({"tested_at": [datetime(2010, 1, 1)]})
    >>> round(tests.select(years()).item(), 2)
    10.0
    """
    return (pl.col(column) - EPOCH).dt.total_microseconds() / 1e6 / YEAR_S


def date_of(year: pl.Expr) -> pl.Expr:
    """Years from the start of 2000 as a date; null beyond the calendar of four digits.

    Examples
    --------
    >>> pl.select(date_of(pl.lit(20.001))).item()
    datetime.date(2020, 1, 1)
    """
    # The day that holds the instant; a midnight stays its own day when it is rounded down a little.
    days = (year * YEAR_S / 86400.0 + 1e-6).floor()
    within = pl.when(days.abs() < 2.9e6).then(days).cast(pl.Int64)
    return (EPOCH + pl.duration(days=within)).cast(pl.Date)


def check_methods(methods: Sequence[str]) -> None:
    """Raise `OptionError` unless `methods` is a list of known methods, each once.

    Examples
    --------
    >>> check_methods(["ramp"])
    """
    check_list("methods", methods, '["ramp"]')
    if not len(methods):
        raise OptionError("methods", methods, ['a list such as ["ramp"]'])
    for method in methods:
        check_option("methods", method, METHODS)
    if len(set(methods)) < len(methods):
        raise OptionError("methods", list(methods), ["each method once"])


def can_be_rated() -> pl.Expr:
    """Whether a rating and a tolerance make limits: above zero, the tolerance a share below one.

    Examples
    --------
    >>> table = pl.DataFrame({"rated_pa": [60.0, -60.0], "tolerance": [0.1, 0.1]})
    >>> table.select(can_be_rated()).to_series().to_list()
    [True, False]
    """
    rated, tolerance = pl.col("rated_pa"), pl.col("tolerance")
    return rated.is_finite() & (rated > 0.0) & (tolerance > 0.0) & (tolerance < 1.0)


def is_followed(methods: Sequence[str]) -> pl.Expr:
    """Whether a test is of one of the methods; where none is stated all are one method.

    Examples
    --------
    >>> table = pl.DataFrame({"method": ["ramp", None, "pinch"]})
    >>> table.select(is_followed(["ramp"])).to_series().to_list()
    [True, False, False]
    """
    alike = pl.col("method").is_in(list(methods)).fill_null(value=False)
    return alike | pl.col("method").is_null().all()


def stands_once() -> pl.Expr:
    """Whether a test stands in the table once: of two rows with one id neither is surely right.

    For the table as a whole: within a group the rows of the others are not seen.

    Examples
    --------
    >>> table = pl.DataFrame({"test_id": ["a", "b", "a"]})
    >>> table.select(stands_once()).to_series().to_list()
    [False, True, False]
    """
    return pl.len().over("test_id") == 1


def day_of(option: str, when: object) -> date:
    """The day of a date or an instant, or `OptionError`.

    Examples
    --------
    >>> day_of("when", datetime(2026, 5, 1, 12))
    datetime.date(2026, 5, 1)
    """
    if isinstance(when, datetime):
        return when.date()
    if isinstance(when, date):
        return when
    raise OptionError(option, when, ["a date"])


def trend_options(excess: str) -> dict[str, Any]:
    """Options of the kernels that fit a line to a history.

    Examples
    --------
    >>> trend_options("moments")
    {'excess': 'paule_mandel'}
    """
    check_option("excess", excess, _EXCESS)
    return {"excess": _EXCESS[excess]}


def line_at(of: Callable[[str], Any], days: Any) -> tuple[Any, Any]:
    """Level and variance of a line so many days from its origin: `v + 2 t c + t2 s`, `t` in years.

    `of` gives the columns of the line by name, as numbers or as expressions.

    Examples
    --------
    >>> line = {
    ...     "level_pa": 60.0,
    ...     "slope_pa_year": -1.0,
    ...     "level_u_pa": 0.3,
    ...     "slope_u_pa_year": 0.1,
    ...     "level_slope_cov": 0.0,
    ... }
    >>> level, variance = line_at(line.__getitem__, 365.2425)
    >>> round(level, 6), round(variance, 6)
    (59.0, 0.1)
    """
    t = days * 86400.0 / YEAR_S
    variance = (
        of("level_u_pa") ** 2 + 2.0 * t * of("level_slope_cov") + (t * of("slope_u_pa_year")) ** 2
    )
    return of("level_pa") + t * of("slope_pa_year"), variance


def histories(
    points: FrameLike,
    by: str,
    event: Setpoint,
    methods: Sequence[str],
    known: tuple[FrameLike | None, FrameLike | None],
) -> pl.LazyFrame:
    """A row a group: lists of its tests in order of time, and what is known of them.

    `known` are the lags and the gauges tables, either of which may be None. The lists are `_test`
    and `LISTS`: years, values, own uncertainties, number of the gauge and what its lag and its
    calibration add to each test in common; with them `n_left_out` and `span_years`, and in
    `_doubled` and `_doubled_years` the tests that are missing because they stand in several rows.
    """
    check_option("event", event, ["open", "close"])
    check_methods(methods)
    _check_group(by)
    rows = validate_setpoints(lazy(points, "setpoints"), need=["tested_at"], keep=[by])
    if by not in rows.collect_schema():
        raise SchemaError(
            "missing_column",
            "there is no such column to group by",
            column=by,
            table="setpoints",
            present=rows.collect_schema().names(),
            advice="join it on first",
        )
    value, u = f"{event}_pa", f"{event}_u_pa"
    usable = pl.all_horizontal(pl.col("tested_at", value, u).is_not_null())
    followed = usable & is_followed(methods)
    used, doubled = followed & pl.col("_once"), followed & ~pl.col("_once")
    rows = with_own_u(rows, known, event)
    return (
        rows.with_columns(_once=stands_once())
        .filter(pl.col(by).is_not_null())
        .with_columns(
            _years=years(),
            _value=pl.col(value),
            _gauge=pl.col("gauge_id").rank("dense").fill_null(0).cast(pl.Float64),
        )
        .sort(by, "tested_at", "test_id", maintain_order=True)
        .group_by(by, maintain_order=True)
        .agg(
            pl.col("test_id").filter(used).alias("_test"),
            pl.col(LISTS).filter(used),
            pl.col("test_id").filter(doubled).alias("_doubled"),
            pl.col("_years").filter(doubled).alias("_doubled_years"),
            n_left_out=(usable & ~used).sum().cast(pl.Int32),
        )
        .with_columns(span_years=pl.col("_years").list.max() - pl.col("_years").list.min())
    )


def _check_group(by: object) -> None:
    if not isinstance(by, str) or by in _TAKEN:
        raise OptionError("by", by, ["a column that sets switches apart"])


def with_doubled(found: pl.LazyFrame, rows: pl.LazyFrame, by: str) -> pl.LazyFrame:
    """Rows of tests with those that stand in several rows, which have nothing but a status.

    `found` has `by`, `test_id`, `_years` and `status`; `rows` are the `histories` behind it.
    """
    doubled = (
        rows.filter(pl.col("_doubled").list.len() > 0)
        .select(by, test_id="_doubled", _years="_doubled_years")
        .explode("test_id", "_years")
        .with_columns(status=pl.lit("duplicate_id"))
    )
    both = pl.concat([found, doubled], how="diagonal")
    return both.sort(by, "_years", "test_id", maintain_order=True).drop("_years")


def status_of(status: pl.Expr | str = "status") -> pl.Expr:
    """The status of a history, `duplicate_id` where tests are missing that stand in several rows.

    What the others lack is said first, unless there are none.

    Examples
    --------
    >>> table = pl.DataFrame(
    ...     {
    ...         "_test": [["t0"], ["t0"], ["t0"], []],
    ...         "_doubled": [[], ["t1", "t1"], ["t1", "t1"], ["t1", "t1"]],
    ...         "status": ["ok", "ok", "too_few_samples", "too_few_samples"],
    ...     }
    ... )
    >>> table.select(status_of()).to_series().to_list()
    ['ok', 'duplicate_id', 'too_few_samples', 'duplicate_id']
    """
    status = pl.col(status) if isinstance(status, str) else status
    doubled = pl.col("_doubled").list.len() > 0
    alone = (status == "ok") | (pl.col("_test").list.len() == 0)
    return pl.when(doubled & alone).then(pl.lit("duplicate_id")).otherwise(status).alias("status")


def with_own_u(
    rows: pl.LazyFrame, known: tuple[FrameLike | None, FrameLike | None], event: Setpoint
) -> pl.LazyFrame:
    """The setpoints with `_u`, each test's uncertainty without what tests with its gauge share.

    `known` are the lags and the gauges tables; what they share is in `_lag_u` and `_calibration_u`.
    Whether the uncertainties hold these parts is told gauge by gauge: where those of any of its
    tests cannot, none does.
    """
    value, u = f"{event}_pa", f"{event}_u_pa"
    rows = _with_calibration(_with_lags(rows, known[0], event), known[1], value)
    calibration = pl.col("_calibration_u") ** 2
    shared = pl.col("_lag_u") ** 2 + calibration
    square = pl.col(u) ** 2
    # What cannot be stays what it is, for the kernel to refuse.
    bad = (pl.col(u) < 0.0) | ~shared.is_finite()
    # More than all of it is no part of it. Told test by test, one that is a little surer than the
    # next would have many times less weight.
    # The rate of a closing may be another than that of its opening, and says nothing here.
    turned = _is_turned(event)
    sure = pl.when(turned).then(calibration).otherwise(shared)
    held = (sure < square) | (sure == 0.0) | bad
    # Nor may it leave a closing next to no uncertainty.
    most = pl.when(turned).then((square - calibration) / 2.0)
    left = pl.max_horizontal(square - shared, _OWN**2 * square, most)
    own = pl.when(held.all().over("gauge_id")).then(left).otherwise(square).sqrt()
    kept = pl.when(pl.col(u) < 0.0).then(pl.col(u)).otherwise(float("nan"))
    return rows.with_columns(_u=pl.when(bad).then(kept).otherwise(own))


def _with_lags(rows: pl.LazyFrame, lags: FrameLike | None, event: Setpoint) -> pl.LazyFrame:
    """What an error of the gauge's lag adds: its uncertainty times the rate corrected for."""
    if lags is None:
        return rows.with_columns(_lag_u=pl.lit(0.0), _lag_u_s=pl.lit(None, pl.Float64))
    known = validate_lags(lazy(lags, "lags"))
    need_unique(known, "gauge_id", "lags")
    stated = known.select("gauge_id", "lag_s", "lag_u_s")
    joined = rows.join(stated, on="gauge_id", how="left", maintain_order="left")
    rate = (
        pl.when(_is_turned(event)).then(-1.0).otherwise(1.0)
        * pl.col("lag_correction_pa")
        / pl.col("lag_s")
    )
    # A lag of zero corrects nothing, and its error is in the uncertainty of each test alone.
    error = (
        pl.when((pl.col("lag_u_s") < 0.0) & (pl.col("lag_s") != 0.0))
        .then(float("nan"))
        .when(pl.col("lag_s") != 0.0)
        .then(rate * pl.col("lag_u_s"))
    )
    return joined.with_columns(_lag_u=error.fill_null(0.0), _lag_u_s="lag_u_s")


def _is_turned(event: Setpoint) -> pl.Expr:
    """Where the lag correction is that of the opening, and the closing is met the other way."""
    return pl.col("open_pa").is_not_null() & (event == "close")


def _with_calibration(rows: pl.LazyFrame, gauges: FrameLike | None, value: str) -> pl.LazyFrame:
    """What an error of its calibration adds: its limits taken as rectangular (JCGM 100, 4.3.7)."""
    if gauges is None:
        return rows.with_columns(_calibration_u=pl.lit(0.0))
    known = validate_gauges(lazy(gauges, "gauges"))
    need_unique(known, "gauge_id", "gauges")
    stated = known.select("gauge_id", "accuracy_rel", "accuracy_abs_pa")
    limit = pl.col("accuracy_abs_pa").fill_null(0.0) + (
        pl.col("accuracy_rel").fill_null(0.0) * pl.col(value).abs()
    )
    joined = rows.join(stated, on="gauge_id", how="left", maintain_order="left")
    negative = pl.min_horizontal("accuracy_rel", "accuracy_abs_pa") < 0.0
    error = pl.when(negative).then(float("nan")).otherwise(limit / 3.0**0.5)
    return joined.with_columns(_calibration_u=error.fill_null(0.0))
