"""Control charts of a test bench, a gauge or a check switch."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal, NamedTuple

import polars as pl

from ._core import chart_limit, chart_run_length, tables
from ._errors import check_count, check_flag, check_number, check_option, refusal
from ._frames import FrameLike, like, plugin
from ._history import LISTS, Setpoint, histories, with_doubled

Kind = Literal["individuals", "ewma", "cusum"]

#: Limits at which a chart in control runs some 370 tests, as single tests within three sd do.
_LIMITS: Final = {"individuals": 3.0, "ewma": 2.86, "cusum": 4.77}


class RunLength(NamedTuple):
    """How many tests a chart takes to signal.

    Attributes
    ----------
    mean
        average run length.
    sd
        its standard deviation; None for the two sums of a CUSUM, as the next ones.
    median
        half of all runs are no longer.
    p90
        nine of ten runs are no longer.

    Examples
    --------
    >>> RunLength(370.4, 369.9, 257.0, 852.0).median
    257.0
    """

    mean: float
    sd: float | None
    median: float | None
    p90: float | None


def chart(
    points: FrameLike,
    kind: Kind = "ewma",
    by: str = "switch_id",
    *,
    event: Setpoint = "open",
    methods: Sequence[str] = ("ramp",),
    baseline: int = 10,
    target_pa: float | None = None,
    sd_pa: float | None = None,
    limit: float | None = None,
    weight: float = 0.2,
    allowance: float = 0.5,
    head_start: float = 0.0,
    restart: bool = False,
) -> Any:
    """A control chart of each history, a row a test.

    `individuals`: each test within `target -+ limit s`, each range of two tests below its own limit
    (Shewhart; d2 and d3). `ewma`: an average in which the newest test has the weight `weight`,
    within `limit` of its own standard deviations, exact from the first test on (Roberts 1959; Lucas
    and Saccucci 1990). `cusum`: sums of what lies further than `allowance` standard deviations
    above and below the target, against `limit` (Page 1954; Lucas and Crosier 1982). A test's
    standard deviation is `sqrt(sd2 + u2)` with its own uncertainty `u`: a rough test widens its
    limits and moves the sums less.

    Tests are taken as independent. Those with one gauge between two of its calibrations are not,
    and the averages and sums of an EWMA and a CUSUM then signal without a cause: chart each gauge
    by itself, or keep a check switch for each.

    Parameters
    ----------
    points
        the setpoints table, with `tested_at`.
    kind
        `individuals`, `ewma` or `cusum`.
    by
        the column whose values are the groups: a check switch, a gauge.
    event
        which setpoint.
    methods
        methods whose tests are charted.
    baseline
        the first so many tests tell target and sd, from their moving ranges, where these are not
        given.
    target_pa, sd_pa
        the process in control: its value and its scatter beyond the tests' uncertainties, Pa.
    limit
        in standard deviations; None: 3, 2.86 or 4.77, some 370 tests to a false signal where target
        and scatter are known. Told by ten tests they are not: half of the charts of a quiet process
        signal within some 140 tests (`individuals`; 56 with `range_signal`, a second chart with
        false signals of its own), 70 (`ewma`) and 66 (`cusum`), by 1000 simulated charts each.
    weight
        of the newest test in the average.
    allowance
        of the sums: half the shift to be found.
    head_start
        of the sums, as a share of `limit`.
    restart
        whether a chart that remembers begins anew after a signal.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        `by`, `test_id`, `statistic` (Pa; of the sums in standard deviations, above the target;
        `lower_statistic` below it), `low`, `high`, `signal` (`above`, `below` or null); of single
        tests `range_pa`, `range_high_pa`, `range_signal`; `target_pa`, `sd_pa`, `status`. Sorted by
        `by` and date. A test whose `test_id` stands twice is not charted and has `duplicate_id`.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    OptionError
        an unknown kind, event or method, or an option of the wrong type.
    DeadbandError
        an option is out of range.

    Examples
    --------
    >>> from datetime import datetime
    >>> values = [60.1, 59.9, 60.0, 60.2, 59.8, 60.1, 59.2, 59.1, 59.0, 59.1]
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": [f"t{i}" for i in range(10)],
    ...         "switch_id": ["check"] * 10,
    ...         "tested_at": [datetime(2024, 1 + i, 1) for i in range(10)],
    ...         "close_pa": [None] * 10,
    ...         "close_u_pa": [None] * 10,
    ...         "open_pa": values,
    ...         "open_u_pa": [0.1] * 10,
    ...     }
    ... )
    >>> found = chart(points, baseline=6)
    >>> found.filter(pl.col("signal") == "below")["test_id"].to_list()
    ['t7', 't8', 't9']
    """
    options = _options(
        kind, baseline=baseline, target_pa=target_pa, sd_pa=sd_pa, limit=limit, weight=weight,
        allowance=allowance, head_start=head_start, restart=restart,
    )  # fmt: skip
    rows = histories(points, by, event, methods, (None, None))
    names = [name for name, _ in tables()["charts"]]
    found = (
        rows.filter(pl.col("_test").list.len() > 0)
        .select(by, "_test", "_years", plugin("chart", LISTS, options).alias("_found"))
        .unnest("_found")
        .explode("_test", "_years", *names)
        .rename({"_test": "test_id"})
    )
    return like(with_doubled(found.with_columns(_finite(by)), rows, by), points)


def _finite(by: str) -> list[pl.Expr]:
    """Charts without those of which a number is beyond all numbers: they could never signal."""
    numbers = [name for name, dtype in tables()["charts"] if dtype == "f64"]
    told = pl.all_horizontal(pl.col(numbers).is_finite().fill_null(value=True)).all().over(by)
    names = [name for name, _ in tables()["charts"] if name != "status"]
    return [pl.when(told).then(name).alias(name) for name in names] + [
        pl.when(told).then("status").otherwise(pl.lit("not_finite")).alias("status")
    ]


def run_length(
    kind: Kind = "ewma",
    shift: float = 0.0,
    *,
    limit: float | None = None,
    weight: float = 0.2,
    allowance: float = 0.5,
    head_start: float = 0.0,
) -> RunLength:
    """How many tests a chart takes to signal where the process is off by `shift`.

    Integral equations by Gauss-Legendre quadrature (Crowder 1987; Vance 1986), tests normal and
    independent with one standard deviation, the process in control known.

    Parameters
    ----------
    kind, limit, weight, allowance, head_start
        as in `chart`.
    shift
        of the process, in standard deviations of one test.

    Raises
    ------
    OptionError
        an unknown kind, or an option that is no number.
    RecordingError
        an option is out of range.

    Examples
    --------
    >>> round(run_length("individuals").mean, 1)
    370.4
    >>> round(run_length("cusum", 1.0, limit=4.0).mean, 2)
    8.38
    """
    options = _options(kind, limit=limit, weight=weight, allowance=allowance, head_start=head_start)
    shift = check_number("shift", shift)
    try:
        mean, sd, (median, p90) = chart_run_length(options, shift, [0.5, 0.9])
    except ValueError as error:
        raise refusal(error) from None
    return RunLength(mean, sd, median, p90)


def limit_for(
    kind: Kind,
    in_control: float,
    *,
    weight: float = 0.2,
    allowance: float = 0.5,
    head_start: float = 0.0,
) -> float:
    """The limit at which a chart in control takes so many tests to a false signal, on average.

    Parameters
    ----------
    kind, weight, allowance, head_start
        as in `chart`.
    in_control
        average run length in control, in tests.

    Raises
    ------
    OptionError
        an unknown kind, or an option that is no number.
    RecordingError
        no limit gives it.

    Examples
    --------
    >>> round(limit_for("cusum", 465.0), 1)
    5.0
    """
    options = _options(kind, weight=weight, allowance=allowance, head_start=head_start)
    wanted = check_number("in_control", in_control)
    try:
        return chart_limit(options, wanted)
    except ValueError as error:
        raise refusal(error) from None


def _options(kind: str, **given: Any) -> dict[str, Any]:
    check_option("kind", kind, _LIMITS)
    usual = {
        "baseline": 10, "target_pa": None, "sd_pa": None, "weight": 0.2, "allowance": 0.5,
        "head_start": 0.0, "restart": False,
    }  # fmt: skip
    limit = given.pop("limit", None)
    told = {**usual, **given, "limit": _LIMITS[kind] if limit is None else limit}
    numbers = {
        name: check_number(name, value)
        for name, value in told.items()
        if name not in {"baseline", "restart"}
        and not (value is None and name in {"target_pa", "sd_pa"})
    }
    return {
        **told,
        **numbers,
        "baseline": check_count("baseline", told["baseline"], 0),
        "restart": check_flag("restart", told["restart"]),
        "kind": kind,
    }
