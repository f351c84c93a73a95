"""What in the input deserves a question though nothing failed: units, gauges, statements unused."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isfinite

import polars as pl

# A setpoint this many times its rating, or the rating this many times the setpoint, is hardly one
# of a switch out of adjustment: some unit is wrong. Common practice, no source.
_FAR = 3.0
_NAMED = 5
# As on reading: more is taken for percent without its sign, and for milliseconds.
_MOST_ACCURACY = 0.2
_MOST_LAG_S = 10.0
# What the budget takes of a gauge.
_FROM_ZERO = ("resolution_pa", "accuracy_rel", "accuracy_abs_pa")
# A step stated with two digits differs from the true one by so much.
_STEP_DIGITS = 0.05
# Standard uncertainties by which a deadband is surely below zero.
_SURELY = 4.0


def notices(
    verdicts: pl.DataFrame,
    switches: pl.DataFrame,
    gauges: pl.DataFrame | None,
    *,
    events: pl.DataFrame | None = None,
    lags: pl.DataFrame | None = None,
) -> list[str]:
    """Questions about the input, a sentence each; none of them changes a number.

    Parameters
    ----------
    verdicts
        The verdicts table.
    switches
        The switches table.
    gauges
        The gauges table; None where nothing is stated of them.
    events, lags
        The events and lags tables, for what was made of a gauge's step and lag; None: not told.

    Returns
    -------
    list of str
        A setpoint three times its rating or a third of it (a wrong unit?); tests that name no
        gauge, gauges that no table knows and statements about gauges that cannot be used; readings
        that are not on the stated steps of a display; whether fast falls were fitted with both
        parts of a lag; lags that were used and are to be doubted; a contact that closes surely
        below where it opens; values of switches that were left out.

    Examples
    --------
    >>> verdicts = pl.DataFrame(
    ...     {
    ...         "test_id": ["t1"],
    ...         "switch_id": ["s"],
    ...         "gauge_id": ["g"],
    ...         "verdict": ["conforms"],
    ...         "open_pa": [6000.0],
    ...         "close_pa": [7000.0],
    ...     }
    ... )
    >>> switches = pl.DataFrame(
    ...     {"switch_id": ["s"], "rated_pa": [60.0], "action": ["fall"], "reason": [None]}
    ... )
    >>> for line in notices(verdicts, switches, None):
    ...     print(line)
    the setpoint of 1 test is about 100 times the rating (t1): is a unit wrong, ...
    no gauges table: the uncertainties hold no line for the gauge's accuracy, ...
    """
    return [
        *_far_from_rating(verdicts, switches),
        *_gauges(verdicts, gauges),
        *_steps(events, gauges),
        *_parts(events, lags, gauges),
        *_doubted(lags),
        *_inverted(verdicts),
        *_left_out(verdicts, switches),
    ]


def _far_from_rating(verdicts: pl.DataFrame, switches: pl.DataFrame) -> Iterator[str]:
    rising = pl.col("action") == "rise"
    ratios = (
        verdicts.join(
            switches.select("switch_id", "rated_pa", "action"),
            on="switch_id",
            how="left",
            maintain_order="left",
        )
        .with_columns(
            ratio=pl.when(rising).then("close_pa").otherwise("open_pa") / pl.col("rated_pa")
        )
        .filter(pl.col("ratio").is_finite())
    )
    sides = {
        "{times} times the rating": pl.col("ratio") >= _FAR,
        "1/{times} of the rating": pl.col("ratio").is_between(0.0, 1.0 / _FAR, closed="right"),
    }
    for words, far in sides.items():
        rows = ratios.filter(far)
        if rows.is_empty():
            continue
        typical = rows.select(pl.col("ratio").median()).item()
        times = f"{float(f'{max(typical, 1.0 / typical):.2g}'):g}"
        yield (
            f"the setpoint of {_counted(rows.height, 'test')} is about "
            f"{words.format(times=times)} {_some(rows['test_id'])}: is a unit wrong, that of the "
            "recording or that of the rating?"
        )


def _gauges(verdicts: pl.DataFrame, gauges: pl.DataFrame | None) -> Iterator[str]:
    named = verdicts.filter(pl.col("gauge_id").is_not_null())
    nameless = verdicts.filter(pl.col("gauge_id").is_null())
    if not nameless.is_empty():
        yield (
            f"{_counted(nameless.height, 'test')} {_verb(nameless.height, 'names', 'name')} no "
            f"gauge {_some(nameless['test_id'])}, so that neither lag nor accuracy is known there; "
            "name it in the column gauge_id"
        )
    if gauges is None:
        yield (
            "no gauges table: the uncertainties hold no line for the gauge's accuracy, and lags "
            "come from the tests alone"
        )
        return
    strange = named.filter(~pl.col("gauge_id").is_in(gauges["gauge_id"].drop_nulls().implode()))
    if not strange.is_empty():
        ids = strange["gauge_id"].unique().sort()
        yield (
            f"{_counted(len(ids), 'gauge')} {_verb(len(ids), 'is', 'are')} not in the gauges table "
            f"{_some(ids)}: the uncertainties of {_counted(strange.height, 'test')} hold no line "
            "for accuracy"
        )
    yield from _statements(gauges)


def _statements(gauges: pl.DataFrame) -> Iterator[str]:
    for row in gauges.iter_rows(named=True):
        name = f"gauge {row['gauge_id']}"
        if row.get("reason"):
            yield f"{name}: {row['reason']}"
            continue
        for column in _FROM_ZERO:
            value = row.get(column)
            if value is not None and not (isfinite(value) and value >= 0.0):
                yield (
                    f"{name}: {column} is {value:g}, so that its tests have no setpoint; it must "
                    "be a finite number, 0 or above"
                )
        accuracy, lag, u = (row.get(key) for key in ("accuracy_rel", "lag_s", "lag_u_s"))
        if accuracy is not None and accuracy > _MOST_ACCURACY:
            yield (
                f"{name}: accuracy_rel {accuracy:g} is {accuracy:.0%} of the reading; "
                f"{accuracy:g} % is {accuracy / 100:g}"
            )
        if lag is not None and lag > _MOST_LAG_S:
            yield f"{name}: its stated lag is {lag:g} s; is that in milliseconds?"
        if lag is not None and u is None:
            yield (
                f"{name}: its stated lag has no uncertainty (lag_u_s), and is not used: a budget "
                "needs one"
            )


def _doubted(lags: pl.DataFrame | None) -> Iterator[str]:
    """Lags that were used and are to be doubted."""
    if lags is None or not {"reason", "status"} <= set(lags.columns):
        return
    told = lags.filter((pl.col("status") == "ok") & pl.col("reason").is_not_null())
    for gauge, reason in told.select("gauge_id", "reason").iter_rows():
        yield f"gauge {gauge}: {reason}"


def _steps(events: pl.DataFrame | None, gauges: pl.DataFrame | None) -> Iterator[str]:
    """Gauges whose readings do not have the step that is stated."""
    if events is None or gauges is None:
        return
    stated = gauges.filter(pl.col("resolution_pa") > 0).select("gauge_id", "resolution_pa")
    tests = (
        events.filter(pl.col("status") == "ok")
        .select("test_id", "gauge_id", "step_pa")
        .unique("test_id", keep="first", maintain_order=True)
        .join(stated, on="gauge_id", maintain_order="left")
    )
    ratio = pl.col("step_pa") / pl.col("resolution_pa")
    unlike = tests.filter(pl.col("step_pa").is_null() | ((ratio - 1.0).abs() > _STEP_DIGITS))
    for rows in unlike.sort("gauge_id", "test_id").partition_by("gauge_id"):
        gauge, step = rows["gauge_id"][0], rows["resolution_pa"][0]
        found = sorted(rows["step_pa"].drop_nulls().to_list())
        shown = "finer digits"
        if 2 * len(found) > rows.height:
            shown = f"steps of {found[len(found) // 2]:.4g} Pa"
        yield (
            f"gauge {gauge}: a display step of {step:.4g} Pa is stated, and the readings of "
            f"{_counted(rows.height, 'test')} show {shown} {_some(rows['test_id'].sort())}; what "
            "they show was used"
        )


def _parts(
    events: pl.DataFrame | None, lags: pl.DataFrame | None, gauges: pl.DataFrame | None
) -> Iterator[str]:
    """What the fast falls of a gauge were fitted with."""
    if events is None or lags is None:
        return
    if gauges is not None and "time_constant_s" in gauges.columns:
        named = pl.any_horizontal(pl.col("dead_time_s", "time_constant_s").is_not_null())
        unused = gauges.filter(named).join(
            lags.filter(pl.col("time_constant_s").is_not_null()), on="gauge_id", how="anti"
        )
        for gauge in unused["gauge_id"].sort().to_list():
            yield (
                f"gauge {gauge}: its stated dead time and time constant were not used: they need "
                "an uncertainty (lag_u_s), must add up to the lag (lag_s), and must not contradict "
                "the lag found"
            )
    falls = events.filter((pl.col("model") == "relaxation") & pl.col("lag_applied"))
    counted = falls.join(
        lags.select("gauge_id", known=pl.col("time_constant_s").is_not_null()), on="gauge_id"
    )
    known = counted.filter("known")["gauge_id"].unique().sort()
    unknown = counted.filter(~pl.col("known"))["gauge_id"].unique().sort()
    # Where no gauge has parts there is nothing to tell apart.
    if len(known):
        yield (
            f"fast falls on {_counted(len(known), 'gauge')} {_some(known)} were fitted with dead "
            "time and time constant"
        )
    if len(known) and len(unknown):
        yield (
            f"fast falls on {_counted(len(unknown), 'gauge')} {_some(unknown)} were fitted with "
            "the mean lag alone, and what its split leaves open is in their uncertainty: a step "
            "or a reference gauge tells dead time and time constant"
        )


def _inverted(verdicts: pl.DataFrame) -> Iterator[str]:
    """Tests whose contact closed surely below the pressure at which it opened."""
    needed = {"deadband_pa", "deadband_u_pa"}
    if not needed <= set(verdicts.columns):
        return
    rows = verdicts.filter(pl.col("deadband_pa") < -_SURELY * pl.col("deadband_u_pa"))
    if not rows.is_empty():
        yield (
            f"in {_counted(rows.height, 'test')} the contact closed below the pressure at which it "
            f"opened {_some(rows['test_id'])}, which no switch does: is its sense turned over, is "
            "the lag wrong, or are two channels out of step?"
        )


def _left_out(verdicts: pl.DataFrame, switches: pl.DataFrame) -> Iterator[str]:
    """Values of switches that were left out without costing a verdict; the rest say why there."""
    if "reason" not in switches.columns:
        return
    judged = verdicts.filter(pl.col("verdict").is_not_null())["switch_id"].drop_nulls()
    unjudged = verdicts.filter(pl.col("verdict").is_null())["switch_id"].drop_nulls()
    told = switches.filter(
        pl.col("reason").is_not_null(),
        pl.col("switch_id").is_in(judged.implode())
        | ~pl.col("switch_id").is_in(unjudged.implode()),
    )["reason"]
    yield from told.head(_NAMED)
    if len(told) > _NAMED:
        yield f"and {len(told) - _NAMED:,} more switches with a value that cannot be used"


def _counted(count: int, noun: str) -> str:
    return f"{count:,} {noun}{'' if count == 1 else 's'}"


def _verb(count: int, one: str, many: str) -> str:
    return one if count == 1 else many


def _some(ids: pl.Series) -> str:
    shown: Sequence[str] = [str(name) for name in ids.head(_NAMED)]
    return f"({', '.join(shown)}{', ...' if len(ids) > _NAMED else ''})"
