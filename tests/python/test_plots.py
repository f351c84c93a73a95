"""The pictures: what they show, that colour is never the only sign, and what they refuse."""

from __future__ import annotations

import sys
from dataclasses import replace

import matplotlib
import numpy as np
import polars as pl
import pytest
from matplotlib import pyplot
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from deadband import plots
from deadband._errors import DeadbandError, InputError, SchemaError
from deadband.plots import _style
from deadband.plots._display import display_errors
from deadband.plots._rated import rated, with_rating
from example_fleet import LAGS, fleet, in_inches, ramp_fit


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


# --- one recording ------------------------------------------------------------------------------


def test_recording_shows_setpoints_in_its_own_unit_and_the_display_beside_them():
    fit = ramp_fit()
    figure = plots.recording(fit)
    text = words(figure)
    assert "pressure / inH₂O" in text
    assert "time / s" in text
    assert (
        "closed at\n0.2810 ± 0.0025" in text
    )  # 70 Pa over 249.0889 Pa, t_0.975(20) = 2.09 times 0.3 Pa
    assert "opened at\n0.2409 ± 0.0025" in text
    events = fit.events.filter(pl.col("event") == "close")
    worst = (events["reading_pa"] - 70.0).abs().max() / fit.per_unit
    assert f"display up to {worst:.3f} low" in text
    assert "3 bounces" in text
    assert {"closed", "open"} <= set(text.splitlines())


def test_recording_stays_silent_where_display_and_switch_agree():
    fit = ramp_fit()
    agreed = replace(fit, close=in_inches(70.0, 30.0), open=in_inches(60.0, 30.0))
    text = words(plots.recording(agreed))
    assert " low" not in text
    assert " high" not in text


def test_recording_draws_brackets_as_wide_as_they_are():
    fit = ramp_fit()
    wide = replace(fit, events=fit.events.with_columns(time_width_s=pl.lit(2.0)))
    panel = plots.recording(wide).axes[0]
    spans = [patch for patch in panel.patches if patch.get_width() == pytest.approx(2.0)]
    assert len(spans) == fit.events.height


def test_recording_without_events_setpoints_or_path():
    fit = ramp_fit()
    bare = replace(
        fit, events=fit.events.clear(), close=None, open=None, path=None, contact_time_s=None
    )
    assert "closed at" not in words(plots.recording(bare))


def test_recording_labels_do_not_cover_each_other():
    near = replace(ramp_fit(), close=in_inches(60.2, 0.1), open=in_inches(60.0, 0.1))
    figure = plots.recording(near)
    figure.canvas.draw()
    labels = [text for text in figure.axes[0].texts if " at\n" in text.get_text()]
    first, second = (text.get_window_extent() for text in labels)
    assert len(labels) == 2
    assert not first.overlaps(second)


def test_recording_draws_on_axes_that_are_given():
    figure = Figure(figsize=(8, 8))
    upper, lower = figure.subplots(2, 1)
    assert plots.recording(ramp_fit(), ax=lower) is figure
    assert lower.lines
    assert not upper.lines


def test_recording_has_closed_on_top_whatever_the_channel_shows():
    fit = ramp_fit()
    low_when_closed = np.nanmax(fit.contact) - np.asarray(fit.contact)
    for contact in (fit.contact, low_when_closed):
        panel = plots.recording(replace(fit, contact=contact)).axes[0].child_axes[0]
        ticks = {tick.get_text(): tick.get_position()[1] for tick in panel.get_yticklabels()}
        to_screen = panel.transData.transform
        assert to_screen((0.0, ticks["closed"]))[1] > to_screen((0.0, ticks["open"]))[1]


def test_recording_writes_an_interval_that_would_fill_the_picture():
    fit = ramp_fit()
    wide = plots.recording(replace(fit, close=in_inches(70.0, 400.0)))
    bands = [patch for patch in wide.axes[0].patches if patch.get_height() > 1.0]
    assert not bands
    assert "(too wide to draw)" in words(wide)
    assert "(too wide to draw)" not in words(plots.recording(fit))


# --- fleet --------------------------------------------------------------------------------------


def test_rated_event_follows_the_action():
    data = fleet()
    rising = data.switches.with_columns(action=pl.lit("rise"))
    falls, rises = rated(data.setpoints, data.switches), rated(data.setpoints, rising)
    assert falls["value_pa"].equals(falls["open_pa"], null_equal=True)
    assert rises["value_pa"].equals(rises["close_pa"], null_equal=True)
    expected = 100.0 * (falls["open_pa"] / falls["rated_pa"] - 1.0)
    assert np.allclose(falls["deviation_pct"], expected)


def test_rated_keeps_rows_apart_that_have_no_rating():
    data = fleet()
    known = data.switches.filter(pl.col("switch_id") != "SW-003")
    assert with_rating(data.setpoints, known).height == data.setpoints.height
    assert "SW-003" not in rated(data.setpoints, known)["switch_id"]
    doubled = pl.concat([data.switches, data.switches])
    assert rated(data.setpoints, doubled).height == rated(data.setpoints, data.switches).height


def test_setpoints_names_each_switch_of_a_small_fleet_and_both_sides():
    data = fleet()
    text = words(plots.setpoints(data.verdicts, data.switches).figure)
    assert set(data.switches["switch_id"]) <= set(text.splitlines())
    assert "unsafe side: still closed below the lower limit" in text
    assert "nuisance side" in text
    assert "% of rating" in text
    assert {"conforms", "undecided", "does not conform"} <= set(text.splitlines())


def test_setpoints_puts_the_most_unsafe_switch_on_top():
    data = fleet()
    panel = plots.setpoints(data.verdicts, data.switches)
    labels = [tick.get_text() for tick in panel.get_yticklabels()]
    assert labels[-1] == "SW-000"
    assert panel.get_ylim()[1] > panel.get_ylim()[0]


def test_setpoints_of_a_large_fleet_are_sorted_by_method():
    data = fleet(60, 5)
    panel = plots.setpoints(data.setpoints, data.switches)
    counts = rated(data.setpoints, data.switches).group_by("method").len()
    expected = {
        f"{_style.METHOD_WORD[method]}\n{count} tests" for method, count in counts.iter_rows()
    }
    assert {tick.get_text() for tick in panel.get_xticklabels()} == expected
    assert "unsafe side: still closed below the lower limit" in words(panel.figure)


def test_setpoints_keeps_every_value_in_view():
    data = fleet()
    table = rated(data.setpoints, data.switches)
    low, high = plots.setpoints(data.setpoints, data.switches).get_xlim()
    assert low < table["deviation_pct"].min()
    assert table["deviation_pct"].max() < high


def test_an_interval_of_no_width_or_without_end_is_drawn():
    data = fleet(4)
    odd = data.setpoints.with_columns(
        open_u_pa=pl.lit(0.0), open_dof=pl.when(pl.int_range(pl.len()) % 2 == 0).then(0.0)
    )
    panel = plots.setpoints(odd, data.switches)
    panel.figure.canvas.draw()
    assert all(np.isfinite(panel.get_xlim()))


def test_display_error_is_reading_minus_setpoint():
    data = fleet()
    table = display_errors(data.events, data.setpoints)
    assert table.height == data.events.height
    for gauge, lag in LAGS.items():
        own = table.filter(pl.col("gauge_id") == gauge, pl.col("rate_pa_s").abs() > 50.0)
        slope = np.polyfit(own["rate_pa_s"], own["error_pa"], 1)[0]
        assert slope == pytest.approx(-lag, abs=0.05)
    text = words(plots.display_error(data.events, data.setpoints, data.lags).figure)
    assert "display minus setpoint / Pa" in text
    assert "(Pa/s)" in text
    assert {"gauge G1", "contact closed", "contact opened"} <= set(text.splitlines())


def test_display_error_is_straight_and_sets_the_fast_changes_apart():
    data = fleet()
    panel = plots.display_error(data.events, data.setpoints, data.lags)
    (corner,) = panel.child_axes
    assert {axes.get_xscale() for axes in (panel, corner)} == {"linear"}
    assert {axes.get_yscale() for axes in (panel, corner)} == {"linear"}
    drawn = [
        len(line.get_xdata())
        for axes in (panel, corner)
        for line in axes.lines
        if line.get_marker() in _style.EVENT_MARKER.values()
    ]
    assert sum(drawn) == display_errors(data.events, data.setpoints).height
    slow = max(
        np.abs(line.get_xdata()).max(initial=0.0) for line in panel.lines if line.get_ls() == "None"
    )
    fast = min(
        np.abs(line.get_xdata()).min(initial=np.inf)
        for line in corner.lines
        if line.get_ls() == "None"
    )
    assert slow < fast
    assert len(panel.get_yticks()) >= 4
    alike = data.events.filter(pl.col("method") == "ramp")
    assert not plots.display_error(alike, data.setpoints, data.lags).child_axes


def test_display_error_of_many_gauges_or_none():
    data = fleet()
    many = data.events.with_columns(gauge_id="G" + pl.int_range(pl.len()).mod(9).cast(pl.String))
    assert "all gauges" in words(plots.display_error(many, data.setpoints).figure)
    unnamed = data.events.with_columns(gauge_id=pl.lit(None, pl.String))
    assert "all gauges" in words(plots.display_error(unnamed, data.setpoints, data.lags).figure)


def test_lags_say_where_none_could_be_told():
    text = words(plots.lags(fleet().lags).figure)
    assert {"G1", "G2", "G3", "G4", "lag unidentified", "from rates", "stated"} <= set(
        text.splitlines()
    )
    assert "mean lag / s" in text


def test_lags_draw_every_lag_whatever_its_source():
    data = fleet()
    found = data.lags.filter(pl.col("lag_s").is_not_null())
    for source, word in (("pooled", "pooled"), ("something new", "other source"), (None, "other")):
        panel = plots.lags(found.with_columns(source=pl.lit(source, pl.String)))
        marks = [line for line in panel.lines if line.get_marker() in {"p", "P"}]
        assert sum(len(line.get_xdata()) for line in marks) == found.height
        assert word in words(panel.figure)


def test_lags_show_what_is_stated_beside_what_was_found():
    data = fleet()
    found = data.lags.filter(pl.col("source") == "rates", pl.col("lag_s").is_not_null())
    gauges = pl.DataFrame(
        {
            "gauge_id": [found["gauge_id"][0], "elsewhere"],
            "resolution_pa": [1.0, 1.0],
            "accuracy_rel": [0.0, 0.0],
            "accuracy_abs_pa": [1.0, 1.0],
            "lag_s": [3.5, 9.0],
            "lag_u_s": [0.1, 0.1],
        }
    )
    alone, both = plots.lags(found), plots.lags(found, gauges=gauges)
    assert "stated" not in words(alone.figure)
    assert "stated" in words(both.figure).splitlines()
    assert alone.get_xlim()[1] < 3.5 < both.get_xlim()[1] < 9.0
    silent = plots.lags(found, gauges=gauges.with_columns(lag_s=pl.lit(None, pl.Float64)))
    assert "stated" not in words(silent.figure)


def test_history_names_limits_and_tests_without_numbers():
    data = fleet()
    text = words(plots.history(data.verdicts, "SW-000", data.switches).figure)
    assert "lower limit 112.5 Pa,\nunsafe below" in text
    assert "upper limit 137.5 Pa" in text
    assert "rated open 125 Pa" in text
    assert "no numbers (" in text
    unrated = plots.history(data.setpoints, "SW-001", data.switches.clear())
    assert "limit" not in words(unrated.figure)


def test_fleet_pictures_in_another_unit():
    data = fleet()
    text = words(plots.history(data.verdicts, "SW-000", data.switches, unit="inH2O").figure)
    assert "lower limit 0.4516 inH₂O" in text  # 112.5 Pa over 249.0889 Pa
    assert "setpoint / inH₂O" in text
    panel = plots.display_error(data.events, data.setpoints, unit="mbar")
    assert panel.get_ylim()[1] < 0.01 * data.events["rate_pa_s"].abs().max()
    assert "display minus setpoint / mbar" in words(panel.figure)
    with pytest.raises(InputError, match="inH2O_60F"):
        plots.display_error(data.events, data.setpoints, unit="inch")


def test_history_of_an_unknown_switch_is_refused():
    data = fleet()
    with pytest.raises(ValueError, match="SW-999"):
        plots.history(data.verdicts, "SW-999", data.switches)


# --- all of them --------------------------------------------------------------------------------


def pictures(data, ax=None):
    yield plots.setpoints(data.setpoints, data.switches, ax=ax)
    yield plots.display_error(data.events, data.setpoints, data.lags, ax=ax)
    yield plots.lags(data.lags, ax=ax)


def test_empty_tables_give_a_sentence_instead_of_a_picture():
    data = fleet()
    data.setpoints, data.events = data.setpoints.clear(), data.events.clear()
    data.lags = data.lags.clear()
    for panel in pictures(data):
        assert words(panel.figure).endswith(".")


def test_pictures_draw_on_axes_that_are_given_and_leave_the_users_style_alone():
    before = dict(matplotlib.rcParams)
    axes = Figure().subplots()
    for panel in pictures(fleet(), axes):
        assert panel is axes
    assert dict(matplotlib.rcParams) == before


def test_the_style_sets_back_what_it_set_and_nothing_else():
    def draw_and_fail():
        with _style.look():
            assert matplotlib.rcParams["font.size"] != before["font.size"]
            # As the backend of a notebook does when the first picture starts it.
            matplotlib.rcParams["interactive"] = not before["interactive"]
            raise ZeroDivisionError

    before = dict(matplotlib.rcParams)
    try:
        with pytest.raises(ZeroDivisionError):
            draw_and_fail()
        assert matplotlib.rcParams["interactive"] is not before["interactive"]
    finally:
        matplotlib.rcParams["interactive"] = before["interactive"]
    assert dict(matplotlib.rcParams) == before


def test_lazy_frames_and_arrow_tables_are_taken():
    data = fleet()
    assert plots.lags(data.lags.lazy()).get_yticklabels()
    assert plots.setpoints(data.setpoints.to_arrow(), data.switches.lazy()).lines


def test_a_missing_column_is_named():
    data = fleet()
    with pytest.raises(SchemaError, match="open_u_pa"):
        plots.setpoints(data.setpoints.drop("open_u_pa"), data.switches)
    with pytest.raises(SchemaError, match="lag_u_s"):
        plots.lags(data.lags.drop("lag_u_s"))
    with pytest.raises(DeadbandError, match="a list is no table"):
        plots.lags([1.0])


def test_close_and_open_differ_in_grey():
    def grey(colour: str) -> float:
        return float(np.dot(to_rgb(colour), (0.299, 0.587, 0.114)))

    assert abs(grey(_style.CLOSE) - grey(_style.OPEN)) > 0.3
    assert len(set(_style.EVENT_MARKER.values())) == 2
    assert len(set(_style.METHOD_MARKER.values())) == 3


def test_without_matplotlib_the_error_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(ImportError, match=r"pip install \"deadband\[plots\]\""):
        plots.lags(fleet().lags)
