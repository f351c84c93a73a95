"""Life distributions against published fits, a second implementation and simulated fleets."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from lifelines import LogNormalFitter, WeibullFitter
from scipy.stats import chi2

from deadband import DeadbandError, OptionError, SchemaError
from deadband.life import fit
from deadband.life._likelihood import Likelihood, log_survival, standard_quantile
from deadband.life._limits import Limits
from deadband.life._observed import Observed
from life_fleet import LIVES, dated, inspected, published, table

Reference = Callable[[str], dict[str, Any]]


def value(found: Any, name: str, column: str = "value") -> float:
    return found.parameters.row(by_predicate=pl.col("parameter") == name, named=True)[column]


def cracks(check: dict[str, Any]) -> pl.DataFrame:
    days = [0.0, *check["inputs"]["inspection_days"]]
    rows: list[tuple[float, float | None]] = []
    for low, high, n in zip(days, days[1:], check["inputs"]["cracked_in_interval"], strict=False):
        rows += [(low, high)] * n
    rows += [(days[-1], None)] * check["inputs"]["not_cracked"]
    return pl.DataFrame(rows, schema=LIVES, orient="row")


def test_shock_absorbers(reference: Reference) -> None:
    # Meeker and Escobar (1998), examples 8.1 and 8.2, table C.2; written down from memory.
    check = reference("W01-shock-absorber-weibull")
    told, data = published(check), check["inputs"]
    found = fit(dated(data["km"], data["failed"]))
    assert found.n_failed == told["failures"]
    assert value(found, "scale_years") == told["eta = exp(mu)"]
    assert value(found, "shape") == told["beta = 1/sigma"]
    assert 1.0 / value(found, "shape") == told["sigma"]
    assert value(found, "scale_years", "u") / value(found, "scale_years") == told["se mu"]
    # u(1/sigma) sigma**2
    assert value(found, "shape", "u") / value(found, "shape") ** 2 == told["se sigma"]


def test_fans(reference: Reference) -> None:
    # Nelson (1982), table 3.1; written down from memory. Half a unit of the mean that is printed.
    check = reference("W03-nelson-fan")
    told, data = published(check), check["inputs"]
    lives = dated(data["hours"], data["status"])
    found = fit(lives, distribution="exponential")
    assert (found.n, found.n_failed) == (told["units"], told["failures"])
    assert lives["low_years"].sum() == told["total hours"]
    assert value(found, "mean_years") == told["exponential mean"]
    # Exact limits: 2 T / mean is chi-square with 2 r degrees of freedom, up to where it was ended.
    low = 2.0 * 344440.0 / chi2.ppf(0.975, 2 * 12 + 2)
    high = 2.0 * 344440.0 / chi2.ppf(0.025, 2 * 12)
    assert low < value(found, "mean_years", "low") < 1.1 * low
    assert 0.85 * high < value(found, "mean_years", "high") < high


def test_regression_of_lives(reference: Reference) -> None:
    # tests/r_lung.Rout.save of R's survival, survreg.
    check = reference("W04-lung-weibull")
    told, data = published(check), check["inputs"]
    lives = dated(data["time"], data["status01"])
    alone = fit(lives)
    assert np.log(value(alone, "scale_years")) == told["intercept only: mu"]
    assert 1.0 / value(alone, "shape") == told["intercept only: sigma"]
    assert alone.log_likelihood == told["loglik"]
    more = lives.with_columns(
        pl.Series(name, data[name], dtype=pl.Float64, strict=False)
        for name in ("sex", "age", "ph_ecog")
    )
    names = ["sex", "age", "ph_ecog"]
    found = fit(more, covariates=names, at=dict.fromkeys(names, 0.0), quantiles=[])
    assert np.log(value(found, "scale_years")) == told["regression intercept"]
    assert value(found, "sex") == told["sex"]
    assert value(found, "age") == told["age"]
    assert value(found, "ph_ecog") == told["ph.ecog"]
    assert 1.0 / value(found, "shape") == told["sigma"]
    assert found.log_likelihood == told["regression loglik"]
    assert found.n_left_out == 1  # of one the state is not known


def test_two_treatments(reference: Reference) -> None:
    # Gehan (1965), data of Freireich, Weibull regression; written down from memory.
    check = reference("W11-gehan-km-logrank")
    told, data = published(check), check["inputs"]
    lives = dated(data["time"], data["status"]).with_columns(
        control=pl.Series([treat == "control" for treat in data["treat"]])
    )
    found = fit(lives, covariates=["control"], at={"control": 0.0}, quantiles=[])
    assert value(found, "control") == told["Weibull coefficient (control)"]
    assert np.log(value(found, "scale_years")) == told["Weibull intercept (6-MP)"]
    assert 1.0 / value(found, "shape") == told["Weibull sigma"]


def test_motor_insulation(reference: Reference) -> None:
    # SAS LIFEREG, example 1, as in tests/r_sas.Rout.save of R's survival (data of Nelson 1990).
    check = reference("W06-imotor-arrhenius-lognormal")
    told, data = published(check), check["inputs"]
    kelvin = 1000.0 / (273.2 + np.array(data["temp_C"]))
    lives = dated(data["time"], data["status"]).with_columns(x=kelvin)

    def at(x: float) -> Any:
        return fit(lives, distribution="lognormal", covariates=["x"], at={"x": x},
                   quantiles=[0.1, 0.5, 0.9])  # fmt: skip

    zero = at(0.0)
    median = value(zero, "median_years")
    assert np.log(median) == told["intercept"]
    assert value(zero, "median_years", "u") / median == told["se intercept"]
    assert value(zero, "x") == told["slope on 1000/K"]
    assert value(zero, "x", "u") == told["se slope"]
    assert value(zero, "log_sd") == told["sigma"]
    assert np.log(value(zero, "log_sd")) == told["log sigma"]
    assert value(zero, "log_sd", "u") / value(zero, "log_sd") == told["se log sigma"]
    assert zero.log_likelihood == told["loglik"]
    for celsius in (130, 150):
        found = at(1000.0 / (273.2 + celsius))
        for share, years in found.quantiles.select("share_failed", "years").rows():
            assert years == told[f"quantile {share} at {celsius} C"]
            if celsius == 130:
                towards = np.array([1.0, 0.0, standard_quantile("lognormal", share)])
                towards[-1] *= value(found, "log_sd")
                u = np.sqrt(towards @ found.limits.covariance @ towards)
                assert u == told[f"se log quantile {share} at 130 C"]


@pytest.mark.parametrize("kilovolt", ["26", "30", "34", "38"])
def test_insulating_fluid(reference: Reference, kilovolt: str) -> None:
    # SAS RELIABILITY as in tests/r_sas.Rout.save of R's survival (data of Nelson).
    check = reference("W07-insulating-fluid-weibull")
    told, minutes = published(check), check["inputs"]["minutes_by_kV"][kilovolt]
    found = fit(dated(minutes, [1] * len(minutes)))
    scale, shape = value(found, "scale_years"), value(found, "shape")
    assert np.log(scale) == told[f"{kilovolt} kV mu"]
    assert 1.0 / shape == told[f"{kilovolt} kV sigma"]
    assert scale == told[f"{kilovolt} kV eta"]
    assert shape == told[f"{kilovolt} kV beta"]
    if kilovolt == "30":
        assert value(found, "scale_years", "u") / scale == told["30 kV se mu"]
        u = value(found, "shape", "u") / shape
        assert u / shape == told["30 kV se sigma"]
        assert np.exp(-1.959964 * u) / shape == told["30 kV sigma lower (log-scale Wald)"]
        assert np.exp(1.959964 * u) / shape == told["30 kV sigma upper"]


def test_cracked_parts(reference: Reference) -> None:
    # SAS RELIABILITY, Nelson (1982), as in tests/r_sas.Rout.save of R's survival.
    check = reference("W08-turbine-cracks-interval-weibull")
    told = published(check)
    shares = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.8]
    found = fit(cracks(check), quantiles=shares)
    assert np.log(value(found, "scale_years")) == told["mu"]
    assert value(found, "scale_years", "u") / value(found, "scale_years") == told["se mu"]
    assert -np.log(value(found, "shape")) == told["log sigma"]
    assert value(found, "shape", "u") / value(found, "shape") == told["se log sigma"]
    assert found.log_likelihood == told["loglik"]
    for share, years in found.quantiles.select("share_failed", "years").rows():
        assert years == told[f"quantile {share}"]


def test_ten_of_twenty(reference: Reference) -> None:
    # NIST/SEMATECH e-Handbook, 8.2.2.1 and 8.4.1.2; written down from memory.
    check = reference("W10-nist-weibull-censored")
    told, data = published(check), check["inputs"]
    times = [*data["failures"], *data["censored"]]
    found = fit(dated(times, [1] * 10 + [0] * 10))
    assert value(found, "shape") == told["shape"]
    assert value(found, "scale_years") == told["characteristic life"]


@pytest.mark.parametrize("name", ["weibull", "lognormal"])
def test_intervals_as_another_implementation_fits_them(name: str) -> None:
    seen = inspected(np.random.default_rng(11), 60, normal=name == "lognormal")
    found = fit(table(seen), distribution=name)  # type: ignore[arg-type]
    other = (WeibullFitter if name == "weibull" else LogNormalFitter)()
    other.fit_interval_censoring(np.maximum(seen.low, 1e-12), seen.high)
    assert found.log_likelihood == pytest.approx(other.log_likelihood_, abs=1e-4)
    years = 10.0
    assert found.share_failed([years])["share_failed"][0] == pytest.approx(
        1.0 - float(other.predict(years)), abs=1e-3
    )


def test_late_entry_as_another_implementation_fits_it() -> None:
    rng = np.random.default_rng(3)
    whole = inspected(rng, 200, exact=True)
    entry = rng.uniform(0.0, 4.0, 200)
    late = whole.low > entry
    seen = Observed(entry[late], whole.low[late], whole.high[late])
    found = fit(table(seen))
    other = WeibullFitter().fit(seen.low, np.isfinite(seen.high), entry=seen.entry)
    assert value(found, "shape") == pytest.approx(other.rho_, rel=1e-3)
    assert value(found, "scale_years") == pytest.approx(other.lambda_, rel=1e-3)
    # Without it the early failures that nobody saw would be missing.
    blind = fit(table(seen).drop("entry_years"))
    b10 = [one.quantiles.filter(share_failed=0.1)["years"][0] for one in (blind, found)]
    assert b10[0] > 1.2 * b10[1]


@pytest.mark.parametrize("family", ["weibull", "lognormal"])
def test_derivatives(family: Any) -> None:
    entry = np.array([0.0, 0.5, 0.5, 0.0, 1.0, 0.0, 0.2])
    low = np.array([0.0, 1.0, 2.0, 3.0, 2.0, 0.0, 0.7])
    high = np.array([1.0, 1.0, 4.0, np.inf, np.inf, 2.0, 0.9])
    design = np.column_stack([np.ones(7), np.random.default_rng(0).normal(size=7)])
    model = Likelihood(family, Observed(entry, low, high), design)
    theta = np.array([0.4, 0.3, -0.2])
    value_, gradient, hessian = model.at(theta)
    assert np.isfinite(value_)
    steps = 1e-6 * np.eye(3)
    for j, step in enumerate(steps):
        up, down = model.at(theta + step), model.at(theta - step)
        assert gradient[j] == pytest.approx((up[0] - down[0]) / 2e-6, abs=1e-7)
        assert hessian[j] == pytest.approx((up[1] - down[1]) / 2e-6, abs=1e-6)


def test_values_of_many_are_those_of_each() -> None:
    model = Likelihood("weibull", inspected(np.random.default_rng(4), 20), np.ones((20, 1)))
    thetas = np.array([[1.5, -0.5], [2.0, 0.1], [1.0, -1.0]])
    assert model.values(thetas) == pytest.approx([model.at(theta)[0] for theta in thetas])


def test_limits_are_where_the_likelihood_has_fallen() -> None:
    seen = inspected(np.random.default_rng(5), 30)
    found = fit(table(seen), quantiles=[0.1], confidence=0.9)
    limits = found.limits
    assert limits is not None
    allowed = chi2.ppf(0.9, 1) * (1.0 + 0.75 / found.n_failed)
    assert limits.allowed == pytest.approx(allowed)
    z = standard_quantile("weibull", 0.1)
    for end in found.quantiles.select("low_years", "high_years").row(0):
        _, best = limits.model.profile(np.log(end), z, limits.theta)
        assert 2.0 * (limits.value - best) == pytest.approx(allowed, abs=1e-6)


def test_shares_and_quantiles_are_inverse() -> None:
    found = fit(table(inspected(np.random.default_rng(6), 40)), quantiles=[0.2])
    years = found.quantiles["years"][0]
    back = found.share_failed([years]).row(0, named=True)
    assert back["share_failed"] == pytest.approx(0.2)
    # The age that may be too low for the share may be the one at which the share is too high.
    high = found.share_failed([found.quantiles["low_years"][0]])["high"][0]
    assert high == pytest.approx(0.2, abs=1e-6)


def test_other_units_only_rename_the_ages() -> None:
    lives = table(inspected(np.random.default_rng(7), 30))
    one = fit(lives).quantiles.drop("share_failed")
    days = fit(lives.select(pl.all() * 365.0)).quantiles.drop("share_failed")
    assert days.to_numpy() == pytest.approx(365.0 * one.to_numpy(), rel=1e-5)


def test_coverage_of_few_failures() -> None:
    """95 % intervals of B10 and of the shape: 93 to 98 % in lots of 15, tested once a year."""
    rng = np.random.default_rng(20)
    z, held, n = float(standard_quantile("weibull", 0.1)), np.zeros(2), 0
    truth = np.log(5.0) + 0.5 * z
    for _ in range(250):
        seen = inspected(rng, 15)
        if seen.n_failed < 3:
            continue
        model = Likelihood("weibull", seen, np.ones((15, 1)))
        limits = Limits(model, *model.maximum(), 0.95)
        costs = [
            limits.value - model.profile(truth, z, limits.theta)[1],
            limits.value - model.profile_parameter(1, np.log(0.5), limits.theta)[1],
        ]
        held += 2.0 * np.array(costs) <= limits.allowed
        n += 1
    # Chance leaves 0.014 of a share of 0.95 among 250.
    assert n > 240
    assert (held / n > 0.92).all()
    assert (held / n < 0.99).all()


def test_no_failures_give_a_limit_only() -> None:
    lives = dated([3.0, 4.0, 5.0], [0, 0, 0])
    assert fit(lives).status == "too_few_failures"
    found = fit(lives, shape=2.0, quantiles=[0.1])
    assert found.status == "no_failures"
    # As long as they all live with a chance of 5 %: sum t**2 / eta**2 = -log 0.05 (Nelson 1985).
    eta = np.sqrt(50.0 / -np.log(0.05))
    row = found.parameters.row(by_predicate=pl.col("parameter") == "scale_years", named=True)
    assert row["low"] == pytest.approx(eta)
    assert (row["value"], row["high"]) == (None, None)
    b10 = eta * np.sqrt(-np.log(0.9))
    assert found.quantiles.row(0) == (0.1, None, pytest.approx(b10), None)
    assert found.share_failed([b10]).row(0) == (b10, None, 0.0, pytest.approx(0.1))


def test_one_failure_with_a_stated_shape() -> None:
    found = fit(dated([2.0, 4.0, 5.0], [1, 0, 0]), shape=2.0)
    assert found.status == "stated_shape"
    assert value(found, "scale_years") == pytest.approx(np.sqrt(45.0))
    assert value(found, "shape", "low") == value(found, "shape", "high") == 2.0
    assert value(found, "scale_years", "low") < 6.7 < value(found, "scale_years", "high")


def test_failures_that_fit_ever_steeper_lives() -> None:
    alike = pl.DataFrame({"low_years": [1.0] * 4, "high_years": [2.0] * 4})
    found = fit(alike)
    assert found.status == "no_maximum"
    assert found.parameters.is_empty()
    assert found.quantiles["years"].null_count() == found.quantiles.height
    assert found.share_failed([1.5]).row(0)[1:] == (None, None, None)


@pytest.mark.parametrize("stated", [{}, {"shape": 2.0}, {"distribution": "exponential"}])
def test_nothing_was_ever_sound(stated: dict[str, Any]) -> None:
    lives = pl.DataFrame({"low_years": [0.0] * 5, "high_years": [1.0, 2.0, 1.0, 3.0, 1.5]})
    found = fit(lives, **stated)
    assert found.status == "no_maximum"
    assert found.quantiles["years"].null_count() == found.quantiles.height


def test_survivors_that_were_never_seen_again_tell_nothing() -> None:
    lives = pl.DataFrame({"low_years": [0.0, 0.0], "high_years": [None, None]}).cast(pl.Float64)
    assert fit(lives, shape=2.0).status == "no_lives"


@pytest.mark.parametrize("n", [0, 1, 2])
def test_few_lives(n: int) -> None:
    found = fit(dated([1.0, 2.0][:n], [1, 1][:n]))
    assert found.status == ("too_few_failures" if n else "no_lives")
    assert (found.aic, found.n) == (None, n)


def test_bad_rows_are_counted_and_left_out() -> None:
    good = table(inspected(np.random.default_rng(8), 30)).with_columns(status=pl.lit("ok"))
    bad = pl.DataFrame(
        {
            "entry_years": [0.0, 0.0, 0.0, 5.0, 0.0],
            "low_years": [None, float("nan"), 3.0, 1.0, 1.0],
            "high_years": [1.0, 2.0, 2.0, 4.0, None],
            "status": ["ok", "ok", "ok", "ok", "no_tests"],
        }
    )
    found = fit(pl.concat([good, bad]))
    assert found.n_left_out == 5
    assert found.parameters.equals(fit(good).parameters)


def test_plot_positions_are_halfway_up_the_jumps() -> None:
    points = fit(dated([1.0, 2.0, 3.0, 4.0], [1, 1, 1, 0])).points
    assert points["share_failed"].to_list() == pytest.approx([0.125, 0.375, 0.625])


def test_far_ages_make_no_noise() -> None:
    found = fit(table(inspected(np.random.default_rng(10), 40)))
    far = found.share_failed([1e-6, 1e6])
    assert far["share_failed"].to_list() == pytest.approx([0.0, 1.0], abs=1e-6)
    assert np.isfinite(log_survival("lognormal", np.array([30.0])))[0]


def test_refusals() -> None:
    lives = dated([1.0, 2.0, 3.0], [1, 1, 1])
    with pytest.raises(OptionError, match="option distribution"):
        fit(lives, distribution="gamma")  # type: ignore[arg-type]
    with pytest.raises(OptionError, match="option shape"):
        fit(lives, distribution="best", shape=2.0)
    with pytest.raises(OptionError, match="option shape"):
        fit(lives, shape=-2.0)
    with pytest.raises(OptionError, match="option quantiles"):
        fit(lives, quantiles=[10.0])
    with pytest.raises(OptionError, match="option at"):
        fit(lives, at={"x": 1.0})
    with pytest.raises(SchemaError, match="column x"):
        fit(lives, covariates=["x"])
    with pytest.raises(SchemaError, match="column high_years"):
        fit(lives.drop("high_years"))
    with pytest.raises(SchemaError, match="column low_years"):
        fit(lives.with_columns(low_years=pl.lit("a")))
    with pytest.raises(DeadbandError, match="option covariates"):
        fit(lives.with_columns(x=1.0), covariates=["x"])
    with pytest.raises(OptionError, match="option years"):
        fit(lives).share_failed([0.0])
