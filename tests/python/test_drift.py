"""Trends over repeat tests against SciPy, NumPy and pymannkendall, and the dates forecast."""

from datetime import date, datetime, timedelta

import numpy as np
import polars as pl
import pymannkendall
import pytest
from scipy import stats

import deadband as db
from deadband import OptionError
from recordings import switches_of

YEAR = timedelta(days=365.2425)
START = datetime(2015, 3, 1)


def points_of(years, values, u=0.2, **columns):
    n = len(years)
    return pl.DataFrame(
        {
            "test_id": [f"t{index:03d}" for index in range(n)],
            "switch_id": ["s1"] * n,
            "tested_at": [START + year * YEAR for year in years],
            "close_pa": [None] * n,
            "close_u_pa": [None] * n,
            "open_pa": values,
            "open_u_pa": np.broadcast_to(u, n),
            **columns,
        },
        schema_overrides={"open_pa": pl.Float64, "close_pa": pl.Float64, "close_u_pa": pl.Float64},
    )


def trend(years, values, u=0.2, **options):
    found = db.drift(points_of(years, values, u), **options)
    assert found.height == 1
    return found.row(0, named=True)


def history(seed, n, *, digits=None):
    """Uneven dates and values with a weak trend; `digits` rounds the values into ties."""
    rng = np.random.default_rng(seed)
    years = np.sort(rng.uniform(0.0, 10.0, n))
    values = 60.0 - 0.1 * years + rng.normal(size=n)
    return years, values if digits is None else np.round(values, digits)


# --- without uncertainties ----------------------------------------------------------------------


@pytest.mark.parametrize("n", [4, 5, 8, 13, 40, 41, 80])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_median_slope_is_that_of_scipy(n, seed):
    years, values = history(seed, n)
    found = trend(years, values)
    slope, _, low, high = stats.theilslopes(values, years, 0.95)
    assert found["n_tests"] == n
    # Dates are kept to the microsecond.
    assert found["sen_pa_year"] == pytest.approx(slope, rel=1e-9)
    if n > 40:
        # SciPy rounds the ranks of its limits, we interpolate: a rank apart at most.
        slopes = np.sort(
            [(values[j] - values[i]) / (years[j] - years[i]) for j in range(n) for i in range(j)]
        )
        for ours, theirs in ((found["sen_low_pa_year"], low), (found["sen_high_pa_year"], high)):
            assert abs(np.searchsorted(slopes, ours) - np.searchsorted(slopes, theirs)) <= 1


@pytest.mark.parametrize("n", [6, 8, 13, 20])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_interval_of_few_tests_holds_what_the_exact_test_does_not_reject(n, seed):
    """SciPy's limits are of the normal approximation; its exact Kendall test is inverted here."""
    years, values = history(seed, n)
    found = trend(years, values)

    def p_value(slope):
        return stats.kendalltau(years, values - slope * years, method="exact").pvalue

    inward = 1e-6
    for limit, way in ((found["sen_low_pa_year"], 1.0), (found["sen_high_pa_year"], -1.0)):
        assert p_value(limit + way * inward) > 0.05
        assert p_value(limit - way * inward) < 0.05


def test_four_tests_cannot_bound_a_slope():
    """Of 24 orders 2 are as extreme as a strict one: 8 %, so there is no 95 % interval."""
    found = trend([0.0, 1.0, 2.0, 3.0], [60.0, 59.0, 58.0, 57.2])
    assert found["sen_low_pa_year"] is found["sen_high_pa_year"] is None
    assert found["p_trend"] == pytest.approx(2.0 / 24.0)


@pytest.mark.parametrize("n", [4, 7, 12, 25, 40])
def test_kendalls_p_is_exact_for_few_tests(n):
    years, values = history(n, n)
    found = trend(years, values)
    exact = stats.kendalltau(years, values, method="exact")
    assert found["kendall_tau"] == pytest.approx(exact.statistic, abs=1e-12)
    assert found["p_trend"] == pytest.approx(exact.pvalue, rel=1e-9)


@pytest.mark.parametrize("digits", [None, 0])
@pytest.mark.parametrize("n", [41, 100])
def test_kendalls_p_is_that_of_pymannkendall_for_many_tests(n, digits):
    years, values = history(n, n, digits=digits)
    found = trend(years, values)
    other = pymannkendall.original_test(values)
    assert found["kendall_tau"] == pytest.approx(other.Tau, abs=1e-12)
    assert found["p_trend"] == pytest.approx(other.p, rel=1e-9)
    assert found["sen_pa_year"] == pytest.approx(stats.theilslopes(values, years)[0], abs=1e-9)


def test_ties_between_few_tests_count_as_what_they_are():
    """Exact with ties; pymannkendall's normal approximation comes near at thirty tests."""
    years, values = history(3, 30, digits=0)
    found = trend(years, values)
    other = pymannkendall.original_test(values)
    assert len(set(values)) < 10
    assert found["kendall_tau"] == pytest.approx(other.Tau, abs=1e-12)
    assert found["p_trend"] == pytest.approx(other.p, abs=0.005)
    assert found["p_trend"] != other.p


# --- with uncertainties -------------------------------------------------------------------------


def test_scatter_beyond_the_uncertainties_gives_ordinary_least_squares():
    years, values = history(5, 12)
    found = trend(years, values, u=1e-4)
    line = stats.linregress(years, values)
    assert found["slope_pa_year"] == pytest.approx(line.slope, rel=1e-6)
    assert found["slope_u_pa_year"] == pytest.approx(line.stderr, rel=1e-5)
    assert found["slope_dof"] == pytest.approx(10.0, rel=1e-4)
    rest = values - line.intercept - line.slope * years
    assert found["excess_pa"] == pytest.approx(np.sqrt((rest**2).sum() / 10.0), rel=1e-5)
    assert found["level_pa"] == pytest.approx(line.intercept + line.slope * years[-1], rel=1e-9)


def test_uncertainties_beyond_the_scatter_weigh_as_they_are():
    rng = np.random.default_rng(6)
    years = np.arange(9.0)
    u = rng.uniform(0.5, 3.0, 9)
    values = 60.0 - 0.3 * years + 0.05 * rng.normal(size=9)
    found = trend(years, values, u=u)
    (slope, level), covariance = np.polyfit(years - 8.0, values, 1, w=1.0 / u, cov="unscaled")
    assert found["excess_pa"] == 0.0
    assert found["slope_pa_year"] == pytest.approx(slope, rel=1e-8)
    assert found["slope_u_pa_year"] == pytest.approx(np.sqrt(covariance[0, 0]), rel=1e-8)
    assert found["level_pa"] == pytest.approx(level, rel=1e-9)
    assert found["level_u_pa"] == pytest.approx(np.sqrt(covariance[1, 1]), rel=1e-8)


# --- how many tests, which tests ----------------------------------------------------------------


@pytest.mark.parametrize("n", [1, 2, 3])
def test_too_few_tests_say_so_and_are_counted(n):
    found = trend(np.arange(float(n)), np.arange(float(n)), switches=switches_of())
    assert (found["n_tests"], found["status"]) == (n, "too_few_samples")
    numbers = [name for name in found if name.endswith(("_year", "_pa", "_dof", "trend", "tau"))]
    assert len(numbers) >= 10
    assert all(found[name] is None for name in numbers)
    assert found["crosses_on"] is None


def test_tests_of_one_day_have_no_trend():
    assert trend([1.0] * 6, [60.0, 60.1, 60.2, 60.0, 60.1, 60.3])["status"] == "too_few_samples"


def test_equal_values_have_a_slope_of_zero():
    found = trend(np.arange(6.0), [60.0] * 6)
    assert found["status"] == "ok"
    assert found["slope_pa_year"] == pytest.approx(0.0, abs=1e-12)
    assert found["sen_pa_year"] == 0.0
    assert found["p_trend"] is None


def test_tests_without_a_setpoint_or_a_date_do_not_count():
    years, values = history(7, 9)
    whole = points_of(years, values)
    more = pl.concat(
        [
            whole,
            points_of([11.0, 12.0], [None, 50.0], u=0.2).with_columns(
                test_id=pl.lit("x"),
                tested_at=pl.when(pl.col("open_pa").is_null()).then("tested_at"),
            ),
        ]
    )
    assert db.drift(more).equals(db.drift(whole))
    alone = db.drift(more.filter(test_id="x")).row(0, named=True)
    assert (alone["n_tests"], alone["status"]) == (0, "too_few_samples")


def test_the_event_asked_for_is_followed():
    years, values = history(8, 9)
    other = points_of(years, [60.0] * 9, close_pa=values, close_u_pa=[0.2] * 9)
    same = db.drift(points_of(years, values))
    assert db.drift(other, event="close").equals(same)
    assert db.drift(other)["slope_pa_year"].item() == pytest.approx(0.0, abs=1e-12)


def test_groups_are_apart_and_sorted():
    years, values = history(9, 8)
    both = pl.concat(
        [
            points_of(years, values + 5.0, switch_id=["s2"] * 8, test_id=[*"abcdefgh"]),
            points_of(years, values, switch_id=["s1"] * 8),
        ]
    )
    found = db.drift(both)
    assert found["switch_id"].to_list() == ["s1", "s2"]
    assert found["n_tests"].to_list() == [8, 8]
    slopes = found["slope_pa_year"].to_list()
    assert slopes[0] == pytest.approx(slopes[1], rel=1e-9)
    nobody = both.with_columns(switch_id=pl.lit(None, dtype=pl.String))
    assert db.drift(nobody).is_empty()


# --- methods, and histories of days ---------------------------------------------------------------


def mixed(*methods, seed=10):
    """Slow ramps that drift by 1.3 Pa a year, and pinches that read 10 Pa lower, at the end."""
    rng = np.random.default_rng(seed)
    years = np.arange(float(len(methods)))
    low = np.array([10.0 * (method == "pinch") for method in methods])
    values = 60.0 - 1.3 * years - low + 0.1 * rng.normal(size=len(methods))
    return points_of(years, values, method=list(methods))


def test_a_pinch_is_no_part_of_the_trend_of_ramps():
    both = mixed(*["ramp"] * 5, "pinch", "ramp", "in_service")
    found = db.drift(both).row(0, named=True)
    alone = db.drift(both.filter(method="ramp")).row(0, named=True)
    assert (found.pop("n_left_out"), alone.pop("n_left_out")) == (2, 0)
    assert found == alone
    assert found["slope_pa_year"] == pytest.approx(-1.3, abs=4 * found["slope_u_pa_year"])
    assert found["slope_u_pa_year"] < 0.1
    together = db.drift(both, methods=("ramp", "pinch", "in_service")).row(0, named=True)
    assert (together["n_tests"], together["n_left_out"]) == (8, 0)
    assert together["slope_u_pa_year"] > 0.3


def test_tests_of_other_methods_are_counted_only_where_they_could_have_been_used():
    both = mixed(*["ramp"] * 4, "pinch", "pinch").with_columns(
        open_pa=pl.when(pl.int_range(pl.len()) < 5).then("open_pa")
    )
    assert db.drift(both)["n_left_out"].item() == 1
    none = db.drift(both.filter(method="pinch"))
    assert none.select("n_tests", "n_left_out", "status").row(0) == (0, 1, "too_few_samples")


def test_methods_that_nobody_states_are_one():
    stated = mixed(*["ramp"] * 6)
    silent = stated.with_columns(method=pl.lit(None, dtype=pl.String))
    assert db.drift(silent).equals(db.drift(stated))
    assert db.drift(stated.drop("method")).equals(db.drift(stated))
    partly = stated.with_columns(method=pl.when(pl.int_range(pl.len()) != 2).then("method"))
    assert db.drift(partly).select("n_tests", "n_left_out").row(0) == (5, 1)


@pytest.mark.parametrize("methods", ["ramp", (), ("rampe",), ("ramp", "rampe")])
def test_a_method_that_is_not_known_is_refused(methods):
    with pytest.raises(OptionError, match="methods"):
        db.drift(mixed("ramp"), methods=methods)


def test_a_few_days_tell_no_yearly_rate():
    """The scatter of 0.3 Pa within five days would be a rate of tens of pascal a year."""
    rng = np.random.default_rng(11)
    years = np.sort(rng.uniform(0.0, 5.0, 10)) / 365.2425
    values = 60.0 + 0.3 * rng.normal(size=10)
    found = trend(years, values, switches=switches_of())
    assert found["status"] == "span_too_short"
    assert found["span_years"] == pytest.approx(years[-1] - years[0], abs=1e-9)
    assert all(found[name] is None for name in found if name.endswith("_year"))
    assert found["crosses_on"] is found["crosses_from"] is found["crosses_to"] is None
    assert found["outlook"] is found["p_towards"] is None
    assert found["level_pa"] == pytest.approx(60.0, abs=1.0)
    assert found["p_below"] < 1e-3
    low = trend(years, values - 10.0, switches=switches_of())
    assert (low["outlook"], low["status"]) == ("already_below", "span_too_short")
    assert trend(years, values)["status"] == "span_too_short"


def test_a_short_history_that_is_sure_keeps_its_rate_and_a_long_vague_one_too():
    years = np.arange(8.0) / 16.0
    sure = trend(years, 60.0 - 4.0 * years, u=0.05, switches=switches_of())
    assert sure["status"] == "ok"
    assert sure["slope_pa_year"] == pytest.approx(-4.0, abs=1e-9)
    vague = trend(np.arange(8.0) / 6.0, [60.0] * 8, u=9.0, switches=switches_of())
    assert 1.96 * vague["slope_u_pa_year"] > 6.0
    assert vague["status"] == "ok"
    narrow = switches_of(tolerance=0.005)
    assert trend(years, 60.0 - 4.0 * years, u=0.05, switches=narrow)["status"] == "ok"
    narrower = switches_of(tolerance=0.001)
    strict = trend(years, 60.0 - 4.0 * years, u=0.05, switches=narrower)
    assert strict["status"] == "span_too_short"


# --- dates --------------------------------------------------------------------------------------


def forecast(slope, *, first=60.0, u=0.05, scatter=0.0, rated_pa=60.0):
    """Eight tests, one a year, of a switch whose lower limit is 0.9 of its rating."""
    years = np.arange(8.0)
    wobble = scatter * np.array([1, -1, -1, 1, 1, -1, -1, 1])
    values = first + slope * years + wobble
    return trend(years, values, u=u, switches=switches_of(rated_pa=rated_pa))


def test_the_date_is_where_the_line_meets_the_lower_limit():
    found = forecast(-0.5)
    # 60 Pa less 0.5 Pa a year meets 54 Pa after twelve years.
    assert abs(found["crosses_on"] - (START + 12 * YEAR).date()) <= timedelta(days=1)
    assert found["crosses_from"] < found["crosses_on"] < found["crosses_to"]
    assert found["p_towards"] > 0.999
    narrower = forecast(-0.5, u=0.01)
    assert narrower["crosses_from"] > found["crosses_from"]
    assert narrower["crosses_to"] < found["crosses_to"]


def test_the_limits_are_where_the_band_meets_it():
    """Fieller's limits: the band of the line, from NumPy's covariance, is at 54 Pa there."""
    years = np.arange(8.0)
    u = 0.4
    found = forecast(-0.5, u=u)
    coefficients, covariance = np.polyfit(
        years, 60.0 - 0.5 * years, 1, w=np.full(8, 1.0 / u), cov="unscaled"
    )
    for name, way in (("crosses_from", -1.0), ("crosses_to", 1.0)):
        at = (found[name] - START.date()) / YEAR
        ray = np.array([at, 1.0])
        edge = ray @ coefficients + way * 1.959964 * np.sqrt(ray @ covariance @ ray)
        assert edge == pytest.approx(54.0, abs=3e-3)  # two days of half a pascal a year


def test_never_is_an_answer():
    rising = forecast(0.5)
    assert rising["crosses_on"] is rising["crosses_from"] is rising["crosses_to"] is None
    assert rising["p_towards"] < 0.001
    flat = forecast(0.0, u=1.0)
    assert flat["crosses_to"] is None
    assert flat["p_towards"] == pytest.approx(0.5, abs=1e-6)
    assert isinstance(flat["crosses_from"], date)


def test_what_is_below_already_has_no_date_but_says_so():
    surely = forecast(-0.5, first=55.0)
    assert surely["outlook"] == "already_below"
    assert surely["p_below"] > 0.999
    assert surely["crosses_on"] is surely["crosses_from"] is surely["crosses_to"] is None
    rising = forecast(0.1, first=50.0)
    assert (rising["outlook"], rising["crosses_to"]) == ("already_below", None)


def test_what_is_perhaps_below_already_says_how_sure_that_is():
    """The line is 0.1 Pa below the limit at the last test, its interval reaches above."""
    found = forecast(-0.5, first=57.4, u=0.4)
    last = (START + 7 * YEAR).date()
    assert found["outlook"] == "already_below"
    assert found["crosses_on"] is found["crosses_from"] is None
    assert found["crosses_to"] > last
    below = stats.norm.cdf((54.0 - found["level_pa"]) / found["level_u_pa"])
    assert 0.5 < found["p_below"] < 0.8
    assert found["p_below"] == pytest.approx(below, abs=1e-9)
    above = forecast(-0.5, first=57.6, u=0.4)
    assert above["outlook"] == "crosses"
    assert above["p_below"] == pytest.approx(1.0 - below, abs=1e-6)
    assert (above["crosses_from"], above["crosses_on"] > last) == (last, True)


def test_the_outlook_tells_the_dates_that_are_null_apart():
    outlooks = [
        forecast(-0.5)["outlook"],
        forecast(0.0, u=1.0, first=59.9)["outlook"],
        forecast(0.5)["outlook"],
        trend(np.arange(8.0), [60.0] * 8)["outlook"],
    ]
    assert outlooks == ["crosses", "may_cross", "never", None]


def test_a_date_beyond_the_calendar_is_null():
    found = forecast(-1e-6, u=1e-9, scatter=0.0)
    assert found["slope_pa_year"] == pytest.approx(-1e-6, rel=1e-3)
    assert found["crosses_on"] is None
    assert found["status"] == "ok"


def test_without_a_rating_there_is_no_date():
    years, values = history(4, 8)
    for switches in (None, switches_of(switch_id="other"), switches_of(rated_pa=None)):
        found = trend(years, values, switches=switches)
        assert found["status"] == "ok"
        assert found["crosses_on"] is found["p_towards"] is None
    by_gauge = points_of(years, values, gauge_id=["g1"] * 8)
    assert db.drift(by_gauge, by="gauge_id", switches=switches_of())["crosses_on"].item() is None
