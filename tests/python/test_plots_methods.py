"""Pictures of method error."""

from __future__ import annotations

from typing import Any

import matplotlib
import numpy as np
import polars as pl
import pytest
from matplotlib import pyplot
from matplotlib.collections import PolyCollection

from deadband import methods, plots
from deadband._errors import DeadbandError, OptionError


@pytest.fixture(autouse=True)
def _close_figures():
    yield
    pyplot.close("all")


def words(figure) -> set[str]:
    """Everything written in a figure."""
    figure.canvas.draw()
    return {text.get_text() for text in figure.findobj(matplotlib.text.Text) if text.get_text()}


def comparison(repeats: int = 1) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Setpoints of pinch tests 2 Pa low, some repeated, and what was called."""
    random = np.random.default_rng(3)
    rows = []
    for i in range(8):
        level = 50.0 + 5.0 * i
        for k in range(repeats if i < 3 else 1):
            rows.append((f"r{i}{k}", f"s{i}", "ramp", level + random.normal(0, 0.2), 0.2, "mia"))
            who = "mia" if i % 2 else "ben"
            rows.append((f"p{i}{k}", f"s{i}", "pinch", level + random.normal(-2, 1), 0.4, who))
    names = ["test_id", "switch_id", "method", "open_pa", "open_u_pa", "operator_id"]
    nothing = pl.lit(None, pl.Float64)
    points = pl.DataFrame(rows, names, orient="row").with_columns(
        close_pa=nothing, close_u_pa=nothing
    )
    return points, points.select("test_id", called_open_pa=pl.col("open_pa").round(0))


def drawn(panel, label: str) -> Any:
    """The line with this label in the legend."""
    (found,) = [line for line in panel.lines if line.get_label() == label]
    return found


def levels(panel) -> list[tuple[float, float]]:
    """Lower and upper edge of each band, from below."""
    bands = [one for one in panel.collections if isinstance(one, PolyCollection)]
    edges = [one.get_paths()[0].vertices[:, 1] for one in bands]
    return sorted((float(edge.min()), float(edge.max())) for edge in edges)


def test_agreement_draws_bias_limits_and_their_intervals():
    points, _ = comparison()
    found = methods.agreement(points, "pinch")
    row = found.table.row(0, named=True)
    panel = plots.agreement(found)
    assert drawn(panel, "bias").get_ydata()[0] == pytest.approx(row["bias_pa"])
    orange = drawn(panel, "limits of agreement, 95 %").get_color()
    dashed = sorted(line.get_ydata()[0] for line in panel.lines if line.get_color() == orange)
    assert dashed == pytest.approx([row["lower_pa"], row["upper_pa"]])
    expected = [
        (row[f"{name}_low_pa"], row[f"{name}_high_pa"]) for name in ("lower", "bias", "upper")
    ]
    assert np.array(levels(panel)) == pytest.approx(np.array(expected))
    assert {
        "pinch minus slow ramp / Pa", "open by slow ramp / Pa", "bias", "interval of the bias",
        "interval of a limit", "limits of agreement, 95 %", "switch, single results",
        "no difference",
    } <= words(panel.figure)  # fmt: skip


def test_agreement_marks_each_switch_by_what_its_mark_is_a_mean_of():
    points, _ = comparison(repeats=3)
    found = methods.agreement(points, "pinch")
    panel = plots.agreement(found, unit="inH2O_60F")
    single, mean = (
        drawn(panel, f"switch, {word}") for word in ("single results", "mean of repeats")
    )
    assert (len(single.get_xdata()), len(mean.get_xdata())) == (5, 3)
    assert single.get_markerfacecolor() != mean.get_markerfacecolor()
    ours = found.switches.filter(pl.col("n_method") > 1)
    assert mean.get_ydata() == pytest.approx(ours["difference_pa"].to_numpy() / 248.84, rel=1e-4)
    assert mean.get_xdata() == pytest.approx(ours["reference_pa"].to_numpy() / 248.84, rel=1e-4)


def test_agreement_of_one_operator_is_drawn_and_named():
    points, tests = comparison()
    found = methods.agreement(points, "pinch", by="operator_id", value="called", tests=tests)
    panel = plots.agreement(found, group="mia")
    assert {"operator mia", "pinch called minus slow ramp fitted / Pa"} <= words(panel.figure)
    assert len(drawn(panel, "switch, single results").get_xdata()) == 4
    for wrong in (None, "eve"):
        with pytest.raises(OptionError, match="use one of ben, mia"):
            plots.agreement(found, group=wrong)
    alone = methods.agreement(points, "pinch")
    with pytest.raises(OptionError, match="group"):
        plots.agreement(alone, group="mia")


def test_agreement_of_groups_of_several_columns():
    points, tests = comparison()
    found = methods.agreement(
        points, "pinch", by=["operator_id", "day"], value="called",
        tests=tests.with_columns(day=pl.lit("Monday")),
    )  # fmt: skip
    panel = plots.agreement(found, group=("mia", "Monday"))
    assert "operator mia, day Monday" in words(panel.figure)
    with pytest.raises(OptionError, match="use one of ben, Monday, mia, Monday"):
        plots.agreement(found, group="mia")


def test_tables_and_axes_of_another_kind_are_refused():
    points, _ = comparison()
    table = methods.agreement(points, "pinch").table
    for draw, kind in (
        (plots.agreement, "no Agreement"), (plots.plan, "no Plan"),
        (lambda found: plots.feedback(found, "mia"), "no Feedback"),
    ):  # fmt: skip
        with pytest.raises(DeadbandError, match=kind):
            draw(table)
    nothing = dict.fromkeys(("bias_low_pa", "bias_high_pa", "sd_low_pa", "sd_high_pa"))
    causes = pl.DataFrame(
        [{"method": "pinch", "cause": "lag", "bias_pa": 1.0, "sd_pa": 1.0} | nothing]
    )
    with pytest.raises(OptionError, match="two axes"):
        plots.causes(causes, pyplot.gca())


def test_agreement_of_called_values_is_drawn_against_the_mean_of_both():
    points, tests = comparison()
    found = methods.agreement(
        points, "pinch", value="called", reference_value="called", tests=tests
    )
    assert "open, mean of both / Pa" in words(plots.agreement(found).figure)


def test_agreement_draws_no_more_than_is_told():
    points, _ = comparison()
    one = methods.agreement(points.filter(switch_id="s1"), "pinch")
    panel = plots.agreement(one)
    assert not levels(panel)
    assert "limits of agreement, 95 %" not in words(panel.figure)
    nothing = plots.agreement(methods.agreement(points, "in_service"))
    assert "no round with results of both" in words(nothing.figure)
