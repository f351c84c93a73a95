"""What a planned ramp reaches, against its rate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import polars as pl

from . import _style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..methods.planner import Plan

#: Numbers of cycles that are drawn, from few to many; more lines than that lie on each other.
_DRAWN: Final = (1, 2, 3, 5, 10)
_MARKS: Final = ("o", "s", "^", "D", "v")
_TICKS: Final = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100)
_WORD: Final = {"u_pa": "standard uncertainty u", "expanded_pa": "expanded uncertainty U"}


def plan(plan: Plan, ax: Axes | None = None) -> Axes:
    """Draw the uncertainty of planned ramps against their rate, for some numbers of cycles.

    The wish is a line across; the recommended test a large open circle. Where nothing is good
    enough the title says which line of the budget forbids it.

    Parameters
    ----------
    plan
        What `methods.plan_test` found.
    ax
        Axes to draw on; a new figure if None.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    DeadbandError
        `plan` is something else.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> from deadband import methods, plots
    >>> gauge = {"resolution_pa": 1.0, "accuracy_abs_pa": 0.5, "lag_s": 0.4, "lag_u_s": 0.02}
    >>> plots.plan(methods.plan_test(gauge, rated_pa=60.0)).get_xlabel()
    'rate / (Pa/s)'
    """
    from ..methods.planner import Plan

    _style.need_kind(plan, Plan, "methods.plan_test")
    with _style.look():
        ax = _style.axes(ax, (7.0, 4.2))
        if plan.curves.is_empty():
            return _style.nothing(ax, plan.reason or "no ramp can be planned")
        present = plan.curves["cycles"].unique().to_list()
        wanted = {*_DRAWN, present[0], plan.procedure.cycles if plan.procedure else present[0]}
        chosen = [cycles for cycles in present if cycles in wanted]
        for i, cycles in enumerate(chosen):
            _curve(ax, plan, cycles, i)
        ax.axhline(plan.wanted_pa, color=_style.UNSAFE, lw=1.4, ls=(0, (6, 3)), label="wanted")
        if plan.procedure is not None:
            reach = plan.reach
            reached = reach.u_pa if plan.wanted == "u_pa" else reach.expanded_pa
            ax.plot(
                [plan.procedure.rate_pa_s], [reached or 0.0], ls="none", marker="o", ms=13,
                mfc="none", mec=_style.INK, mew=1.5, label="recommended",
            )  # fmt: skip
        ax.set_xscale("log")
        ax.set_ylim(bottom=0.0)
        rates = plan.curves["rate_pa_s"].to_numpy()
        inside = [tick for tick in _TICKS if rates.min() <= tick <= rates.max()]
        ax.set_xticks(inside, labels=[f"{tick:g}" for tick in inside])
        ax.minorticks_off()
        ax.set_xlabel("rate / (Pa/s)")
        ax.set_ylabel(f"{_WORD[plan.wanted]} / Pa")
        _style.calm(ax)
        _style.legend_above(ax, columns=4, title=_title(plan))
        return ax


def _curve(ax: Axes, plan: Plan, cycles: int, i: int) -> None:
    rows = plan.curves.filter(pl.col("cycles") == cycles)
    ax.plot(
        rows["rate_pa_s"],
        rows[plan.wanted],
        color=_style.SERIES[i % len(_style.SERIES)],
        marker=_MARKS[i % len(_MARKS)],
        ms=4,
        # Marks of neighbouring lines stand beside each other, not on each other.
        markevery=(2 * i, 10),
        lw=1.3,
        label="1 cycle" if cycles == 1 else f"{cycles} cycles",
    )


def _title(plan: Plan) -> str:
    if plan.procedure is None:
        return f"Not reachable: {plan.forbids}" if plan.forbids else "Not reachable"
    return (
        f"{plan.procedure.rate_pa_s:.1f} Pa/s, {plan.procedure.cycles} cycles, "
        f"{plan.duration_s:.0f} s"
    )
