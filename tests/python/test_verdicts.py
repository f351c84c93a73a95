"""Verdicts: the rated event, the two sides apart, the risk, and what cannot be judged."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

import deadband as db
from recordings import switches_of

INFINITE = float("inf")


def points_of(open_pa=60.0, open_u_pa=0.5, close_pa=None, close_u_pa=None, **columns):
    row = {
        "test_id": "t1",
        "switch_id": "s1",
        "close_pa": close_pa,
        "close_u_pa": close_u_pa,
        "close_dof": INFINITE,
        "open_pa": open_pa,
        "open_u_pa": open_u_pa,
        "open_dof": INFINITE,
        **columns,
    }
    numbers = dict.fromkeys((name for name in row if name.endswith(("_pa", "_dof"))), pl.Float64)
    return pl.DataFrame([row], schema_overrides=numbers)


def judged(points, risk=0.05, **rating):
    found = db.judge(points, switches_of(**rating), risk=risk)
    assert found.height == points.height
    return found.row(0, named=True)


def test_the_dangerous_side_is_below_the_lower_limit():
    low = judged(points_of(50.0))
    assert low["verdict"] == "does_not_conform"
    assert low["p_unsafe"] > 0.999
    assert low["p_nuisance"] < 1e-9
    high = judged(points_of(70.0))
    assert high["verdict"] == "does_not_conform"
    assert high["p_nuisance"] > 0.999
    assert high["p_unsafe"] < 1e-9
    assert judged(points_of(60.0))["verdict"] == "conforms"
    # On the limit it is an even bet, which decides nothing.
    edge = judged(points_of(54.0))
    assert edge["verdict"] == "undecided"
    assert edge["p_unsafe"] == pytest.approx(0.5, abs=1e-9)


def test_a_rating_on_rise_judges_the_closing_point():
    points = points_of(open_pa=50.0, close_pa=60.0, close_u_pa=0.5)
    fall, rise = judged(points, action="fall"), judged(points, action="rise")
    assert (fall["verdict"], rise["verdict"]) == ("does_not_conform", "conforms")
    # The other event is advice: it decides nothing, and it is the other way round.
    assert fall["p_conform_other"] == pytest.approx(rise["p_conform"], abs=1e-12)
    assert rise["p_conform_other"] == pytest.approx(fall["p_conform"], abs=1e-12)
    late = judged(points_of(close_pa=80.0, close_u_pa=0.5), action="rise")
    assert late["p_nuisance"] > 0.999
    assert late["p_conform_other"] > 0.999
    early = judged(points_of(close_pa=40.0, close_u_pa=0.5), action="rise")
    assert early["p_unsafe"] > 0.999


@pytest.mark.parametrize(
    ("action", "points"),
    [
        ("fall", points_of(open_pa=None, open_u_pa=None, close_pa=70.0, close_u_pa=0.5)),
        ("rise", points_of(open_pa=60.0)),
        ("fall", points_of(open_pa=float("nan"))),
        ("fall", points_of(open_u_pa=None)),
    ],
)
def test_without_the_rated_event_there_is_no_verdict(action, points):
    found = judged(points, action=action)
    assert found["status"] == "missing_value"
    assert found["verdict"] is found["p_conform"] is found["p_unsafe"] is None


@pytest.mark.parametrize(
    ("columns", "status"),
    [
        ({"switch_id": "unknown"}, "missing_value"),
        ({"rated_pa": None}, "missing_value"),
        ({"tolerance": None}, "missing_value"),
        ({"action": None}, "missing_value"),
        ({"action": "sideways"}, "bad_value"),
        ({"rated_pa": 0.0}, "bad_value"),
        ({"tolerance": 0.0}, "bad_value"),
    ],
)
def test_a_switch_without_a_usable_rating_keeps_its_setpoints(columns, status):
    found = judged(points_of(), **columns)
    assert found["status"] == status
    assert found["verdict"] is found["limit_low_pa"] is found["rule"] is None
    assert found["open_pa"] == 60.0


@pytest.mark.parametrize(
    "columns", [{"open_u_pa": -0.5}, {"open_dof": 0.0}, {"open_dof": -3.0}, {"open_pa": INFINITE}]
)
def test_numbers_that_cannot_be_are_no_verdict(columns):
    found = judged(points_of(**columns))
    assert found["status"] == "bad_value"
    assert found["verdict"] is None


def test_what_went_wrong_before_is_still_said():
    points = points_of(open_pa=None, open_u_pa=None, status="saturated")
    assert judged(points)["status"] == "saturated"
    assert judged(points, switch_id="unknown")["status"] == "saturated"


def test_the_tolerance_is_a_column():
    points = points_of(55.0)
    assert judged(points, tolerance=0.10)["verdict"] == "conforms"
    assert judged(points, tolerance=0.05)["verdict"] == "does_not_conform"
    absent = db.judge(points, switches_of().drop("tolerance")).row(0, named=True)
    # Common practice in the trade, no source: within 10 % of the rating.
    assert (absent["limit_low_pa"], absent["limit_high_pa"]) == pytest.approx((54.0, 66.0))


def test_a_lower_risk_asks_for_more_certainty():
    """The open setpoint lies 1.8 u within the limit: 3.6 % lie beyond it."""
    points = points_of(54.0 + 1.8, 1.0)
    beyond = stats.norm.cdf(-1.8)
    assert judged(points, risk=0.05)["verdict"] == "conforms"
    assert judged(points, risk=beyond * 1.001)["verdict"] == "conforms"
    assert judged(points, risk=beyond * 0.999)["verdict"] == "undecided"
    outside = points_of(54.0 - 1.8, 1.0)
    assert judged(outside, risk=0.05)["verdict"] == "does_not_conform"
    assert judged(outside, risk=beyond * 0.999)["verdict"] == "undecided"
    rule = "conforms if p_conform >= 0.9, does_not_conform if p_unsafe or p_nuisance >= 0.9"
    assert judged(points, risk=0.1)["rule"] == rule


@pytest.mark.parametrize("risk", [0.0, 0.5, 0.9, 1.0, -0.05, float("nan"), INFINITE])
def test_a_risk_that_is_none_is_refused(risk):
    with pytest.raises(db.DeadbandError, match=r"risk is .*; it must be above 0 and below 0\.5"):
        db.judge(points_of(), switches_of(), risk=risk)


def test_a_switch_that_stands_in_two_rows_is_refused():
    twice = pl.concat([switches_of(), switches_of(rated_pa=80.0)])
    with pytest.raises(db.SchemaError, match="switch_id: s1 stands in more than one row"):
        db.judge(points_of(), twice)


def test_exact_setpoints_are_legal():
    assert judged(points_of(60.0, 0.0))["p_conform"] == 1.0
    assert judged(points_of(53.9, 0.0))["p_unsafe"] == 1.0
    assert judged(points_of(54.0, 0.0))["verdict"] == "undecided"


def test_degrees_of_freedom_that_are_not_stated_are_infinite():
    points = points_of(55.0, 0.5)
    unstated, stated = judged(points.drop("open_dof")), judged(points)
    assert unstated.pop("open_dof") is None
    assert stated.pop("open_dof") == INFINITE
    assert unstated == stated
    assert judged(points_of(55.0, 0.5, open_dof=3.0))["verdict"] == "undecided"


@given(
    value=st.floats(40.0, 80.0),
    u=st.floats(0.01, 10.0),
    dof=st.floats(1.0, 200.0),
    rated=st.floats(30.0, 100.0),
    tolerance=st.floats(0.01, 0.5),
)
def test_probabilities_are_those_of_students_t(value, u, dof, rated, tolerance):
    found = judged(points_of(value, u, open_dof=dof), rated_pa=rated, tolerance=tolerance)
    law = stats.t(dof, value, u)
    low, high = rated * (1.0 - tolerance), rated * (1.0 + tolerance)
    assert found["p_unsafe"] == pytest.approx(law.cdf(low), abs=1e-9)
    assert found["p_nuisance"] == pytest.approx(law.sf(high), abs=1e-9)
    total = found["p_conform"] + found["p_unsafe"] + found["p_nuisance"]
    assert total == pytest.approx(1.0, abs=1e-9)
    sure = found["p_conform"] >= 0.95
    assert (found["verdict"] == "conforms") == sure


def test_every_test_of_a_fleet_has_its_row():
    points = pl.concat(
        [
            points_of(test_id="b"),
            points_of(test_id="a", switch_id="unknown"),
            points_of(50.0, test_id="c"),
        ]
    )
    found = db.judge(points, switches_of())
    assert found["test_id"].to_list() == ["a", "b", "c"]
    assert found["verdict"].to_list() == [None, "conforms", "does_not_conform"]
    assert found["status"].to_list() == ["missing_value", "ok", "ok"]
