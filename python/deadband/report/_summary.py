"""What an analysis comes to: counts, dates and the tests on the unsafe side."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Protocol

import polars as pl

from ..plots._frame import collected

ORDER: Final = ("does_not_conform", "undecided", "conforms")


class Analysis(Protocol):
    """What the page needs of an analysis; the result of `analyse` is one."""

    @property
    def tests(self) -> Any: ...
    @property
    def events(self) -> Any: ...
    @property
    def lags(self) -> Any: ...
    @property
    def setpoints(self) -> Any: ...
    @property
    def verdicts(self) -> Any: ...
    @property
    def trend(self) -> Any: ...
    @property
    def condition(self) -> Any: ...
    @property
    def switches(self) -> Any: ...
    @property
    def gauges(self) -> Any: ...


@dataclass(frozen=True)
class Summary:
    """The counts and lists that the page and the command line begin with.

    Attributes
    ----------
    tests, switches
        how many there are.
    first, last
        dates of the earliest and the latest test.
    verdicts
        verdict -> number of tests; every verdict is there, also with zero.
    by_method
        method -> verdict (or `none`) -> number of tests.
    unsafe
        tests that do not conform and err on the unsafe side, most recent first.
    maybe_unsafe
        number of undecided tests whose unsafe side is the likelier one.
    without
        status -> number of tests without a verdict, most frequent first.
    latest
        verdict -> switches whose latest judged test has it.

    Examples
    --------
    >>> from deadband import analyse, report, simulate
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
    >>> gauge = simulate.Instrument(gauge_id="g1", lag_s=0.3, lag_u_s=0.02)
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge)]
    >>> made = simulate.fleet(plan, seed=1)
    >>> whole = analyse(made.tests, made.switches, made.gauges)
    >>> report.summarise(whole.verdicts).judged
    1
    """

    tests: int
    switches: int
    first: datetime | None
    last: datetime | None
    verdicts: dict[str, int]
    by_method: dict[str, dict[str, int]]
    unsafe: list[str]
    maybe_unsafe: int
    without: dict[str, int]
    latest: dict[str, list[str]]

    @property
    def judged(self) -> int:
        """Number of tests that have a verdict."""
        return sum(self.verdicts.values())


def with_side(verdicts: Any) -> pl.DataFrame:
    """The verdicts with `unsafe_side`: whether the unsafe side is the likelier one to be left.

    A test whose numbers are sound but could not be judged gets the status of judging.

    Raises
    ------
    SchemaError
        A column is missing.
    """
    table = collected(verdicts, "verdicts", keep=("deadband_dof", "verdict_status"))
    if "verdict_status" in table.columns:
        unjudged = (pl.col("status") == "ok") & pl.col("verdict").is_null()
        table = table.with_columns(
            pl.when(unjudged).then("verdict_status").otherwise("status").alias("status")
        )
    side = pl.col("p_unsafe").fill_null(0.0) >= pl.col("p_nuisance").fill_null(0.0)
    return table.with_columns((side & pl.col("verdict").is_not_null()).alias("unsafe_side"))


def summarise(verdicts: Any) -> Summary:
    """Count what the table of `judge` holds.

    Raises
    ------
    SchemaError
        A column is missing.

    Examples
    --------
    >>> from deadband import analyse, report, simulate
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
    >>> gauge = simulate.Instrument(gauge_id="g1", lag_s=0.3, lag_u_s=0.02)
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge)]
    >>> made = simulate.fleet(plan, seed=1)
    >>> whole = analyse(made.tests, made.switches, made.gauges)
    >>> sum(report.summarise(whole.verdicts).verdicts.values())
    1
    """
    table = with_side(verdicts)
    judged = table.filter(pl.col("verdict").is_not_null())
    counts = dict(judged.group_by("verdict").len().iter_rows())
    methods: dict[str, dict[str, int]] = {}
    grouped = table.group_by("method", "verdict").len().sort("method", "verdict", nulls_last=True)
    for method, verdict, count in grouped.iter_rows():
        methods.setdefault(method or "not stated", {})[verdict or "none"] = count
    without = (
        table.filter(pl.col("verdict").is_null())
        .group_by("status")
        .len()
        .sort(["len", "status"], descending=[True, False])
    )
    latest = (
        judged.sort("tested_at", "test_id", nulls_last=False)
        .group_by("switch_id", maintain_order=True)
        .agg(pl.col("verdict").last())
        .sort("switch_id")
    )
    dates = table["tested_at"].drop_nulls()
    return Summary(
        tests=table.height,
        switches=table["switch_id"].n_unique(),
        first=_moment(dates.min()),
        last=_moment(dates.max()),
        verdicts={verdict: counts.get(verdict, 0) for verdict in ORDER},
        by_method=methods,
        unsafe=unsafe_tests(table)["test_id"].to_list(),
        maybe_unsafe=judged.filter(pl.col("verdict") == "undecided", "unsafe_side").height,
        without={status or "none": count for status, count in without.iter_rows()},
        latest={
            verdict: latest.filter(pl.col("verdict") == verdict)["switch_id"].to_list()
            for verdict in ORDER
        },
    )


def unsafe_tests(table: pl.DataFrame) -> pl.DataFrame:
    """The rows of `with_side` that do not conform, on the unsafe side, most recent first."""
    return table.filter(pl.col("verdict") == "does_not_conform", "unsafe_side").sort(
        "tested_at", "test_id", descending=[True, False], nulls_last=True
    )


def _moment(value: Any) -> datetime | None:
    return value if isinstance(value, datetime) else None


def plural(count: int, noun: str, many: str | None = None) -> str:
    """A count with its noun.

    >>> plural(1, "switch", "switches"), plural(1200, "recording")
    ('1 switch', '1,200 recordings')
    """
    return f"{count:,} {noun if count == 1 else many or noun + 's'}"


def sentences(summary: Summary) -> list[str]:
    """The summary in words, the unsafe side first.

    Examples
    --------
    >>> from deadband import analyse, report, simulate
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
    >>> gauge = simulate.Instrument(gauge_id="g1", lag_s=0.3, lag_u_s=0.02)
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge)]
    >>> made = simulate.fleet(plan, seed=1)
    >>> whole = analyse(made.tests, made.switches, made.gauges)
    >>> report.sentences(report.summarise(whole.verdicts))[0]
    '1 recording of 1 switch.'
    """
    when = ""
    if summary.first and summary.last:
        when = f", tested from {summary.first:%Y-%m-%d} to {summary.last:%Y-%m-%d}"
    said = [
        (
            f"{plural(summary.tests, 'recording')} of "
            f"{plural(summary.switches, 'switch', 'switches')}{when}."
        )
    ]
    failed = summary.verdicts["does_not_conform"]
    if failed:
        said.append(
            f"{plural(failed, 'test')} {_verb(failed, 'does', 'do')} not conform, "
            f"{len(summary.unsafe):,} on the unsafe side and "
            f"{failed - len(summary.unsafe):,} on the nuisance side."
        )
    else:
        said.append("No test fails to conform.")
    undecided = summary.verdicts["undecided"]
    if undecided:
        said.append(
            f"{plural(undecided, 'test')} {_verb(undecided, 'is', 'are')} undecided, "
            f"{summary.maybe_unsafe:,} of them towards the unsafe side."
        )
    conforming = summary.verdicts["conforms"]
    said.append(f"{plural(conforming, 'test')} {_verb(conforming, 'conforms', 'conform')}.")
    none = summary.tests - summary.judged
    if none:
        said.append(f"{plural(none, 'recording')} gave no verdict; each is listed with its reason.")
    if summary.judged:
        now = {verdict: len(switches) for verdict, switches in summary.latest.items()}
        said.append(
            "At the latest judged test of each switch, "
            f"{now['does_not_conform']:,} {_verb(now['does_not_conform'], 'does', 'do')} not "
            f"conform, {now['undecided']:,} {_verb(now['undecided'], 'is', 'are')} undecided and "
            f"{now['conforms']:,} {_verb(now['conforms'], 'conforms', 'conform')}."
        )
    return said


def findings_in_words(verdicts: Any) -> str | None:
    """What the evidence of `condition` comes to; None where it was not given to `judge`.

    Examples
    --------
    >>> columns = {"n_findings_unsafe": [2, 0], "n_findings_nuisance": [1, 0]}
    >>> findings_in_words(pl.DataFrame({"verdict": ["conforms", None], **columns}))[:52]
    'Signs about the state of the switch in 1 test: 2 on '
    """
    table = verdicts.lazy().collect()
    sides = ["n_findings_unsafe", "n_findings_nuisance"]
    if not set(sides) <= set(table.columns):
        return None
    looked = table.filter(pl.col("n_findings_unsafe").is_not_null())
    if not looked.height:
        return None
    found = looked.filter(pl.sum_horizontal(sides) > 0)
    if not found.height:
        return "No sign of sticking, chatter, a leak or a contact that never changed."
    unsafe, nuisance = (found[side].sum() for side in sides)
    hidden = found.filter(pl.col("verdict") == "conforms", pl.col("n_findings_unsafe") > 0).height
    beside = (
        f" {plural(hidden, 'test')} {_verb(hidden, 'conforms', 'conform')} in spite of one on the "
        "unsafe side."
        if hidden
        else ""
    )
    return (
        f"Signs about the state of the switch in {plural(found.height, 'test')}: {unsafe:,} on the "
        f"unsafe side and {nuisance:,} on the nuisance side; each is a reason to look.{beside}"
    )


def _verb(count: int, one: str, many: str) -> str:
    return one if count == 1 else many
