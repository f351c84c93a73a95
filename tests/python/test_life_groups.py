"""A fit for each lot: as one by one, with a status for those that cannot be fitted."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from lifelines import WeibullFitter

from deadband import DeadbandError, OptionError, SchemaError
from deadband.life import LifeFits, fit, fit_groups, returns
from life_fleet import dated, inspected, table


def lots() -> pl.DataFrame:
    """Three lots that can be fitted, and one each without enough failures, any, or usable rows."""
    rng = np.random.default_rng(21)
    good = [
        table(inspected(rng, 30, scale=scale, exact=True)).with_columns(lot=pl.lit(lot))
        for lot, scale in (("b", 4.0), ("a", 6.0), ("c", 3.0))
    ]
    few = dated([1.0, 2.0, 3.0], [1, 0, 1]).with_columns(lot=pl.lit("few"))
    none = dated([4.0, 5.0], [0, 0]).with_columns(lot=pl.lit("none"))
    odd = dated([-1.0], [1]).with_columns(lot=pl.lit("odd"))
    nameless = dated([1.0], [1]).with_columns(lot=pl.lit(None, pl.String))
    return pl.concat([*good, few, none, odd, nameless], how="diagonal")


STATUS = {
    "a": "ok", "b": "ok", "c": "ok", "few": "too_few_failures", "none": "too_few_failures",
    "odd": "no_lives",
}  # fmt: skip


@pytest.fixture(scope="module")
def fitted() -> LifeFits:
    return fit_groups(lots(), quantiles=[0.1])


def test_each_lot_as_if_it_were_alone(fitted: LifeFits) -> None:
    given, found = lots(), fitted
    assert dict(found.groups.select("lot", "status").rows()) == STATUS
    assert list(found.fits) == list(STATUS)
    assert found.n_nameless == 1
    ages = found.share_failed([3.0])
    for lot in STATUS:
        alone = fit(given.filter(lot=lot), quantiles=[0.1])
        mine = found.quantiles.filter(lot=lot)
        assert mine.select(alone.quantiles.columns).equals(alone.quantiles)
        assert mine.select("n", "n_failed", "status").row(0) == (
            alone.n, alone.n_failed, alone.status,
        )  # fmt: skip
        parameters = found.parameters.filter(lot=lot).drop("lot")
        assert parameters.equals(alone.parameters)
        told = alone.share_failed([3.0])
        assert ages.filter(lot=lot).select(told.columns).equals(told)
        row = found.groups.row(by_predicate=pl.col("lot") == lot, named=True)
        assert row["n_left_out"] == alone.n_left_out == (lot == "odd")
        assert row["distribution"] == alone.distribution


def test_a_second_implementation_of_each_lot(fitted: LifeFits) -> None:
    given, found = lots(), fitted.quantiles
    for lot in "abc":
        mine = given.filter(lot=lot)
        ended = mine["high_years"].is_not_null()
        other = WeibullFitter().fit(mine["low_years"].to_numpy(), ended.to_numpy())
        assert found.filter(lot=lot)["years"].item() == pytest.approx(
            other.percentile(0.9), rel=1e-4
        )


def test_the_earliest_tenth_comes_of_the_worst_lot(fitted: LifeFits) -> None:
    tenth = fitted.quantiles.drop_nulls("years")
    assert tenth.sort("years")["lot"].to_list() == ["c", "b", "a"]
    assert (tenth["low_years"] < tenth["years"]).all()
    assert (tenth["years"] < tenth["high_years"]).all()


def test_a_stated_shape_tells_of_lots_with_few_failures() -> None:
    found = fit_groups(lots(), shape=2.0, quantiles=[0.1])
    status = dict(found.groups.select("lot", "status").rows())
    assert status == dict.fromkeys("abc", "stated_shape") | {
        "few": "stated_shape", "none": "no_failures", "odd": "no_lives",
    }  # fmt: skip
    row = found.quantiles.row(by_predicate=pl.col("lot") == "none", named=True)
    assert row["years"] is None
    # Of Weibull lives without a failure: sum(t**2) / -log(0.05), and B10 of that scale.
    scale = np.sqrt((4.0**2 + 5.0**2) / -np.log(0.05))
    assert row["low_years"] == pytest.approx(scale * np.sqrt(-np.log(0.9)))


def test_groups_of_several_columns_and_of_numbers() -> None:
    given = lots().with_columns(
        model=pl.Series(["x", "y"] * (lots().height // 2) + ["x"] * (lots().height % 2)),
        rated_pa=pl.when(lot="b").then(60.0).otherwise(110.0),
    )
    pair = fit_groups(given, by=["model", "lot"], shape=2.0, quantiles=[0.1])
    assert pair.groups.columns[:2] == ["model", "lot"]
    alone = fit(given.filter(model="y", lot="b"), shape=2.0, quantiles=[0.1])
    assert pair.fits["y", "b"].quantiles.equals(alone.quantiles)
    assert (
        pair.groups["n"].sum() + pair.groups["n_left_out"].sum() + pair.n_nameless == given.height
    )
    rated = fit_groups(given, by="rated_pa", shape=2.0, quantiles=[0.1])
    assert rated.quantiles["rated_pa"].to_list() == [60.0, 110.0]
    listed = fit_groups(given, by=["lot"], shape=2.0, quantiles=[])
    assert listed.groups["lot"].to_list() == list(STATUS)
    assert list(listed.fits) == [(lot,) for lot in STATUS]


def test_covariates_have_one_value_for_all_lots() -> None:
    number = pl.int_range(pl.len()).cast(pl.Float64) % 7
    given = lots().with_columns(x=pl.when(lot="b").then(1.0).otherwise(number))
    found = fit_groups(given, covariates=["x"], quantiles=[0.1])
    usable = given.filter(pl.col("lot").is_not_null(), pl.col("low_years") >= 0.0)
    mean = usable["x"].mean()
    alone = fit(given.filter(lot="c"), covariates=["x"], at={"x": mean}, quantiles=[0.1])
    told = found.fits["c"].quantiles["years"].item()
    assert told == pytest.approx(alone.quantiles["years"].item())
    # A lot in which it does not vary has a status; alone that is an error.
    status = dict(found.groups.select("lot", "status").rows())
    assert status == STATUS | {"b": "covariates_alike"}
    with pytest.raises(DeadbandError, match="option covariates"):
        fit(given.filter(lot="b"), covariates=["x"])


def test_what_is_made_of_each_fit(fitted: LifeFits) -> None:
    given = lots().with_columns(age_years=pl.when(pl.col("high_years").is_null()).then("low_years"))
    ahead = {
        lot: returns(one, given.filter(lot=lot), months=1, draws=100)
        for lot, one in fitted.fits.items()
    }
    assert ahead["few"]["status"].unique().to_list() == ["too_few_failures"]
    assert ahead["c"]["expected"][-1] > 0.0


def test_nothing_to_fit() -> None:
    nameless = lots().with_columns(lot=pl.lit(None, pl.String))
    for none, height in ((lots().head(0), 0), (nameless, lots().height)):
        found = fit_groups(none)
        assert (found.fits, found.n_nameless) == ({}, height)
        for made in (found.groups, found.quantiles, found.parameters, found.share_failed([1.0])):
            assert made.is_empty()
            assert made.columns[0] == "lot"


def test_refusals(fitted: LifeFits) -> None:
    given = lots()
    for wrong in (None, "n", "years", "status", "low_years", [], 3):
        with pytest.raises(OptionError, match="option by"):
            fit_groups(given, by=wrong)  # type: ignore[arg-type]
    with pytest.raises(OptionError, match="option distribution"):
        fit_groups(given, distribution="gamma")  # type: ignore[arg-type]
    with pytest.raises(OptionError, match="option at"):
        fit_groups(given, at={"x": 1.0})
    with pytest.raises(SchemaError, match="column model"):
        fit_groups(given, by=["lot", "model"])
    with pytest.raises(OptionError, match="option years"):
        fitted.share_failed([0.0])
