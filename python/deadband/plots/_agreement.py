"""Differences of a method from the reference against the level, with bias and limits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import polars as pl

from .._errors import OptionError
from ..methods._agreement import Agreement
from . import _style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_DOTTED: Final = (0, (1, 2))


def agreement(
    found: Agreement,
    ax: Axes | None = None,
    *,
    group: Any = None,
    unit: str = "Pa",
) -> Axes:
    """Draw how far each switch's results of a method are from the reference, against the level.

    A mark is a switch: full where it is a mean of repeats, hollow where it is of single results.
    The full line is the bias, the dashed ones are the limits of agreement, between which 95 % of
    the differences of single results lie; bands are their intervals. Means of repeats scatter less
    than the limits say. What `found` does not tell is not drawn.

    Parameters
    ----------
    found
        What `methods.agreement` found.
    ax
        Axes to draw on; a new figure if None.
    group
        Which operator, gauge ... where it was asked for by group; of several columns all of them.
    unit
        Unit of pressure to draw in.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    DeadbandError
        `found` is something else.
    OptionError
        There is no such group in `found`, or there are several and none was named.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> rows = [
    ...     (f"{side}{i}", f"s{i}", side, 60.0 + 5.0 * i + (side == "pinch") * (i % 3 - 3.0), 0.2)
    ...     for i in range(6)
    ...     for side in ("ramp", "pinch")
    ... ]
    >>> columns = ["test_id", "switch_id", "method", "open_pa", "open_u_pa"]
    >>> nothing = pl.lit(None, pl.Float64)
    >>> points = pl.DataFrame(rows, columns, orient="row").with_columns(
    ...     close_pa=nothing, close_u_pa=nothing
    ... )
    >>> from deadband import methods, plots
    >>> plots.agreement(methods.agreement(points, "pinch")).get_ylabel()
    'pinch minus slow ramp / Pa'
    """
    per_unit = _style.pascal_per(unit)
    _style.need_kind(found, Agreement, "methods.agreement")
    row, switches = _of_group(found, group)
    with _style.look():
        panel = _style.axes(ax, (7.6, 4.2))
        if row is None or not switches.height:
            return _style.nothing(panel, "no round with results of both")
        _style.calm(panel)
        level = switches["level_pa"].to_numpy() / per_unit
        ends = _style.around(float(level.min()), float(level.max()), 0.06)
        panel.axhline(0.0, color=_style.MUTED, lw=0.9, ls=_DOTTED, label="no difference")
        _line(panel, row, "bias", (_style.INK, "-", "bias"), per_unit=per_unit, ends=ends)
        for name, word in (("lower", "limits of agreement, 95 %"), ("upper", "")):
            _line(panel, row, name, (_style.UNSAFE, "--", word), per_unit=per_unit, ends=ends)
        _marks(panel, found, switches, per_unit)
        panel.set_xlim(*ends)
        panel.set_xlabel(f"{_level_word(found)} / {_style.pretty(unit)}")
        panel.set_ylabel(f"{_difference(found)} / {_style.pretty(unit)}")
        _style.legend_above(panel, 3, title=_title(found, row))
        return panel


def _of_group(found: Agreement, group: Any) -> tuple[dict[str, Any] | None, pl.DataFrame]:
    rows = found.table.rows(named=True)
    if not found.by:
        if group is not None:
            raise OptionError("group", group, ["None: it was not asked for by group"])
        return (rows[0] if rows else None), found.switches
    names = found.table.select(found.by).rows()
    wanted = tuple(group) if isinstance(group, tuple | list) else (group,)
    if group is None and len(names) == 1:
        wanted = names[0]
    if wanted not in names or (group is None and len(names) > 1):
        told = [", ".join(map(str, one)) for one in names if None not in one]
        raise OptionError("group", group, told)
    inside = pl.all_horizontal(
        pl.col(name).eq_missing(pl.lit(one, dtype=found.table.schema[name]))
        for name, one in zip(found.by, wanted, strict=True)
    )
    return rows[names.index(wanted)], found.switches.filter(inside)


def _line(
    panel: Axes, row: dict[str, Any], name: str, look: tuple[str, str, str], *,
    per_unit: float, ends: tuple[float, float],
) -> None:  # fmt: skip
    if row[f"{name}_pa"] is None:
        return
    colour, dash, word = look
    panel.axhline(row[f"{name}_pa"] / per_unit, color=colour, lw=1.4, ls=dash, label=word or "_")
    low, high = row[f"{name}_low_pa"], row[f"{name}_high_pa"]
    if low is not None and high is not None:
        panel.fill_between(
            ends, low / per_unit, high / per_unit, color=colour, alpha=0.12, lw=0,
            label=f"interval of {'the bias' if name == 'bias' else 'a limit'}" if word else "_",
        )  # fmt: skip


def _marks(panel: Axes, found: Agreement, switches: pl.DataFrame, per_unit: float) -> None:
    level = switches["level_pa"].to_numpy() / per_unit
    apart = switches["difference_pa"].to_numpy() / per_unit
    single = (switches["n_method"] + switches["n_reference"] == 2).to_numpy()
    marker = _style.METHOD_MARKER.get(found.method, "P")
    for which, fill, word in (
        (single, "white", "switch, single results"),
        (~single, _style.CLOSE, "switch, mean of repeats"),
    ):
        if which.any():
            panel.plot(
                level[which], apart[which], ls="none", marker=marker, ms=5.0, mfc=fill,
                mec=_style.CLOSE, label=word,
            )  # fmt: skip


def _difference(found: Agreement) -> str:
    sides = ((found.method, found.value), (found.reference, found.reference_value))
    words = [_style.METHOD_WORD.get(name, name) for name, _ in sides]
    if found.value != found.reference_value or found.value == "called":
        words = [f"{word} {value}" for word, (_, value) in zip(words, sides, strict=True)]
    return " minus ".join(words)


def _level_word(found: Agreement) -> str:
    if found.reference_value == "called":
        return f"{found.event}, mean of both"
    return f"{found.event} by {_style.METHOD_WORD.get(found.reference, found.reference)}"


def _title(found: Agreement, row: dict[str, Any]) -> str:
    return ", ".join(
        f"{by.removesuffix('_id')} {'not stated' if row[by] is None else row[by]}"
        for by in found.by
    )
