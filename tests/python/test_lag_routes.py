"""Lag from a step and from a reference; routes pooled; gauge and contact meter kept apart."""

import numpy as np
import polars as pl
import pytest
from scipy.optimize import brentq, curve_fit
from scipy.signal import lti
from statsmodels.stats.meta_analysis import combine_effects
from statsmodels.stats.oneway import anova_generic

import deadband as db
from deadband import simulate

START = 5.0


def step(gauge, *, seed=1, logger=None, fall_s=1e-4):
    """Readings of a gauge around a fall at five seconds that is a step beside any gauge."""
    fall = simulate.Pinch(fall_s=fall_s, count=1, before_s=START, after_s=6.0)
    made = simulate.recording(
        gauge=gauge, motion=fall, logger=logger or simulate.Logger(sample_s=0.05), seed=seed
    )
    kept = made.time_s < START + 6.0
    return made.time_s[kept], made.pressure_pa[kept]


def of(gauge_id="g", **columns):
    return pl.DataFrame({"gauge_id": [gauge_id], **{name: [x] for name, x in columns.items()}})


# --- a step -------------------------------------------------------------------------------------


def test_the_response_of_a_first_order_system_gives_its_time_constant():
    """Against scipy.signal: the unit step response of 1 / (T s + 1), whose 63.2 % are at T
    (Doebelin, Measurement Systems, chapter 3; from memory)."""
    time = np.arange(0.0, 8.0, 0.02)
    _, covered = lti([1.0], [0.5, 1.0]).step(T=time)
    assert np.interp(0.632, covered, time) == pytest.approx(0.5, abs=1e-3)
    times = np.concatenate([np.arange(-3.0, 0.0, 0.02), time]) + 10.0
    noise = 0.02 * np.random.default_rng(1).normal(size=times.size)
    shown = 80.0 * np.concatenate([np.ones(150), 1.0 - covered]) + noise
    row = db.lag_from_step(times, shown, unit="Pa", start_s=10.0, start_u_s=0.0).row(0, named=True)
    assert row["status"] == "ok"
    assert row["time_constant_s"] == pytest.approx(0.5, abs=4.0 * row["time_constant_u_s"])
    assert row["lag_s"] == pytest.approx(0.5, abs=4.0 * row["lag_u_s"])
    assert row["lag_u_s"] < 1e-3


def test_where_noise_is_white_it_agrees_with_least_squares():
    """Against scipy.optimize.curve_fit: values within a tenth of u, u within a tenth."""
    gauge = simulate.Gauge(dead_time_s=0.1, time_constant_s=0.6, resolution_pa=0.0, noise_pa=0.5)
    times, shown = step(gauge, seed=4, logger=simulate.Logger(sample_s=0.02))

    def model(t, low, high, lag, constant):
        after = np.maximum(t - START - (lag - constant), 0.0)
        return low + (high - low) * np.exp(-after / constant)

    best, covariance = curve_fit(model, times, shown, p0=[0.0, 90.0, 0.7, 0.5])
    u = np.sqrt(np.diag(covariance))
    row = db.lag_from_step(times, shown, unit="Pa", start_s=START, start_u_s=0.0)
    found = row.row(0, named=True)
    assert found["lag_s"] == pytest.approx(best[2], abs=0.1 * u[2])
    assert found["time_constant_s"] == pytest.approx(best[3], abs=0.1 * u[3])
    assert found["lag_u_s"] == pytest.approx(u[2], rel=0.1)
    assert found["time_constant_u_s"] == pytest.approx(u[3], rel=0.1)


def test_a_step_without_a_start_has_a_time_constant_and_no_lag():
    times, shown = step(simulate.Gauge())
    row = db.lag_from_step(times, shown, unit="Pa", gauge_id="g").row(0, named=True)
    assert row["time_constant_s"] == pytest.approx(0.3, abs=4.0 * row["time_constant_u_s"])
    assert row["lag_s"] is row["dead_time_s"] is None
    assert row["status"] == "lag_unidentified"
    assert "start" in row["reason"]
    with pytest.raises(db.DeadbandError, match="start"):
        db.Lag.of(of(lag_s=None, lag_u_s=None, reason=row["reason"]))


def test_the_unit_of_the_readings_changes_nothing():
    times, shown = step(simulate.Gauge())
    one = db.lag_from_step(times, shown, unit="Pa", start_s=START).row(0, named=True)
    other = db.lag_from_step(times, shown / 100.0, unit="hPa", start_s=START).row(0, named=True)
    assert other["lag_s"] == pytest.approx(one["lag_s"], abs=0.1 * one["lag_u_s"])


def test_a_lag_from_a_step_takes_itself_out_of_a_pinch():
    gauge = simulate.Gauge(dead_time_s=0.2, time_constant_s=0.3, resolution_pa=0.0, noise_pa=0.05)
    row = db.lag_from_step(*step(gauge), unit="Pa", gauge_id="g1", start_s=START, start_u_s=0.0)
    motion = simulate.Pinch(fall_s=1.5, count=6, recovery_s=3.0)
    logger = simulate.Logger(sample_s=0.05, contact_sample_s=0.005)
    plan = simulate.PlannedTest(
        test_id="t1",
        unit=simulate.Unit(switch_id="s1", rated_pa=60.0),
        instrument=simulate.Instrument(gauge_id="g1", gauge=gauge),
        motion=motion,
        logger=logger,
    )
    made = simulate.fleet([plan], seed=5)
    events = db.fit_events(made.tests, db.combine_lags(row)).filter(event="open")
    truth = made.truth.filter(event="open")["pressure_pa"]
    assert events["lag_applied"].all()
    assert (events["pressure_pa"] - truth).abs().max() < 1.0
    assert db.Lag.of(row).dead_time_s == pytest.approx(0.2, abs=0.01)


@pytest.mark.parametrize(
    ("times", "shown", "kind"),
    [
        ([], [], "too_few_samples"),
        (np.arange(20.0), np.arange(19.0), "length_mismatch"),
        (np.zeros(20), np.arange(20.0), "time_not_increasing"),
        (np.arange(20.0), np.full(20, np.nan), "not_finite"),
    ],
)
def test_readings_that_cannot_be_worked_on_are_refused(times, shown, kind):
    with pytest.raises(db.RecordingError) as step_error:
        db.lag_from_step(times, shown, unit="Pa")
    with pytest.raises(db.RecordingError) as pair_error:
        db.lag_from_reference(times, shown, np.arange(30.0), np.arange(30.0), unit="Pa")
    assert (step_error.value.kind, pair_error.value.kind) == (kind, kind)


def test_bad_options_are_named():
    times, shown = step(simulate.Gauge())
    with pytest.raises(db.OptionError, match="furlong"):
        db.lag_from_step(times, shown, unit="furlong")
    with pytest.raises(db.DeadbandError, match="start_u_s"):
        db.lag_from_step(times, shown, unit="Pa", start_s=START, start_u_s=-1.0)
    with pytest.raises(db.DeadbandError, match="max_lag_s"):
        db.lag_from_reference(times, shown, times, shown, unit="Pa", max_lag_s=0.0)
    with pytest.raises(db.DeadbandError, match="contact_delay"):
        db.combine_lags(of(lag_s=0.4, lag_u_s=0.1), contact_delay=0.1)
    with pytest.raises(db.DeadbandError, match="no lags"):
        db.combine_lags()


# --- a reference --------------------------------------------------------------------------------


def test_a_pressure_that_never_moves_tells_no_lag():
    times, rng = np.arange(0.0, 20.0, 0.1), np.random.default_rng(2)
    still = [50.0 + rng.normal(size=200) for _ in range(2)]
    row = db.lag_from_reference(times, still[0], times, still[1], unit="Pa").row(0, named=True)
    assert row["lag_s"] is None
    assert (row["status"], row["source"]) == ("lag_unidentified", "reference")
    assert "does not move" in row["reason"]


def test_a_wave_tells_a_lag_within_half_its_period_and_says_so():
    times, rng = np.arange(0.0, 24.0, 0.1), np.random.default_rng(3)

    def shown(late):
        wave = 50.0 + 20.0 * np.sin(2.0 * np.pi * (times - late) / 3.0)
        return wave + rng.normal(0.0, 0.3, times.size)

    pair = times, shown(0.4), times, shown(0.0)
    row = db.lag_from_reference(*pair, unit="Pa").row(0, named=True)
    assert (row["lag_s"], row["status"]) == (None, "lag_unidentified")
    assert "repeats itself" in row["reason"]
    assert "max_lag_s below half a period" in row["reason"]
    row = db.lag_from_reference(*pair, unit="Pa", max_lag_s=1.0).row(0, named=True)
    assert abs(row["lag_s"] - 0.4) < 3.0 * row["lag_u_s"]
    assert row["lag_u_s"] < 0.03

    turned = times, 100.0 - pair[1], times, pair[3]
    reason = db.lag_from_reference(*turned, unit="Pa", max_lag_s=0.5)["reason"].item()
    assert "do not follow the reference" in reason


# --- pooling ------------------------------------------------------------------------------------

CASES = [
    ([0.40, 0.42], [0.01, 0.02]),
    ([0.31, 0.52, 0.44], [0.02, 0.03, 0.05]),
    ([0.36, 0.35, 0.52, 0.42, 0.38], [0.02, 0.05, 0.04, 0.02, 0.10]),
]


@pytest.mark.parametrize(("lags", "u"), CASES)
def test_pooling_agrees_with_meta_analysis(lags, u):
    """Against statsmodels.stats.meta_analysis.combine_effects: fixed effect where Q agrees, Paule
    and Mandel's random effect where it does not."""
    routes = [of(lag_s=lag, lag_u_s=one) for lag, one in zip(lags, u, strict=True)]
    found = db.combine_lags(*routes).row(0, named=True)
    known = combine_effects(np.array(lags), np.square(u), method_re="iterated", atol=1e-14)
    assert found["q"] == pytest.approx(known.q, rel=1e-9)
    assert found["p_consistent"] == pytest.approx(known.test_homogeneity().pvalue, rel=1e-9)
    agree = found["p_consistent"] >= 0.05
    mean, sd = (
        (known.mean_effect_fe, known.sd_eff_w_fe)
        if agree
        else (known.mean_effect_re, known.sd_eff_w_re)
    )
    assert found["lag_s"] == pytest.approx(mean, rel=1e-6)
    assert found["lag_u_s"] == pytest.approx(sd, rel=1e-6)
    between = 0.0 if agree else np.sqrt(known.tau2)
    assert found["between_routes_s"] == pytest.approx(between, rel=1e-6)
    assert found["source"] == "pooled"
    assert found["n_routes"] == len(lags)


@pytest.mark.parametrize("dof", [(3.0, 8.0), (4.0, 9.0, 30.0)])
def test_few_degrees_of_freedom_are_allowed_for(dof):
    """Against statsmodels.stats.oneway.anova_generic, unequal variances (Welch 1951)."""
    lags, u = np.array([0.30, 0.50, 0.41])[: len(dof)], np.array([0.05, 0.06, 0.02])[: len(dof)]
    nobs = np.array(dof) + 1.0
    known = anova_generic(lags, u**2 * nobs, nobs, use_var="unequal", welch_correction=True)
    routes = [of(lag_s=lag, lag_u_s=one, dof=nu) for lag, one, nu in zip(lags, u, dof, strict=True)]
    found = db.combine_lags(*routes).row(0, named=True)
    assert found["p_consistent"] == pytest.approx(known.pvalue, rel=1e-9)


def test_far_apart_routes_meet_paule_and_mandel_s_equation():
    """Against scipy.optimize.brentq on `sum (x - mean)**2 / (u**2 + between**2) = k - 1`, in a case
    where the iteration of statsmodels stays at its start."""
    lags, u = np.array([0.30, 0.35, 0.61, 0.42, 0.38]), np.array([0.02, 0.05, 0.04, 0.01, 0.10])

    def excess(square):
        weights = 1.0 / (u**2 + square)
        mean = (weights * lags).sum() / weights.sum()
        return (weights * (lags - mean) ** 2).sum() - 4.0

    square = brentq(excess, 0.0, 1.0, xtol=1e-15)
    weights = 1.0 / (u**2 + square)
    routes = [of(lag_s=lag, lag_u_s=one) for lag, one in zip(lags, u, strict=True)]
    found = db.combine_lags(*routes).row(0, named=True)
    assert found["between_routes_s"] == pytest.approx(np.sqrt(square), rel=1e-9)
    assert found["lag_s"] == pytest.approx((weights * lags).sum() / weights.sum(), rel=1e-9)
    assert found["lag_u_s"] == pytest.approx(weights.sum() ** -0.5, rel=1e-9)


def test_nine_laboratories_scatter_as_published(reference):
    """Kacker (2004), table 1: Paule and Mandel's estimate; the values stand for seconds here."""
    published = reference("P01-kacker-2004-paule-mandel")
    inputs, (expected,) = published["inputs"], published["expected"]
    rows = zip(inputs["x"], inputs["variance"], strict=True)
    routes = [of(lag_s=x, lag_u_s=variance**0.5) for x, variance in rows]
    found = db.combine_lags(*routes).row(0, named=True)
    assert found["between_routes_s"] == pytest.approx(expected["value"], abs=expected["tolerance"])
    assert found["p_consistent"] < 0.05


def test_a_route_alone_keeps_its_name_and_its_numbers():
    row = of(lag_s=0.4, lag_u_s=0.02, dof=7.0, source="step", behind="pressure")
    found = db.combine_lags(row, of(lag_s=0.3, lag_u_s=None)).row(0, named=True)
    assert (found["source"], found["n_routes"], found["behind"]) == ("step", 1, "pressure")
    assert (found["lag_s"], found["lag_u_s"], found["dof"]) == (0.4, 0.02, 7.0)


def test_gauges_stay_apart_and_none_disappears():
    rates = of("a", lag_s=0.3, lag_u_s=0.01, source="rates", n_events=12)
    other = of("b", lag_s=None, lag_u_s=None, source="rates", reason="rates too alike")
    found = db.combine_lags(pl.concat([rates, other], how="diagonal_relaxed"))
    assert found["gauge_id"].to_list() == ["a", "b"]
    assert found["status"].to_list() == ["ok", "lag_unidentified"]
    assert found["reason"].to_list() == [None, "rates too alike"]
    assert found["n_events"].to_list() == [12, 0]
    assert isinstance(db.combine_lags(rates.lazy()), pl.LazyFrame)


def test_the_order_of_the_tables_changes_nothing():
    routes = [
        of(lag_s=lag, lag_u_s=0.02, source=source)
        for lag, source in [(0.40, "step"), (0.43, "reference"), (0.41, "stated")]
    ]
    assert db.combine_lags(*routes).equals(db.combine_lags(*routes[::-1]))


# --- gauge and contact meter --------------------------------------------------------------------


def test_the_delay_of_the_contact_meter_lies_between_the_two_lags():
    """The rate route finds gauge less meter, the step route the gauge; together with the delay
    they agree, without it they are not compared."""
    gauge = simulate.Gauge(dead_time_s=0.1, time_constant_s=0.5, resolution_pa=0.5)
    plan = [
        simulate.PlannedTest(
            test_id=f"t{rate}",
            unit=simulate.Unit(switch_id="s1", rated_pa=60.0),
            instrument=simulate.Instrument(gauge_id="g1", gauge=gauge),
            motion=simulate.Ramp(rate_pa_s=rate, rate_spread=0.3),
            logger=simulate.Logger(contact_delay_s=0.3),
        )
        for rate in (2.0, 4.0, 8.0, 12.0)
    ]
    made = simulate.fleet(plan, seed=7)
    shown = db.fit_events(made.tests)
    rates = db.estimate_lag(shown)
    own = db.lag_from_step(*step(gauge), unit="Pa", gauge_id="g1", start_s=START, start_u_s=0.0)
    assert (rates["behind"].item(), own["behind"].item()) == ("contact", "pressure")
    apart = own["lag_s"].item() - rates["lag_s"].item()
    u = np.hypot(own["lag_u_s"].item(), rates["lag_u_s"].item())
    assert apart == pytest.approx(0.3, abs=3.0 * u)

    alone = db.combine_lags(rates, own).row(0, named=True)
    assert (alone["behind"], alone["n_routes"]) == ("contact", 1)
    assert alone["lag_s"] == rates["lag_s"].item()

    both = db.combine_lags(rates, own, contact_delay=db.Lag(0.3, u=0.01))
    row = both.row(0, named=True)
    assert (row["behind"], row["n_routes"], row["source"]) == ("contact", 2, "pooled")
    assert row["p_consistent"] > 0.01
    assert row["lag_s"] == pytest.approx(0.3, abs=3.0 * row["lag_u_s"])
    assert row["lag_u_s"] < rates["lag_u_s"].item()

    nothing = db.combine_lags(rates, own, contact_delay=db.Lag(0.0, u=0.0)).row(0, named=True)
    assert nothing["p_consistent"] < 0.05
    assert nothing["lag_u_s"] > 10.0 * row["lag_u_s"]

    points = db.setpoints(db.fit_events(made.tests, both), both)
    truth = simulate.Switch()
    assert points["status"].to_list() == ["ok"] * 4
    error = (points["open_pa"] - made.truth.filter(event="open")["threshold_pa"].mean()).abs()
    assert (error < 4.0 * points["open_u_pa"] + truth.repeatability_pa).all()
