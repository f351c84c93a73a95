"""One life a switch: when it was seen sound, and between which days it failed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any, Final, Literal

import polars as pl

from .._errors import DeadbandError, OptionError, check_count, check_option, check_share
from .._frames import FrameLike, lazy, need_unique
from .._history import check_methods, day_of, is_followed, stands_once
from ..schema import dtypes, validate, validate_switches

Failure = Literal["verdict", "record"]
Side = Literal["unsafe", "nuisance", "any"]

_FAILURES: Final = ("verdict", "record")
_SIDES: Final = ("unsafe", "nuisance", "any")
_ENTRIES: Final = ("installed", "first_test")
_DAYS_A_YEAR: Final = 365.2425
_STUCK: Final = ("no_change", "sticking_open", "sticking_close")
_COLUMNS: Final = (
    "switch_id", "model", "lot", "entry_years", "low_years", "high_years", "event", "cause",
    "age_years", "n_tests", "status",
)  # fmt: skip


def lives(
    switches: FrameLike,
    verdicts: FrameLike | None = None,
    *,
    failure: Failure = "verdict",
    side: Side = "unsafe",
    findings: FrameLike | None = None,
    today: date | None = None,
    methods: Sequence[str] = ("ramp",),
    risk: float = 0.05,
    repeats: int = 1,
    entry: Literal["installed", "first_test"] | date = "installed",
) -> pl.DataFrame:
    """Ages between which each switch failed, or up to which it is known to have been sound.

    A failure that only a test can show happened somewhere between the last test that found the
    switch sound and the first that found it failed: an interval, never a day. A switch that failed
    its first test is censored on the left, one that never failed on the right, at its last test. A
    test after the removal speaks of the day of removal.

    Parameters
    ----------
    switches
        the switches table, with `installed_on`.
    verdicts
        the verdicts table; `verdict` needs it.
    failure
        `verdict`: a switch has failed once tests tell so, or was removed as failed after its last
        sound test; `record`: on the day it was removed as failed, whatever tests said.
    side
        which side is a failure by verdict: `unsafe`, `nuisance` or `any`. A switch removed as
        failed that no test found failed counts on the side towards which its last test leaned, and
        as unsafe where there is none.
    findings
        the condition table, for causes.
    today
        the day up to which switches are followed, and as known on which they are told: later tests,
        removals and installations are passed over, so that what was foretold on an earlier day can
        be held against what came. What a verdict itself rests on (lags, gauges) is taken as it is.
        None: the last day in the tables.
    methods
        methods whose tests count; that a switch stayed closed is told by tests of every method.
    risk
        a test tells that a switch has failed where the probability of the side is `1 - risk` or
        more, that it is sound where that is `risk` or less, and otherwise nothing. At 0.5 every
        test tells what is likelier, and lives come out too short: of many uncertain tests near the
        limit one falls below it early.
    repeats
        so many telling tests in a row must find the failure; it is dated to the first of them. One
        whose last test alone failed is not counted yet, and late survival comes out too high.
    entry
        since when failures could be seen. `installed`: all that were ever installed are in the
        table; `first_test`: a switch is in it because it was sound when first tested, which
        conditions on that; a day: the table began then, and lacks what had failed before.

    Returns
    -------
    polars.DataFrame
        A row a switch, sorted by `switch_id`: `model`, `lot`; in years since installation
        `entry_years` (0 but for late entry), `low_years`, `high_years` (null: censored on the
        right; both the same: the day is known); `event`; `cause` of the failure: `stuck` (did not
        change or sticks), `leaked`, `drifted` (out of its limits after a sound test), `outside`
        (out of them at its first test), `recorded` (removed as failed, no test said so);
        `age_years` today, null unless in service and not known as failed; `n_tests` that told;
        `status`: `ok`, `missing_value` (no `installed_on`, or failed or not, or when, is not
        stated), `not_installed` (only after `today`), `bad_value` (removed before it was
        installed), `no_tests`, `failed_new` (failed at age 0: no life to speak of), `before_entry`
        (gone, or failed, before it could be seen).

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type, or a switch stands in two rows.
    OptionError
        an unknown option or method, or a number out of range.
    DeadbandError
        `verdict` without verdicts.

    Examples
    --------
    >>> from datetime import date, datetime
    >>> switches = pl.DataFrame(
    ...     {
    ...         "switch_id": ["a", "b"], "rated_pa": [60.0, 60.0], "action": ["fall", "fall"],
    ...         "installed_on": [date(2020, 1, 1)] * 2,
    ...     }
    ... )  # fmt: skip
    >>> verdicts = pl.DataFrame(
    ...     {
    ...         "test_id": ["1", "2", "3"], "switch_id": ["a", "a", "b"], "method": ["ramp"] * 3,
    ...         "tested_at": [datetime(2021, 1, 1), datetime(2022, 1, 1), datetime(2022, 1, 1)],
    ...         "close_pa": [64.0, 56.0, 63.0], "close_u_pa": [0.5] * 3,
    ...         "open_pa": [60.0, 52.0, 59.0], "open_u_pa": [0.5] * 3,
    ...         "p_conform": [1.0, 0.0, 1.0], "p_unsafe": [0.0, 1.0, 0.0],
    ...         "p_nuisance": [0.0, 0.0, 0.0],
    ...         "verdict": ["conforms", "does_not_conform", "conforms"],
    ...     }
    ... )  # fmt: skip
    >>> found = lives(switches, verdicts)
    >>> found.select(pl.col("low_years", "high_years").round(2), "event", "cause").rows()
    [(1.0, 2.0, True, 'drifted'), (2.0, None, False, None)]
    """
    check_option("failure", failure, _FAILURES)
    check_option("side", side, _SIDES)
    check_methods(methods)
    check_count("repeats", repeats, 1)
    if check_share("risk", risk) > 0.5:
        raise OptionError("risk", risk, ["a number above 0 and at most 0.5"])
    since = _entry_day(entry)
    if verdicts is None and (failure == "verdict" or entry == "first_test"):
        raise DeadbandError(
            "missing_table",
            "what tests found stands in the verdicts table",
            location="option verdicts",
            advice='give verdicts=, or failure="record" without entry="first_test"',
        )
    known = None if today is None else day_of("today", today)
    rated = validate_switches(lazy(switches, "switches"), need=["installed_on"])
    need_unique(rated, "switch_id", "switches")
    told = _told(verdicts, methods, side, risk, known)
    day = _last_day(rated, told) if known is None else known
    rated = _as_known(rated, known)
    tested = _tested(rated, told, findings, repeats)
    rows = rated.join(tested, on="switch_id", how="left").with_columns(
        _end=_age(pl.coalesce("removed_on", pl.lit(day, dtype=pl.Date)))
    )
    rows = _by_verdict(rows, side) if failure == "verdict" else _by_record(rows)
    return (
        _with_entry(rows, since, entry)
        .with_columns(
            status=_status(failure),
            n_tests=pl.col("n_tests").fill_null(0).cast(pl.Int32),
        )
        .with_columns(
            pl.when(pl.col("status") == "ok").then(name).alias(name)
            for name in ("entry_years", "low_years", "high_years", "event", "cause")
        )
        .with_columns(
            age_years=pl.when(
                pl.col("removed_on").is_null(),
                pl.col("_end") >= 0.0,
                ~pl.col("_failed"),
                ~pl.col("_later"),
                ~_undated(),
            ).then("_end")
        )
        .select(_COLUMNS)
        .sort("switch_id")
        .collect()
    )


def _entry_day(entry: object) -> date | None:
    if isinstance(entry, str):
        check_option("entry", entry, _ENTRIES)
        return None
    return day_of("entry", entry)


def _age(day: pl.Expr) -> pl.Expr:
    return (day - pl.col("installed_on")).dt.total_days() / _DAYS_A_YEAR


def _as_known(rated: pl.LazyFrame, day: date | None) -> pl.LazyFrame:
    """The switches as on that day, when nobody knew of a later removal."""
    if day is None:
        return rated.with_columns(_later=pl.lit(value=False))
    then = (pl.col("removed_on") <= day).fill_null(value=True)
    return rated.with_columns(
        removed_on=pl.when(then).then("removed_on"),
        failed=pl.when(then).then("failed"),
        _later=(pl.col("installed_on") > day).fill_null(value=False),
    )


def _told(
    verdicts: FrameLike | None, methods: Sequence[str], side: str, risk: float, day: date | None
) -> pl.LazyFrame:
    """Tests with whether they found a failure or a sound switch; the others with neither."""
    none = pl.LazyFrame(schema=dtypes("verdicts"))
    table = none if verdicts is None else lazy(verdicts, "verdicts")
    rows = validate(table, "verdicts", need=["tested_at"])
    if day is not None:
        rows = rows.filter(pl.col("tested_at").dt.date() <= day)
    unsafe, nuisance = pl.col("p_unsafe"), pl.col("p_nuisance")
    chance = {"unsafe": unsafe, "nuisance": nuisance, "any": unsafe + nuisance}[side]
    failed_without = (pl.col("verdict") == "does_not_conform") & unsafe.is_null()
    # A first change that sticks turns conforms into undecided: it does not tell a sound switch.
    sticks = (pl.col("verdict") == "undecided") & (pl.col("p_conform") >= 1.0 - risk)
    stuck = failed_without if side != "nuisance" else pl.lit(value=False)
    sound = chance <= risk
    if side != "nuisance":
        sound &= ~sticks
    return (
        rows.with_columns(_followed=is_followed(methods))
        # That a switch stayed closed no lag or bias of a method touches.
        .filter(
            stands_once(),
            pl.col("_followed") | failed_without.fill_null(value=False),
            pl.col("tested_at").is_not_null(),
        )
        .with_columns(
            _fails=(stuck | (chance >= 1.0 - risk)).fill_null(value=False),
            _sound=sound.fill_null(value=False),
            _stuck=failed_without.fill_null(value=False),
            _leans=nuisance > unsafe,
        )
        # At a risk of one half a probability of one half is both.
        .with_columns(_sound=pl.col("_sound") & ~pl.col("_fails"))
        .select("test_id", "switch_id", "tested_at", "_fails", "_sound", "_stuck", "_leans")
    )


def _last_day(rated: pl.LazyFrame, told: pl.LazyFrame) -> date | None:
    days = pl.concat(
        [
            rated.select(day=pl.max_horizontal("installed_on", "removed_on")),
            told.select(day=pl.col("tested_at").dt.date()),
        ]
    )
    last: Any = days.select(pl.col("day").max()).collect().item()
    return last if isinstance(last, date) else None


def _tested(
    rated: pl.LazyFrame, told: pl.LazyFrame, findings: FrameLike | None, repeats: int
) -> pl.LazyFrame:
    """What the tests of a switch say together, a row a switch."""
    removed = _age(pl.col("removed_on")).fill_null(float("inf"))
    fails = pl.col("_fails")
    starts = pl.all_horizontal(
        fails.shift(-i).over("switch_id").fill_null(value=False) for i in range(repeats)
    )
    dated = (
        told.join(
            rated.select("switch_id", "installed_on", "removed_on"), on="switch_id", how="inner"
        )
        .with_columns(
            _age=pl.min_horizontal(_age(pl.col("tested_at").dt.date()), removed).clip(0.0)
        )
        .filter(pl.col("installed_on").is_not_null())
        .join(_kinds(findings), on="test_id", how="left")
        # Last of all: a join keeps no order.
        .sort("switch_id", "tested_at", "test_id")
    )
    leans = dated.group_by("switch_id").agg(_leans=pl.col("_leans").drop_nulls().last())
    # Only tests that tell anything can stand in a row.
    telling = (
        dated.filter(fails | pl.col("_sound"))
        .with_columns(_starts=starts)
        .with_columns(_begun=pl.col("_starts").cum_max().over("switch_id"))
    )
    first = pl.col("_starts")
    summed = telling.group_by("switch_id").agg(
        n_tests=pl.len(),
        _first=pl.col("_age").min(),
        _low=pl.col("_age").filter(pl.col("_sound") & ~pl.col("_begun")).max(),
        _high=pl.col("_age").filter(first).first(),
        _stuck=(pl.col("_stuck") | pl.col("_sticks").fill_null(value=False)).filter(first).first(),
        _leaks=pl.col("_leaks").fill_null(value=False).filter(first).first(),
    )
    return summed.join(leans, on="switch_id", how="full", coalesce=True)


def _kinds(findings: FrameLike | None) -> pl.LazyFrame:
    """Which tests found a switch that sticks or leaks."""
    if findings is None:
        return pl.LazyFrame(
            schema={"test_id": pl.String, "_sticks": pl.Boolean, "_leaks": pl.Boolean}
        )
    rows = validate(lazy(findings, "condition"), "condition")
    return (
        rows.filter("flagged")
        .group_by("test_id")
        .agg(
            _sticks=pl.col("kind").is_in(_STUCK).any(),
            _leaks=(pl.col("kind") == "leak").any(),
        )
    )


def _by_verdict(rows: pl.LazyFrame, side: str) -> pl.LazyFrame:
    leans = pl.col("_leans").fill_null(value=False)
    counted = {"unsafe": ~leans, "nuisance": leans, "any": pl.lit(value=True)}[side]
    high = pl.col("_high")
    recorded = pl.col("failed").fill_null(value=False) & pl.col("removed_on").is_not_null()
    recorded &= counted & high.is_null()
    cause = (
        pl.when(high.is_null())
        .then(pl.when(recorded).then(pl.lit("recorded")))
        .when(pl.col("_stuck"))
        .then(pl.lit("stuck"))
        .when(pl.col("_leaks"))
        .then(pl.lit("leaked"))
        .when(pl.col("_low").is_null())
        .then(pl.lit("outside"))
        .otherwise(pl.lit("drifted"))
    )
    return rows.with_columns(
        low_years=pl.col("_low").fill_null(0.0),
        high_years=pl.when(recorded).then("_end").otherwise(high),
        cause=cause,
        _failed=high.is_not_null() | recorded,
    ).with_columns(event=pl.col("high_years").is_not_null())


def _by_record(rows: pl.LazyFrame) -> pl.LazyFrame:
    failed = pl.col("failed").fill_null(value=False) & pl.col("removed_on").is_not_null()
    return rows.with_columns(
        low_years=pl.col("_end"),
        high_years=pl.when(failed).then("_end"),
        event=failed,
        cause=pl.when(failed).then(pl.lit("recorded")),
        _failed=failed,
    )


def _with_entry(rows: pl.LazyFrame, since: date | None, entry: object) -> pl.LazyFrame:
    if since is not None:
        seen = _age(pl.lit(since)).clip(0.0)
    elif entry == "first_test":
        seen = pl.col("_first").fill_null(0.0)
    else:
        seen = pl.lit(0.0)
    return rows.with_columns(entry_years=seen).with_columns(
        low_years=pl.max_horizontal("low_years", "entry_years")
    )


def _undated() -> pl.Expr:
    """Whether a switch failed on a day that nobody stated: it is no survivor."""
    return pl.col("failed").fill_null(value=False) & pl.col("removed_on").is_null()


def _status(failure: str) -> pl.Expr:
    end, high = pl.col("_end"), pl.col("high_years")
    silent = pl.col("failed").is_null() & pl.col("removed_on").is_not_null()
    untold = pl.col("n_tests").is_null() & high.is_null()
    gone = (high <= pl.col("entry_years")) | (end < pl.col("entry_years"))
    return (
        pl.when(pl.col("installed_on").is_null() | end.is_null())
        .then(pl.lit("missing_value"))
        .when("_later")
        .then(pl.lit("not_installed"))
        .when(end < 0.0)
        .then(pl.lit("bad_value"))
        .when(silent if failure == "record" else pl.lit(value=False))
        .then(pl.lit("missing_value"))
        .when(_undated() & high.is_null())
        .then(pl.lit("missing_value"))
        .when(untold if failure == "verdict" else pl.lit(value=False))
        .then(pl.lit("no_tests"))
        .when(high <= 0.0)
        .then(pl.lit("failed_new"))
        .when(gone.fill_null(value=False))
        .then(pl.lit("before_entry"))
        .otherwise(pl.lit("ok"))
    )
