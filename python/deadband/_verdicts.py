"""Whether each switch conforms to its rating, how sure that is, and on which side it errs."""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from ._frames import FrameLike, lazy, like, need_unique, plugin
from ._reasons import with_rating_reasons
from .schema import validate_setpoints, validate_switches

_POINTS: Final = ("close_pa", "close_u_pa", "close_dof", "open_pa", "open_u_pa", "open_dof")
_RATING: Final = ("action", "rated_pa", "tolerance")


def judge(points: FrameLike, switches: FrameLike, *, risk: float = 0.05) -> Any:
    """Judge the rated event of every test against the switch's tolerance (JCGM 106).

    The rated event is the open setpoint for action `fall`, the close setpoint for `rise`; its
    limits are `rated_pa * (1 -+ tolerance)`. `p_unsafe` is the probability that it lies below the
    lower limit, where draft is proved that is not there; `p_nuisance` that it lies above the upper
    one; `p_conform` that it lies between, from Student's t about the setpoint.

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
        .drop(*_RATING, "verdict_status")
    )
    return like(with_rating_reasons(verdicts, rated).sort("test_id"), points)
