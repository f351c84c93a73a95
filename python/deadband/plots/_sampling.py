"""Operating characteristics of sampling plans."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from .._errors import DeadbandError, OptionError, check_number, check_pair, check_share
from . import _style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from ..lots import (
        AttributesPlan,
        Classification,
        Measurement,
        SequentialPlan,
        VariablesPlan,
    )

    Floats = NDArray[np.float64]
    Plan = AttributesPlan | VariablesPlan | SequentialPlan

_MARKS: Final = ("o", "s", "^", "D", "v", "P")
#: Points of a curve, and how many of them bear a mark.
_POINTS: Final = 161
_EVERY: Final = 20
#: Below this probability of acceptance a curve has nothing more to show.
_LEAST: Final = 0.005


def operating_characteristic(
    *plans: Plan,
    test: Measurement | Classification | None = None,
    producer: tuple[float, float] | None = None,
    consumer: tuple[float, float] | None = None,
    most: float | None = None,
    labels: Sequence[str] | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw with what probability each plan accepts a lot, against its fraction nonconforming.

    With `test` each plan has a second, broken line: the same plan, its switches judged by a
    test that errs.

    Parameters
    ----------
    plans
        what `lots.attributes_plan`, `lots.variables_plan` or `lots.sequential_plan` returned.
    test
        a `lots.Measurement`, or a `lots.Classification`, which plans by variables do not take.
    producer, consumer
        points to mark, a fraction and the risk there: `(0.01, 0.05)` is a good lot that is to be
        rejected with 5 % at most, `(0.10, 0.10)` a bad one that is to be accepted with 10 %.
    most
        largest fraction on the axis; None: where all plans reject.
    labels
        a name for each plan; None: its sample size and acceptance number.
    ax
        Axes to draw on; a new figure if None.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    OptionError
        there is no plan, or a thing that is none, or not a label for each, or a point is none.
    DeadbandError
        a plan by variables and a `Classification`.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> from deadband import lots, plots
    >>> plan = lots.AttributesPlan(n=52, c=3)
    >>> plots.operating_characteristic(plan, consumer=(0.13, 0.10)).get_ylabel()
    'probability of acceptance / %'
    """
    if not plans:
        raise OptionError("plans", plans, ["one plan or more"])
    _check_labels(labels, len(plans))
    for option, point in (("producer", producer), ("consumer", consumer)):
        if point is not None:
            for one in check_pair(option, point, "(fraction, risk)"):
                check_share(option, one)
    if most is not None and not 0.0 < check_number("most", most, "a share up to 1") <= 1.0:
        raise OptionError("most", most, ["a share up to 1"])
    _check_tests(plans, test)
    end = most or _end(plans, test, consumer)
    fraction = np.linspace(0.0, end, _POINTS)
    with _style.look():
        panel = _style.axes(ax, (7.0, 4.2))
        for i, plan in enumerate(plans):
            name = labels[i] if labels else _label(plan)
            _curve(panel, fraction, plan.p_accept(fraction), i, name, broken=False)
            if test is not None:
                erring = plan.p_accept(fraction, test=test)  # type: ignore[arg-type]
                _curve(panel, fraction, erring, i, f"{name}, test errs", broken=True)
        for point, word, marker in ((producer, "producer's point", "v"),
                                    (consumer, "consumer's point", "^")):  # fmt: skip
            if point is not None:
                high = 1.0 - point[1] if word.startswith("producer") else point[1]
                panel.plot([100.0 * point[0]], [100.0 * high], ls="none", marker=marker, ms=10,
                           mfc="none", mec=_style.INK, mew=1.6, label=word, zorder=5)  # fmt: skip
        panel.set_xlim(0.0, 100.0 * end)
        panel.set_ylim(0.0, 102.0)
        panel.set_xlabel("fraction nonconforming / %")
        panel.set_ylabel("probability of acceptance / %")
        _style.calm(panel)
        _style.legend_above(panel, 3 if test is None else 2)
        return panel


def _check_labels(labels: Any, count: int) -> None:
    if labels is None:
        return
    named = isinstance(labels, Sequence) and not isinstance(labels, str)
    if not named or len(labels) != count or not all(isinstance(one, str) for one in labels):
        raise OptionError("labels", labels, [f"{count} names"])


def _check_tests(plans: Sequence[Any], test: Any) -> None:
    from ..lots import AttributesPlan, Classification, SequentialPlan, VariablesPlan
    from ..lots.classification import Measurement, check_test

    for one in plans:
        if not isinstance(one, (AttributesPlan, VariablesPlan, SequentialPlan)):
            raise OptionError("plans", one, ["plans, as attributes_plan and others return them"])
    check_test(test, Measurement, Classification)
    if isinstance(test, Classification) and any(isinstance(one, VariablesPlan) for one in plans):
        raise DeadbandError(
            "bad_option", "a plan by variables measures, it does not classify",
            location="option test", advice="give a Measurement",
        )  # fmt: skip


def _end(plans: Sequence[Any], test: Any, consumer: tuple[float, float] | None) -> float:
    """The fraction at which every curve has come down."""
    fraction = np.linspace(0.002, 1.0, 500)
    down = [0.02]
    for plan in plans:
        for one in {None, test}:
            high = fraction[plan.p_accept(fraction, test=one) > _LEAST]
            down.append(float(high[-1]) if high.size else 0.0)
    return min(max(*down, 1.2 * consumer[0] if consumer else 0.0), 1.0)


def _curve(
    ax: Axes, fraction: Floats, accepted: Floats, i: int, label: str, *, broken: bool
) -> None:
    colour = _style.SERIES[i % len(_style.SERIES)]
    ax.plot(
        100.0 * fraction,
        100.0 * accepted,
        color=colour,
        lw=1.6,
        ls=(0, (5, 2)) if broken else "-",
        marker=_MARKS[i % len(_MARKS)],
        mfc="white" if broken else colour,
        mec=colour,
        ms=5,
        # Marks of neighbouring lines stand beside each other, not on each other.
        markevery=(5 + 4 * i + (2 if broken else 0), _EVERY),
        label=label,
    )


def _label(plan: Any) -> str:
    if hasattr(plan, "n_most"):
        return f"sequential, up to {plan.n_most}"
    if hasattr(plan, "k"):
        known = ", σ known" if plan.sigma_known else ""
        return f"n = {plan.n}, k = {plan.k:.3g}{known}"
    lot = f" of {plan.lot_size}" if plan.lot_size is not None else ""
    return f"n = {plan.n}{lot}, c = {plan.c}"
