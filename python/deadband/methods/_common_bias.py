"""The error of a bias, told to the verbs that know what tests have in common."""

from __future__ import annotations

from typing import Final, NamedTuple

import polars as pl

from .._columns import need_columns
from .._errors import SchemaError, check_option
from .._frames import FrameLike, lazy
from .._history import Setpoint
from ..schema import dtypes, validate_gauges, validate_setpoints

_KEPT: Final = ("method_corrected", "correction")


class CommonBias(NamedTuple):
    """Setpoints and gauges for `drift` and `growth`.

    Attributes
    ----------
    points
        corrected setpoints, those with one bias under one `gauge_id`.
    gauges
        a row for each of these ids, and those that were given.

    Examples
    --------
    >>> CommonBias(pl.DataFrame(), pl.DataFrame()).gauges.height
    0
    """

    points: pl.DataFrame
    gauges: pl.DataFrame


def common_bias(
    points: FrameLike,
    found: FrameLike,
    gauges: FrameLike | None = None,
    *,
    event: Setpoint = "open",
) -> CommonBias:
    """Corrected setpoints whose error of the bias `drift` and `growth` know as a common one.

    These verbs take the errors that tests with one gauge share out of each test's own uncertainty
    and put them into the line as one. Tests with one bias taken out share its error the same way:
    they get a gauge of their own, `bias of pinch`, whose limits of accuracy are `sqrt(3)` standard
    uncertainties of the bias. Of a relative bias they go with the value and not with the rating,
    which differs by as much as the switch is off. What such tests share with others that were made
    with the same instrument is no longer told: the study's bias was found against these.

    Parameters
    ----------
    points
        what `corrected` returned.
    found
        what `method_error` returned.
    gauges
        the gauges table, for the other tests.
    event
        which setpoint is followed: its bias is the one that is told.

    Returns
    -------
    CommonBias

    Raises
    ------
    SchemaError
        `points` were not corrected, a column is missing, or a gauge has such a name already.
    OptionError
        an unknown event.

    Examples
    --------
    >>> points = pl.DataFrame(
    ...     {
    ...         "test_id": ["1"], "switch_id": ["a"], "gauge_id": ["G1"], "method": ["pinch"],
    ...         "open_pa": [60.0], "open_u_pa": [0.5], "close_pa": [None], "close_u_pa": [None],
    ...         "method_corrected": ["pinch"],
    ...     }
    ... )
    >>> found = pl.DataFrame(
    ...     {"method": ["pinch"], "event": ["open"], "bias_u_pa": [0.3], "status": ["ok"]}
    ... )
    >>> known = common_bias(points, found)
    >>> known.points["gauge_id"][0], round(known.gauges["accuracy_abs_pa"][0], 3)
    ('bias of pinch', 0.52)
    """  # fmt: skip
    check_option("event", event, ["open", "close"])
    advice = "give what corrected returned"
    given = need_columns(lazy(points, "setpoints"), ["method_corrected"], "setpoints", advice)
    told = lazy(found, "found")
    need_columns(told, ("method", "event", "status"), "found", "give what method_error returned")
    names = told.collect_schema().names()
    told = told.filter((pl.col("status") == "ok") & (pl.col("event") == event))
    by_operator = "operator_id" in names
    label = _label("method", by_operator=by_operator)
    limits = [
        (pl.col(column) * 3.0**0.5 if column in names else pl.lit(0.0)).fill_null(0.0).alias(limit)
        for column, limit in (("bias_u_rel", "accuracy_rel"), ("bias_u_pa", "accuracy_abs_pa"))
    ]
    made = told.select(label.alias("gauge_id"), *limits, resolution_pa=pl.lit(0.0)).collect()
    own = validate_gauges(made.lazy()).collect()
    if gauges is not None:
        stated = validate_gauges(lazy(gauges, "gauges")).collect()
        for name in stated["gauge_id"]:
            if name in set(own["gauge_id"]):
                raise SchemaError(
                    "duplicate_id", f"{name} is the name that the common error gets",
                    column="gauge_id", table="gauges",
                    advice="rename that gauge, or give the gauges without those of common_bias",
                )  # fmt: skip
        own = pl.concat([stated, own])
    rows = validate_setpoints(given, keep=_KEPT)
    shared = _label("method_corrected", by_operator=by_operator)
    # Of the other event alone a test may be corrected: of this one it shares what it did before.
    moved = shared.is_in(made["gauge_id"].to_list())
    relabelled = rows.with_columns(gauge_id=pl.when(moved).then(shared).otherwise("gauge_id"))
    return CommonBias(relabelled.collect(), own.select(dtypes("gauges").names()))


def _label(method: str, *, by_operator: bool) -> pl.Expr:
    whole = pl.lit("bias of ") + pl.col(method)
    if by_operator:
        whole = whole + pl.lit(" by ") + pl.col("operator_id").fill_null("none")
    return whole
