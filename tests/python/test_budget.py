"""Budgets against published examples and against propagation of distributions, and estimates."""

from math import exp, hypot, inf, isnan, pi, sqrt

import numpy as np
import polars as pl
import pytest

import deadband as db
from deadband import simulate
from recordings import lags_of

SOURCES = ["reading", "bracket", "resolution", "repeatability", "lag", "common", "accuracy"]


def published(reference, name):
    """The published values of a file by name, each with its tolerance."""
    return {
        entry["name"]: pytest.approx(entry["value"], abs=entry["abs_tol"], rel=0)
        for entry in reference(name)["expected"]
        if "abs_tol" in entry
    }


def events_of(pressure, rate, *, test_id="t", event="open", **columns):
    """Events of one test, or of as many as there are ids."""
    n = len(pressure)
    return pl.DataFrame(
        {
            "test_id": test_id,
            "switch_id": "s",
            "gauge_id": "g1",
            "method": "ramp",
            "cycle": pl.Series(np.ones(n), dtype=pl.Int32),
            "event": event,
            "time_s": np.arange(n, dtype=float),
            "time_width_s": 0.0,
            "pressure_pa": pressure,
            "rate_pa_s": rate,
            "var_pressure": 0.0,
            "cov_pressure_rate": 0.0,
            "var_rate": 0.0,
            "bounces": pl.Series(np.zeros(n), dtype=pl.Int32),
            "noise_pa": None,
            "step_pa": None,
            "status": "ok",
            **columns,
        },
        schema_overrides={"noise_pa": pl.Float64, "step_pa": pl.Float64},
    )


def gauges_of(accuracy_rel=None, accuracy_abs_pa=None, resolution_pa=None):
    schema = {
        "resolution_pa": pl.Float64,
        "accuracy_rel": pl.Float64,
        "accuracy_abs_pa": pl.Float64,
    }
    row = (resolution_pa, accuracy_rel, accuracy_abs_pa)
    return pl.DataFrame([row], schema=schema, orient="row").with_columns(gauge_id=pl.lit("g1"))


def lines_of(budget, quantity="open"):
    return dict(budget.filter(quantity=quantity).select("source", "u_pa").iter_rows())


# --- a budget adds up ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def fleet(demo_data):
    events = db.fit_events(db.read_tests(demo_data).collect())
    gauges = db.read_gauges(demo_data)
    return events, db.estimate_lag(events, gauges), gauges


def long_of(points):
    """A row a quantity: `test_id`, `quantity`, `u`, `dof`."""
    parts = [
        points.select("test_id", quantity=pl.lit(name), u=f"{name}_u_pa", dof=f"{name}_dof")
        for name in ("close", "open", "deadband")
    ]
    return pl.concat(parts).filter(pl.col("u").is_not_null())


@pytest.mark.parametrize("stated", [True, False])
@pytest.mark.parametrize("repeatability", ["pooled", 0.3, None])
def test_the_lines_add_up_to_the_uncertainty_of_the_setpoint(fleet, stated, repeatability):
    events, lags, gauges = fleet
    known = (events, lags, gauges if stated else None)
    lines = db.budget(*known, repeatability=repeatability)
    points = long_of(db.setpoints(*known, repeatability=repeatability))
    square = pl.col("u_pa") ** 2
    sums = lines.group_by("test_id", "quantity").agg(
        total=square.sum().sqrt(),
        # Welch and Satterthwaite, JCGM 100 equation G.2b.
        effective=square.sum() ** 2 / (square**2 / pl.col("dof")).sum(),
        share=pl.col("share").sum(),
        sources=pl.col("source"),
    )
    both = sums.join(points, on=["test_id", "quantity"], how="full")
    assert both.height == points.height == sums.height > 800
    assert both["total"].to_numpy() == pytest.approx(both["u"].to_numpy(), rel=1e-12)
    assert both["effective"].to_numpy() == pytest.approx(both["dof"].to_numpy(), rel=1e-9)
    assert both["share"].to_numpy() == pytest.approx(1.0, rel=1e-12)
    wanted = SOURCES if stated else SOURCES[:-1]
    assert both["sources"].to_list() == [wanted] * both.height
    assert lines.null_count().sum_horizontal().item() == 0


def test_each_cause_has_its_line():
    """Three equal events, every line by hand."""
    events = events_of(
        [58.0] * 3,
        [-5.0] * 3,
        time_width_s=0.1,
        var_pressure=0.04,
        cov_pressure_rate=0.01,
        var_rate=0.09,
        noise_pa=1.0,
    )
    lags = lags_of(-0.2, 0.03).with_columns(lag_s=-pl.col("lag_s"), dof=pl.lit(7.0))
    known = (events, lags, gauges_of(0.01, 0.5, 1.5))
    lines = db.budget(*known, repeatability=0.3).filter(quantity="open")
    u = lines_of(lines)
    signal = 0.04 + 2.0 * 0.2 * 0.01 + 0.2**2 * 0.09
    rounding = 1.5**2 / 12.0
    assert u["reading"] == pytest.approx(sqrt((1.0 - rounding) * signal / 3.0))
    # No step was found in the readings: what the noise does not dither stays.
    undithered = 1.5 / sqrt(12.0) * exp(-2.0 * pi**2 * (1.0 / 1.5**2 - 1.0 / 12.0))
    assert u["resolution"] == pytest.approx(hypot(sqrt(rounding * signal / 3.0), undithered))
    assert u["bracket"] == pytest.approx(5.0 * 0.1 / sqrt(12.0) / sqrt(3.0))
    assert u["lag"] == pytest.approx(5.0 * 0.03)  # the same for all events: no root of three
    assert u["accuracy"] == pytest.approx((0.5 + 0.01 * 57.0) / sqrt(3.0))
    point = db.setpoints(*known, repeatability=0.3).row(0, named=True)
    assert point["open_pa"] == pytest.approx(58.0 - 0.2 * 5.0)
    assert point["lag_correction_pa"] == pytest.approx(-1.0)
    assert u["repeatability"] == pytest.approx(point["repeatability_pa"] / sqrt(3.0))
    dof = dict(lines.select("source", "dof").iter_rows())
    assert dof["lag"] == 7.0
    assert all(dof[name] == inf for name in ("reading", "bracket", "resolution", "accuracy"))


def test_what_a_test_shares_with_itself_cancels_in_the_deadband():
    up = events_of([68.0], [5.0], event="close")
    down = events_of([62.0], [-5.0], event="open").with_columns(time_s=pl.lit(9.0))
    known = (pl.concat([up, down]), lags_of(0.4, 0.1), gauges_of(0.01, 3.0))
    budget = db.budget(*known)
    assert lines_of(budget, "close")["accuracy"] == pytest.approx((3.0 + 0.7) / sqrt(3.0))
    assert lines_of(budget, "deadband")["accuracy"] == pytest.approx(0.01 * 10.0 / sqrt(3.0))
    # The lag errs up on one side and down on the other.
    assert lines_of(budget, "open")["lag"] == pytest.approx(0.5)
    assert lines_of(budget, "deadband")["lag"] == pytest.approx(1.0)


@pytest.mark.parametrize("dof", [0.0, -2.0])
def test_a_lag_without_degrees_of_freedom_gives_no_number_that_looks_sound(dof):
    lags = lags_of(0.2, 0.03).with_columns(dof=pl.lit(dof))
    point = db.setpoints(events_of([58.0] * 3, [-5.0] * 3), lags).row(0, named=True)
    assert point["status"] == "bad_value"
    assert point["open_pa"] is None


# --- published examples -------------------------------------------------------------------------


def additive(reading=0.0, width=0.0, lag=0.0, accuracy=0.0):
    """One event at a rate of 1 Pa/s: four causes, each by its own path, next to no scatter."""
    events = events_of([60.0], [1.0], event="close", var_pressure=reading**2, time_width_s=width)
    known = (events, lags_of(0.0, lag), gauges_of(0.0, accuracy))
    point = db.setpoints(*known, repeatability=1e-9).row(0, named=True)
    return db.Estimate(point["close_pa"], point["close_u_pa"], point["close_dof"])


def test_jcgm_101_additive_model(reference):
    """JCGM 101:2008, 9.2.2 to 9.2.4: four inputs, normal or rectangular; 9.2.4 from memory."""
    values = published(reference, "G06-jcgm101-9.2-additive")
    rectangular = sqrt(12.0)  # full width of a rectangle of unit standard deviation
    equal = additive(1.0, rectangular, 1.0, rectangular / 2.0)
    assert equal.u == values["9.2.2 u(y)"]
    assert equal.u == values["9.2.3 u(y)"]
    assert equal.expanded() == values["9.2.2 95% half-width"]
    # Of four rectangles the true half-width is smaller, and smaller still if one is all that
    # counts: a budget errs on the safe side there (9.2.3.3, 9.2.4.4).
    assert equal.expanded() > 3.88 == values["9.2.3 95% half-width (analytic)"]
    dominated = additive(1.0, rectangular, 1.0, 10.0 * rectangular / 2.0)
    assert dominated.u == values["9.2.4 u(y)"]
    assert dominated.expanded() == values["9.2.4 95% half-width (GUM framework)"]
    assert dominated.expanded() > 17.0 == values["9.2.4 95% half-width (MCM)"]


def test_npl_logarithm_of_a_rectangle(reference):
    """NPL Report DEM-ES-011, 9.2, y = ln x: its law of propagation of uncertainty.

    Its other rows propagate the distribution itself through the logarithm, of which no setpoint
    has one.
    """
    values = published(reference, "G07-npl-log-rectangular")
    x = db.Lag.between(0.1, 1.1)
    y = db.Estimate(float(np.log(x.lag_s)), x.u / x.lag_s, x.dof)
    assert y.value == values["GUM y"]
    assert y.u == values["GUM u(y)"]
    assert y.interval()[1] == values["GUM upper 95%"]


# --- propagation of distributions ---------------------------------------------------------------


@pytest.mark.parametrize("lag_dof", [inf, 30.0])
def test_jcgm_101_monte_carlo_agrees_with_the_budget(lag_dof):
    """Every input drawn from its distribution, every draw evaluated as a test of its own.

    Few degrees of freedom are left out: the supplement draws from Student's t, whose standard
    deviation exceeds u, and its interval is wider by intent (JCGM 101, 6.4.9.4 and 9.4).
    """
    trials, n = 40_000, 4
    rng = np.random.default_rng(101)
    pressure = np.array([57.9, 58.3, 58.0, 58.2])
    rate = np.array([-4.0, -5.0, -6.0, -4.5])
    covariance = np.array([[0.06, 0.02], [0.02, 0.05]])
    width, lag_s, lag_u, rel, absolute, repeatability = 0.15, 0.4, 0.05, 0.004, 0.1, 0.25
    columns = {
        "var_pressure": covariance[0, 0],
        "cov_pressure_rate": covariance[0, 1],
        "var_rate": covariance[1, 1],
        "time_width_s": width,
    }
    lags = lags_of(lag_s, lag_u).with_columns(dof=pl.lit(lag_dof))
    known = (events_of(pressure, rate, **columns), lags, gauges_of(rel, absolute))
    point = db.setpoints(*known, repeatability=repeatability).row(0, named=True)
    budget = db.budget(*known, repeatability=repeatability)
    stated = db.Estimate(point["open_pa"], point["open_u_pa"], point["open_dof"])

    # Signal and rate jointly normal, and the true crossing anywhere in the bracket.
    signal = rng.multivariate_normal([0.0, 0.0], covariance, size=(trials, n))
    drawn_rate = rate + signal[..., 1]
    drawn = pressure + signal[..., 0] + drawn_rate * rng.uniform(-0.5, 0.5, (trials, n)) * width
    # The switch's scatter, its variance itself known with the degrees of freedom of its line.
    line = budget.filter(quantity="open", source="repeatability").row(0, named=True)
    scale = np.sqrt(line["dof"] / rng.chisquare(line["dof"], (trials, 1)))
    drawn += point["repeatability_pa"] * scale * rng.normal(size=(trials, n))
    deviate = rng.normal(size=trials) if lag_dof == inf else rng.standard_t(lag_dof, trials)
    ids = np.char.mod("t%05d", np.arange(trials))
    many = events_of(drawn.ravel(), drawn_rate.ravel(), test_id=np.repeat(ids, n), **columns)
    each = pl.DataFrame({"gauge_id": ids, "lag_s": lag_s + lag_u * deviate, "lag_u_s": 0.0})
    # The measurand's weights are those of the test itself: its scatter is given, not found anew.
    results = db.setpoints(
        many.with_columns(gauge_id=pl.col("test_id")), each, repeatability=repeatability
    )
    assert set(results["status"]) == {"ok"}
    values = results["open_pa"].to_numpy()
    half = absolute + rel * values
    values = values + half * rng.uniform(-1.0, 1.0, trials)

    low, high = np.quantile(values, [0.025, 0.975])
    assert (low + high) / 2.0 == pytest.approx(stated.value, abs=0.03 * stated.u)
    assert (high - low) / 2.0 == pytest.approx(stated.expanded(), rel=0.05)
    assert values.mean() == pytest.approx(stated.value, abs=0.02 * stated.u)


# --- estimates ----------------------------------------------------------------------------------


def test_estimates_print_as_many_digits_as_they_have():
    assert str(db.Estimate(60.2449, 0.31, 9.0)) == "60.24 Pa ± 0.70 Pa (95 %, k = 2.26)"
    assert str(db.Estimate(60.2449, 31.0)) == "60 Pa ± 61 Pa (95 %, k = 1.96)"
    assert str(db.Estimate(0.2413, 0.0012, unit="inH2O")).startswith("0.2413 inH2O ± 0.0024 inH2O")
    assert str(db.Estimate(60.0, 0.0)) == "60.00 Pa ± 0.00 Pa (95 %, k = 1.96)"
    assert "inf" in str(db.Estimate(60.0, inf))


def test_estimates_have_the_intervals_of_students_t():
    estimate = db.Estimate(10.0, 2.0, 4.0)
    assert estimate.coverage_factor(0.95) == pytest.approx(2.776, abs=5e-4)  # JCGM 100, table G.2
    assert estimate.expanded(0.95) == pytest.approx(2.0 * estimate.coverage_factor(0.95))
    low, high = estimate.interval(0.5)
    assert (low + high) / 2.0 == pytest.approx(10.0)
    assert high - low < 2.0 * estimate.expanded(0.95)
    assert db.Estimate(1.0, 1.0).coverage_factor(0.6826894921) == pytest.approx(1.0, abs=1e-9)
    for p in (0.0, 1.0, -1.0, float("nan")):
        with pytest.raises(db.DeadbandError, match="coverage probability"):
            estimate.interval(p)


def test_scaling_changes_the_unit_and_nothing_else():
    estimate = db.Estimate(60.0, 0.5, 7.0)
    inches = estimate.scaled(1 / 249.08891, "inH2O")
    assert (inches.dof, inches.unit) == (7.0, "inH2O")
    assert inches.u / inches.value == pytest.approx(estimate.u / estimate.value)
    back = inches.scaled(249.08891, "Pa")
    assert back.value == pytest.approx(60.0, rel=1e-15)


def test_a_lag_between_limits_is_rectangular():
    lag = db.Lag.between(0.2, 0.8)
    assert lag.lag_s == pytest.approx(0.5)
    assert lag.u == pytest.approx(0.6 / sqrt(12.0))  # JCGM 100, 4.3.7
    assert db.Lag.between(0.8, 0.2).u == lag.u
    assert not isnan(db.Lag(-0.1, u=0.0).lag_s)  # a contact meter slower than the gauge


@pytest.mark.parametrize(
    "fields",
    [
        {"lag_s": float("nan"), "u": 0.1},
        {"lag_s": inf, "u": 0.1},
        {"lag_s": 0.4, "u": -0.1},
        {"lag_s": 0.4, "u": inf},
        {"lag_s": 0.4, "u": 0.1, "dof": 0.0},
        {"lag_s": 0.4, "u": 0.1, "dof": float("nan")},
    ],
)
def test_a_lag_that_cannot_be_is_refused(fields):
    with pytest.raises(db.DeadbandError, match="the lag is"):
        db.Lag(**fields)


def fleet_of(ratings, repeatability):
    plan = [
        simulate.PlannedTest(
            test_id=f"{rated}-{i}",
            unit=simulate.Unit(
                switch_id=f"{rated}-{i}",
                rated_pa=rated,
                switch=simulate.Switch(
                    open_pa=rated, close_pa=1.1 * rated, repeatability_pa=repeatability * rated
                ),
            ),
            instrument=simulate.Instrument(gauge_id="g"),
            motion=simulate.Ramp(cycles=cycles, high_pa=1.5 * rated, rate_pa_s=0.08 * rated),
        )
        for rated, count, cycles in ratings
        for i in range(count)
    ]
    return db.fit_events(simulate.fleet(plan, seed=8).tests)


def test_a_pooled_repeatability_goes_with_the_setpoint():
    points = db.setpoints(
        fleet_of([(60.0, 30, 4), (400.0, 20, 1)], 0.0075), lags_of(0.35, 0.01, "g")
    )
    large = points.filter(pl.col("test_id").str.starts_with("400"))
    assert 2.0 < large["repeatability_pa"].median() < 4.5  # 3 Pa


def test_fewer_than_five_tests_pool_nothing():
    events = fleet_of([(60.0, 4, 3)], 0.0075)
    lags = lags_of(0.35, 0.01, "g")
    assert db.setpoints(events, lags).equals(db.setpoints(events, lags, repeatability=None))
    five = fleet_of([(60.0, 5, 3)], 0.0075)
    assert not db.setpoints(five, lags).equals(db.setpoints(five, lags, repeatability=None))
