"""What each test said, side by side with what the reference method said of the same switch."""

from __future__ import annotations

from datetime import timedelta
from typing import Any, Final, Literal

import polars as pl

from .._columns import need_columns, need_numbers
from .._errors import DeadbandError, OptionError, check_number, check_option
from .._frames import FrameLike, lazy, need_unique
from .._history import METHODS, Setpoint, stands_once, with_own_u
from ..schema import validate_setpoints

Value = Literal["fitted", "called", "reading"]

VALUES: Final = ("fitted", "called", "reading")

_CARRIED: Final = (
    "test_id", "switch_id", "gauge_id", "operator_id", "method", "tested_at",
)  # fmt: skip

_EVER: Final = 1e6  # days


def results(
    points: FrameLike,
    tests: FrameLike | None = None,
    *,
    event: Setpoint = "open",
    value: Value = "fitted",
    lags: FrameLike | None = None,
    gauges: FrameLike | None = None,
) -> pl.DataFrame:
    """One result a test: what was fitted to its recording, or what the operator called.

    Parameters
    ----------
    points
        the setpoints table.
    tests
        the tests table; `called` needs it.
    event
        which setpoint.
    value
        `fitted`: the setpoint of the recording; `called`: what the operator wrote down; `reading`:
        the setpoint without its lag correction, what the gauge showed, which the setpoints table
        has for the open event only (where there is one), and of a pinch not at all: a fall that is
        fitted behind its lag bends. `causes` reads those off the recordings.
    lags, gauges
        the lags and gauges tables: what tests with one gauge have in common is taken out of
        `own_u_pa`.

    Returns
    -------
    polars.DataFrame
        A row a test, sorted by `test_id`: the identifying columns, `value_pa` (null where there is
        none), `u_pa` and `own_u_pa` (Pa, of the setpoint; null for called values, whose uncertainty
        is what a study finds), `status`. A `test_id` that stands twice has no value and is
        `duplicate_id`.

    Raises
    ------
    SchemaError
        a column or table is missing.
    OptionError
        an unknown event or value.

    Examples
    --------
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": ["t1"], "switch_id": ["s1"], "method": ["ramp"], "open_pa": [59.8],
    ...         "open_u_pa": [0.2], "close_pa": [None], "close_u_pa": [None],
    ...     }
    ... )  # fmt: skip
    >>> results(points).select("test_id", "value_pa", "u_pa", "status").row(0)
    ('t1', 59.8, 0.2, 'ok')
    """
    check_option("event", event, ["open", "close"])
    check_option("value", value, VALUES)
    rows = validate_setpoints(lazy(points, "setpoints"))
    if value == "reading":
        rows = as_read(points, event)
    if value == "called":
        rows = _called(rows, tests, event)
    else:
        rows = with_own_u(rows, (lags, gauges), event).rename(
            {f"{event}_pa": "value_pa", f"{event}_u_pa": "u_pa", "_u": "own_u_pa"}
        )
    once = stands_once()
    # A value without its uncertainty, or beyond the numbers, is none.
    known = pl.col("value_pa").is_finite()
    if value != "called":
        known &= pl.col("u_pa").is_finite() & (pl.col("u_pa") >= 0.0)
    kept = pl.when(once & known)
    status = pl.when(~once).then(pl.lit("duplicate_id")).when(known).then(pl.lit("ok"))
    none = pl.when(pl.col("status") == "ok").then(pl.lit("missing_value")).otherwise("status")
    return (
        rows.with_columns(status=status.otherwise(none.fill_null("missing_value")))
        .with_columns(kept.then(name).alias(name) for name in ("value_pa", "u_pa", "own_u_pa"))
        .select(*_CARRIED, "value_pa", "u_pa", "own_u_pa", "status")
        .sort("test_id", maintain_order=True)
        .collect()
    )


def _called(points: pl.LazyFrame, tests: FrameLike | None, event: str) -> pl.LazyFrame:
    if tests is None:
        raise DeadbandError(
            "missing_table",
            "called values stand in the tests table",
            location="option tests",
            advice='give tests=, or value="fitted"',
        )
    column = f"called_{event}_pa"
    told = tests_column(tests, column, 'give value="fitted"')
    need_numbers(told, [column], "tests", "give numbers in pascal")
    called = told.select("test_id", value_pa=pl.col(column).cast(pl.Float64))
    nothing = pl.lit(None, dtype=pl.Float64)
    return points.join(called, on="test_id", how="left").with_columns(
        u_pa=nothing, own_u_pa=nothing
    )


def as_read(points: FrameLike, event: Setpoint) -> pl.LazyFrame:
    """The setpoints without their lag correction: what the gauge showed at the change.

    `lag_correction_pa` belongs to the open setpoint, and to the close one only where there is no
    open one; other close setpoints become null, and those of pinches: a fall that is fitted behind
    its lag bends, and lag times rate is not what the display was off by.

    Examples
    --------
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": ["t"], "switch_id": ["s"], "open_pa": [59.0], "open_u_pa": [0.2],
    ...         "close_pa": [64.0], "close_u_pa": [0.2], "lag_correction_pa": [-4.0],
    ...     }
    ... )  # fmt: skip
    >>> as_read(points, "open").select("open_pa").collect().item()
    63.0
    """
    rows = validate_setpoints(lazy(points, "setpoints"), need=["lag_correction_pa"])
    raw = pl.col(f"{event}_pa") - pl.col("lag_correction_pa")
    if event == "close":
        raw = pl.when(pl.col("open_pa").is_null()).then(raw)
    bent = pl.col("method").eq_missing(pl.lit("pinch"))
    return rows.with_columns(pl.when(~bent).then(raw).alias(f"{event}_pa"))


def tests_column(tests: FrameLike, column: str, otherwise: str) -> pl.LazyFrame:
    """A column of the tests table by `test_id`; tests without one can be joined to nothing.

    Raises
    ------
    SchemaError
        a column is missing, or a test stands in two rows.

    Examples
    --------
    >>> tests = pl.DataFrame({"test_id": [7, None], "session": ["a", "b"]})
    >>> tests_column(tests, "session", "group by another").collect().rows()
    [('7', 'a')]
    """
    told = lazy(tests, "tests")
    need_columns(told, ("test_id", column), "tests", f"add it, or {otherwise}")
    known = told.filter(pl.col("test_id").is_not_null()).select(
        pl.col("test_id").cast(pl.String), column
    )
    need_unique(known.select("test_id"), "test_id", "tests")
    return known


def rounds(
    points: FrameLike,
    method: str,
    reference: str = "ramp",
    *,
    event: Setpoint = "open",
    value: Value = "fitted",
    reference_value: Value = "fitted",
    tests: FrameLike | None = None,
    within_days: float = 30.0,
    lags: FrameLike | None = None,
    gauges: FrameLike | None = None,
) -> pl.DataFrame:
    """Results of a method and of the reference on the same switches at about the same time.

    The tests of a switch, in order of time, are one round as long as none comes more than
    `within_days` after the one before it, so that drift between rounds is no disagreement; tests
    without a date are a round of their own. Rounds that lack either side are left out.

    Parameters
    ----------
    points, tests, event, lags, gauges
        as in `results`.
    method, reference
        methods of test; one and the same where called values are set against fitted ones.
    value, reference_value
        which results of either are compared.
    within_days
        days without a test that end a round.

    Returns
    -------
    polars.DataFrame
        Columns of `results` without `status`, with `round` (from 0 within a switch) and `side`
        (`method` | `reference`), sorted by `switch_id`, `round`, `side`, `test_id`.

    Raises
    ------
    SchemaError
        a column or table is missing.
    OptionError
        an unknown method, the same results on both sides, or a time that is not positive.

    Examples
    --------
    >>> from datetime import datetime
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": ["a", "b", "c"], "switch_id": ["s"] * 3,
    ...         "method": ["ramp", "pinch", "ramp"], "open_pa": [60.0, 57.0, 59.0],
    ...         "open_u_pa": [0.2] * 3, "close_pa": [None] * 3, "close_u_pa": [None] * 3,
    ...         "tested_at": [datetime(2024, 1, 1), datetime(2024, 1, 2), datetime(2025, 1, 1)],
    ...     }
    ... )  # fmt: skip
    >>> rounds(points, "pinch").select("test_id", "round", "side").rows()
    [('b', 0, 'method'), ('a', 0, 'reference')]
    """
    for option, given in (("method", method), ("reference", reference)):
        check_option(option, given, METHODS)
    if method == reference and value == reference_value:
        raise OptionError("method", method, [name for name in METHODS if name != reference])
    gap_of(within_days)
    sides = [
        results(points, tests, event=event, value=which, lags=lags, gauges=gauges)
        .filter((pl.col("status") == "ok") & (pl.col("method") == name))
        .filter(pl.col("switch_id").is_not_null())
        .drop("status")
        .with_columns(side=pl.lit(side))
        for name, which, side in (
            (method, value, "method"),
            (reference, reference_value, "reference"),
        )
    ]
    both = pl.col("side").n_unique().over("switch_id", "round") == 2
    return (
        pl.concat(sides)
        .sort("switch_id", "tested_at", "test_id", nulls_last=True)
        .with_columns(round=round_of(within_days))
        .filter(both)
        .sort("switch_id", "round", "side", "test_id")
    )


def gap_of(within_days: object) -> timedelta:
    """Time without a test that ends a round, or `OptionError`; infinite days are as good as that.

    Examples
    --------
    >>> gap_of(0.5)
    datetime.timedelta(seconds=43200)
    """
    allowed = "a number of days above 0"
    days = check_number("within_days", within_days, allowed)
    if not days > 0.0:
        raise OptionError("within_days", within_days, [allowed])
    return timedelta(days=min(days, _EVER))


def round_of(within_days: float) -> pl.Expr:
    """Number of the round within a switch, rows in order of time.

    Examples
    --------
    >>> from datetime import date
    >>> at = [date(2024, 1, 1), date(2024, 1, 9), date(2025, 1, 1), None]
    >>> tests = pl.DataFrame({"switch_id": "s", "tested_at": at})
    >>> tests.select(round_of(30.0)).to_series().to_list()
    [0, 0, 1, 2]
    """
    at = pl.col("tested_at")
    later = at.diff().over("switch_id") > gap_of(within_days)
    undated = at.is_null() != at.is_null().shift().over("switch_id")
    begins = later.fill_null(value=False) | undated.fill_null(value=False)
    return begins.cum_sum().over("switch_id").cast(pl.Int32)


def need_studies(what: str) -> Any:
    """SciPy, or an ImportError that says what needs it, or statsmodels, and how to install both.

    Examples
    --------
    >>> need_studies("agreement").__name__
    'scipy'
    """
    try:
        import scipy
        import statsmodels  # noqa: F401
    except ImportError as error:
        raise ImportError(
            f'{what} needs SciPy and statsmodels: pip install "deadband[studies]"'
        ) from error
    return scipy
