"""Pictures of lives, of failures to come and of replacements."""

from __future__ import annotations

import matplotlib
import numpy as np
import polars as pl
import pytest

from deadband import OptionError, SchemaError, life, plots
from life_fleet import dated, inspected, table


def words(figure) -> str:
    figure.canvas.draw()
    return "\n".join(text.get_text() for text in figure.findobj(matplotlib.text.Text))


def line(ax, label: str):
    return next(one for one in ax.get_lines() if one.get_label() == label)


@pytest.mark.parametrize("name", ["weibull", "lognormal"])
def test_a_fitted_life_is_straight_on_its_paper(name):
    found = life.fit(table(inspected(np.random.default_rng(1), 60)), distribution=name)
    ax = plots.life(found)
    drawn = line(ax, "fitted")
    slope = np.diff(drawn.get_ydata()) / np.diff(np.log(drawn.get_xdata()))
    assert slope == pytest.approx(np.full(slope.size, slope[0]), rel=1e-6)
    text = words(ax.figure)
    assert f"{name}: {found.n_failed} of 60 failed" in text
    assert "95 % interval at each age" in text
    assert "10 %" in text
    assert line(ax, "without a distribution").get_xdata().size == found.points.height


def test_a_limit_alone_is_no_line():
    found = life.fit(dated([4.0, 5.0, 6.0], [0, 0, 0]), shape=2.0)
    ax = plots.life(found)
    assert [one.get_label() for one in ax.get_lines()] == ["upper limit, 95 %"]


def test_what_was_not_fitted_is_told_and_not_drawn():
    ax = plots.life(life.fit(dated([1.0, 2.0], [1, 0])))
    assert "1 of 2 failed: too few" in words(ax.figure)
    assert not ax.get_lines()


def test_failures_to_come_stay_within_their_interval():
    rng = np.random.default_rng(2)
    lives = dated(rng.uniform(1.0, 5.0, 40), [1] * 10 + [0] * 30).with_columns(
        age_years=pl.when(pl.col("high_years").is_null()).then("low_years")
    )
    ahead = life.returns(life.fit(lives), lives, months=6)
    ax = plots.returns(ahead)
    assert line(ax, "expected").get_ydata().tolist() == ahead["expected"].to_list()
    assert "Failures to come among 30 in service" in words(ax.figure)
    nothing = plots.returns(ahead.with_columns(high=None, low=None, expected=None))
    assert "no lives were fitted" in words(nothing.figure)


def test_replacements_begin_at_nothing():
    rows = [("a", 1.0, True), ("a", 3.0, False), ("b", 2.0, True), ("b", 4.0, False)]
    histories = pl.DataFrame(rows, schema=["place_id", "years", "replaced"], orient="row")
    found = life.recurrence(histories)
    ax = plots.recurrence(found, unit="days")
    assert line(ax, "mean").get_ydata().tolist() == [0.0, 0.5, 1.0]
    assert ax.get_xlabel() == "age / days"
    late = histories.with_columns(years=pl.col("years").replace({2.0: 3.5}))
    left = plots.recurrence(life.recurrence(late))
    # Limits end where one place alone is left; the mean goes on.
    (band,) = left.collections
    assert band.get_paths()[0].vertices[:, 0].max() == 1.0
    assert line(left, "mean").get_xdata().max() == 3.5
    quiet = life.recurrence(histories.filter(~pl.col("replaced")))
    assert "no replacements" in words(plots.recurrence(quiet).figure)


def test_refusals():
    with pytest.raises(OptionError, match="option fit"):
        plots.life(None)
    with pytest.raises(OptionError, match="option found"):
        plots.recurrence(None)
    with pytest.raises(SchemaError, match="column expected"):
        plots.returns(pl.DataFrame({"months": [1]}))
    whole = {"months": [1], "expected": [1.0], "low": [0.0], "high": [2.0], "status": ["ok"]}
    for name in ("months", "expected", "low", "high"):
        with pytest.raises(SchemaError, match=f"column {name}: it is String"):
            plots.returns(pl.DataFrame({**whole, name: ["1"]}))
    lives = dated([1.0, 2.0, 3.0, 4.0], [1] * 4).with_columns(x=pl.Series([1.0, 0.0, 2.0, 1.0]))
    with pytest.raises(OptionError, match="one with covariates"):
        plots.life(life.fit(lives, covariates=["x"]))
