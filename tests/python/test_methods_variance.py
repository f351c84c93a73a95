"""Variance components against published fits, a second implementation and simulated truth."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.stats import chi2
from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

from deadband import OptionError
from deadband.methods import _variance, variance_components
from deadband.methods._components import Components
from deadband.methods._limits import modified_large_sample
from deadband.methods._mean_squares import Strata

Reference = Callable[[str], dict[str, Any]]
Z = 1.959963984540054


def expected(check: dict[str, Any]) -> dict[str, Any]:
    return {one["name"]: pytest.approx(one.get("value", 0.0), abs=one.get("abs_tol", 0.0))
            for one in check["expected"]}  # fmt: skip


def one_way(check: dict[str, Any]) -> tuple[np.ndarray, list[np.ndarray]]:
    data = check["inputs"]
    return np.array(data["Yield"]), _variance.coded({"Batch": data["Batch"]})


def test_dyestuff(reference: Reference) -> None:
    # lme4, ?Dyestuff and tests/testthat/test-lmer.R (Davies and Goldsmith).
    check = reference("V04-lme4-dyestuff")
    told, (values, codes) = expected(check), one_way(check)
    found = _variance.reml(values, codes)
    assert found.criterion == told["REML criterion"]
    assert np.sqrt(found.variance[0]) == told["sd batch"]
    assert np.sqrt(found.variance[1]) == told["sd residual"]
    assert np.sqrt(found.variance[1]) == told["sigma"]
    assert np.sqrt(found.variance[0] / found.variance[1]) == told["theta"]
    assert found.variance[0] == told["var batch (ANOVA identity)"]
    assert found.mean == told["intercept"]
    assert found.u_mean**2 == told["se^2 of intercept"]
    sums = _variance._Sums.of(values - values.mean(), codes)
    for theta in (0, 1):
        made = _variance._at(sums, np.array([float(theta)])).criterion
        assert made == pytest.approx(check_value(check, f"REML criterion at theta={theta}"), 1e-12)


def check_value(check: dict[str, Any], name: str) -> float:
    return next(one["value"] for one in check["expected"] if one["name"] == name)


def test_dyestuff_of_no_batches(reference: Reference) -> None:
    # lme4, ?Dyestuff (Box and Tiao 1973, 5.1.2): the likelihood is highest at zero.
    check = reference("V05-lme4-dyestuff2-boundary")
    told, (values, codes) = expected(check), one_way(check)
    found = _variance.reml(values, codes)
    assert found.criterion == told["REML criterion"]
    assert found.variance[0] == 0.0
    assert np.sqrt(found.variance[1]) == told["sd residual"]
    assert found.mean == told["mean (test file)"]
    frame = pl.DataFrame({"batch": check["inputs"]["Batch"], "value_pa": values})
    for estimator in ("reml", "anova"):
        row = variance_components(frame, ["batch"], estimator=estimator).row(0, named=True)
        assert (row["status"], row["sd_pa"], row["sd_low_pa"]) == ("at_zero", 0.0, 0.0)
        assert row["sd_high_pa"] > 0.0


def test_penicillin(reference: Reference) -> None:
    # lme4, ?Penicillin: plates and samples cross.
    check = reference("V06-lme4-penicillin")
    data, told = check["inputs"], expected(check)
    found = _variance.reml(
        np.array(data["diameter"]), _variance.coded({k: data[k] for k in ("plate", "sample")})
    )
    assert found.criterion == told["REML criterion"]
    for variance, name in zip(found.variance, ("plate", "sample", "residual"), strict=True):
        assert np.sqrt(variance) == told[f"sd {name}"]
    assert found.mean == told["intercept"]


@pytest.mark.parametrize("which", [1, 2, 3])
def test_days_and_runs(reference: Reference, which: int) -> None:
    # Tests of the R package VCA, reference SAS 9.2 (CLSI EP05 design), printed to six places.
    check = reference(f"V03-nested-ep05-{which}")
    told = expected(check)
    y = np.array(check["inputs"]["y[day][run][rep]"])
    day, run, _ = (index.ravel() for index in np.indices(y.shape))
    frame = pl.DataFrame({"day": day, "run": run, "value_pa": y.ravel()})
    groups = {"day": ["day"], "run": ["day", "run"]}
    for estimator in ("anova", "reml"):
        table = variance_components(frame, groups, estimator=estimator)
        variance = dict(table.select("component", "variance_pa2").iter_rows())
        names = {"day": "day", "run": "run within day", "residual": "error",
                 "total": "total variance"}  # fmt: skip
        for mine, theirs in names.items():
            assert variance[mine] == told[theirs], (estimator, mine)
    row = table.filter(component="residual").row(0, named=True)
    assert row["variance_low_pa2"] == told["error lower"]
    assert row["variance_high_pa2"] == told["error upper"]
    # Their limits of day and run are Wald's, and of the total Satterthwaite's.
    found = _variance.reml(y.ravel(), [day, day * 2 + run])
    se = np.sqrt(np.diag(found.covariance))
    for k, name in enumerate(("day", "run")):
        assert found.variance[k] - Z * se[k] == told[f"{name} lower (Wald)"]
        assert found.variance[k] + Z * se[k] == told[f"{name} upper"]
    total = found.variance.sum()
    dof = 2 * total**2 / found.covariance.sum()
    assert total * dof / chi2.isf(0.025, dof) == told["total lower"]
    assert total * dof / chi2.ppf(0.025, dof) == told["total upper"]


def crossed(
    rng: np.random.Generator, parts: int, operators: int, missing: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Levels of part, operator and cell of two repeats, a share of cells and repeats missing."""
    while True:
        part, operator, _ = (index.ravel() for index in np.indices((parts, operators, 2)))
        cell = part * operators + operator
        gone = rng.choice(parts * operators, round(missing * parts * operators), replace=False)
        kept = ~np.isin(cell, gone) & (rng.random(cell.size) >= missing / 4)
        if len(set(part[kept])) == parts and len(set(operator[kept])) == operators:
            return part[kept], operator[kept], cell[kept]


def test_unbalanced_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(6)
    part, operator, _ = crossed(rng, 7, 4, 0.2)
    y = rng.normal(0, 3, 7)[part] + rng.normal(0, 1, 4)[operator] + rng.normal(0, 0.5, part.size)
    ours = _variance.reml(y, [part, operator])
    plans = [np.eye(7)[part], np.eye(4)[operator]]
    theirs = MixedLM(
        y,
        np.ones((y.size, 1)),
        groups=np.zeros(y.size),
        exog_vc=VCSpec(
            ["p", "o"], [[[*map(str, range(7))]], [[*map(str, range(4))]]], [[one] for one in plans]
        ),
    ).fit(reml=True)
    assert np.sort(ours.variance[:2]) == pytest.approx(np.sort(theirs.vcomp), rel=1e-3)
    assert ours.variance[2] == pytest.approx(theirs.scale, rel=1e-3)


@pytest.mark.parametrize("ratio", [(2.0, 0.4, 0.1), (0.0, 0.4, 0.3), (1.0, 0.0, 0.0)])
def test_taking_the_large_group_out_is_the_whole_likelihood(ratio: tuple[float, ...]) -> None:
    rng = np.random.default_rng(2)
    part, operator, cell = crossed(rng, 6, 3, 0.2)
    cell = np.unique(cell, return_inverse=True)[1]
    codes, y = [operator, cell, part], rng.normal(size=part.size)
    y -= y.mean()
    tables = [np.eye(code.max() + 1)[code] for code in codes]
    parts = [table @ table.T for table in tables]
    whole = np.eye(y.size) + sum(r * one for r, one in zip(ratio, parts, strict=True))
    inverse, one = np.linalg.inv(whole), np.ones(y.size)
    of_mean = one @ inverse @ one
    p = inverse - np.outer(inverse @ one, one @ inverse) / of_mean
    residual = y @ p @ y / (y.size - 1)
    found = _variance._at(_variance._Sums.of(y, codes), np.array(ratio))
    assert found.residual == pytest.approx(residual)
    assert found.mean == pytest.approx(one @ inverse @ y / of_mean)
    dense = np.linalg.slogdet(whole)[1] + np.log(of_mean)
    dense += (y.size - 1) * (1.0 + np.log(2.0 * np.pi * residual))
    assert found.criterion == pytest.approx(dense)
    assert found.traces == pytest.approx([np.trace(p @ each) for each in parts])
    slopes = [np.trace(p @ each) - y @ p @ each @ p @ y / residual for each in parts]
    assert found.gradient == pytest.approx(slopes)
    every = [*parts, np.eye(y.size)]
    traces = [[np.trace(p @ a @ p @ b) for b in every] for a in every]
    sums = _variance._Sums.of(y, codes)
    assert _variance._information(sums, np.array(ratio)) == pytest.approx(np.array(traces))


def test_gradient_is_that_of_the_criterion() -> None:
    rng = np.random.default_rng(1)
    part, operator, cell = crossed(rng, 5, 3, 0.2)
    cell = np.unique(cell, return_inverse=True)[1]
    sums = _variance._Sums.of(rng.normal(size=part.size), [part, operator, cell])
    at = np.array([2.0, 0.4, 0.1])
    for k in range(3):
        step = 1e-5 * np.eye(3)[k]
        up, down = (_variance._at(sums, at + sign * step).criterion for sign in (1, -1))
        told = _variance._at(sums, at).gradient[k]
        assert told == pytest.approx((up - down) / 2e-5, rel=1e-4, abs=1e-5)


def test_limits_of_one_mean_square_are_exact() -> None:
    weights, squares, dof = np.array([2.0, 0.0]), np.array([3.0, 1.0]), np.array([7.0, 2.0])
    low, high = modified_large_sample(weights, squares, dof, 0.95)
    assert (low, high) == pytest.approx((42 / chi2.isf(0.025, 7), 42 / chi2.ppf(0.025, 7)))


@pytest.mark.parametrize(
    ("parts", "operators", "missing", "true"),
    [
        (6, 3, 0.0, (4.0, 1.0, 0.5, 1.0)),
        (6, 3, 0.2, (4.0, 0.0, 0.5, 1.0)),
        (10, 5, 0.2, (4.0, 1.0, 0.0, 1.0)),
    ],
)
def test_intervals_cover(
    parts: int, operators: int, missing: float, true: tuple[float, ...]
) -> None:
    rng = np.random.default_rng(10)
    sums = {"part": [1, 0, 0, 0], "operator": [0, 1, 0, 0], "cell": [0, 0, 1, 0],
            "repeat": [0, 0, 0, 1], "gauge": [0, 1, 1, 1], "total": [1, 1, 1, 1]}  # fmt: skip
    inside = dict.fromkeys(sums, 0)
    plan = None
    for _ in range(300):
        if plan is None or missing:
            part, operator, cell = crossed(rng, parts, operators, missing)
            codes = [part, operator, np.unique(cell, return_inverse=True)[1]]
            plan = Strata.of(codes)
        y = rng.normal(0, true[3] ** 0.5, part.size)
        for variance, of in zip(true[:3], (part, operator, cell), strict=True):
            y += rng.normal(0, variance**0.5, parts * operators)[of]
        found = Components.of(y, codes, "anova", plan)
        for name, one in sums.items():
            _, low, high = found.sum_of(one, 0.95)
            inside[name] += high is not None and low <= np.dot(one, true) <= high
    # Three standard errors of 300 studies below 95 %; 1000 studies each gave 93.7 to 97.9 %.
    assert min(inside.values()) >= 0.912 * 300, inside
    assert max(inside.values()) <= 299, inside


def test_what_cannot_be_told() -> None:
    frame = pl.DataFrame(
        {"day": list("aabbcc"), "gauge": list("xxyyzz"), "value_pa": [1.0, 1.2, 2.0, 2.2, 3.0, 3.1]}
    )
    assert set(variance_components(frame, ["day", "gauge"])["status"]) == {"not_told"}
    one_each = frame.unique("day")
    assert set(variance_components(one_each, ["day"])["status"]) == {"too_few_samples"}
    assert set(variance_components(frame.clear(), ["day"])["status"]) == {"too_few_samples"}
    flat = frame.with_columns(value_pa=60.0)
    assert set(variance_components(flat, ["day"])["status"]) == {"zero_spread"}
    with pytest.raises(OptionError, match="option groups"):
        variance_components(frame, [])
    with pytest.raises(OptionError, match="option estimator"):
        variance_components(frame, ["day"], estimator="ml")


def test_no_component_is_better_elsewhere() -> None:
    rng = np.random.default_rng(0)
    zeros = 0
    for trial in range(12):
        part, operator, cell = crossed(rng, 6, 3, 0.2)
        y = rng.normal(0, 10, 6)[part] + rng.normal(0, trial % 3, 3)[operator]
        y += rng.normal(0, 0.3 * (trial % 2), 18)[cell] + rng.normal(0, 1, part.size)
        codes = [part, operator, np.unique(cell, return_inverse=True)[1]]
        found = _variance.reml(y, codes)
        sums = _variance._Sums.of(y - y.mean(), codes)
        ratio = found.variance[:-1] / found.variance[-1]
        gradient = _variance._at(sums, ratio).gradient
        zeros += int((ratio == 0.0).sum())
        # Flat where a component is above zero, not falling where it is zero.
        assert np.abs(gradient * ratio).max() < 1e-3
        assert (gradient > -1e-3).all()
        for start in (1e-3, 0.1, 3.0):
            other = _variance._search(sums, np.full(3, start))
            assert found.criterion <= _variance._at(sums, other).criterion + 1e-6
    assert 3 < zeros < 24
