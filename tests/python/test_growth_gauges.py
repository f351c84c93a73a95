"""The growth of a fleet whose tests share the errors of their gauges."""

from datetime import timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest

import deadband as db
from deadband._history import with_own_u
from test_growth import fleet, years_of

Floats = npt.NDArray[np.float64]

LIMIT_PA, LAG_S, LAG_U_S = 0.9, 0.4, 0.05
SLOPE, SLOPE_SD = -0.3, 0.15


def gauges_of(names: list[str], limit_pa: float = LIMIT_PA, rel: float = 0.0) -> pl.DataFrame:
    count = len(names)
    return pl.DataFrame(
        {"gauge_id": names, "resolution_pa": [0.1] * count, "accuracy_rel": [rel] * count,
         "accuracy_abs_pa": [limit_pa] * count}
    )  # fmt: skip


def lags_of(names: list[str], u_s: float = LAG_U_S) -> pl.DataFrame:
    count = len(names)
    return pl.DataFrame({"gauge_id": names, "lag_s": [LAG_S] * count, "lag_u_s": [u_s] * count})


def replaced(
    random: np.random.Generator, *, switches: int = 20, tests: int = 6
) -> tuple[pl.DataFrame, Floats]:
    """Setpoints of a fleet whose gauge was replaced half way, and the true slope of each switch.

    The errors of both gauges are drawn as they are stated: calibration within limits, lag normal.
    """
    slope = random.normal(SLOPE, SLOPE_SD, switches)
    level = random.normal(60.0, 1.5, switches)
    years = np.arange(tests) + random.uniform(0.0, 0.3, (switches, tests))
    gauge = np.broadcast_to(np.arange(tests) * 2 // tests, years.shape)
    rate = -random.uniform(1.0, 4.0, years.shape)
    u = random.uniform(0.15, 0.4, years.shape)
    off = random.uniform(-LIMIT_PA, LIMIT_PA, 2)[gauge]
    off = off + rate * random.normal(0.0, LAG_U_S, 2)[gauge]
    value = level[:, None] + slope[:, None] * years + off + u * random.normal(size=years.shape)
    whole_u = np.sqrt(u**2 + LIMIT_PA**2 / 3.0 + (rate * LAG_U_S) ** 2)
    seconds = (years.ravel() * 31556952.0).astype("timedelta64[s]")
    points = pl.DataFrame(
        {
            "test_id": [f"t{i}" for i in range(value.size)],
            "switch_id": np.repeat([f"s{i:03}" for i in range(switches)], tests),
            "gauge_id": [f"g{i}" for i in gauge.ravel()],
            "method": ["ramp"] * value.size,
            "tested_at": (np.datetime64("2016-01-01") + seconds).astype("datetime64[us]"),
            "open_pa": value.ravel(),
            "open_u_pa": whole_u.ravel(),
            "close_pa": np.full(value.size, np.nan),
            "close_u_pa": np.full(value.size, np.nan),
            "lag_correction_pa": (rate * LAG_S).ravel(),
        }
    )
    return points, slope


def test_intervals_hold_where_a_gauge_was_replaced() -> None:
    """95 % of 200 fleets within 3.3 standard errors; the switches of one are right together."""
    fleets, names = 200, ["g0", "g1"]
    told = {"gauges": gauges_of(names), "lags": lags_of(names)}
    held: dict[str, list[float]] = {"mean": [], "switches": [], "ignored": []}
    for seed in range(fleets):
        points, truth = replaced(np.random.default_rng([seed, 41]))
        found = db.growth(points, **told)
        mean = found.fixed.row(1, named=True)
        held["mean"].append(mean["low"] <= SLOPE <= mean["high"])
        off = found.switches["slope_pa_year"].to_numpy() - truth
        inside = np.abs(off) <= 1.96 * found.switches["slope_u_pa_year"].to_numpy()
        held["switches"].append(float(inside.mean()))
        # What it would be without: their own uncertainties alone.
        own = with_own_u(points.lazy(), (told["lags"], told["gauges"]), "open")
        alone = own.with_columns(open_u_pa="_u").select(points.columns)
        mean = db.growth(alone).fixed.row(1, named=True)
        held["ignored"].append(mean["low"] <= SLOPE <= mean["high"])
    share = {name: float(np.mean(each)) for name, each in held.items()}
    assert abs(share["mean"] - 0.95) < 0.05, share
    assert abs(share["switches"] - 0.95) < 0.05, share
    assert share["ignored"] < 0.7, share


def shared_columns(points: pl.DataFrame, names: list[str], known: tuple[Any, Any]) -> Any:
    """`C`: a column for the calibration of each gauge, then for its lag; and each test's own u."""
    own = with_own_u(points.with_row_index().lazy(), known, "open").sort("index").collect()
    gauge = own["gauge_id"].to_numpy()
    columns = [
        np.where(gauge == name, own[part].to_numpy(), 0.0)
        for part in ("_calibration_u", "_lag_u")
        for name in names
    ]
    return np.column_stack(columns), own["_u"].to_numpy()


@pytest.mark.parametrize("restricted", [True, False])
def test_it_is_the_fit_by_the_whole_covariance(*, restricted: bool) -> None:
    """At the components found all else follows from the covariance of all tests."""
    random = np.random.default_rng(3)
    points, switches = fleet(21, switches=12, tests=5, u=0.6)
    points = points.sort("switch_id", "tested_at").with_columns(
        gauge_id=pl.Series(["g0", "g1", "g2", None])[random.integers(0, 4, points.height).tolist()],
        lag_correction_pa=pl.Series(random.uniform(-2.0, -0.2, points.height)),
    )
    names = ["g0", "g1"]  # nothing is stated of g2
    lags, gauges = lags_of(names), gauges_of(names, rel=0.004)
    found = db.growth(
        points, switches, effects=["model"], restricted=restricted, lags=lags, gauges=gauges
    )
    c, u = shared_columns(points, names, (lags, gauges))
    t = years_of(points, found.origin)
    model = (
        points.join(switches, on="switch_id", maintain_order="left")["model"] == "B"
    ).to_numpy()
    x = np.column_stack([np.ones_like(t), t, model, model * t])
    level, both, slope, excess = found.components["variance"]
    name = points["switch_id"].to_numpy()
    g = level + both * np.add.outer(t, t) + slope * np.multiply.outer(t, t)
    v = np.equal.outer(name, name) * g + np.diag(u**2 + excess) + c @ c.T
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    left = np.linalg.inv(information)
    y = points["open_pa"].to_numpy()
    beta = left @ x.T @ inverse @ y
    rest = y - x @ beta
    np.testing.assert_allclose(found.fixed["value"], beta, atol=1e-8)
    np.testing.assert_allclose(found.fixed["u"], np.sqrt(np.diag(left)), rtol=1e-8)
    weight = inverse - inverse @ x @ left @ x.T @ inverse
    errors, errors_u = c.T @ inverse @ rest, np.sqrt(1.0 - np.diag(c.T @ weight @ c))
    table = found.gauges
    assert table["gauge_id"].to_list() == names
    np.testing.assert_allclose(table["calibration_error"], errors[:2], atol=1e-8)
    np.testing.assert_allclose(table["lag_error"], errors[2:], atol=1e-8)
    np.testing.assert_allclose(table["calibration_error_u"], errors_u[:2], rtol=1e-8)
    np.testing.assert_allclose(table["lag_error_u"], errors_u[2:], rtol=1e-8)
    log = -0.5 * (
        np.linalg.slogdet(v)[1]
        + (np.linalg.slogdet(information)[1] if restricted else 0.0)
        + rest @ inverse @ rest
        + (y.size - 4 * restricted) * np.log(2.0 * np.pi)
    )
    assert found.log_likelihood == pytest.approx(log, abs=1e-8)


def test_which_gauge_is_off_is_told() -> None:
    points, _ = fleet(22, switches=40, u=0.3)
    names = [f"g{i}" for i in range(5)]
    rate = -np.random.default_rng(5).uniform(0.5, 4.0, points.height)
    gauge = np.arange(points.height) * 3 // 2 % 5
    off = np.where(gauge == 3, 1.0, 0.0) + np.where(gauge == 1, rate * 0.4, 0.0)
    seen = points.with_columns(
        gauge_id=pl.Series(names)[gauge.tolist()],
        open_pa=pl.col("open_pa") + off,
        lag_correction_pa=rate * LAG_S,
    )
    told = {"gauges": gauges_of(names, 0.5), "lags": lags_of(names, 0.1)}
    table = db.growth(seen, **told).gauges
    assert table["n_tests"].sum() == points.height
    assert table.filter(pl.col("calibration_error").abs() > 2.0)["gauge_id"].to_list() == ["g3"]
    assert table.filter(pl.col("lag_error").abs() > 2.0)["gauge_id"].to_list() == ["g1"]
    bad, slow = table.row(3, named=True), table.row(1, named=True)
    assert bad["calibration_error_pa"] == pytest.approx(
        1.0, abs=3.0 * bad["calibration_error_u_pa"]
    )
    assert slow["lag_error_s"] == pytest.approx(0.4, abs=3.0 * slow["lag_error_u_s"])
    assert slow["lag_error_s"] == pytest.approx(slow["lag_error"] * 0.1)
    # Closings meet the same lag with the pressure moving the other way.
    closing = seen.with_columns(close_pa=pl.col("open_pa") - 2.0 * off * (gauge == 1) + 8.0,
                                close_u_pa="open_u_pa")  # fmt: skip
    other = db.growth(closing, event="close", **told).gauges
    assert other["lag_error"][1] > 2.0
    alone = db.growth(seen, gauges=told["gauges"].head(2)).gauges
    assert alone["gauge_id"].to_list() == ["g0", "g1"]
    assert alone["lag_error"].is_null().all()
    assert alone["lag_error_s"].is_null().all()
    nothing = db.growth(seen).gauges
    assert nothing.height == 0
    assert nothing.schema == table.schema


def own_u(u_pa: list[float]) -> list[float]:
    """Own uncertainties of tests with one gauge whose calibration has 0.346 Pa."""
    points = fleet(23)[0].head(len(u_pa)).with_columns(
        gauge_id=pl.lit("g0"), open_u_pa=pl.Series(u_pa), lag_correction_pa=pl.lit(None, pl.Float64)
    )  # fmt: skip
    known = (lags_of(["g0"]), gauges_of(["g0"], 0.346 * 3**0.5))
    return with_own_u(points.lazy(), known, "open").collect()["_u"].to_list()


def test_whether_a_part_is_in_the_uncertainties_is_told_by_the_gauge() -> None:
    """Test by test one of 0.36 Pa was eleven times as sure as one of 0.33 Pa."""
    assert own_u([0.36, 0.45]) == pytest.approx([(u * u - 0.346**2) ** 0.5 for u in (0.36, 0.45)])
    assert own_u([0.33, 0.36, 0.45]) == pytest.approx([0.33, 0.36, 0.45])
    # Of a closing the rate is a guess: of what its lag may have, half is taken out at most.
    points = replaced(np.random.default_rng(8))[0].with_columns(
        close_pa=pl.col("open_pa") + 8.0, close_u_pa="open_u_pa"
    ).with_columns(lag_correction_pa=pl.Series([-1e3, *[-0.4] * 119]))  # fmt: skip
    known = (lags_of(["g0", "g1"]), gauges_of(["g0", "g1"]))
    u, own = with_own_u(points.lazy(), known, "close").select("close_u_pa", "_u").collect()
    calibration = LIMIT_PA**2 / 3.0
    assert own[0] == pytest.approx(((u[0] ** 2 - calibration) / 2.0) ** 0.5)
    assert own[1] == pytest.approx((u[1] ** 2 - calibration - LAG_U_S**2) ** 0.5)
    # A row that cannot be says nothing of the others.
    assert own_u([-0.1, 0.45])[1] == pytest.approx((0.45**2 - 0.346**2) ** 0.5)


def test_a_gauge_that_adds_nothing_changes_nothing() -> None:
    points, _ = fleet(23, u=0.3)
    known = points.with_columns(gauge_id=pl.lit("g0"))
    plain, told = db.growth(points), db.growth(known, gauges=gauges_of(["g0"], 0.0))
    for name in ("fixed", "components", "switches", "groups", "gauges"):
        assert getattr(plain, name).equals(getattr(told, name)), name
    assert plain.log_likelihood == told.log_likelihood


def test_no_level_is_better_known_than_the_one_gauge_for_all() -> None:
    points, switches = fleet(24, u=1.0)
    known = points.with_columns(gauge_id=pl.lit("g0"))
    found = db.growth(known, gauges=gauges_of(["g0"], 0.8))
    assert (found.switches["level_u_pa"] > 0.8 / 3**0.5).all()
    assert found.groups["level_u_pa"][0] > 0.8 / 3**0.5
    told = found.gauges.row(0, named=True)
    assert told["calibration_error"] == pytest.approx(0.0, abs=1e-6)
    assert told["calibration_error_u"] == pytest.approx(1.0)
    ahead = found.at(found.last + timedelta(days=365))
    assert (ahead["level_u_pa"] > 0.8 / 3**0.5).all()
    assert db.forecast(found, switches).height == switches.height


def test_models_that_share_other_errors_are_not_compared() -> None:
    points, _ = fleet(25, u=0.5)
    known = points.with_columns(gauge_id=pl.lit("g") + (pl.int_range(pl.len()) % 3).cast(pl.String))
    names = ["g0", "g1", "g2"]
    full = db.growth(known, gauges=gauges_of(names, 0.3))
    alike = db.growth(known, gauges=gauges_of(names, 0.3), random_slope=False)
    assert full.compare(alike).more == 2
    for other in ({}, {"gauges": gauges_of(names[:2], 0.3)}, {"gauges": gauges_of(names, 0.2)}):
        with pytest.raises(db.RecordingError, match="those of the larger"):
            full.compare(db.growth(known, random_slope=False, **other))


def test_more_gauges_than_one_fit_can_take_are_told() -> None:
    points, _ = fleet(26, switches=80, u=0.5)
    each = points.with_columns(gauge_id="test_id")
    names = each["gauge_id"].to_list()
    assert db.growth(each, gauges=gauges_of(names[:390], 0.3)).gauges.height == 390
    with pytest.raises(db.RecordingError, match="gauges of few tests out"):
        db.growth(each, gauges=gauges_of(names, 0.3))


def test_rows_may_come_in_any_order() -> None:
    points, _ = replaced(np.random.default_rng(8))
    told = {"gauges": gauges_of(["g0", "g1"]), "lags": lags_of(["g0", "g1"])}
    one = db.growth(points, **told)
    other = db.growth(points.sample(fraction=1.0, shuffle=True, seed=1), **told)
    assert one.fixed.equals(other.fixed)
    assert one.gauges["calibration_error"].equals(other.gauges["calibration_error"])
    assert one.switches.equals(other.switches)
