"""Operators side by side on the same switches."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from . import _style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SHAPES: Final = ("o", "s", "^", "D", "v", "P", "X", "<", ">", "p", "h", "*")
_WIDTH: Final = 0.72  # of a switch's place that its operators take


def operators(
    found: Any,
    ax: Axes | None = None,
    *,
    reference: Any | None = None,
    value: str = "value_pa",
    operator: str = "operator_id",
    part: str = "switch_id",
    unit: str = "Pa",
) -> Axes:
    """Draw what each operator found of each switch, less the switch's mean.

    An operator has a shape and a place beside the others of the switch; a short line is the mean of
    an operator's results on the switch. With `reference` the mean of its results of the switch
    stands for the switch's mean, and switches without any are left out. Where operators stand at
    the same height on every switch they differ as a habit; where they change places, on the switch.

    Parameters
    ----------
    found
        A long frame, a row a result, such as `methods.results` gives.
    ax
        Axes to draw on; a new figure if None.
    reference
        Results of the reference method, with the columns `part` and `value`.
    value, operator, part
        Columns: the result in Pa, who tested, and what.
    unit
        Unit of pressure to draw in.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    SchemaError
        A column is missing.
    DeadbandError
        Results of several methods or events.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> from deadband import plots
    >>> found = pl.DataFrame(
    ...     {
    ...         "switch_id": ["s1", "s1", "s2", "s2"],
    ...         "operator_id": ["a", "b", "a", "b"],
    ...         "value_pa": [60.2, 59.8, 61.0, 60.4],
    ...     }
    ... )
    >>> plots.operators(found).get_ylabel()
    'result less mean of switch / Pa'
    """
    from ..methods._study import study_rows

    per_unit = _style.pascal_per(unit)
    table = study_rows(found, value, [operator, part]).drop_nulls()
    table = table.select(
        value=pl.col(value) / per_unit,
        operator=pl.col(operator).cast(pl.String),
        part=pl.col(part).cast(pl.String),
    )
    centre = table
    if reference is not None:
        centre = study_rows(reference, value, [part]).drop_nulls()
        centre = centre.select(value=pl.col(value) / per_unit, part=pl.col(part).cast(pl.String))
    means = centre.group_by("part").agg(centre=pl.col("value").mean())
    table = table.join(means, on="part", how="inner").with_columns(
        away=pl.col("value") - pl.col("centre")
    )
    switches = sorted(table["part"].unique())
    people = sorted(table["operator"].unique())
    with _style.look():
        panel = _style.axes(ax, (max(6.4, 1.6 + 0.16 * len(switches) * (len(people) + 1)), 4.2))
        if not table.height:
            return _style.nothing(panel, "No result has a switch and an operator.")
        _style.calm(panel)
        panel.axhline(0.0, color=_style.MUTED, lw=0.8)
        for line in range(1, len(switches)):
            panel.axvline(line - 0.5, color=_style.FAINT, lw=0.6)
        step = _WIDTH / len(people)
        for k, name in enumerate(people):
            aside = (k - 0.5 * (len(people) - 1)) * step
            place = {switch: at + aside for at, switch in enumerate(switches)}
            own = table.filter(operator=name).sort("part", "away")
            _operator(panel, own, place, index=k, half=0.42 * step)
        longest = max(len(name) for name in switches)
        upright = 90 if longest * len(switches) > 70 else 0
        panel.set_xticks(range(len(switches)), labels=switches, rotation=upright)
        panel.tick_params(axis="x", length=0)
        panel.set_xlim(-0.5, len(switches) - 0.5)
        against = "mean of switch" if reference is None else "reference"
        panel.set_ylabel(f"result less {against} / {_style.pretty(unit)}")
        _style.legend_above(panel, 6)
        return panel


def _operator(
    panel: Axes,
    own: pl.DataFrame,
    place: dict[str, float],
    *,
    index: int,
    half: float,
) -> None:
    if not own.height:
        return
    colour = _style.SERIES[index % len(_style.SERIES)]
    # Beyond the shapes there are, the same shape hollow.
    hollow = index // len(_SHAPES) % 2 == 1
    panel.plot(
        [place[switch] for switch in own["part"]], own["away"].to_numpy(),
        _SHAPES[index % len(_SHAPES)], ms=4.5, mfc="white" if hollow else colour, mec=colour,
        alpha=0.9, label=own["operator"][0],
    )  # fmt: skip
    means = own.group_by("part").agg(pl.col("away").mean()).sort("part")
    at = np.array([place[switch] for switch in means["part"]])
    panel.hlines(means["away"].to_numpy(), at - half, at + half, color=_style.INK, lw=1.4)
