"""The lags of a gauge by several routes made one."""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from ._core import tables
from ._errors import DeadbandError
from ._estimate import Lag
from ._frames import FrameLike, lazy, like, plugin
from .schema import validate_lags

_COLUMNS: Final = tuple(name for name, _ in tables()["lags"])
_KEPT: Final = ("n_events", "repeatability_pa", "between_tests_pa", "hold_s")
#: What is said of a lag that a stated one below zero is part of.
EARLY: Final = (
    "a lag below zero is stated: no gauge shows a pressure before it is there; is the sign wrong, "
    "or is it the lag behind the contact?"
)
_POOLED: Final = tuple(name for name in _COLUMNS if name not in (*_KEPT, "source", "reason"))


def pooled(routes: list[pl.Expr], behind: pl.Expr, contact_delay: Lag | None) -> pl.Expr:
    """An expression that pools routes; a struct with the columns of the lags table.

    Parameters
    ----------
    routes
        lists of lag, its uncertainty and degrees of freedom, time constant and its uncertainty.
    behind
        a list of what each route's lag is behind.
    contact_delay
        delay of the contact meter; None: not known.

    Examples
    --------
    >>> frame = pl.DataFrame({"lag": [[0.3, 0.5]], "u": [[0.1, 0.1]], "behind": [["contact"] * 2]})
    >>> nothing = pl.lit([None, None], dtype=pl.List(pl.Float64))
    >>> of = pooled([pl.col("lag"), pl.col("u"), *[nothing] * 3], pl.col("behind"), None)
    >>> round(frame.select(of.struct.field("lag_s")).item(), 9)
    0.4
    """
    known: tuple[float | None, ...] = (None,) * 3
    if contact_delay is not None:
        known = (contact_delay.lag_s, contact_delay.u, contact_delay.dof)
    delay = [pl.lit(value, dtype=pl.Float64) for value in known]
    return plugin("combine_lags", [*routes, behind, *delay])


def before_its_time() -> pl.Expr:
    """Whether a lag behind the pressure is stated below zero, or surely found there.

    Behind the contact it may be: where the contact meter is slower than the gauge.

    Examples
    --------
    >>> frame = pl.DataFrame({"lag_s": [-0.4, -0.01, 0.4], "lag_u_s": 0.02, "behind": "pressure"})
    >>> frame.with_columns(source=pl.lit("step")).select(before_its_time()).to_series().to_list()
    [True, False, False]
    """
    surely = pl.col("lag_s") < -2.0 * pl.col("lag_u_s")
    stated = pl.col("source").fill_null("stated") == "stated"
    return (pl.col("behind") == "pressure") & (pl.col("lag_s") < 0.0) & (surely | stated)


def check_delay(contact_delay: Lag | None) -> None:
    """Raise `DeadbandError` where the delay of the contact meter is no `Lag`.

    Examples
    --------
    >>> check_delay(Lag(0.05, u=0.01))
    """
    if contact_delay is not None and not isinstance(contact_delay, Lag):
        raise DeadbandError(
            "wrong_type",
            f"it is a {type(contact_delay).__name__}",
            location="option contact_delay",
            advice="give deadband.Lag(seconds, u=its standard uncertainty)",
        )


def combine_lags(*lags: FrameLike, contact_delay: Lag | None = None) -> Any:
    """Combine what several routes say of each gauge's lag into the lag that setpoints need.

    Setpoints need the lag of the reading behind the contact channel (`behind` is `contact`), as
    `estimate_lag` finds it. A step, a reference channel or a data sheet tell the gauge's own lag
    behind the pressure. The two differ by the delay of the contact meter:
    `lag behind contact = lag behind pressure - contact delay`. With `contact_delay` they are
    pooled, its uncertainty shared by all lags behind the pressure. Without it they are kept apart:
    a gauge with lags behind the contact gets those alone; one without gets a row `behind`
    `pressure`, which `setpoints` takes as if the contact meter had no delay.

    Weights are `1 / (u**2 + between**2)`. `between_routes_s` is zero unless the routes disagree
    (Cochran's Q, or Welch's F where degrees of freedom are few; `p_consistent` below 0.05), then it
    is Paule's and Mandel's, and the uncertainty grows by it; degrees of freedom by Welch and
    Satterthwaite, `k - 1` for the scatter between `k` routes. The time constant is pooled the same
    way over the routes that tell it, the dead time is the rest of the lag: a contact delay lessens
    it.

    Parameters
    ----------
    *lags
        lags tables: `estimate_lag`, `lag_from_step`, `lag_from_reference`, or of your own with
        `gauge_id`, `lag_s`, `lag_u_s` (taken as behind the pressure unless `behind` says otherwise
        or `source` is `rates`). Rows without a lag or an uncertainty are passed over. Rows that are
        alike in every column are one statement and count once. A value that is not finite or an
        uncertainty below zero leaves its gauge `bad_value` and without a lag. A lag behind the
        pressure that is stated below zero, or found below zero by more than twice its uncertainty,
        is used, and `reason` says so.
    contact_delay
        delay of the contact meter with its uncertainty, `Lag(0.0, u=0.0)` for one that is known to
        have none.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        The lags table, a row a gauge, sorted by `gauge_id`; `source` is `pooled` where several
        routes were used, `q`, `p_consistent` and `n_routes` say how they agree.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    DeadbandError
        no table was given, or `contact_delay` is no `Lag`.

    Examples
    --------
    >>> rates = pl.DataFrame({"gauge_id": ["g"], "lag_s": [0.31], "lag_u_s": [0.02]})
    >>> step = rates.with_columns(lag_s=0.4, behind=pl.lit("pressure"))
    >>> rates = rates.with_columns(behind=pl.lit("contact"))
    >>> both = combine_lags(rates, step, contact_delay=Lag(0.08, u=0.01))
    >>> row = both.row(0, named=True)
    >>> row["source"], row["n_routes"], round(row["lag_s"], 3), round(row["p_consistent"], 2)
    ('pooled', 2, 0.314, 0.74)
    """
    if not lags:
        raise DeadbandError("missing_value", "no lags were given", advice="give a lags table")
    check_delay(contact_delay)
    tables_ = [validate_lags(lazy(table, "lags"), keep_nan=True) for table in lags]
    given = pl.concat([table.select("gauge_id", *_COLUMNS) for table in tables_])
    rows = given.unique(maintain_order=True)
    told = (
        pl.when(pl.col("source") == "rates").then(pl.lit("contact")).otherwise(pl.lit("pressure"))
    )
    usable = pl.all_horizontal(pl.col("lag_s", "lag_u_s").is_not_null())
    routes = [
        pl.col(name).filter(usable)
        for name in ("lag_s", "lag_u_s", "dof", "time_constant_s", "time_constant_u_s", "behind")
    ]
    alone = pl.col("_sources").list.len() == 1
    found = (
        rows.with_columns(behind=pl.col("behind").fill_null(told))
        .sort("gauge_id", "behind", "source", "lag_s", "lag_u_s", maintain_order=True)
        .group_by("gauge_id", maintain_order=True)
        .agg(
            *routes,
            pl.col("source").filter(usable).alias("_sources"),
            pl.col("reason").drop_nulls().first().alias("_reason"),
            before_its_time().filter(usable).any().alias("_early"),
            pl.col("n_events").sum(),
            pl.col("repeatability_pa", "between_tests_pa").drop_nulls().first(),
            pl.col("hold_s").max(),
        )
        .with_columns(
            _pooled=pooled(
                [pl.col(e.meta.output_name()) for e in routes[:5]], pl.col("behind"), contact_delay
            )
        )
        .select(
            "gauge_id",
            *_KEPT,
            *(pl.col("_pooled").struct.field(name) for name in _POOLED),
            pl.when(alone)
            .then(pl.col("_sources").list.first())
            .otherwise(pl.lit("pooled"))
            .alias("source"),
            pl.when(pl.col("_pooled").struct.field("lag_s").is_not_null())
            .then(pl.when("_early").then(pl.lit(EARLY)))
            # A row that cannot be goes before one that says why it has no lag.
            .when(pl.col("_sources").list.len() > 0)
            .then(pl.col("_pooled").struct.field("reason"))
            .otherwise(pl.coalesce("_reason", pl.col("_pooled").struct.field("reason")))
            .alias("reason"),
        )
        .select("gauge_id", *_COLUMNS)
    )
    return like(found.sort("gauge_id"), lags[0])
