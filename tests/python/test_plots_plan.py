"""The picture of a plan."""

from __future__ import annotations

import matplotlib
import pytest
from matplotlib import pyplot

from deadband import plots
from deadband.methods import plan_test

GAUGE = {"resolution_pa": 1.0, "accuracy_abs_pa": 0.5, "lag_s": 0.4, "lag_u_s": 0.02}


@pytest.fixture(autouse=True)
def _close_figures():
    yield
    pyplot.close("all")


def words(figure) -> str:
    figure.canvas.draw()
    return "\n".join(text.get_text() for text in figure.findobj(matplotlib.text.Text))


def test_the_wish_and_the_recommended_test_are_drawn():
    found = plan_test(GAUGE, rated_pa=60.0, expanded_wanted_pa=0.9)
    ax = plots.plan(found)
    lines = {line.get_label(): line for line in ax.get_lines()}
    assert set(lines["wanted"].get_ydata()) == {0.9}
    assert lines["recommended"].get_xdata()[0] == found.procedure.rate_pa_s
    assert lines["recommended"].get_ydata()[0] == pytest.approx(0.9, abs=1e-3)
    assert f"{found.procedure.cycles} cycles" in lines
    text = words(ax.figure)
    assert "expanded uncertainty U / Pa" in text
    assert "rate / (Pa/s)" in text


def test_no_two_lines_are_told_apart_by_colour_alone():
    ax = plots.plan(plan_test(GAUGE, rated_pa=60.0, u_wanted_pa=0.5))
    curves = [line for line in ax.get_lines() if "cycle" in line.get_label()]
    assert len({line.get_marker() for line in curves}) == len(curves)
    assert "standard uncertainty" in ax.get_ylabel()


def test_what_is_not_reachable_says_what_forbids_it():
    ax = plots.plan(plan_test(GAUGE | {"accuracy_abs_pa": 4.0}, rated_pa=60.0))
    assert "Not reachable: accuracy" in words(ax.figure)
    assert "recommended" not in [line.get_label() for line in ax.get_lines()]


def test_a_gauge_of_unknown_lag_is_told_and_not_drawn():
    ax = plots.plan(plan_test(GAUGE | {"lag_s": None}, rated_pa=60.0))
    assert "lag is not known" in words(ax.figure)
    assert not ax.get_lines()
