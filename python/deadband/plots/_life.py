"""Lives on probability paper, failures to come, and replacements by age."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._columns import need_columns, need_numbers
from .._errors import OptionError
from .._frames import lazy
from ..life import LifeFit, Recurrence
from ..life._likelihood import Family, standard_quantile
from . import _style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SHARES: Final = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9, 0.99, 0.999)
_AGES: Final = tuple(m * 10.0**k for k in range(-3, 6) for m in (1.0, 1.5, 2.0, 3.0, 5.0, 7.0))
#: Steps of the band: each costs two limits of a likelihood.
_STEPS: Final = 24
_BAND: Final[dict[str, Any]] = {"color": _style.SERIES[4], "alpha": 0.35, "lw": 0}
_RETURNS: Final = ("months", "expected", "low", "high", "status")


def life(fit: LifeFit, ax: Axes | None = None) -> Axes:
    """Draw a fitted life distribution on its probability paper, on which it is a straight line.

    Dots are the share that failed without assuming a distribution; failures known to intervals
    stand at the ends of those. Dots that leave the band at either end, in a bow, speak against the
    distribution. The band holds at each age by itself.

    Parameters
    ----------
    fit
        What `life.fit` found, without covariates.
    ax
        Axes to draw on; a new figure if None.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    OptionError
        `fit` is not what `life.fit` found, or has covariates: its dots are of no one line.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> import polars as pl
    >>> from deadband import life, plots
    >>> days = pl.DataFrame({"low_years": [1.0, 2.0, 3.0, 4.0, 5.0]})
    >>> plots.life(life.fit(days.with_columns(high_years="low_years"))).get_xlabel()
    'age / years'
    """
    if not isinstance(fit, LifeFit):
        raise OptionError("fit", type(fit).__name__, ["what life.fit found"])
    if fit.limits is not None and fit.limits.theta.size > 2:
        raise OptionError("fit", "one with covariates", ["a fit without covariates"])
    with _style.look():
        panel = _style.axes(ax, (6.8, 4.6))
        if fit.limits is None:
            why = {
                "no_lives": "no lives that can be used",
                "too_few_failures": f"{fit.n_failed} of {fit.n} failed: too few for a spread",
            }.get(fit.status, "the failures fit ever steeper or flatter distributions")
            return _style.nothing(panel, why)
        family = fit.limits.model.family
        ages = _span(fit)
        found = fit.share_failed(ages.tolist())
        _curve(panel, found, family, one_sided=fit.limits.one_sided, confidence=fit.confidence)
        inside = fit.points.filter(pl.col("share_failed") < 1.0)
        if inside.height:
            panel.plot(
                inside["years"], _paper(inside["share_failed"], family), ls="none", marker="o",
                ms=5, mfc="white", mec=_style.INK, label="without a distribution",
            )  # fmt: skip
        _axes(panel, ages, found, inside, family)
        title = f"{fit.distribution}: {fit.n_failed} of {fit.n} failed"
        _style.legend_above(panel, 3, title=title)
        return panel


def returns(table: Any, ax: Axes | None = None) -> Axes:
    """Draw the failures to come, month by month, with their prediction interval.

    Parameters
    ----------
    table
        What `life.returns` made.
    ax
        Axes to draw on; a new figure if None.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> import polars as pl
    >>> from deadband import life, plots
    >>> ages = pl.DataFrame(
    ...     {
    ...         "low_years": [1.0, 2.0, 3.0, 4.0, 4.0],
    ...         "high_years": [1.0, 2.0, 3.0, None, None],
    ...         "age_years": [None, None, None, 4.0, 4.0],
    ...     }
    ... )
    >>> plots.returns(life.returns(life.fit(ages), ages)).get_xlabel()
    'months from today'
    """
    given = lazy(table, "returns")
    made = "take the table that life.returns makes"
    need_columns(given, _RETURNS, "returns", made)
    need_numbers(given, _RETURNS[:4], "returns", made)
    rows = given.sort("months").collect()
    with _style.look():
        panel = _style.axes(ax, (6.8, 3.8))
        if rows["high"].null_count() == rows.height:
            return _style.nothing(panel, "no lives were fitted, or none is in service")
        _style.calm(panel)
        months = rows["months"].to_numpy()
        low = rows["low"].fill_null(0).to_numpy()
        word = "prediction interval" if rows["low"].null_count() == 0 else "upper limit"
        panel.fill_between(months, low, rows["high"].to_numpy(), step="mid", label=word, **_BAND)
        if rows["expected"].null_count() == 0:
            panel.plot(
                months, rows["expected"], color=_style.CLOSE, lw=1.6, marker="o", ms=3.5,
                label="expected",
            )  # fmt: skip
        panel.set_ylim(bottom=0.0)
        panel.set_xlim(months[0], months[-1])
        panel.locator_params(integer=True)
        panel.set_xlabel("months from today")
        panel.set_ylabel("failures by then")
        shown = rows["n_in_service"].to_list()[0] if "n_in_service" in rows.columns else None
        count = "" if shown is None else f" among {shown} in service"
        _style.legend_above(panel, 3, title=f"Failures to come{count}")
        return panel


def recurrence(found: Recurrence, ax: Axes | None = None, *, unit: str = "years") -> Axes:
    """Draw the mean number of replacements at one place, by its age.

    A straight line is a steady rate; one that bends up, replacements that come ever faster.

    Parameters
    ----------
    found
        What `life.recurrence` found.
    ax
        Axes to draw on; a new figure if None.
    unit
        of the ages, as the axis shall name it.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    OptionError
        `found` is not what `life.recurrence` found.
    ImportError
        matplotlib is not installed.

    Examples
    --------
    >>> import polars as pl
    >>> from deadband import life, plots
    >>> rows = [("a", 1.0, True), ("a", 3.0, False), ("b", 2.0, True), ("b", 4.0, False)]
    >>> histories = pl.DataFrame(rows, schema=["place_id", "years", "replaced"], orient="row")
    >>> plots.recurrence(life.recurrence(histories)).get_ylabel()
    'replacements a place'
    """
    if not isinstance(found, Recurrence):
        raise OptionError("found", type(found).__name__, ["what life.recurrence found"])
    rows = found.curve.filter(pl.col("mean").is_not_null()).sort("years")
    with _style.look():
        panel = _style.axes(ax, (6.8, 3.8))
        if rows.is_empty():
            return _style.nothing(panel, "no replacements")
        _style.calm(panel)
        years = rows["years"].to_numpy()
        told = rows.filter(pl.col("low").is_not_null())
        if told.height:
            ages, low, high = (told[name].to_numpy() for name in ("years", "low", "high"))
            panel.fill_between(ages, low, high, step="post", label="interval at each age", **_BAND)
        panel.step(
            np.append(0.0, years), np.append(0.0, rows["mean"].to_numpy()), where="post",
            color=_style.CLOSE, lw=1.6, label="mean",
        )  # fmt: skip
        panel.set_xlim(left=0.0)
        panel.set_ylim(bottom=0.0)
        panel.set_xlabel(f"age / {unit}")
        panel.set_ylabel("replacements a place")
        title = f"{found.n_replaced} replacements at {found.n_places} places"
        _style.legend_above(panel, 2, title=title)
        return panel


def _paper(shares: Any, family: Family) -> Any:
    return standard_quantile(family, np.clip(np.asarray(shares, dtype=float), 1e-12, 1.0 - 1e-12))


def _span(fit: LifeFit) -> Any:
    """Ages from a little before the first failure to a little after the last age seen."""
    assert fit.limits is not None
    seen = fit.limits.model.seen
    last = float(np.max(np.where(np.isfinite(seen.high), seen.high, seen.low)))
    first = float(fit.points["years"].to_numpy().min()) if fit.points.height else 0.2 * last
    return np.geomspace(0.7 * min(first, 0.8 * last), 1.25 * last, _STEPS)


def _curve(
    panel: Axes, found: pl.DataFrame, family: Family, *, one_sided: bool, confidence: float
) -> None:
    years = found["years"].to_numpy()
    low, high = (_paper(found[name], family) for name in ("low", "high"))
    if one_sided:
        panel.plot(
            years, high, color=_style.CLOSE, lw=1.4, ls=(0, (6, 3)),
            label=f"upper limit, {100.0 * confidence:g} %",
        )  # fmt: skip
        return
    panel.fill_between(
        years, low, high, label=f"{100.0 * confidence:g} % interval at each age", **_BAND
    )
    panel.plot(
        years, _paper(found["share_failed"], family), color=_style.CLOSE, lw=1.6, label="fitted"
    )


def _axes(
    panel: Axes, ages: Any, found: pl.DataFrame, points: pl.DataFrame, family: Family
) -> None:
    _style.calm(panel)
    panel.set_xscale("log")
    panel.set_xlim(ages[0], ages[-1])
    shares = [*found["share_failed"].drop_nulls(), *points["share_failed"]]
    shares = shares or found["high"].to_list()
    least = max(min(shares) / 3.0, 0.0007)
    most = min(1.0 - (1.0 - max(shares)) / 3.0, 0.9995)
    panel.set_ylim(*(float(_paper(share, family)) for share in (least, most)))
    ticks = [share for share in _SHARES if least <= share <= most]
    panel.set_yticks([float(_paper(share, family)) for share in ticks],
                     labels=[f"{100.0 * share:g} %" for share in ticks])  # fmt: skip
    inside = [age for age in _AGES if ages[0] <= age <= ages[-1]]
    panel.set_xticks(inside, labels=[f"{age:g}" for age in inside])
    panel.minorticks_off()
    panel.set_xlabel("age / years")
    panel.set_ylabel("share failed")
