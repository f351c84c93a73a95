"""Pictures of lots."""

from __future__ import annotations

from typing import Any

import matplotlib
import numpy as np
import polars as pl
import pytest
from matplotlib import pyplot

from deadband import lots, plots
from deadband._errors import OptionError
from lot_fleet import tables


@pytest.fixture(scope="module")
def found() -> lots.Lots:
    rng = np.random.default_rng(3)
    names = ["L1"] * 10 + ["L2"] * 10 + ["L3"]
    values = np.where(np.arange(21) < 10, 60.0, 53.0) + rng.normal(0.0, 1.0, 21)
    points, switches = tables(values, names)
    return lots.distribution(points.filter(pl.col("switch_id") != "s020"), switches)


def words(figure: Any) -> set[str]:
    """Everything written in a figure."""
    figure.canvas.draw()
    return {text.get_text() for text in figure.findobj(matplotlib.text.Text) if text.get_text()}


def test_means_and_limits(found: lots.Lots) -> None:
    panel = plots.lots(found)
    written = words(panel.figure)
    assert {"L1 (M); tested 10 of 10", "L3 (M); tested 0 of 1", "too few samples"} <= written
    assert "limits" in written
    dashed = sorted(line.get_xdata()[0] for line in panel.lines if line.get_linestyle() == "--")
    assert dashed == [-10.0, 10.0]
    (own,) = [line for line in panel.lines if line.get_label() == "mean of its own results"]
    drawn = own.get_xdata()
    assert drawn[:2] == pytest.approx(100.0 * found.lots["raw_mean"].to_numpy()[:2])
    (strokes,) = [line for line in panel.lines if line.get_label() == "switches"]
    assert len(strokes.get_xdata()) == 20


def test_fractions_of_both_sides(found: lots.Lots) -> None:
    panel = plots.lots(found, show="fraction")
    written = words(panel.figure)
    assert {"below the lower limit (unsafe)", "above the upper limit (nuisance)"} <= written
    places = [bar.lines[0].get_xdata() for bar in panel.containers]
    assert places[0] == pytest.approx(100.0 * found.lots["fraction_unsafe"].to_numpy()[:2])
    assert places[1] == pytest.approx(100.0 * found.lots["fraction_nuisance"].to_numpy()[:2])
    (ends,) = panel.containers[0].lines[2][0].get_segments()[1:2]
    low, high = found.lots.select("fraction_unsafe_low", "fraction_unsafe_high").row(1)
    assert ends[:, 0] == pytest.approx([100.0 * low, 100.0 * high])


def test_given_axes_and_no_lots(found: lots.Lots) -> None:
    _, ax = pyplot.subplots()
    assert plots.lots(found, ax) is ax
    points, switches = tables([], [])
    empty = plots.lots(lots.distribution(points, switches))
    assert "There are no lots." in words(empty.figure)


def test_bad_options(found: lots.Lots) -> None:
    with pytest.raises(OptionError):
        plots.lots(found, show="both")  # type: ignore[arg-type]
    with pytest.raises(OptionError):
        plots.lots(found.lots)
