"""What an operator called against what the contact did, test by test, and what practice does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._columns import check_columns, need_columns
from .._coverage import coverage_factor
from .._errors import DeadbandError, check_option, check_share
from .._frames import FrameLike, lazy, plugin
from .._history import LISTS, Setpoint, trend_options
from ..schema import validate_events
from ._results import need_studies, results

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_GROUPS: Final = ("operator_id", "method", "gauge_id", "switch_id")
_MOTION: Final = {"open": "falling", "close": "rising"}
_TREND: Final = {"sen_pa_year": "", "sen_low_pa_year": "_low", "sen_high_pa_year": "_high"}
#: Calls from which rates, or an order, tell anything.
_FEWEST: Final = 5


@dataclass(frozen=True)
class Feedback:
    """Every call, and what they say of each operator.

    Attributes
    ----------
    calls
        a row a call, by group and in order of time: `test_id`, `switch_id`, `method`, `tested_at`,
        `session` (the day), `number` (from 1 within the group), `called_pa`, `truth_pa`,
        `truth_u_pa`, `error_pa` (called minus truth), `error_pct` (of the truth), `rate_pa_s`,
        `status`.
    operators
        a row a group: `n_calls`, `n_sessions`, `mean_pa` with `mean_u_pa` and its interval, `sd_pa`
        with its interval, `mean_pct`; `error_per_test_pa` and `size_per_test_pa` (Theil-Sen slopes
        of the error and of its size against the number of the call, with intervals) with
        Mann-Kendall's `size_tau` and `size_p`; `late_s` (mean time by which the called value is
        late, from the rates) with `late_u_s`, and `rate_share`, the part of the variance that goes
        with the rate; `sentence`; `status`: `ok`, `too_few_samples` (fewer than two calls), or
        `missing_value` (a column of `by` is null: nobody's calls).
    event, confidence
        as asked for.

    Examples
    --------
    >>> Feedback(pl.DataFrame(), pl.DataFrame(), "open", 0.95).event
    'open'
    """

    calls: pl.DataFrame
    operators: pl.DataFrame
    event: str
    confidence: float


def feedback(
    points: FrameLike,
    tests: FrameLike,
    *,
    by: str | Sequence[str] = "operator_id",
    event: Setpoint = "open",
    events: FrameLike | None = None,
    lags: FrameLike | None = None,
    confidence: float = 0.95,
) -> Feedback:
    """Set each called value against the setpoint of its own recording, the gauge's lag taken out.

    The mean error has Student's interval over the calls; with `lags` what an error of the lag does
    to the truths is added to it as if all calls shared it. An error of the gauge's calibration is
    in both and cancels. The error is that of the gauge and the operator together, as it would stand
    in a log: a late gauge reads too high on falling pressure, a late eye calls too low; `causes`
    tells them apart. Whether the errors get smaller is told by Mann and Kendall's test of their
    size against the number of the call, and by how much by the slope of Theil and Sen: no shape of
    a learning curve is assumed, and no single bad call decides. Calls without a date, or without a
    number or a truth, are listed and counted in nothing; those of nobody, without a value in a
    column of `by`, are counted in a row of their own and say nothing of anybody.

    Parameters
    ----------
    points
        the setpoints table.
    tests
        the tests table, with the called values.
    by
        one column or several that make the groups: `operator_id`, `method`, `gauge_id`,
        `switch_id`. Errors of a pinch are many times those of a ramp: of an operator of both, ask
        for `["operator_id", "method"]`.
    event
        which setpoint.
    events
        the events table, for the rates; without it `late_s` and `rate_share` are null.
    lags
        the lags table, for what truths err alike in.
    confidence
        of the intervals of means and scatters, those of slopes being 95 %; one minus it is the
        level of the test for a trend.

    Raises
    ------
    SchemaError
        a column is missing, one of `by` among them.
    OptionError
        an unknown event or column of groups, or a confidence that is no probability.
    DeadbandError
        no tests table.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> from datetime import datetime, timedelta
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": [f"t{i:02}" for i in range(12)], "switch_id": ["s"] * 12,
    ...         "operator_id": ["ann"] * 12, "close_pa": [None] * 12, "close_u_pa": [None] * 12,
    ...         "tested_at": [datetime(2024, 5, 1) + timedelta(days=i) for i in range(12)],
    ...         "open_pa": [60.0] * 12, "open_u_pa": [0.2] * 12,
    ...     }
    ... )  # fmt: skip
    >>> called = [56.0, 56.4, 56.9, 56.7, 57.4, 57.8, 57.6, 58.3, 58.4, 58.8, 58.7, 59.1]
    >>> tests = points.select("test_id", called_open_pa=pl.Series(called))
    >>> for part in feedback(points, tests).operators["sentence"][0].split("; "):
    ...     print(part)
    called 2.3 Pa too low on falling pressure, the eye later than the gauge (95 %: 1.7 to 3.0 Pa)
    better by 0.28 Pa a test over 12 tests
    """
    check_option("event", event, ["open", "close"])
    groups = check_columns("by", by, _GROUPS)
    check_share("confidence", confidence)
    if tests is None:
        raise DeadbandError(
            "missing_table", "called values stand in the tests table", location="option tests",
            advice="give tests=",
        )  # fmt: skip
    advice = "add it to the setpoints, from the tests table for instance"
    need_columns(lazy(points, "setpoints"), groups, "setpoints", advice)
    calls = _calls(points, tests, groups, event, (events, lags))
    rows = [
        dict(zip(groups, keys, strict=True))
        | (_nobody(part, groups) if None in keys else _operator(part, event, confidence))
        for keys, part in calls.group_by(groups, maintain_order=True)
    ]
    kept = {name: calls.schema[name] for name in groups}
    operators = pl.DataFrame(rows, schema=pl.Schema(kept | _OPERATORS))
    return Feedback(calls.drop("_shared_pa", "_gauge"), operators, event, confidence)


_FLOATS: Final = (
    "mean_pa", "mean_u_pa", "mean_low_pa", "mean_high_pa", "mean_pct", "sd_pa", "sd_low_pa",
    "sd_high_pa", "error_per_test_pa", "error_per_test_low_pa", "error_per_test_high_pa",
    "size_per_test_pa", "size_per_test_low_pa", "size_per_test_high_pa", "size_tau", "size_p",
    "late_s", "late_u_s", "rate_share",
)  # fmt: skip
_OPERATORS: Final[dict[str, Any]] = {
    "n_calls": pl.Int32, "n_sessions": pl.Int32, **dict.fromkeys(_FLOATS, pl.Float64),
    "sentence": pl.String, "status": pl.String,
}  # fmt: skip


def _calls(
    points: FrameLike,
    tests: FrameLike,
    groups: list[str],
    event: Setpoint,
    known: tuple[FrameLike | None, FrameLike | None],
) -> pl.DataFrame:
    events, lags = known
    truth = results(points, event=event, lags=lags)
    called = results(points, tests, event=event, value="called")
    once = called.filter(pl.col("status") != "duplicate_id")
    rates = pl.DataFrame(schema={"test_id": pl.String, "rate_pa_s": pl.Float64})
    if events is not None:
        changed = validate_events(lazy(events, "events")).filter(pl.col("event") == event)
        rates = changed.group_by("test_id").agg(pl.col("rate_pa_s").mean()).collect()
    error = pl.col("called_pa") - pl.col("truth_pa")
    usable = error.is_not_null() & pl.col("tested_at").is_not_null()
    status = pl.when(usable).then(pl.lit("ok")).when(pl.col("status") != "ok").then("status")
    shared = (pl.col("u_pa") ** 2 - pl.col("own_u_pa") ** 2).clip(lower_bound=0.0).sqrt()
    order = [*groups, "tested_at", "test_id"]
    return (
        truth.rename({"value_pa": "truth_pa"})
        .join(once.select("test_id", called_pa="value_pa"), on="test_id", how="left")
        .join(rates, on="test_id", how="left")
        .with_columns(status=status.otherwise(pl.lit("missing_value")))
        .sort(order, nulls_last=True)
        .select(
            *dict.fromkeys([*groups, "test_id", "switch_id", "method", "tested_at"]),
            session=pl.col("tested_at").dt.date(),
            number=pl.when(usable).then(usable.cum_sum().over(groups)).cast(pl.Int32),
            called_pa="called_pa",
            truth_pa="truth_pa",
            truth_u_pa="u_pa",
            error_pa=error,
            error_pct=pl.when(pl.col("truth_pa") != 0.0).then(
                100.0 * error / pl.col("truth_pa").abs()
            ),
            rate_pa_s="rate_pa_s",
            status="status",
            _shared_pa=shared,
            _gauge="gauge_id",
        )
    )


def _nobody(part: pl.DataFrame, groups: list[str]) -> dict[str, Any]:
    used = part.filter(pl.col("status") == "ok")
    lacking = [name for name in groups if part[name][0] is None]
    return {
        "n_calls": used.height, "n_sessions": used["session"].n_unique(),
        "sentence": f"{' and '.join(lacking)} not stated: whose calls these are is not told",
        "status": "missing_value",
    }  # fmt: skip


def _operator(part: pl.DataFrame, event: str, confidence: float) -> dict[str, Any]:
    used = part.filter(pl.col("status") == "ok")
    error = used["error_pa"].to_numpy()
    n = error.size
    row: dict[str, Any] = {
        "n_calls": n, "n_sessions": used["session"].n_unique(), "status": "too_few_samples",
    }  # fmt: skip
    if n < 2:
        words = "one call tells no more than itself" if n else "no call with a truth and a date"
        return {**row, "mean_pa": float(error[0]) if n else None, "sentence": words}
    mean, sd = float(error.mean()), float(error.std(ddof=1))
    own2, shared = sd**2 / n, float(used["_shared_pa"].fill_null(0.0).mean() or 0.0)  # type: ignore[arg-type]
    u2 = own2 + shared**2
    dof = (n - 1) * (u2 / own2) ** 2 if own2 > 0.0 else float("inf")
    half = coverage_factor(dof, confidence) * u2**0.5
    low, high = _spread(error, confidence)
    row |= {
        "mean_pa": mean, "mean_u_pa": u2**0.5, "mean_low_pa": mean - half,
        "mean_high_pa": mean + half, "mean_pct": used["error_pct"].mean(), "sd_pa": sd,
        "sd_low_pa": low, "sd_high_pa": high, "status": "ok",
    }  # fmt: skip
    for name, of in (("error", error), ("size", np.abs(error))):
        found = trend(of)
        told = {f"{name}_per_test{end}_pa": found[key] for key, end in _TREND.items()}
        row |= told
        if name == "size":
            row |= {"size_tau": found["kendall_tau"], "size_p": found["p_trend"]}
    rate = used["rate_pa_s"].fill_null(np.nan).to_numpy()
    row |= _by_rate(error, rate)
    row["_gauges"] = used["_gauge"].n_unique()
    sentence = _sentence(row, event, confidence)
    return {name: value for name, value in row.items() if name != "_gauges"} | {
        "sentence": sentence
    }


def _spread(error: Floats, confidence: float) -> tuple[float | None, float | None]:
    """Interval of a standard deviation; nothing of fewer than five calls.

    Of Bonett (2006, from memory), which holds for errors that grow with the rate and have longer
    tails than the normal law, where that by chi-squared covers 87 to 90 % and not 95 %.
    """
    n = error.size
    stats = need_studies("feedback").stats
    if n < _FEWEST:
        return None, None
    variance = float(error.var(ddof=1))
    if variance == 0.0:
        return 0.0, 0.0
    z = float(stats.norm.ppf(0.5 + 0.5 * confidence))
    if z >= n:
        return None, None
    middle = float(stats.trim_mean(error, 0.5 / max(n - 4, 2) ** 0.5))
    square = float(((error - error.mean()) ** 2).sum())
    kurtosis = n * float(((error - middle) ** 4).sum()) / square**2
    wider = n / (n - z)
    half = z * wider * (max(kurtosis - (n - 3) / n, 0.0) / (n - 1)) ** 0.5
    ends = np.sqrt(wider * variance * np.exp([-half, half]))
    return float(ends[0]), float(ends[1])


def trend(values: Floats) -> dict[str, float | None]:
    """Theil-Sen slope against the number of the call, and Mann-Kendall's test; nulls of too few.

    Examples
    --------
    >>> found = trend(np.array([4.0, 3.5, 3.6, 3.0, 2.7, 2.5]))
    >>> round(found["sen_pa_year"], 2), round(found["p_trend"], 3)
    (-0.3, 0.017)
    """
    names = [*_TREND, "kendall_tau", "p_trend"]
    if values.size < _FEWEST:
        return dict.fromkeys(names)
    size = values.size
    zeros, times = [0.0] * size, list(range(1, size + 1))
    lists: tuple[list[float], ...] = (
        [float(at) for at in times], values.tolist(), [1.0] * size, zeros, zeros, zeros,
    )  # fmt: skip
    row = pl.DataFrame(
        {name: [of] for name, of in zip(LISTS, lists, strict=True)} | {"_limit": [None]},
        schema={**dict.fromkeys(LISTS, pl.List(pl.Float64)), "_limit": pl.Float64},
    )
    found = row.select(
        plugin("trends", [*LISTS, "_limit"], trend_options("none")).alias("_")
    ).unnest("_")
    told = {name: found[name][0] for name in names}
    # Sizes that are all one size rise and fall no more than chance has it.
    return told if np.ptp(values) > 0.0 else {**told, "kendall_tau": 0.0, "p_trend": 1.0}


def _by_rate(error: Floats, rate: Floats) -> dict[str, float | None]:
    """How much later than the contact the value was, and what of the scatter that makes.

    Through the origin, weighted alike; the uncertainty holds for errors that grow with the rate
    (White 1980, each residual over one minus its leverage).
    """
    nothing: dict[str, float | None] = dict.fromkeys(("late_s", "late_u_s", "rate_share"))
    known = np.isfinite(rate)
    x, y = rate[known], error[known]
    square = float(x @ x)
    if x.size < _FEWEST or square <= 0.0 or np.ptp(x) <= 1e-9 * np.abs(x).max():
        return nothing
    slope = float(x @ y) / square
    left = (y - slope * x) / np.maximum(1.0 - x * x / square, 1e-9)
    spread = float(((x * left) ** 2).sum()) ** 0.5 / square
    r = float(np.corrcoef(x, y)[0, 1]) if np.ptp(y) > 0.0 else 0.0
    share = 1.0 - (1.0 - r * r) * (x.size - 1) / (x.size - 2)
    # Rate and error have one sign where a value is called late, rising or falling.
    return {"late_s": slope, "late_u_s": spread, "rate_share": max(share, 0.0)}


def _sentence(row: dict[str, Any], event: str, confidence: float) -> str:
    mean, low, high = row["mean_pa"], row["mean_low_pa"], row["mean_high_pa"]
    motion, percent = _MOTION[event], f"{100.0 * confidence:.4g} %"
    late = -1.0 if event == "open" else 1.0
    if low > 0.0 or high < 0.0:
        word = "low" if mean < 0.0 else "high"
        # A late gauge pulls the other way than a late eye: what is called holds both.
        whose = "the eye later than the gauge" if mean * late > 0.0 else "the gauge later"
        ends = sorted((abs(low), abs(high)))
        said = (
            f"called {abs(mean):.1f} Pa too {word} on {motion} pressure, {whose} "
            f"({percent}: {ends[0]:.1f} to {ends[1]:.1f} Pa)"
        )
    else:
        wide = max(abs(low), abs(high))
        said = (
            f"neither too low nor too high on {motion} pressure is shown, "
            f"to within {wide:.1f} Pa ({percent})"
        )
    parts = [said, _practice(row, 1.0 - confidence)]
    if row["rate_share"] is not None:
        share = 100.0 * row["rate_share"]
        parts.append(f"{share:.0f} % of the scatter ({row['sd_pa']:.1f} Pa) goes with the rate")
    return "; ".join(parts)


def _practice(row: dict[str, Any], level: float) -> str:
    n, p, slope = row["n_calls"], row["size_p"], row["size_per_test_pa"]
    if p is None:
        return f"{n} calls are too few to tell practice"
    if row["_gauges"] > 1:
        return "practice is not told from a change of gauge: ask by gauge_id too"
    if p < level:
        return (
            f"{'better' if slope < 0.0 else 'worse'} by {abs(slope):.2g} Pa a test over {n} tests"
        )
    return f"no change seen in {n} tests"
