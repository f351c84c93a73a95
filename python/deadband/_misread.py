"""Tests whose pressures are not those of their switch: a wrong unit or switch, or a failed one."""

from __future__ import annotations

from math import log
from typing import Final

import polars as pl

from ._channels import pascal

#: Common practice, no source: few switches are off by so much, and the closest two units of draft,
#: inH2O and hPa, are 2.49 apart. One that is off by so much is unsafe, and looks the same here.
_FAR: Final = 2.2
#: Units that are taken for pascal, or pascal for them.
_UNITS: Final = ("mmH2O", "hPa", "inH2O", "kPa", "psi")
_NEAR: Final = 0.1
_NAMED: Final = 5
_KEY: Final = ("gauge_id", "switch_id", "test_id")


def marked(events: pl.LazyFrame, used: pl.Expr, switches: pl.LazyFrame | None) -> pl.LazyFrame:
    """Events with `_misread`: in words, what sets their test apart from its switch; else null.

    `_far` is the test where it lies at least half as far from its switch as any of its gauge does:
    what to look at where the events of a switch disagree. Tests that are marked are not among them.

    A factor of 2.2 or more does. A switch's rating tells first. Where more than half of the fleet
    are that far from their ratings, these are taken to be in another unit, and what is typical of
    the fleet counts instead. Then each test is held against the median of its switch; of two that
    differ either may be the wrong one.

    Parameters
    ----------
    events
        rows of the events table.
    used
        the events of slow ramps, which alone count.
    switches
        the switches table; None: no ratings.

    Returns
    -------
    polars.LazyFrame
        The events in their order.

    Examples
    --------
    >>> events = pl.LazyFrame(
    ...     {
    ...         "gauge_id": "g",
    ...         "switch_id": "s",
    ...         "test_id": ["a", "b", "c"],
    ...         "event": "open",
    ...         "pressure_pa": [60.0, 61.0, 0.24],
    ...     }
    ... )
    >>> for words in marked(events, pl.lit(value=True), None).collect()["_misread"]:
    ...     print(words)
    None
    None
    test c (about 1/250 of the others of switch s, as if in inH2O)
    """

    def mark(rows: pl.DataFrame) -> pl.DataFrame:
        known = rows.lazy().filter(used)
        misread = _misread(known, switches)
        left = known.join(misread, on=["gauge_id", "test_id"], how="anti", nulls_equal=True)
        for found in (misread, _farthest(left)):
            rows = rows.join(
                found.collect(), on=["gauge_id", "test_id"], how="left", maintain_order="left"
            )
        return rows

    # The events are needed twice: as a query they would be fitted twice.
    return events.map_batches(
        mark,
        schema={**events.collect_schema(), "_misread": pl.String(), "_far": pl.String()},
        predicate_pushdown=False,
        projection_pushdown=False,
        slice_pushdown=False,
    )


def _misread(events: pl.LazyFrame, switches: pl.LazyFrame | None) -> pl.LazyFrame:
    """A row a test: `gauge_id`, `test_id` and `_misread`."""
    levels = (
        events.filter(pl.col("switch_id").is_not_null(), pl.col("pressure_pa") > 0.0)
        .group_by(*_KEY, "event")
        .agg(pl.col("pressure_pa").median())
    )
    found = []
    if switches is not None:
        found.append(_off_rating(levels, switches))
        levels = levels.join(found[0], on="test_id", how="anti")
    size, other = pl.len(), pl.col("pressure_pa").sum() - pl.col("pressure_pa")
    typical = pl.when(size == 2).then(other).otherwise(pl.col("pressure_pa").median())
    apart = levels.with_columns(
        factor=(pl.col("pressure_pa") / typical).over("switch_id", "event"),
        against=pl.format("the others of switch {}", "switch_id"),
    )
    found.append(apart.filter(_far(pl.col("factor"))))
    columns = ["gauge_id", "test_id", "factor", "against"]
    return (
        pl.concat(part.select(columns) for part in found)
        .sort("gauge_id", "test_id", "factor")
        .unique(["gauge_id", "test_id"], keep="first", maintain_order=True)
        .select("gauge_id", "test_id", _misread=pl.format("test {} ({})", "test_id", _words()))
    )


def _farthest(events: pl.LazyFrame) -> pl.LazyFrame:
    pressure = pl.col("pressure_pa")
    distance = (pressure - pressure.median().over("switch_id", "event")).abs()
    return (
        events.with_columns(_distance=distance)
        .group_by("gauge_id", "test_id")
        .agg(pl.col("_distance").max())
        .filter(2.0 * pl.col("_distance") >= pl.col("_distance").max().over("gauge_id"))
        .select("gauge_id", "test_id", _far=pl.col("test_id"))
    )


def _far(factor: pl.Expr) -> pl.Expr:
    return factor.log().abs() > log(_FAR)


def _off_rating(levels: pl.LazyFrame, switches: pl.LazyFrame) -> pl.LazyFrame:
    rising = pl.col("action") == "rise"
    ratio = pl.col("pressure_pa") / pl.col("rated_pa")
    rated = (
        levels.join(switches.select("switch_id", "rated_pa", "action"), on="switch_id")
        .filter(pl.col("event") == pl.when(rising).then(pl.lit("close")).otherwise(pl.lit("open")))
        .filter(ratio.is_finite() & (ratio > 0.0))
        .with_columns(factor=ratio)
    )
    off = _far(pl.col("factor")).mean() > 0.5
    typical = pl.when(off).then(pl.col("factor").median()).otherwise(1.0)
    return rated.with_columns(
        factor=pl.col("factor") / typical,
        against=pl.when(off)
        .then(pl.lit("what is typical beside the rating"))
        .otherwise(pl.lit("the rating")),
    ).filter(_far(pl.col("factor")))


def _words() -> pl.Expr:
    """A factor in words, with the unit that it is near to."""
    factor = pl.col("factor")
    size = pl.max_horizontal(factor, 1.0 / factor)
    times = size.round_sig_figs(2).cast(pl.String).str.strip_suffix(".0")
    unit = pl.lit("")
    for name in _UNITS:
        near = (size / pascal(name)).log().abs() < _NEAR
        over = pl.format(", as if Pa were {}", pl.lit(name))
        below = pl.format(", as if in {}", pl.lit(name))
        unit = pl.when(near & (factor > 1.0)).then(over).when(near).then(below).otherwise(unit)
    small = pl.format("about 1/{} of {}{}", times, "against", unit)
    large = pl.format("about {} times {}{}", times, "against", unit)
    return pl.when(factor > 1.0).then(large).otherwise(small)


def left_out() -> pl.Expr:
    """The sentence that names the tests in the list column `_left_out`; null where it is empty.

    Examples
    --------
    >>> frame = pl.DataFrame({"_left_out": [["test a (...)", "test b (...)"], []]})
    >>> frame.select(left_out())["_left_out"].to_list()
    ['not used for the lag: test a (...), test b (...); is a unit or a switch_id wrong, ...
    """
    sentence = pl.format(
        "not used for the lag: {}; is a unit or a switch_id wrong, or is the switch itself that "
        "far off? then it does not prove draft",
        _some("_left_out"),
    )
    return pl.when(pl.col("_left_out").list.len() > 0).then(sentence).alias("_left_out")


def with_farthest() -> pl.Expr:
    """`reason`, the tests in the list column `_far` named where events disagree.

    Examples
    --------
    >>> reason = "it cannot be told: the events of a switch disagree; state it"
    >>> frame = pl.DataFrame({"reason": [reason, "other"], "_far": [["a", "b"], ["c"]]})
    >>> for words in frame.select(with_farthest())["reason"]:
    ...     print(words)
    it cannot be told: the events of a switch disagree (look at a, b); state it
    other
    """
    words = "the events of a switch disagree"
    named = pl.format("{} (look at {})", pl.lit(words), _some("_far"))
    return pl.col("reason").str.replace(words, named, literal=True)


def _some(name: str) -> pl.Expr:
    names, count = pl.col(name), pl.col(name).list.len().cast(pl.Int64)
    more = pl.when(count > _NAMED).then(pl.format(" and {} more", count - _NAMED))
    return names.list.head(_NAMED).list.join(", ") + more.otherwise(pl.lit(""))
