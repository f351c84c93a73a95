"""Pictures of a fleet over the years: lines with their bands, and slopes beside each other."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import matplotlib
import numpy as np
import polars as pl
import pytest
from matplotlib import pyplot
from matplotlib.dates import date2num
from matplotlib.figure import Figure

import deadband as db
from deadband import plots
from deadband._errors import DeadbandError, InputError, OptionError, SchemaError

NORMAL_95 = 1.959963985
INCH_PA = 249.0889


@pytest.fixture(autouse=True)
def _close_figures():
    yield
    pyplot.close("all")


def words(figure) -> str:
    """Everything written in a figure."""
    figure.canvas.draw()
    return "\n".join(
        text.get_text() for text in figure.findobj(matplotlib.text.Text) if text.get_text()
    )


def fleet(switches: int = 9, years: int = 5) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Setpoints of an invented fleet, lot L1 falling by 1 Pa a year, and its switches."""
    random = np.random.default_rng(4)
    rows = []
    for i in range(switches):
        slope = -1.0 if i % 3 == 1 else 0.0
        level, slope = 60.0 + random.normal(0, 0.8), slope + random.normal(0, 0.25)
        for k in range(years):
            when = datetime(2020, 3, 1) + timedelta(days=365 * k + int(random.integers(0, 200)))
            value = level + slope * k + random.normal(0, 0.2)
            rows.append((f"s{i}", f"{2020 + k}-s{i}", "ramp", when, value, 0.2))
    columns = ["switch_id", "test_id", "method", "tested_at", "open_pa", "open_u_pa"]
    points = pl.DataFrame(rows, schema=columns, orient="row").with_columns(
        close_pa=pl.col("open_pa") + 4.0, close_u_pa=pl.col("open_u_pa")
    )
    table = pl.DataFrame(
        {
            "switch_id": [f"s{i}" for i in range(switches)],
            "lot": [f"L{i % 3}" for i in range(switches)],
            "rated_pa": [60.0] * switches,
            "action": ["fall"] * switches,
            "tolerance": [0.10] * switches,
        }
    )
    return points, table


def band_of(panel) -> np.ndarray:
    """Corners of the band: days and pressures."""
    (band,) = [one for one in panel.collections if one.get_label() == "95 % band of the line"]
    return band.get_paths()[0].vertices


def drawn(panel, label: str) -> Any:
    """The line with this label in the legend."""
    (found,) = [line for line in panel.lines if line.get_label() == label]
    return found


# --- the line of a switch or a lot --------------------------------------------------------------


def test_fan_names_the_switch_its_limits_and_every_sign_it_uses():
    points, table = fleet()
    text = words(plots.fan(db.growth(points), "s1", table, points).figure).splitlines()
    assert {"switch s1", "open / Pa", "line", "95 % band of the line", "tests, slow ramp"} <= {
        *text
    }
    assert "last test of the fleet" in text
    at = text.index("lower limit")
    assert text[at : at + 2] == ["lower limit", "54 Pa"]
    at = text.index("upper limit")
    assert text[at : at + 2] == ["upper limit", "66 Pa"]


def test_fan_draws_the_line_and_the_band_of_the_fit():
    points, table = fleet()
    found = db.growth(points)
    panel = plots.fan(found, "s1", table, points, until=date(2030, 1, 1))
    there = found.at(date(2030, 1, 1)).row(by_predicate=pl.col("switch_id") == "s1", named=True)
    days, values = drawn(panel, "line").get_data()
    assert date2num(days[-1]) == pytest.approx(date2num(date(2030, 1, 1)))
    assert values[-1] == pytest.approx(there["level_pa"], abs=1e-9)
    corners = band_of(panel)
    last = corners[np.isclose(corners[:, 0], corners[:, 0].max()), 1]
    assert last.max() == pytest.approx(there["level_pa"] + NORMAL_95 * there["level_u_pa"])
    assert last.min() == pytest.approx(there["level_pa"] - NORMAL_95 * there["level_u_pa"])


def test_fan_begins_with_the_first_test_and_ends_five_years_after_the_last():
    points, table = fleet()
    found = db.growth(points)
    own = points.filter(pl.col("switch_id") == "s2")
    days = date2num(drawn(plots.fan(found, "s2", table, points), "line").get_xdata())
    assert days[0] == pytest.approx(date2num(own["tested_at"].dt.date().min()))
    assert days[-1] - date2num(found.last) == pytest.approx(1825.0)
    bare = plots.fan(found, "s2", table)
    assert date2num(drawn(bare, "line").get_xdata())[0] == pytest.approx(date2num(found.origin))
    assert "tests," not in words(bare.figure)


def test_fan_shows_where_forecast_begins():
    points, table = fleet()
    found = db.growth(points)
    (day,) = set(drawn(plots.fan(found, "s0", table), "last test of the fleet").get_xdata())
    assert date2num(day) == date2num(found.last)


def test_fan_draws_the_tests_of_the_switch_with_their_intervals():
    points, table = fleet()
    panel = plots.fan(db.growth(points), "s3", table, points)
    own = points.filter(pl.col("switch_id") == "s3").sort("tested_at")
    assert np.allclose(drawn(panel, "tests, slow ramp").get_ydata(), own["open_pa"])
    (bars,) = [one for one in panel.collections if hasattr(one, "get_segments")]
    reach = [np.ptp(segment[:, 1]) / 2.0 for segment in bars.get_segments()]
    assert np.allclose(reach, NORMAL_95 * own["open_u_pa"])


def test_fan_of_a_lot_draws_the_tests_of_all_its_switches():
    points, table = fleet()
    found = db.growth(points, table, effects=["lot"])
    panel = plots.fan(found, "L1", table, points, by="lot")
    inside = points.join(table.filter(pl.col("lot") == "L1"), on="switch_id", how="semi")
    assert len(drawn(panel, "tests, slow ramp").get_xdata()) == inside.height
    assert panel.get_title(loc="left") == "lot L1"
    assert {"lower limit", "upper limit"} <= set(words(panel.figure).splitlines())


def test_fan_of_a_lot_of_two_ratings_has_no_limit():
    points, table = fleet()
    two = table.with_columns(rated_pa=pl.when(pl.col("switch_id") == "s1").then(80.0).otherwise(60))
    found = db.growth(points, table, effects=["lot"])
    assert "limit" not in words(plots.fan(found, "L1", two, points, by="lot").figure)
    assert "limit" in words(plots.fan(found, "L0", two, points, by="lot").figure)


def test_fan_tells_methods_apart_by_shape():
    points, table = fleet()
    mixed = points.with_columns(
        method=pl.when(pl.int_range(pl.len()) % 5 == 3).then(None).otherwise("method")
    )
    mixed = mixed.with_columns(
        method=pl.when(pl.int_range(pl.len()) % 5 == 1).then(pl.lit("pinch")).otherwise("method")
    )
    panel = plots.fan(db.growth(points), "s0", table, mixed)
    marks = {
        line.get_label(): line.get_marker()
        for line in panel.lines
        if line.get_label().startswith("tests")
    }
    assert set(marks) == {"tests, slow ramp", "tests, pinch", "tests, method not stated"}
    assert len(set(marks.values())) == 3


def test_fan_tells_nothing_by_colour_alone():
    points, table = fleet()
    panel = plots.fan(db.growth(points), "s0", table, points)
    told = [line for line in panel.lines if not line.get_label().startswith("_")]
    assert len({(line.get_linestyle(), line.get_marker()) for line in told}) == len(told)
    limits = [line for line in panel.lines if line.get_label().startswith("_")]
    assert len(limits) == len([text for text in panel.texts if "limit" in text.get_text()]) == 2


def test_fan_in_another_unit():
    points, table = fleet()
    found = db.growth(points)
    inches = plots.fan(found, "s1", table, points, unit="inH2O")
    text = words(inches.figure)
    assert "open / inH₂O" in text
    assert "lower limit\n0.2168 inH₂O" in text  # 54 Pa over 249.0889 Pa
    pascals = plots.fan(found, "s1", table, points)
    for label in ("line", "tests, slow ramp"):
        ratio = drawn(pascals, label).get_ydata() / drawn(inches, label).get_ydata()
        assert np.allclose(ratio, INCH_PA)
    assert np.allclose(band_of(pascals)[:, 1] / band_of(inches)[:, 1], INCH_PA)
    with pytest.raises(InputError, match="inH2O_60F"):
        plots.fan(found, "s1", table, unit="inch")


def test_fan_of_the_closing_points():
    points, table = fleet()
    found = db.growth(points, event="close")
    panel = plots.fan(found, "s1", table, points)
    assert panel.get_ylabel() == "close / Pa"
    own = points.filter(pl.col("switch_id") == "s1").sort("tested_at")
    assert np.allclose(drawn(panel, "tests, slow ramp").get_ydata(), own["close_pa"])


@pytest.mark.parametrize(
    "spoil",
    [
        lambda points: points.clear(),
        lambda points: points.with_columns(open_pa=pl.lit(None, pl.Float64)),
        lambda points: points.with_columns(tested_at=pl.lit(None, pl.Datetime("us"))),
        lambda points: points.filter(pl.col("switch_id") != "s1"),
    ],
    ids=["empty", "no_value", "no_date", "other_switches"],
)
def test_fan_without_a_test_to_draw_is_the_line_alone(spoil):
    points, table = fleet()
    panel = plots.fan(db.growth(points), "s1", table, spoil(points))
    text = words(panel.figure)
    assert "tests," not in text
    assert drawn(panel, "line")


def test_fan_of_tests_without_uncertainty_or_of_unrated_switches():
    points, table = fleet()
    found = db.growth(points)
    odd = points.with_columns(open_u_pa=pl.lit(None, pl.Float64))
    panel = plots.fan(found, "s1", table, odd)
    panel.figure.canvas.draw()
    assert all(np.isfinite(panel.get_ylim()))
    assert "limit" not in words(plots.fan(found, "s1", table.clear(), points).figure)


def test_fan_refuses_what_it_cannot_draw():
    points, table = fleet()
    found = db.growth(points)
    lots = db.growth(points, table, effects=["lot"])
    with pytest.raises(OptionError, match=r"name: 's99'.*s0, s1"):
        plots.fan(found, "s99", table)
    with pytest.raises(OptionError, match=r"by: 'lot'.*switch_id"):
        plots.fan(found, "L1", table, by="lot")
    with pytest.raises(OptionError, match=r"by: 'model'.*switch_id, lot"):
        plots.fan(lots, "L1", table, by="model")
    with pytest.raises(OptionError, match="until: '2010-01-01'"):
        plots.fan(found, "s1", table, points, until=date(2010, 1, 1))
    with pytest.raises(SchemaError, match="no switch has lot L1"):
        plots.fan(lots, "L1", table.drop("lot"), by="lot")
    with pytest.raises(SchemaError, match="open_u_pa"):
        plots.fan(found, "s1", table, points.drop("open_u_pa"))
    with pytest.raises(DeadbandError, match="a list is no table"):
        plots.fan(found, "s1", [60.0])


# --- slopes -------------------------------------------------------------------------------------


def filled(panel) -> dict[str, list[float]]:
    """Slopes by what the legend says of their mark."""
    return {
        str(line.get_label()): list(line.get_xdata())
        for line in panel.lines
        if line.get_marker() == "o"
    }


def test_slopes_are_in_order_and_named():
    points, _ = fleet()
    found = db.growth(points)
    panel = plots.slopes(found)
    ordered = found.switches.sort("slope_pa_year")
    assert [tick.get_text() for tick in panel.get_yticklabels()] == ordered["switch_id"].to_list()
    text = words(panel.figure).splitlines()
    assert {"open: slopes of the switches", "slope / (Pa/year)", "mean of all", "no drift"} <= {
        *text
    }


def test_slopes_have_their_intervals():
    points, _ = fleet()
    found = db.growth(points)
    (bars,) = plots.slopes(found).collections
    ends = np.array([segment[:, 0] for segment in bars.get_segments()])
    ordered = found.switches.sort("slope_pa_year")
    assert np.allclose(ends.mean(axis=1), ordered["slope_pa_year"])
    assert np.allclose(np.ptp(ends, axis=1) / 2.0, NORMAL_95 * ordered["slope_u_pa_year"])


def test_slopes_apart_from_the_mean_are_told_by_their_fill():
    points, table = fleet(30)
    found = db.growth(points, table, effects=["lot"], slopes=False)
    panel = plots.slopes(found)
    mean = np.average(found.groups["slope_pa_year"], weights=found.groups["n_switches"])
    assert drawn(panel, "mean of all").get_xdata()[0] == pytest.approx(mean)
    far = (found.switches["slope_pa_year"] - mean).abs()
    apart = found.switches.filter(far > NORMAL_95 * pl.col("slope_u_pa_year"))
    marks = filled(panel)
    assert 0 < apart.height < found.switches.height
    assert sorted(marks["apart from the mean"]) == sorted(apart["slope_pa_year"])
    assert len(marks["95 % interval holds the mean"]) == found.switches.height - apart.height
    fills = {line.get_markerfacecolor() for line in panel.lines if line.get_marker() == "o"}
    assert "white" in fills
    assert len(fills) == 2


def test_slopes_of_many_switches_are_the_outermost():
    points, _ = fleet(30)
    found = db.growth(points)
    ordered = found.switches.sort("slope_pa_year")["switch_id"].to_list()
    panel = plots.slopes(found, most=7)
    shown = [tick.get_text() for tick in panel.get_yticklabels()]
    assert shown == ordered[:3] + ordered[-4:]
    assert "23 between them not shown" in words(panel.figure)
    assert "not shown" not in words(plots.slopes(found).figure)
    for odd in (1, 5.5, "x", None, True):
        with pytest.raises(OptionError, match=r"option most: .*whole number from 2 on"):
            plots.slopes(found, most=odd)
    with pytest.raises(OptionError, match="option fleet"):
        plots.slopes(points)


def test_slopes_in_another_unit():
    points, _ = fleet()
    found = db.growth(points)
    panel = plots.slopes(found, unit="inH2O")
    assert panel.get_xlabel() == "slope / (inH₂O/year)"
    values = sorted(value for marks in filled(panel).values() for value in marks)
    assert np.allclose(values, found.switches["slope_pa_year"].sort() / INCH_PA)


def test_slopes_that_are_all_the_fleets_are_one_kind():
    points, _ = fleet()
    marks = filled(plots.slopes(db.growth(points, random_slope=False)))
    assert set(marks) == {"95 % interval holds the mean"}


# --- both ---------------------------------------------------------------------------------------


def test_pictures_draw_on_axes_that_are_given_and_leave_the_users_style_alone():
    points, table = fleet()
    found = db.growth(points)
    before = dict(matplotlib.rcParams)
    upper, lower = Figure().subplots(2, 1)
    assert plots.fan(found, "s1", table, points, upper) is upper
    assert plots.slopes(found, lower) is lower
    assert dict(matplotlib.rcParams) == before


def test_lazy_frames_and_arrow_tables_are_taken():
    points, table = fleet()
    panel = plots.fan(db.growth(points), "s1", table.lazy(), points.to_arrow())
    assert len(drawn(panel, "tests, slow ramp").get_xdata()) == 5
