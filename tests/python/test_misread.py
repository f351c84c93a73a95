"""A recording in a wrong unit, or under a wrong switch, does not enter the lag and is named."""

import polars as pl
import pytest

import deadband as db
from deadband import simulate

# Pa in an inch of water, a millimetre of water, a hectopascal, a kilopascal, a pound per square
# inch (NIST SP 811), and in the closest two of them by each other.
FACTORS = [249.0889, 9.80665, 100.0, 1000.0, 6894.757, 2.490889]
RETEST, GOOD = "s2-1", "s2-0"


def fleet(retests=1):
    gauge = simulate.Gauge(dead_time_s=0.1, time_constant_s=0.3)
    plan = [
        simulate.PlannedTest(
            test_id=f"s{i}-{k}",
            unit=simulate.Unit(
                switch_id=f"s{i}",
                rated_pa=58.0 + i,
                switch=simulate.Switch(open_pa=58.0 + i, close_pa=68.0 + i),
            ),
            instrument=simulate.Instrument(gauge_id="g", gauge=gauge),
            motion=simulate.Ramp(rate_pa_s=4.0 + 1.5 * ((i + k) % 4), rate_spread=0.3),
        )
        for i in range(4)
        for k in range(1 + retests)
    ]
    return simulate.fleet(plan, seed=3)


@pytest.fixture(scope="module")
def made():
    return fleet()


@pytest.fixture(scope="module")
def events(made):
    return db.fit_events(made.tests)


def spoilt(events, factor, test=RETEST):
    """What the events of a test are where its recording is read in a wrong unit."""
    powers = {"pressure_pa": 1, "rate_pa_s": 1, "var_pressure": 2, "var_rate": 2}
    powers["cov_pressure_rate"] = 2
    return events.with_columns(
        pl.when(pl.col("test_id") == test).then(pl.col(name) * factor**power).otherwise(name)
        for name, power in powers.items()
    )


def lag_of(events, **options):
    return db.estimate_lag(events, **options).row(0, named=True)


def numbers(row):
    return [row[name] for name in ("lag_s", "lag_u_s", "dof", "n_events")]


def without(events, *tests):
    return events.filter(~pl.col("test_id").is_in(tests))


@pytest.mark.parametrize("factor", [*FACTORS, *(1.0 / factor for factor in FACTORS)])
def test_a_retest_in_a_wrong_unit_is_left_out_and_named(made, events, factor):
    wrong = spoilt(events, factor)
    row = lag_of(wrong, switches=made.switches)
    assert row["status"] == "ok"
    assert numbers(row) == numbers(lag_of(without(events, RETEST)))
    assert f"test {RETEST} (about" in row["reason"]
    assert "of the rating" in row["reason"] or "times the rating" in row["reason"]
    assert GOOD not in row["reason"]

    # Without a rating either of the two may be the wrong one.
    row = lag_of(wrong)
    assert numbers(row) == numbers(lag_of(without(events, RETEST, GOOD)))
    assert RETEST in row["reason"]
    assert GOOD in row["reason"]


def test_the_unit_is_named_where_the_factor_is_near_it(events):
    assert "as if Pa were inH2O" in lag_of(spoilt(events, FACTORS[0]))["reason"]
    assert "as if in mmH2O" in lag_of(spoilt(events, 1.0 / FACTORS[1]))["reason"]
    assert "as if" not in lag_of(spoilt(events, 17.0))["reason"]


@pytest.mark.parametrize("factor", [249.0889, 1.0 / 249.0889])
def test_a_wrong_unit_under_a_switch_of_its_own_does_not_sharpen_the_lag(made, events, factor):
    alone = without(events, GOOD)
    row = lag_of(spoilt(alone, factor), switches=made.switches)
    assert numbers(row) == numbers(lag_of(without(events, GOOD, RETEST)))
    assert RETEST in row["reason"]


def test_the_odd_one_of_three_is_named():
    three = db.fit_events(fleet(retests=2).tests)
    row = lag_of(spoilt(three, 249.0889))
    assert numbers(row) == numbers(lag_of(without(three, RETEST)))
    assert GOOD not in row["reason"]


def test_what_is_right_is_left_as_it_is(made, events):
    clean = lag_of(events)
    assert clean["reason"] is None
    assert clean["n_events"] == events.height
    # Ratings in another unit are wrong alike; one that is wrong by itself costs its tests alone.
    rated = made.switches.with_columns(pl.col("rated_pa") / 249.0889)
    assert lag_of(events, switches=rated) == clean
    one = made.switches.with_columns(
        pl.when(pl.col("switch_id") == "s2").then(0.24).otherwise("rated_pa").alias("rated_pa")
    )
    assert numbers(lag_of(events, switches=one)) == numbers(lag_of(without(events, RETEST, GOOD)))
    # Switches of one gauge may differ by any factor.
    many = events.with_columns(switch_id=pl.col("test_id"))
    assert lag_of(spoilt(many, 249.0889))["reason"] is None


def test_where_too_little_is_left_the_reason_names_the_tests(events):
    pair = events.filter(pl.col("switch_id") == "s2")
    row = lag_of(spoilt(pair, 249.0889))
    assert row["status"] == "lag_unidentified"
    assert RETEST in row["reason"]
    assert GOOD in row["reason"]


def test_events_that_disagree_are_named(events):
    shifted = events.with_columns(
        pressure_pa=pl.col("pressure_pa") + pl.when(test_id=RETEST).then(15.0).otherwise(0.0)
    )
    row = lag_of(shifted)
    assert row["status"] == "lag_unidentified"
    assert f"the events of a switch disagree (look at {GOOD}, {RETEST})" in row["reason"]


def test_a_test_that_was_left_out_is_not_looked_at_again(made, events):
    shifted = events.with_columns(
        pressure_pa=pl.col("pressure_pa") + pl.when(test_id=RETEST).then(15.0).otherwise(0.0)
    )
    row = lag_of(spoilt(shifted, 249.0889, "s1-1"), switches=made.switches)
    assert "test s1-1 (about " in row["reason"]
    assert f"the events of a switch disagree (look at {GOOD}, {RETEST})" in row["reason"]


def test_a_switch_far_below_its_rating_is_not_called_a_slip_alone(made, events):
    failed = spoilt(spoilt(events, 1.0 / 3.0), 1.0 / 3.0, GOOD)
    reason = lag_of(failed, switches=made.switches)["reason"]
    assert RETEST in reason
    assert GOOD in reason
    assert reason.endswith("is the switch itself that far off? then it does not prove draft")


def test_a_switch_of_two_ratings_is_refused(made, events):
    other = made.switches.head(1).with_columns(pl.col("rated_pa") * 10.0)
    for frame in (events, events.lazy()):
        with pytest.raises(db.SchemaError, match="table switches, column switch_id: s0 stands in"):
            db.estimate_lag(frame, switches=pl.concat([made.switches, other]))


def test_a_fleet_says_which_test_was_left_out(made):
    times = pl.when(test_id=RETEST).then(pl.col("pressure_pa").list.eval(pl.element() * 249.0889))
    tests = made.tests.with_columns(pressure_pa=times.otherwise("pressure_pa"))
    whole = db.analyse(tests, made.switches, made.gauges)
    told = [line for line in whole.notices if "not used for the lag" in line]
    assert len(told) == 1
    assert f"test {RETEST} (about" in told[0]
    assert whole.lags["status"].to_list() == ["ok"]


@pytest.mark.parametrize("engine", ["in-memory", "streaming"])
def test_a_lazy_fit_is_made_once(made, events, engine):
    calls = []

    def counted(frame):
        calls.append(frame.height)
        return frame

    lazy = events.lazy().map_batches(counted, schema=events.schema)
    found = db.estimate_lag(lazy, made.gauges, switches=made.switches).collect(engine=engine)
    assert found.equals(db.estimate_lag(events, made.gauges))
    assert len(calls) == 1
