"""Why a test has no verdict, in words that name the row to mend."""

from __future__ import annotations

import polars as pl

_NO_GAUGE = (
    "the test names no gauge, and the lag of one test is seldom told by it alone; name the gauge "
    "in the column gauge_id, so that its tests are taken together or its stated lag is known"
)


def with_rating_reasons(verdicts: pl.LazyFrame, switches: pl.LazyFrame) -> pl.LazyFrame:
    """Verdicts with `reason`: why the switch gave no rating, or that no gauge is named.

    Null where there is a verdict, and where the status says it all.

    Parameters
    ----------
    verdicts
        Rows of the verdicts table.
    switches
        The switches table.

    Examples
    --------
    >>> verdicts = pl.LazyFrame(
    ...     {
    ...         "switch_id": ["s2"],
    ...         "gauge_id": ["g"],
    ...         "status": ["missing_value"],
    ...         "open_pa": [6.0],
    ...         "close_pa": [7.0],
    ...         "verdict": [None],
    ...     }
    ... )
    >>> switches = pl.LazyFrame({"switch_id": ["S2"], "reason": [None]})
    >>> print(with_rating_reasons(verdicts, switches).collect()["reason"].item())
    switch_id 's2' is not in the switches table, which has 'S2'; write the same id in both
    """
    known = switches.filter(pl.col("switch_id").is_not_null())
    told = known.select("switch_id", _told="reason", _listed=pl.lit(value=True))
    folded = (
        known.select(_fold(), _like="switch_id")
        .group_by("_folded")
        .agg(pl.col("_like").sort().first())
    )
    id_ = pl.col("switch_id")
    stranger = pl.format("switch_id '{}' is not in the switches table", "switch_id")
    absent = (
        pl.when(id_.is_null())
        .then(pl.lit("the test names no switch; fill in the column switch_id"))
        .when(pl.col("_like").is_not_null())
        .then(pl.format("{}, which has '{}'; write the same id in both", stranger, pl.col("_like")))
        .otherwise(pl.format("{}; add it", stranger))
    )
    # A setpoint that is there and not judged lacks its rating.
    unrated = pl.any_horizontal(pl.col("close_pa", "open_pa").is_not_null()) & pl.col(
        "status"
    ).is_in(["missing_value", "bad_value"])
    nameless = (pl.col("status") == "lag_unidentified") & pl.col("gauge_id").is_null()
    return (
        verdicts.with_columns(_fold())
        .join(told, on="switch_id", how="left", maintain_order="left")
        .join(folded, on="_folded", how="left", maintain_order="left")
        .with_columns(
            reason=pl.when(pl.col("verdict").is_not_null())
            .then(pl.lit(None, dtype=pl.String))
            .when(unrated & pl.col("_listed").is_null())
            .then(absent)
            .when(unrated)
            .then("_told")
            .when(nameless)
            .then(pl.lit(_NO_GAUGE))
        )
        .drop("_told", "_listed", "_folded", "_like")
    )


def _fold() -> pl.Expr:
    """An id without what is easily mistyped: letter case, blanks, hyphens."""
    return pl.col("switch_id").str.to_lowercase().str.replace_all(r"[\s_.-]", "").alias("_folded")


def with_causes(verdicts: pl.DataFrame, lags: pl.DataFrame, tests: pl.LazyFrame) -> pl.DataFrame:
    """Verdicts whose `reason` also says what went wrong before: a file unread, a lag unknown.

    Parameters
    ----------
    verdicts
        The verdicts table.
    lags
        The lags table.
    tests
        The recordings; `read_error` is looked up where it is there, for tests without a verdict
        alone.

    Examples
    --------
    >>> verdicts = pl.DataFrame(
    ...     {
    ...         "test_id": ["t"],
    ...         "gauge_id": ["g"],
    ...         "status": ["missing_value"],
    ...         "verdict": [None],
    ...         "reason": [None],
    ...     },
    ...     schema_overrides={"reason": pl.String},
    ... )
    >>> tests = pl.LazyFrame({"test_id": ["t"], "read_error": ["t.csv: the file is empty"]})
    >>> lags = pl.DataFrame({"gauge_id": ["g"]})
    >>> with_causes(verdicts, lags, tests)["reason"].item()
    't.csv: the file is empty'
    """
    result = verdicts
    if "reason" in lags.columns:
        # A lag that is used may have a reason to doubt it.
        lost = pl.col("status").ne_missing("ok") if "status" in lags.columns else pl.lit(value=True)
        cause = lags.filter(pl.col("gauge_id").is_not_null() & lost).select(
            "gauge_id", _cause="reason"
        )
        unknown = (
            pl.col("status").is_in(["lag_unidentified", "bad_value"]) & pl.col("reason").is_null()
        )
        result = (
            result.join(cause, on="gauge_id", how="left", maintain_order="left")
            .with_columns(reason=pl.when(unknown).then("_cause").otherwise("reason"))
            .drop("_cause")
        )
    failed = result.filter(pl.col("status") == "missing_value")["test_id"].drop_nulls().unique()
    if failed.is_empty() or "read_error" not in tests.collect_schema():
        return result
    errors = (
        tests.filter(pl.col("test_id").is_in(failed.implode()))
        .select("test_id", "read_error")
        .collect()
        .filter(pl.col("read_error").is_not_null())
        .unique("test_id", keep="first", maintain_order=True)
    )
    return (
        result.join(errors, on="test_id", how="left", maintain_order="left")
        .with_columns(
            reason=pl.when(pl.col("status") == "missing_value")
            .then(pl.coalesce("read_error", "reason"))
            .otherwise("reason")
        )
        .drop("read_error")
    )
