"""Pictures of causes and of an operator's calls."""

from __future__ import annotations

import matplotlib
import numpy as np
import polars as pl
import pytest
from matplotlib import pyplot
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from deadband import methods, plots
from deadband._errors import OptionError, SchemaError
from deadband.plots._causes import _LOOK
from plain_study import plain
from test_methods_feedback import tables


@pytest.fixture(autouse=True)
def _close_figures():
    yield
    pyplot.close("all")


@pytest.fixture(scope="module")
def found() -> pl.DataFrame:
    points, events, lags, gauges, tests = plain(np.random.default_rng(1))
    return methods.causes(points, events, lags, gauges=gauges, tests=tests)


def words(figure: Figure) -> str:
    figure.canvas.draw()
    return "\n".join(text.get_text() for text in figure.findobj(matplotlib.text.Text))


def test_stacks_are_the_causes_and_marks_what_was_observed(found):
    figure = plots.causes(found)
    bias, scatter = figure.axes
    part = found.filter(method="ramp")
    shift = dict(part.select("cause", "bias_pa").iter_rows())
    bars = [bar for bar in bias.patches if round(bar.get_x() + bar.get_width() / 2 + 0.12) == 1]
    heights = sorted(round(bar.get_height(), 9) for bar in bars)
    assert heights == sorted(round(shift[name], 9) for name in ("lag", "refresh", "reaction"))
    rises = [bar for bar in bars if bar.get_height() > 0.0]
    assert max(bar.get_y() + bar.get_height() for bar in rises) == pytest.approx(
        shift["lag"] + shift["refresh"]
    )
    squares = {
        row["cause"]: row["sd_pa"] ** 2 for row in part.iter_rows(named=True) if row["sd_pa"]
    }
    tall = [bar for bar in scatter.patches if round(bar.get_x() + bar.get_width() / 2 + 0.12) == 1]
    assert sum(bar.get_height() for bar in tall) == pytest.approx(
        sum(value for name, value in squares.items() if name in _LOOK)
    )
    points = [line for line in bias.lines if line.get_marker() == "D"]
    assert {round(line.get_ydata()[0], 9) for line in points} == {
        round(value, 9) for value in found.filter(cause="observed")["bias_pa"]
    }
    said = words(figure)
    assert "slow ramp\nrest " in said
    assert "variances stacked" in said
    assert "lag of the gauge" in said


def test_the_axis_of_variances_says_standard_deviations(found):
    scatter = plots.causes(found).axes[1]
    for at, label in zip(scatter.get_yticks(), scatter.get_yticklabels(), strict=True):
        assert float(label.get_text()) ** 2 == pytest.approx(at)


def test_causes_differ_without_colour():
    grey = {
        name: (round(float(np.dot(to_rgb(colour), (0.299, 0.587, 0.114))), 1), hatch)
        for name, (colour, hatch) in _LOOK.items()
    }
    assert len(set(grey.values())) == len(grey)


def test_other_units_empty_tables_and_wrong_ones(found):
    one, other = plots.causes(found), plots.causes(found, unit="hPa")
    ratio = one.axes[0].get_ylim()[1] / other.axes[0].get_ylim()[1]
    assert ratio == pytest.approx(100.0, rel=0.05)
    assert "No result" in words(plots.causes(found.clear()))
    with pytest.raises(SchemaError, match="sd_pa"):
        plots.causes(found.drop("sd_pa"))


def test_calls_of_an_operator():
    made = methods.feedback(*tables(np.tile([-1.5, -2.0], 6)))
    panel = plots.feedback(made, "ann")
    marks = [line for line in panel.lines if line.get_marker() == "o"]
    assert marks[0].get_ydata().tolist() == [-1.5, -2.0] * 6
    assert "called 1.8 Pa too low" in words(panel.figure)
    with pytest.raises(OptionError, match="operator"):
        plots.feedback(made, "bob")
    by_method = methods.feedback(*tables([-1.0, -2.0]), by="method")
    with pytest.raises(OptionError, match="by"):
        plots.feedback(by_method, "ann")
    holes = tables([float("nan")] * 3)
    assert "No call" in words(plots.feedback(methods.feedback(*holes), "ann").figure)
