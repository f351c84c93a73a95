"""Lots of another shape than normal: shapes, draws and verdicts against direct integration."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy import stats
from scipy.integrate import cumulative_trapezoid

from deadband import lots
from deadband._errors import OptionError
from deadband.lots._exceed import exceeds
from deadband.lots._likelihood import Results
from deadband.lots._lot_rows import Tolerances
from deadband.lots._posterior import posterior
from deadband.lots._reshaped import reshaped
from deadband.lots._shape import NORMAL, SHAPES, quantile, shape_named
from lot_fleet import RATED_PA, lot_of, tables

SKEW = stats.skewnorm(0.98 / np.sqrt(1.0 - 0.98**2))
HALVES = 0.75


def log_density(name: str, z: np.ndarray) -> np.ndarray:
    """The shapes once more, from their definitions, mean 0 and standard deviation 1."""
    if name == "heavy_tails":
        return stats.t.logpdf(z, 5, scale=np.sqrt(0.6))
    if name == "light_tails":
        width = np.sqrt(1.0 - HALVES**2)
        return np.logaddexp(
            stats.norm.logpdf(z, -HALVES, width), stats.norm.logpdf(z, HALVES, width)
        ) - np.log(2.0)
    if name == "normal":
        return stats.norm.logpdf(z)
    sign = 1.0 if name == "skew_high" else -1.0
    return SKEW.logpdf(sign * z * SKEW.std() + SKEW.mean()) + np.log(SKEW.std())


def share_below(name: str, z: np.ndarray) -> np.ndarray:
    if name == "heavy_tails":
        return stats.t.cdf(z, 5, scale=np.sqrt(0.6))
    if name == "light_tails":
        width = np.sqrt(1.0 - HALVES**2)
        return 0.5 * (stats.norm.cdf(z, -HALVES, width) + stats.norm.cdf(z, HALVES, width))
    if name == "normal":
        return stats.norm.cdf(z)
    if name == "skew_low":
        return 1.0 - share_below("skew_high", -z)
    at = np.linspace(-5.0, 15.0, 40001)
    return np.interp(z, at, cumulative_trapezoid(np.exp(log_density(name, at)), at, initial=0.0))


def some_lots(seed: int = 3, sizes: tuple[int, ...] = (12, 9, 20)) -> lots.Lots:
    rng = np.random.default_rng(seed)
    values = [
        RATED_PA * (1.0 + at + 0.025 * rng.normal(size=n))
        for at, n in zip((0.01, -0.05, -0.13), sizes, strict=True)
    ]
    names = np.repeat(["L1", "L2", "L3"], sizes)
    return lots.distribution(*tables(np.concatenate(values), names))


# --- shapes ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SHAPES)
def test_shape_is_what_it_is_said_to_be(name: str) -> None:
    """Densities and shares of SciPy: t, skewnorm, norm; heavy tails are normal curves, to 0.5 %."""
    shape, z = shape_named(name), np.linspace(-6.0, 6.0, 1201)
    told = shape.log_density(z, np.array(1.0), np.array(0.0)) - 0.5 * np.log(2.0 * np.pi)
    near = np.abs(z) < 5.0 if name == "heavy_tails" else log_density(name, z) > -60.0
    np.testing.assert_allclose(told[near], log_density(name, z)[near], atol=7e-3, rtol=1e-9)
    below, above = shape.below(z), shape.above(z)
    np.testing.assert_allclose(below[near], share_below(name, z)[near], rtol=5e-3, atol=1e-7)
    np.testing.assert_allclose(below + above, 1.0, atol=1e-12)
    wide, step = np.linspace(-60.0, 60.0, 24001, retstep=True)
    density = np.exp(shape.log_density(wide, np.array(1.0), np.array(0.0)) + np.log(step))
    density /= np.sqrt(2.0 * np.pi)
    assert density @ wide == pytest.approx(0.0, abs=1e-9)
    assert density @ wide**2 == pytest.approx(1.0, abs=1e-3)
    assert float(shape.below(np.array(quantile(shape, 0.07)))) == pytest.approx(0.07, abs=1e-9)


@pytest.mark.parametrize("name", SHAPES)
def test_density_with_an_error_is_the_convolution(name: str) -> None:
    shape, u = shape_named(name), 0.7
    y, step = np.linspace(-30.0, 30.0, 12001, retstep=True)
    plain = np.exp(shape.log_density(y, np.array(1.0), np.array(0.0)))
    error = stats.norm.pdf(y, scale=u)
    expected = np.convolve(plain, error, mode="same") * step
    told = np.exp(shape.log_density(y, np.array(1.0), np.array(u**2)))
    near = np.abs(y) < 5.0
    np.testing.assert_allclose(told[near], expected[near], rtol=1e-6, atol=1e-9)


# --- draws ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SHAPES[1:])
def test_one_exact_lot_is_that_of_direct_integration(name: str) -> None:
    """Without error `p(m, ln s)` is `s**-n prod f((y - m) / s)`, the right Haar prior (Berger 1985,
    Statistical Decision Theory, 6.6), whose probabilities of a quantile are p-values."""
    rng = np.random.default_rng(8)
    value = -0.04 + 0.03 * rng.normal(size=9)
    nothing = np.zeros((9, 0))
    results = Results(value, np.full(9, 1e-14), nothing, np.zeros(9, dtype=int), np.zeros(1, int))
    told = posterior(results, 4000, np.random.default_rng(1))
    moved = reshaped(results, told, shape_named(name), np.random.default_rng(2))

    m = np.linspace(-0.16, 0.08, 241)[:, None]
    log_s = np.linspace(np.log(0.006), np.log(0.25), 161)
    log = sum(log_density(name, (y - m) / np.exp(log_s)) for y in value) - 9.0 * log_s
    weight = np.exp(log - log.max())
    normal = sum(log_density("normal", (y - m) / np.exp(log_s)) for y in value) - 9.0 * log_s
    evidence = np.log(weight.sum()) + log.max() - np.log(np.exp(normal).sum())
    weight /= weight.sum()
    unsafe = share_below(name, (-0.1 - m) / np.exp(log_s))

    whole = Tolerances(np.array([0.1]), np.ones((1, 1)))
    drawn, _ = whole.fractions(moved.mean, moved.sd, moved.shape)
    assert drawn.mean() == pytest.approx((weight * unsafe).sum(), rel=0.08)
    assert moved.drawn is not None
    assert moved.drawn.log_evidence[0] == pytest.approx(evidence, abs=0.06)
    assert moved.drawn.effective[0] > 1000.0
    for level in (0.02, 0.1):
        found = exceeds(moved, whole, level, "unsafe")
        expected = weight[unsafe <= level].sum()
        assert found.p_value[0] == pytest.approx(expected, abs=0.02)
        assert 1.0 - found.chance[0] == pytest.approx(expected, abs=0.03)


def test_normal_shape_changes_nothing() -> None:
    found = some_lots()
    again = found.under("heavy_tails").under("normal")
    assert again.shape == "normal"
    assert again.lots.equals(found.lots)
    assert lots.screen(again).equals(lots.screen(found))
    moved = reshaped(*_of(found), NORMAL, np.random.default_rng(0))
    assert moved.drawn is not None
    np.testing.assert_allclose(moved.drawn.log_evidence, 0.0, atol=0.05)
    np.testing.assert_allclose(moved.mean.mean(axis=0), found.lots["mean"], atol=1.5e-3)


def _of(found: lots.Lots) -> tuple[Any, Any]:
    return found._results, found._normal


def test_what_gauges_share_stays_in_the_interval() -> None:
    """Two gauges that tested half of a lot each; without their errors the lot seems surer."""
    rng = np.random.default_rng(6)
    value = RATED_PA * (1.0 - 0.03 + 0.01 * rng.normal(size=20))
    points, switches = tables(value, ["L1"] * 10 + ["L2"] * 10, u_pa=1.0)
    points = points.with_columns(gauge_id=pl.Series(["g1", "g2"] * 10))
    gauges = pl.DataFrame({"gauge_id": ["g1", "g2"], "accuracy_abs_pa": [1.5, 1.5]})
    gauges = gauges.with_columns(resolution_pa=0.1, accuracy_rel=0.0)
    known = lots.distribution(points, switches, gauges=gauges).under("heavy_tails").lots
    without = lots.distribution(points, switches).under("heavy_tails").lots
    assert (known["mean_u"] > 0.004).all()
    assert known["mean_u"].is_not_nan().all()
    assert known["gauge_u"][0] > 0.0 == without["gauge_u"][0]


# --- verdicts -------------------------------------------------------------------------------------


def test_a_long_tail_towards_low_setpoints_is_the_dangerous_one() -> None:
    found = some_lots()
    told = lots.sensitivity(found, fraction=0.05)
    assert told.columns[:4] == ["rank", "model", "lot", "shape"]
    assert told["shape"].to_list() == list(SHAPES) * 3
    first = told.filter(pl.col("shape") == "normal").drop("shape", "stands", "log10_evidence")
    screened = lots.screen(found, fraction=0.05)
    assert first.select("lot", "fraction", "verdict", "q_value").equals(
        screened.select("lot", "fraction", "verdict", "q_value")
    )
    good = told.filter(pl.col("lot") == "L1").rows_by_key("shape", named=True, unique=True)
    assert good["skew_low"]["fraction"] > 3.0 * good["normal"]["fraction"]
    assert good["skew_high"]["fraction"] < 0.3 * good["normal"]["fraction"]
    assert good["normal"]["verdict"] == "within"
    assert good["skew_low"]["verdict"] == "undecided"
    assert (good["skew_low"]["stands"], good["skew_high"]["stands"]) == (False, True)
    assert told.filter(pl.col("lot") == "L3")["verdict"].to_list() == ["exceeds"] * 5


@pytest.mark.parametrize("side", ["unsafe", "nuisance", "either"])
def test_a_mirrored_lot_has_mirrored_fractions(side: Any) -> None:
    mirror = {"unsafe": "nuisance", "nuisance": "unsafe", "either": "either"}
    rng = np.random.default_rng(2)
    away = -0.03 + 0.035 * rng.normal(size=15)
    one, other = (
        lots.distribution(*tables(RATED_PA * (1.0 + sign * away), ["L"] * 15)) for sign in (1, -1)
    )
    low = lots.screen(one.under("skew_low"), side=side)
    high = lots.screen(other.under("skew_high"), side=mirror[side])
    assert low["fraction"][0] == pytest.approx(high["fraction"][0], rel=0.1, abs=1e-3)
    assert low["p_exceeds"][0] == pytest.approx(high["p_exceeds"][0], abs=0.04)
    assert low["p_value"][0] == pytest.approx(high["p_value"][0], abs=0.04)
    assert low["evidence"][0].startswith("With a long tail towards low setpoints, L (M): ")


def test_many_tests_tell_the_shape() -> None:
    """150 values of an exponential with its tail low: tens of thousands to one for the skew."""
    rng = np.random.default_rng(5)
    value = RATED_PA * (1.0 + 0.03 * (1.0 - rng.exponential(size=150)))
    found = lots.distribution(*tables(value, ["L"] * 150, u_pa=0.2))
    told = lots.sensitivity(found).rows_by_key("shape", named=True, unique=True)
    assert told["skew_low"]["log10_evidence"] > 4.0
    assert told["skew_high"]["log10_evidence"] < -4.0
    measured = float((value < 0.9 * RATED_PA).mean())
    assert told["skew_low"]["fraction_low"] < measured
    assert told["skew_low"]["fraction"] > 1.5 * told["normal"]["fraction"]


def test_a_shape_that_the_tests_exclude_has_no_numbers() -> None:
    """A lot of which two thirds are alike and the rest far off: no draw agrees with light tails."""
    rng = np.random.default_rng(1)
    value = RATED_PA * (1.0 - 0.01 * rng.pareto(1.2, 400))
    found = lots.distribution(*tables(value.clip(1.0), ["L"] * 400, u_pa=0.05))
    told = lots.sensitivity(found).rows_by_key("shape", named=True, unique=True)
    lost = [row for row in told.values() if row["status"] == "too_few_draws"]
    for row in lost:
        assert row["n_effective"] < 100.0
        assert row["log10_evidence"] is not None
        assert [row[name] for name in ("fraction", "p_value", "verdict", "stands")] == [None] * 4
    assert lost


def test_a_p_value_that_draws_cannot_tell_changes_no_verdict() -> None:
    """No share of the draws is as small as this rate of false discovery asks for."""
    told = lots.sensitivity(some_lots(), shapes=["normal", "light_tails"], fdr=1e-6).filter(
        pl.col("lot") == "L3"
    )
    assert told["verdict"].to_list() == ["exceeds", None]
    assert told["status"].to_list() == ["ok", "too_few_draws"]
    assert told["stands"].to_list() == [True, None]


def test_lots_without_numbers_keep_their_rows() -> None:
    points, switches = tables([59.0, 60.0, 61.0, 58.0, 59.5, 60.2], ["A"] * 3 + ["B"] * 3)
    switches = pl.concat(
        [switches, pl.DataFrame({**switches.row(0, named=True), "switch_id": "x", "lot": "C"})]
    )
    found = lots.distribution(points, switches)
    told = lots.sensitivity(found, shapes="heavy_tails")
    row = told.filter(pl.col("lot") == "C").row(0, named=True)
    assert (row["status"], row["fraction"], row["n_effective"]) == ("too_few_samples", None, None)
    assert lot_of(found.under("skew_low"), "C")["mean"] is None
    empty = lots.distribution(points.clear(), switches.clear())
    assert lots.sensitivity(empty).height == 0
    none = lots.distribution(points.clear(), switches)
    assert none.under("skew_low").shape == "skew_low"
    assert lots.sensitivity(none)["status"].unique().to_list() == ["too_few_samples"]


@pytest.mark.parametrize(
    "options",
    [
        {"shapes": ["round"]},
        {"shapes": []},
        {"shapes": None},
        {"shapes": [["normal"]]},
        {"side": "low"},
        {"fraction": 0.7},
    ],
)
def test_bad_options(options: dict[str, Any]) -> None:
    with pytest.raises(OptionError):
        lots.sensitivity(some_lots(), **options)


def test_what_is_no_lots() -> None:
    with pytest.raises(OptionError, match="what distribution found"):
        lots.sensitivity(pl.DataFrame())  # type: ignore[arg-type]
    with pytest.raises(OptionError):
        some_lots().under("round")  # type: ignore[arg-type]
    with pytest.raises(OptionError):
        some_lots().under(["normal"])  # type: ignore[arg-type]
