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


def test_another_shape_is_told(found: lots.Lots) -> None:
    panel = plots.lots(found.under("skew_low"))
    assert panel.get_xlabel() == "deviation from the rating / %; scatter: long tail to low"


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


def test_a_shape_that_changes_a_verdict_has_a_ring(found: lots.Lots) -> None:
    judged = lots.sensitivity(found, shapes=["normal", "skew_low", "skew_high"])
    table = judged.with_columns(pl.col("verdict").first().over("lot"), stands=True)
    panel = plots.sensitivity(table, fraction=0.05)
    written = words(panel.figure)
    # What the table says of L3, which has no numbers, stands once in its row.
    assert {"L2 (M); tested 10\nexceeds", "too few samples", "level, 5 %"} <= written
    assert "verdict does not stand" not in written
    points = [line for line in panel.lines if len(line.get_xdata()) == 1]
    told = table.filter(pl.col("fraction").is_not_null())
    assert sorted(float(line.get_xdata()[0]) for line in points) == pytest.approx(
        sorted((100.0 * told["fraction"]).to_list())
    )
    # The surest lot stands on top, its shapes in order.
    assert [line.get_marker() for line in points[:3]] == ["o", "<", ">"]
    assert np.diff([line.get_ydata()[0] for line in points[:3]]) == pytest.approx([-0.74 / 3] * 2)
    first = panel.collections[0].get_segments()[0][:, 0]
    low, high = told.select("fraction_low", "fraction_high").row(0)
    assert first == pytest.approx([100.0 * low, 100.0 * high])
    lot, shape = "L2", "skew_low"
    there = (pl.col("lot") == lot) & (pl.col("shape") == shape)
    moved = table.with_columns(
        verdict=pl.when(there).then(pl.lit("undecided")).otherwise("verdict"), stands=~there
    )
    ringed = plots.sensitivity(moved)
    written = words(ringed.figure)
    assert {"verdict does not stand", "L2 (M); tested 10\nexceeds or undecided"} <= written
    (ring,) = [line for line in ringed.lines if line.get_markersize() == 11.0]
    assert ring.get_xdata()[0] == pytest.approx(100.0 * moved.filter(there)["fraction"][0])


def test_shapes_that_cannot_be_drawn(found: lots.Lots) -> None:
    table = lots.sensitivity(found, shapes=["normal", "light_tails"])
    for options, wrong in (
        ({"by": "built"}, "column built"),
        ({"fraction": 5}, "option fraction"),
    ):
        with pytest.raises(ValueError, match=wrong):
            plots.sensitivity(table, **options)
    for odd, wrong in (
        (table.drop("stands"), "column stands"),
        (table.with_columns(fraction=pl.lit("few")), "column fraction: it is String"),
        (table.with_columns(stands=pl.lit("yes")), "column stands: it is String"),
        (table.with_columns(shape=pl.lit("round")), "'round' is not known"),
        (pl.concat([table, table]), "a lot has a shape twice"),
    ):
        with pytest.raises(ValueError, match=wrong):
            plots.sensitivity(odd)
    assert "There are no lots." in words(plots.sensitivity(table.clear()).figure)
    few = table.with_columns(
        fraction=pl.when(pl.col("shape") == "normal").then("fraction"),
        status=pl.lit("too_few_draws"),
    )
    assert "light tails: too few draws" in words(plots.sensitivity(few).figure)
