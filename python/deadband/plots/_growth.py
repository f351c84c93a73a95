"""A fleet over the years: lines with their bands, and slopes beside each other."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._coverage import expanded
from .._errors import OptionError, SchemaError, check_count
from .._growth import Growth, check_growth
from .._history import day_of, line_at
from . import _style
from ._frame import collected

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_NORMAL_95: Final = 1.959963985
_DOTTED: Final = (0, (1, 2))


def fan(
    fleet: Growth,
    name: str,
    switches: Any,
    points: Any = None,
    ax: Axes | None = None,
    *,
    by: str = "switch_id",
    until: date | None = None,
    unit: str = "Pa",
) -> Axes:
    """Draw the line of one switch, or of one lot or model, with its band and its limits.

    The band is that of the line, 95 %, from the first test drawn (without any: the origin of the
    levels) to `until`: a single test scatters more. The dotted line is the last test of the whole
    fleet; beyond it is forecast. With `points` the tests of the switch, or of all switches of the
    group, are drawn too, those of a switch with their own 95 % intervals. Limits are drawn where
    all switches have the same.

    Parameters
    ----------
    fleet
        What `growth` found.
    name
        Which switch, lot or model.
    switches
        Table of switches, for limits and groups.
    points
        Table of setpoints; None: no tests are drawn.
    ax
        Axes to draw on; a new figure if None.
    by
        `switch_id`, or the one effect of `fleet`.
    until
        Where the band ends; None: five years after the last test.
    unit
        Unit of pressure to draw in.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    OptionError
        `fleet` is not what `growth` found, there is no such line in it, or `until` is before the
        first test.
    SchemaError
        `switches` has none of the group.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> from deadband import growth, plots
    >>> from deadband._forecast import _example
    >>> points, switches = _example()
    >>> plots.fan(growth(points), "s01", switches, points).get_ylabel()
    'open / Pa'
    """
    check_growth("fleet", fleet)
    per_unit = _style.pascal_per(unit)
    line = _line(fleet, by, name)
    rated = collected(switches, "switches")
    members = _members(rated, by, name)
    tests = _tests(fleet, points, members)
    start: Any = tests["tested_at"].dt.date().min() if tests.height else fleet.origin
    end = fleet.last + timedelta(days=5 * 365) if until is None else day_of("until", until)
    if end <= start:
        raise OptionError("until", str(end), [f"a date after {start}"])
    with _style.look():
        panel = _style.axes(ax, (8.4, 3.8))
        _style.calm(panel)
        _band(panel, fleet, line, (start, end), per_unit)
        _marks(panel, fleet, tests, per_unit, intervals=by == "switch_id")
        _limits(panel, rated.filter(pl.col("switch_id").is_in(members)), per_unit, unit)
        last: Any = fleet.last
        panel.axvline(last, color=_style.MUTED, lw=0.9, ls=_DOTTED, label="last test of the fleet")
        panel.set_ylabel(f"{fleet.event} / {_style.pretty(unit)}")
        columns = 4 if len(panel.get_legend_handles_labels()[0]) <= 4 else 3
        _style.legend_above(panel, columns, title=f"{by.removesuffix('_id')} {name}")
        return panel


def slopes(fleet: Growth, ax: Axes | None = None, *, most: int = 60, unit: str = "Pa") -> Axes:
    """Draw the slopes of all switches in their order, each with its 95 % interval.

    The slope of a switch is pulled towards the mean of its group, the more so the less its own
    tests say; the full line is the mean slope of all switches, the dotted one no drift. Of more
    switches than `most` the outermost are drawn, half from either end, a dashed line between them.

    Parameters
    ----------
    fleet
        What `growth` found.
    ax
        Axes to draw on; a new figure if None.
    most
        Number of switches drawn at most, two or more.
    unit
        Unit of pressure to draw in.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    OptionError
        `most` is no whole number from two on, or `fleet` is not what `growth` found.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> from deadband import growth, plots
    >>> from deadband._forecast import _example
    >>> plots.slopes(growth(_example()[0])).get_xlabel()
    'slope / (Pa/year)'
    """
    check_growth("fleet", fleet)
    most = check_count("most", most, 2)
    per_unit = _style.pascal_per(unit)
    ordered = fleet.switches.sort("slope_pa_year", "switch_id")
    left_out = max(ordered.height - most, 0)
    half = most // 2
    if left_out:
        ordered = pl.concat([ordered.head(half), ordered.tail(most - half)])
    value = ordered["slope_pa_year"].to_numpy() / per_unit
    reach = _NORMAL_95 * ordered["slope_u_pa_year"].to_numpy() / per_unit
    clear = np.abs(value - _mean(fleet, per_unit)) > reach
    rows = np.arange(ordered.height)
    with _style.look():
        panel = _style.axes(ax, (6.4, 1.2 + 0.16 * ordered.height))
        _style.calm(panel, "x")
        panel.hlines(rows, value - reach, value + reach, color=_style.DOT, lw=1.4)
        for which, fill, word in [
            (~clear, "white", "95 % interval holds the mean"),
            (clear, _style.CLOSE, "apart from the mean"),
        ]:
            if which.any():
                panel.plot(
                    value[which], rows[which], ls="none", marker="o", ms=4.5, mfc=fill,
                    mec=_style.CLOSE, label=word,
                )  # fmt: skip
        panel.axvline(_mean(fleet, per_unit), color=_style.INK, lw=1.0, label="mean of all")
        panel.axvline(0.0, color=_style.MUTED, lw=0.9, ls=_DOTTED, label="no drift")
        if left_out:
            panel.axhline(half - 0.5, color=_style.MUTED, lw=0.8, ls="--")
        panel.set_yticks(rows, ordered["switch_id"].to_list(), fontsize=7.5)
        panel.set_ylim(-0.8, ordered.height - 0.2)
        panel.set_xlabel(f"slope / ({_style.pretty(unit)}/year)")
        note = f", {left_out} between them not shown" if left_out else ""
        _style.legend_above(panel, 2, title=f"{fleet.event}: slopes of the switches{note}")
        return panel


def _mean(fleet: Growth, per_unit: float) -> float:
    """The mean slope of the groups, each with the weight of its switches."""
    slope, weight = fleet.groups["slope_pa_year"], fleet.groups["n_switches"]
    return float(np.average(slope.to_numpy(), weights=weight.to_numpy())) / per_unit


def _line(fleet: Growth, by: str, name: str) -> dict[str, Any]:
    lines = fleet.switches if by == "switch_id" else fleet.groups
    effects = [effect for effect in ("lot", "model") if effect in fleet.groups.columns]
    if by != "switch_id" and effects != [by]:
        raise OptionError("by", by, ["switch_id", *(effects if len(effects) == 1 else [])])
    if name not in lines[by].to_list():
        raise OptionError("name", name, lines[by].head(5).to_list())
    return lines.row(by_predicate=pl.col(by) == name, named=True)


def _members(rated: pl.DataFrame, by: str, name: str) -> list[str]:
    if by == "switch_id":
        return [name]
    members = rated.filter(pl.col(by) == name)["switch_id"].to_list()
    if not members:
        raise SchemaError(
            "missing_value", f"no switch has {by} {name}", column=by, table="switches",
            present=rated.columns, advice="give the table that the fleet was fitted with",
        )  # fmt: skip
    return members


def _tests(fleet: Growth, points: Any, members: list[str]) -> pl.DataFrame:
    if points is None:
        return pl.DataFrame(schema={"tested_at": pl.Datetime("us")})
    table = collected(points, "setpoints")
    kept = table.filter(
        pl.col("switch_id").is_in(members), pl.col(f"{fleet.event}_pa").is_finite(),
        pl.col("tested_at").is_not_null(),
    )  # fmt: skip
    return kept.sort("tested_at", "test_id")


def _band(
    panel: Axes, fleet: Growth, line: dict[str, Any], ends: tuple[date, date], per_unit: float
) -> None:
    days = np.linspace(0.0, (ends[1] - ends[0]).days, 120)
    level, variance = line_at(line.__getitem__, (ends[0] - fleet.origin).days + days)
    reach = _NORMAL_95 * np.sqrt(np.maximum(variance, 0.0))
    at: Any = np.array([ends[0] + timedelta(days=float(day)) for day in days])
    panel.fill_between(
        at, (level - reach) / per_unit, (level + reach) / per_unit, color=_style.SERIES[4],
        alpha=0.35, lw=0, label="95 % band of the line",
    )  # fmt: skip
    panel.plot(at, level / per_unit, color=_style.CLOSE, lw=1.6, label="line")


def _marks(
    panel: Axes, fleet: Growth, tests: pl.DataFrame, per_unit: float, *, intervals: bool
) -> None:
    if not tests.height:
        return
    at = tests["tested_at"].to_numpy()
    value = tests[f"{fleet.event}_pa"].to_numpy() / per_unit
    if intervals:
        half = expanded(tests[f"{fleet.event}_u_pa"], tests[f"{fleet.event}_dof"]).fill_null(0.0)
        reach = half.to_numpy() / per_unit
        panel.vlines(at, value - reach, value + reach, color=_style.INK, lw=1.0)
    size = 5.0 if intervals else 3.0
    for method in tests["method"].unique(maintain_order=True).to_list():
        keep = tests["method"].eq_missing(pl.Series([method])).to_numpy()
        panel.plot(
            at[keep], value[keep], ls="none", marker=_style.METHOD_MARKER.get(method, "P"), ms=size,
            mfc="white", mec=_style.INK, alpha=1.0 if intervals else 0.5,
            label=f"tests, {_style.METHOD_WORD.get(method, 'method not stated')}",
        )  # fmt: skip


def _limits(panel: Axes, rated: pl.DataFrame, per_unit: float, unit: str) -> None:
    each = rated.select("rated_pa", "tolerance").drop_nulls().unique()
    if each.height != 1:
        return
    rating, tolerance = each.row(0)
    for side, word in ((-1.0, "lower limit"), (1.0, "upper limit")):
        value = rating * (1.0 + side * tolerance) / per_unit
        panel.axhline(value, color=_style.UNSAFE if side < 0 else _style.MUTED, lw=1.0, ls="--")
        panel.text(
            1.01, value, f"{word}\n{value:.4g} {_style.pretty(unit)}",
            transform=panel.get_yaxis_transform(), va="center", fontsize=8.5,
        )  # fmt: skip
