"""Whether each switch conforms to its rating, how sure that is, and on which side it errs."""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from ._frames import FrameLike, lazy, like, need_unique, plugin
from ._reasons import with_rating_reasons
from .schema import dtypes, validate, validate_setpoints, validate_switches

_POINTS: Final = ("close_pa", "close_u_pa", "close_dof", "open_pa", "open_u_pa", "open_dof")
_RATING: Final = ("action", "rated_pa", "tolerance")
_FOUND: Final = ("n_findings_unsafe", "n_findings_nuisance", "findings")
_STUCK: Final = "does_not_conform: the contact stayed closed below its lower limit"
_STICKS: Final = "; undecided: the first change after rest lies below the lower limit"


def judge(
    points: FrameLike,
    switches: FrameLike,
    *,
    risk: float = 0.05,
    findings: FrameLike | None = None,
) -> Any:
    """Judge the rated event of every test against the switch's tolerance (JCGM 106).

    The rated event is the open setpoint for action `fall`, the close setpoint for `rise`; its
    limits are `rated_pa * (1 -+ tolerance)`. `p_unsafe` is the probability that it lies below the
    lower limit, where draft is proved that is not there; `p_nuisance` that it lies above the upper
    one; `p_conform` that it lies between, from Student's t about the setpoint.

    Evidence of `condition` stands beside the verdict and leaves it as it is, but for two findings
    that a mean over the changes cannot speak for, both on the unsafe side. A contact that stayed
    closed while the pressure went below the lower limit (`no_change`) does not conform, although it
    has no setpoint and no probability. Where the first change of the rated kind after rest sticks
    (`sticking_open`, `sticking_close`) and lies below the lower limit by itself, `conforms` becomes
    `undecided`: the appliance starts from rest. `rule` says so.

    A verdict is a statement about a recording. It is no permission to operate.

    Parameters
    ----------
    points
        the setpoints table.
    switches
        the switches table.
    risk
        highest accepted probability of a wrong decision, above 0 and below 0.5: `conforms` if
        `p_conform >= 1 - risk`, `does_not_conform` if `p_unsafe` or `p_nuisance` is, else
        `undecided`.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        The verdicts table: the setpoints with probabilities, verdict, limits and rule, a row a
        test. Without a setpoint or a rating the verdict is null and `status` says why; `reason`
        names the switch or the cell to mend where one is known.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type, or a switch stands in two rows.
    DeadbandError
        `risk` is out of range.

    Examples
    --------
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": ["t1"],
    ...         "switch_id": ["s1"],
    ...         "close_pa": [70.0],
    ...         "close_u_pa": [0.5],
    ...         "open_pa": [50.0],
    ...         "open_u_pa": [0.5],
    ...     }
    ... )
    >>> switches = pl.DataFrame({"switch_id": ["s1"], "rated_pa": [60.0], "action": ["fall"]})
    >>> found = judge(points, switches).row(0, named=True)
    >>> found["verdict"], round(found["p_unsafe"], 3), found["limit_low_pa"]
    ('does_not_conform', 1.0, 54.0)
    """
    rows = validate_setpoints(lazy(points, "setpoints"))
    rated = validate_switches(lazy(switches, "switches"))
    need_unique(rated, "switch_id", "switches")
    found = plugin("judge", ["action", *_POINTS, "rated_pa", "tolerance"], {"risk": risk})
    tested = pl.col("status").fill_null("ok") == "ok"
    verdicts = (
        rows.join(rated.select("switch_id", *_RATING), on="switch_id", how="left")
        .with_columns(found.alias("_found"))
        .unnest("_found")
        .with_columns(
            status=pl.when(~tested)
            .then("status")
            .when(~pl.col("action").is_in(["fall", "rise"]))
            .then(pl.lit("bad_value"))
            .otherwise("verdict_status")
        )
        .drop(*_RATING[1:], "verdict_status")
    )
    told = with_rating_reasons(_with_findings(verdicts, findings), rated)
    return like(told.drop("action").sort("test_id"), points)


def _with_findings(verdicts: pl.LazyFrame, findings: FrameLike | None) -> pl.LazyFrame:
    told = validate(
        pl.LazyFrame(schema=dtypes("condition"))
        if findings is None
        else lazy(findings, "condition"),
        "condition",
    )
    sides = {
        "n_findings_unsafe": pl.col("side").is_in(["unsafe", "unknown"]),
        "n_findings_nuisance": pl.col("side") == "nuisance",
    }
    unsafe, flagged = pl.col("side") == "unsafe", pl.col("flagged").fill_null(value=False)
    # The first change is this far from the mean of all of them, itself included.
    shift = pl.col("value") * (1 - 1 / pl.col("n"))
    summed = (
        told.sort("test_id", pl.col("side") == "nuisance", "kind", maintain_order=True)
        .group_by("test_id", maintain_order=True)
        .agg(
            *((flagged & side).sum().cast(pl.Int32).alias(name) for name, side in sides.items()),
            pl.col("sentence").filter(flagged).alias("findings"),
            (flagged & unsafe & (pl.col("kind") == "no_change")).any().alias("_stuck"),
            *(
                shift.filter(flagged & unsafe & (pl.col("kind") == f"sticking_{event}"))
                .first()
                .alias(f"_{event}")
                for event in ("open", "close")
            ),
        )
        .with_columns(
            pl.when(pl.col("findings").list.len() > 0).then(pl.col("findings").list.join(" "))
        )
    )
    stuck = pl.col("_stuck").fill_null(value=False)
    rise = pl.col("action") == "rise"
    closed, opened = pl.col("close_pa") + pl.col("_close"), pl.col("open_pa") + pl.col("_open")
    first = pl.when(rise).then(closed).otherwise(opened)
    conforms = pl.col("verdict") == "conforms"
    sticks = (conforms & (first < pl.col("limit_low_pa"))).fill_null(value=False)
    joined = verdicts.join(summed, on="test_id", how="left").with_columns(
        verdict=pl.when(stuck)
        .then(pl.lit("does_not_conform"))
        .when(sticks)
        .then(pl.lit("undecided"))
        .otherwise("verdict"),
        rule=pl.when(stuck)
        .then(pl.lit(_STUCK))
        .when(sticks)
        .then(pl.col("rule") + _STICKS)
        .otherwise("rule"),
    )
    return joined.select(pl.exclude("_stuck", "_open", "_close", *_FOUND), *_FOUND)
