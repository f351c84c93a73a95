"""What a gauges table states of a display's step and of a lag's parts, and what is made of it."""

import polars as pl
import pytest
from polars.testing import assert_frame_equal

import deadband as db
from deadband import read, simulate
from deadband.schema import validate_gauges

DEAD, CONSTANT = 0.1, 0.3
STEP = 2.5


def pinches(recordings=6, *, step=STEP, noise=0.05, sample_s=0.2, count=1):
    gauge = simulate.Gauge(
        dead_time_s=DEAD, time_constant_s=CONSTANT, resolution_pa=step, noise_pa=noise
    )
    plan = [
        simulate.PlannedTest(
            test_id=f"t{i}",
            unit=simulate.Unit(switch_id=f"s{i}", rated_pa=60.0),
            instrument=simulate.Instrument(gauge_id="g", gauge=gauge),
            motion=simulate.Pinch(fall_s=0.3, count=count, before_s=4.0 + 0.0137 * i),
            logger=simulate.Logger(sample_s=sample_s, contact_sample_s=0.002),
        )
        for i in range(recordings)
    ]
    return simulate.fleet(plan, seed=7)


def gauges(resolution=STEP, **stated):
    row = {
        "gauge_id": "g",
        "resolution_pa": resolution,
        "accuracy_rel": 0.0,
        "accuracy_abs_pa": 0.0,
    }
    return pl.DataFrame({**row, **stated}, schema_overrides={"resolution_pa": pl.Float64})


LAGS = pl.DataFrame(
    {
        "gauge_id": ["g"],
        "lag_s": [DEAD + CONSTANT],
        "lag_u_s": [0.005],
        "dead_time_s": [DEAD],
        "time_constant_s": [CONSTANT],
    }
)


def test_a_stated_step_is_used_where_too_few_changes_show_one():
    tests = pinches().tests
    blind = db.fit_events(tests, LAGS)
    told = db.fit_events(tests, LAGS, gauges=gauges())
    unseen = blind["step_pa"].is_null()
    assert unseen.sum() >= 4
    assert told["step_pa"].unique().to_list() == [STEP]
    # The levels stand still on a step: without it their readings would count each for itself.
    wider = told["var_pressure"] > 1.5 * blind["var_pressure"]
    assert wider.filter(unseen).mean() > 0.6


@pytest.mark.parametrize("resolution", [None, 0.0])
def test_nothing_stated_changes_nothing(resolution):
    tests = pinches().tests
    assert_frame_equal(
        db.fit_events(tests, LAGS), db.fit_events(tests, LAGS, gauges=gauges(resolution))
    )
    other = gauges().with_columns(gauge_id=pl.lit("other"))
    assert_frame_equal(db.fit_events(tests, LAGS), db.fit_events(tests, LAGS, gauges=other))


def test_a_step_that_the_readings_contradict_is_passed_over():
    tests = pinches().tests
    wrong = db.fit_events(tests, LAGS, gauges=gauges(4.0))
    assert_frame_equal(wrong, db.fit_events(tests, LAGS))
    many = pinches(sample_s=0.02, count=3).tests
    found = db.fit_events(many, LAGS, gauges=gauges(0.1))["step_pa"]
    assert found.to_numpy() == pytest.approx(STEP)


def test_every_way_in_takes_the_step():
    tests = pinches().tests
    whole = db.fit_events(tests, LAGS, gauges=gauges())
    streamed = db.fit_events(tests.lazy(), LAGS, gauges=gauges().lazy()).collect(engine="streaming")
    assert_frame_equal(whole, streamed)
    batches = tests.to_arrow().to_batches(max_chunksize=2)
    rows = [pl.DataFrame(batch) for batch in db.fit_batches(batches, LAGS, gauges=gauges())]
    assert_frame_equal(whole, pl.concat(rows).sort("test_id", "time_s"))
    one = tests.row(0, named=True)
    fit = db.fit_trace(
        one["time_s"],
        one["pressure_pa"],
        one["contact"],
        contact_time_s=one["contact_time_s"],
        unit="Pa",
        lag=db.Lag.parts(DEAD, CONSTANT, u=0.005),
        resolution=STEP,
    )
    first = whole.filter(test_id="t0")
    assert fit.events["pressure_pa"].to_list() == first["pressure_pa"].to_list()
    assert fit.events["step_pa"].to_list() == [STEP]


def test_two_gauges_of_one_name_are_refused():
    with pytest.raises(db.SchemaError, match="gauges"):
        db.fit_events(pinches(1).tests, gauges=pl.concat([gauges(), gauges()]))


def analysed(made, stated=None, **options):
    return db.analyse(made.tests, made.switches, stated, **options)


STATED = {"lag_s": DEAD + CONSTANT, "lag_u_s": 0.005}
PARTS = {"dead_time_s": DEAD, "time_constant_s": CONSTANT}


def test_stated_parts_are_fitted_with_and_said():
    made = pinches()
    mean = analysed(made, gauges(**STATED))
    both = analysed(made, gauges(**STATED, **PARTS))
    assert mean.lags["time_constant_s"].null_count() == 1
    row = both.lags.row(0, named=True)
    assert (row["dead_time_s"], row["time_constant_s"]) == pytest.approx((DEAD, CONSTANT))
    assert both.events["lag_applied"].all()
    assert (both.setpoints["open_u_pa"] < mean.setpoints["open_u_pa"]).all()
    assert any("dead time and time constant" in line for line in both.notices)
    assert not any("dead time" in line for line in mean.notices)
    # How surely the parts are known apart is not stated, and costs something.
    assert (both.events["var_common"] > 0.0).any()


def test_the_sum_need_not_be_stated():
    named = gauges(lag_u_s=0.005, **PARTS)
    assert validate_gauges(named.lazy()).collect()["lag_s"].item() == pytest.approx(0.4)
    assert analysed(pinches(2), named).lags["time_constant_s"].item() == CONSTANT


@pytest.mark.parametrize(
    "stated",
    [
        {**STATED, "dead_time_s": DEAD, "time_constant_s": None},
        {**STATED, "dead_time_s": 0.4, "time_constant_s": CONSTANT},
        {"lag_s": 0.4, "lag_u_s": None, **PARTS},
    ],
)
def test_parts_that_cannot_be_used_are_left_out_and_said(stated):
    named = gauges(**stated).with_columns(pl.col("time_constant_s", "lag_u_s").cast(pl.Float64))
    found = analysed(pinches(2), named)
    assert found.lags["time_constant_s"].null_count() == 1
    assert any("its stated dead time and time constant were not used" in n for n in found.notices)


def test_known_lags_go_before_those_found():
    made = pinches()
    step = LAGS.with_columns(time_constant_u_s=0.01)
    whole = analysed(made, gauges(), lags=step)
    assert whole.lags.select("dead_time_s", "time_constant_s").row(0) == (DEAD, CONSTANT)
    exact = analysed(made, gauges(), lags=LAGS)
    assert (whole.setpoints["open_u_pa"] > exact.setpoints["open_u_pa"]).all()
    with pytest.raises(db.SchemaError, match="lags"):
        analysed(made, gauges(), lags=pl.concat([LAGS, LAGS]))
    empty = LAGS.with_columns(lag_u_s=pl.lit(None, dtype=pl.Float64))
    assert_frame_equal(analysed(made, gauges(), lags=empty).lags, analysed(made, gauges()).lags)


CSV = (
    "gauge_id,resolution_pa,accuracy_rel,accuracy_abs_pa,lag_s,lag_u_s,dead_time_s,time_constant_s"
)


def test_the_parts_are_read_and_checked(tmp_path):
    path = tmp_path / "gauges.csv"
    path.write_text(f"{CSV}\na,1,0,0,0.4,0.01,0.1,0.3\nb,1,0,0,0.5,0.01,0.1,0.3\n")
    rows = read.read_gauges(path)
    assert rows.select("dead_time_s", "time_constant_s", "status").row(0) == (0.1, 0.3, "ok")
    assert rows["status"][1] == "bad_value"
    assert "are not two parts of lag_s" in rows["reason"][1]
    path.write_text(f"{CSV}\na,1,0,0,0.4,0.01,,0.3\nb,1,0,0,,,,\n")
    rows = read.read_gauges(path)
    assert rows["status"].to_list() == ["bad_value", "ok"]
    assert "beside a dead_time_s" in rows["reason"][0]


def test_a_step_unlike_the_stated_is_asked_about():
    made = pinches(sample_s=0.02, count=3)
    said = [
        line for line in analysed(made, gauges(1.0, **STATED)).notices if "display step" in line
    ]
    assert len(said) == 1
    assert "show steps of 2.5 Pa" in said[0]
    assert not [n for n in analysed(made, gauges(**STATED)).notices if "display step" in n]


def test_a_contact_that_closes_below_its_opening_is_asked_about():
    """A lag of the wrong size turns close and open of a fast ramp over."""
    plan = [
        simulate.PlannedTest(
            test_id="t",
            unit=simulate.Unit(
                switch_id="s",
                rated_pa=60.0,
                switch=simulate.Switch(close_pa=62.0, open_pa=60.0),
            ),
            instrument=simulate.Instrument(
                gauge_id="g", gauge=simulate.Gauge(dead_time_s=1.0, time_constant_s=0.0)
            ),
            motion=simulate.Ramp(rate_pa_s=10.0, rate_spread=0.0),
        )
    ]
    made = simulate.fleet(plan, seed=2)
    wrong = pl.DataFrame({"gauge_id": ["g"], "lag_s": [0.0], "lag_u_s": [0.001]})
    found = analysed(made, gauges(1.0), lags=wrong)
    assert found.setpoints["deadband_pa"].item() < 0.0
    assert any("closed below the pressure at which it opened" in n for n in found.notices)
    right = wrong.with_columns(lag_s=1.0)
    assert not any("closed below" in n for n in analysed(made, gauges(1.0), lags=right).notices)
