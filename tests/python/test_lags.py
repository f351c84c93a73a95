"""Gauge lag: handbook facts, certified regression, what is stated and what cannot be told."""

import numpy as np
import polars as pl
import pytest
from scipy import stats

import deadband as db
from deadband import simulate
from recordings import lags_of

QUIET = {"resolution_pa": 0.0, "noise_pa": 0.0}


def checks(reference, name):
    """The published values of a file by name, each with its tolerance."""
    return {
        entry["name"]: pytest.approx(entry["value"], abs=entry["abs_tol"], rel=0)
        for entry in reference(name)["expected"]
    }


# --- a first-order instrument (Doebelin, Measurement Systems, chapter 3; from memory) ------------


def test_a_step_is_followed_as_the_handbook_has_it(reference):
    published = checks(reference, "X01-first-order-step-ramp")
    tau = reference("X01-first-order-step-ramp")["inputs"]["tau"]
    gauge = simulate.Gauge(dead_time_s=0.0, time_constant_s=tau, **QUIET)
    # A fall so fast beside the time constant that it is a step.
    drop = simulate.Pinch(level_pa=100.0, fall_s=1e-4, count=1, before_s=5.0, after_s=30.0)
    made = simulate.recording(
        gauge=gauge, motion=drop, logger=simulate.Logger(sample_s=0.01), seed=1
    )
    start = 5.0
    covered = 1.0 - made.pressure_pa / 100.0

    def at(multiple):
        return np.interp(start + multiple * tau, made.time_s, covered)

    def when(fraction):
        after = made.time_s <= start + drop.after_s
        return (np.interp(fraction, covered[after], made.time_s[after]) - start) / tau

    assert at(1.0) == published["y(tau)"]
    for multiple in (2, 3, 4, 5):
        assert at(multiple) == published[f"y({multiple} tau)"]
    assert when(0.9) - when(0.1) == published["10-90 % rise time / tau"]
    assert when(0.95) == published["5 % settling time / tau"]


def test_a_steady_ramp_is_late_by_rate_times_time_constant(reference):
    published = checks(reference, "X01-first-order-step-ramp")
    inputs = reference("X01-first-order-step-ramp")["inputs"]
    steady = simulate.Ramp(
        high_pa=400.0, rate_pa_s=inputs["ramp_rate"], rate_spread=0.0, unsteadiness=0.0
    )
    made = simulate.recording(
        simulate.Switch(close_pa=220.0, open_pa=200.0),
        simulate.Gauge(dead_time_s=0.0, time_constant_s=inputs["tau"], **QUIET),
        steady,
        seed=1,
    )
    late = made.truth["pressure_pa"] - made.truth["signal_pa"]
    for event, value in zip(made.truth["event"], late, strict=True):
        assert (value if event == "close" else -value) == published["steady ramp lag in value"]


RAMPS = [
    simulate.Ramp(rate_pa_s=rate, rate_spread=0.3, unsteadiness=0.1)
    for rate in (2.0, 4.0, 8.0, 16.0)
]


def record(gauge, motions=RAMPS, *, logger=None, stated=(None, None)):
    """Recordings of one switch on one gauge, a test for each motion."""
    lag_s, lag_u_s = stated
    instrument = simulate.Instrument(gauge_id="g1", gauge=gauge, lag_s=lag_s, lag_u_s=lag_u_s)
    unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
    plan = [
        simulate.PlannedTest(
            test_id=f"t{index}",
            unit=unit,
            instrument=instrument,
            motion=motion,
            logger=logger or simulate.Logger(),
        )
        for index, motion in enumerate(motions)
    ]
    return simulate.fleet(plan, seed=5)


@pytest.mark.parametrize(("dead", "constant"), [(0.0, 0.4), (0.4, 0.0), (0.1, 0.3), (0.3, 1.2)])
def test_dead_time_and_time_constant_add_up(dead, constant):
    gauge = simulate.Gauge(dead_time_s=dead, time_constant_s=constant, resolution_pa=0.5)
    found = db.estimate_lag(db.fit_events(record(gauge).tests)).row(0, named=True)
    assert found["status"] == "ok"
    assert found["source"] == "rates"
    assert abs(found["lag_s"] - gauge.lag_s) < 3.0 * found["lag_u_s"]
    assert found["lag_u_s"] < 0.05


def test_a_contact_meter_slower_than_the_gauge_is_a_negative_lag():
    gauge = simulate.Gauge(dead_time_s=0.0, time_constant_s=0.1, resolution_pa=0.5)
    made = record(gauge, logger=simulate.Logger(contact_delay_s=0.6))
    events = db.fit_events(made.tests)
    lags = db.estimate_lag(events)
    found = lags.row(0, named=True)
    assert found["lag_s"] == pytest.approx(-0.5, abs=3.0 * found["lag_u_s"])
    assert found["lag_s"] < -0.3
    # Such a lag stays with the setpoint: the gauge shows nothing that comes too early.
    again = db.fit_events(made.tests, lags)
    assert not again["lag_applied"].any()
    for table in (events, again):
        points = db.setpoints(table, lags)
        truth = simulate.Switch()
        assert ((points["open_pa"] - truth.open_pa).abs() < 4.0 * points["open_u_pa"]).all()
        assert ((points["close_pa"] - truth.close_pa).abs() < 4.0 * points["close_u_pa"]).all()


# --- certified regression -----------------------------------------------------------------------


def events_of(rate, pressure, **columns):
    n = len(rate)
    return pl.DataFrame(
        {
            "test_id": ["t"] * n,
            "switch_id": ["s"] * n,
            "gauge_id": ["g"] * n,
            "method": ["ramp"] * n,
            "cycle": pl.Series(range(n), dtype=pl.Int32),
            "event": ["close"] * n,
            "time_s": np.arange(n, dtype=float),
            "time_width_s": np.zeros(n),
            "reading_pa": pressure,
            "pressure_pa": pressure,
            "rate_pa_s": rate,
            "var_pressure": np.full(n, 1e-9),
            "cov_pressure_rate": np.zeros(n),
            "var_rate": np.zeros(n),
            "bounces": pl.Series([0] * n, dtype=pl.Int32),
            "status": ["ok"] * n,
            **columns,
        }
    )


def test_the_slope_is_that_certified_for_norris(reference):
    """NIST StRD, linear regression, Norris: pressure = setpoint - lag * rate is its line."""
    data = reference("R01-strd-norris")
    certified = {entry["name"]: entry["value"] for entry in data["expected"]}
    rate = [row[1] for row in data["inputs"]["X"]]
    found = db.estimate_lag(events_of(rate, data["inputs"]["y"])).row(0, named=True)
    assert found["n_events"] == 36
    assert found["lag_s"] == pytest.approx(-certified["B1"], rel=1e-12)
    assert found["dof"] == pytest.approx(34.0, rel=1e-5)
    # The variance component is searched on a logarithmic scale, to three digits.
    assert found["lag_u_s"] == pytest.approx(certified["sd(B1)"], rel=1e-3)
    residual = certified["residual standard deviation"]
    assert found["repeatability_pa"] == pytest.approx(residual, rel=1e-3)


def test_unequal_variances_are_averaged_over_what_the_scatter_may_be():
    """Against NumPy's weighted least squares at each scatter, weighed by restricted likelihood."""
    rng = np.random.default_rng(3)
    rate, sd = rng.uniform(1.0, 20.0, 40), rng.uniform(0.1, 2.0, 40)
    pressure = 60.0 - 0.4 * rate + sd * rng.normal(size=40)
    events = events_of(rate, pressure, var_pressure=sd**2)
    found = db.estimate_lag(events).row(0, named=True)
    own = 1.0 / np.mean(sd**-2.0)
    design = np.column_stack([np.ones(40), -rate])
    weights, lags, sds = [], [], []
    for scatter in own * np.sinh(np.linspace(1e-4, 4.0, 4000)) ** 2:
        total = sd**2 + scatter
        products = design.T @ (design / total[:, None])
        line = np.linalg.solve(products, design.T @ (pressure / total))
        misfit = np.sum((pressure - design @ line) ** 2 / total)
        known = np.sum(np.log(total)) + np.linalg.slogdet(products)[1]
        weights.append(-0.5 * (known + misfit))
        lags.append(line[1])
        sds.append(np.sqrt(np.linalg.inv(products)[1, 1]))
    weights, lags, sds = np.exp(np.array(weights) - max(weights)), np.array(lags), np.array(sds)
    weights /= weights.sum()
    assert found["lag_s"] == pytest.approx(weights @ lags, rel=1e-4)
    for p in (0.6827, 0.95):
        half = stats.t.ppf(0.5 + p / 2.0, found["dof"]) * found["lag_u_s"]
        ends = [stats.norm.cdf((found["lag_s"] + side - lags) / sds) for side in (-half, half)]
        assert weights @ (ends[1] - ends[0]) == pytest.approx(p, abs=1e-3)


# --- what is stated, what cannot be told --------------------------------------------------------


def test_rates_too_alike_are_unidentified_and_the_stated_lag_steps_in():
    gauge = simulate.Gauge()
    one_rate = simulate.Ramp(rate_pa_s=5.0, rate_spread=0.0, unsteadiness=0.0, cycles=4)
    made = record(gauge, [one_rate] * 2, stated=(0.35, 0.02))
    events = db.fit_events(made.tests)
    alone = db.estimate_lag(events).row(0, named=True)
    assert alone["status"] == "lag_unidentified"
    assert alone["lag_s"] is alone["lag_u_s"] is alone["dof"] is None
    told = db.estimate_lag(events, made.gauges).row(0, named=True)
    assert (told["lag_s"], told["lag_u_s"], told["dof"]) == (0.35, 0.02, float("inf"))
    assert (told["source"], told["status"]) == ("stated", "ok")


@pytest.mark.parametrize("stated_u", [0.001, 0.02, 1.0])
def test_a_stated_lag_that_agrees_is_pooled_by_its_weight(stated_u):
    """Against the weighted mean written out (JCGM 100, 5.1.2)."""
    gauge = simulate.Gauge(dead_time_s=0.1, time_constant_s=0.3, resolution_pa=0.5)
    made = record(gauge, stated=(0.41, stated_u))
    events = db.fit_events(made.tests)
    own = db.estimate_lag(events).row(0, named=True)
    found = db.estimate_lag(events, made.gauges).row(0, named=True)
    weights = np.array([own["lag_u_s"] ** -2, stated_u**-2])
    mean = (weights * [own["lag_s"], 0.41]).sum() / weights.sum()
    assert (found["source"], found["n_routes"], found["behind"]) == ("pooled", 2, "contact")
    assert found["lag_s"] == pytest.approx(mean, rel=1e-9)
    assert found["lag_u_s"] == pytest.approx(weights.sum() ** -0.5, rel=1e-9)
    q = (own["lag_s"] - 0.41) ** 2 / (own["lag_u_s"] ** 2 + stated_u**2)
    assert found["q"] == pytest.approx(q, rel=1e-6)
    assert found["n_events"] == 24
    assert found["repeatability_pa"] == own["repeatability_pa"]


def test_several_gauges_are_pooled_each_with_what_is_stated_of_it():
    made = record(simulate.Gauge(resolution_pa=0.5), stated=(0.41, 0.02))
    events = db.fit_events(made.tests)
    other = pl.col("gauge_id").str.replace("g1", "g2")
    both = pl.concat([events, events.with_columns(other)])
    gauges = pl.concat([made.gauges, made.gauges.with_columns(other, lag_s=0.3)])
    found = db.estimate_lag(both, gauges)
    assert found["gauge_id"].to_list() == ["g1", "g2"]
    alone = [db.estimate_lag(events, made.gauges.with_columns(lag_s=lag)) for lag in (0.41, 0.3)]
    assert found["lag_s"].to_list() == [one["lag_s"].item() for one in alone]


def test_a_lag_stated_without_uncertainty_pools_with_nothing():
    made = record(simulate.Gauge(resolution_pa=0.5), stated=(0.41, None))
    events = db.fit_events(made.tests)
    own = db.estimate_lag(events).row(0, named=True)
    found = db.estimate_lag(events, made.gauges).row(0, named=True)
    assert (found["source"], found["lag_s"]) == ("rates", own["lag_s"])


def test_the_delay_of_the_contact_meter_is_taken_off_a_stated_lag():
    gauge = simulate.Gauge(dead_time_s=0.2, time_constant_s=0.4, resolution_pa=0.5)
    logger = simulate.Logger(contact_delay_s=0.3)
    made = record(gauge, RAMPS * 2, logger=logger, stated=(0.6, 0.01))
    events = db.fit_events(made.tests)
    delay = db.Lag(0.3, u=0.01)
    found = db.estimate_lag(events, made.gauges, contact_delay=delay).row(0, named=True)
    assert (found["source"], found["behind"]) == ("pooled", "contact")
    assert found["lag_s"] == pytest.approx(0.3, abs=3.0 * found["lag_u_s"])
    # Without it the two contradict each other, and the events' own is kept.
    kept = db.estimate_lag(events, made.gauges).row(0, named=True)
    assert (kept["source"], kept["behind"]) == ("rates", "contact")
    assert kept["p_consistent"] < 0.05


def test_a_stated_lag_without_uncertainty_is_none():
    gauges = pl.DataFrame(
        {
            "gauge_id": ["g", "h"],
            "resolution_pa": [1.0, 1.0],
            "accuracy_rel": [0.0, 0.0],
            "accuracy_abs_pa": [0.0, 0.0],
            "lag_s": [0.35, 0.5],
            "lag_u_s": [None, 0.1],
        }
    )
    few = events_of([5.0, 5.0], [58.0, 58.1])
    found = db.estimate_lag(few, gauges)
    assert found["gauge_id"].to_list() == ["g", "h"]
    assert found["lag_s"].to_list() == [None, 0.5]
    assert found["status"].to_list() == ["lag_unidentified", "ok"]
    assert found["n_events"].to_list() == [2, 0]


def test_options_decide_when_a_lag_is_known():
    rng = np.random.default_rng(1)
    rate = 5.0 + 0.05 * rng.normal(size=30)
    events = events_of(rate, 60.0 - 0.4 * rate)
    assert db.estimate_lag(events)["status"].to_list() == ["lag_unidentified"]
    looser = db.estimate_lag(events, min_rate_spread=0.001)
    assert looser["lag_s"].item() == pytest.approx(0.4, abs=1e-3)
    assert db.estimate_lag(events, min_rate_spread=0.001, min_dof=100.0)["lag_s"].null_count() == 1
    noisy = events_of(rate, 60.0 - 0.4 * rate + rng.normal(size=30))
    found = db.estimate_lag(noisy, min_rate_spread=0.001)
    assert found["status"].to_list() == ["lag_unidentified"]  # u above half a second
    found = db.estimate_lag(noisy, min_rate_spread=0.001, max_u_s=50.0)
    assert found["lag_u_s"].item() > 0.5


def test_only_the_methods_asked_for_are_used():
    rate = np.linspace(2.0, 20.0, 12)
    ramp = events_of(rate, 60.0 - 0.4 * rate + 0.01 * (-1.0) ** np.arange(12))
    pinch = events_of(rate, 60.0 - 1.4 * rate, method=["pinch"] * 12)
    both = pl.concat([ramp, pinch.with_columns(test_id=pl.lit("p"))])
    assert db.estimate_lag(both)["lag_s"].item() == pytest.approx(0.4, abs=0.01)
    assert db.estimate_lag(both)["n_events"].item() == 12
    fast = db.estimate_lag(both, methods=["pinch"])
    assert fast["lag_s"].item() == pytest.approx(1.4, abs=0.01)
    assert db.estimate_lag(both, methods=[])["status"].to_list() == ["lag_unidentified"]


def test_events_whose_lag_is_taken_out_do_not_tell_a_lag_of_zero():
    made = record(simulate.Gauge(time_constant_s=0.4))
    shown = db.fit_events(made.tests)
    lags = db.estimate_lag(shown)
    assert lags["status"].to_list() == ["ok"]
    again = db.estimate_lag(db.fit_events(made.tests, lags))
    assert again["status"].to_list() == ["lag_unidentified"]


def test_events_without_a_gauge_or_a_pressure_are_passed_over():
    rate = np.linspace(2.0, 20.0, 12)
    events = events_of(rate, 60.0 - 0.4 * rate + 0.01 * (-1.0) ** np.arange(12))
    nobody = events.with_columns(gauge_id=pl.lit(None, dtype=pl.String))
    assert db.estimate_lag(nobody).is_empty()
    holes = events.with_columns(
        pressure_pa=pl.when(pl.col("rate_pa_s") < 15.0).then("pressure_pa"),
        status=pl.when(pl.col("rate_pa_s") < 15.0).then("status").otherwise(pl.lit("saturated")),
    )
    found = db.estimate_lag(holes).row(0, named=True)
    assert found["n_events"] < 12
    assert found["lag_s"] == pytest.approx(0.4, abs=0.01)


# --- the lag in the path ------------------------------------------------------------------------


def test_with_both_parts_known_the_pressure_is_that_at_the_switch():
    """A pinch, whose rate changes within the lag: the mean lag does not describe it."""
    gauge = simulate.Gauge(dead_time_s=0.2, time_constant_s=0.3, resolution_pa=0.0, noise_pa=0.05)
    fall = simulate.Pinch(fall_s=1.5, count=6, recovery_s=3.0)
    logger = simulate.Logger(sample_s=0.05, contact_sample_s=0.005)
    made = record(gauge, [fall], logger=logger)
    parts = lags_of(gauge.lag_s, 0.0).with_columns(dead_time_s=0.2, time_constant_s=0.3)
    events = db.fit_events(made.tests, parts).filter(event="open")
    assert events["lag_applied"].all()
    truth = made.truth.filter(event="open")
    assert events.height == truth.height == 6
    error = (events["pressure_pa"] - truth["pressure_pa"]).to_numpy()
    bracket = events["rate_pa_s"] * events["time_width_s"]
    u = (events["var_pressure"] + bracket**2 / 12.0).sqrt().to_numpy()
    assert (np.abs(error) < 4.0 * u).all()
    shown = db.fit_events(made.tests).filter(event="open")
    late = (shown["pressure_pa"] - truth["pressure_pa"]).to_numpy()
    assert np.abs(late).min() > 20.0 * np.abs(error).max()
    # The setpoint does not take the lag out a second time.
    point = db.setpoints(events, parts).row(0, named=True)
    assert point["open_pa"] == pytest.approx(events["pressure_pa"].mean(), abs=0.1)


def test_a_stated_lag_that_contradicts_the_events_does_not_replace_theirs():
    """A display refreshed twice a second adds a quarter of a second that no data sheet states."""
    gauge = simulate.Gauge(dead_time_s=0.1, time_constant_s=0.3, refresh_s=0.5)
    motions = [*RAMPS, *RAMPS, *RAMPS]
    made = record(gauge, motions, stated=(0.4, 0.005))
    shown = db.fit_events(made.tests)
    own = db.estimate_lag(shown).row(0, named=True)
    kept = db.estimate_lag(shown, made.gauges).row(0, named=True)
    assert abs(own["lag_s"] - 0.4) > 3.0 * np.hypot(own["lag_u_s"], 0.005)
    assert (kept["source"], kept["lag_s"]) == ("rates", own["lag_s"])
    assert kept["lag_u_s"] == pytest.approx(abs(own["lag_s"] - 0.4) / np.sqrt(12.0))


@pytest.mark.parametrize("methods", ["ramp", ("rampe",), ("ramp", "slow")])
def test_a_method_that_is_none_is_named(methods):
    """It would leave every gauge without a lag, and the advice to test at other rates."""
    with pytest.raises(db.OptionError, match="option methods"):
        db.estimate_lag(pl.DataFrame(schema=db.schema.dtypes("events")), methods=methods)
