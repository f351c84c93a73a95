"""Evidence about the state of a switch and its line, test by test."""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from ._core import tables
from ._frames import FrameLike, lazy, like, plugin
from .schema import validate_events, validate_tests

_COLUMNS: Final = tuple(name for name, _ in tables()["condition"])
_LISTS: Final = ("event", "cycle", "pressure_pa", "_u", "bounces", "time_width_s")


def condition(events: FrameLike, tests: FrameLike | None = None) -> Any:
    """Sticking, chatter, leak-down and a contact that never changed, as evidence.

    A finding is a reason to look, not a verdict. Give events whose lag is taken out
    (`fit_events(tests, lags)`); sticking compares cycles whose rates may differ.

    Parameters
    ----------
    events
        the events table.
    tests
        the tests table; with it the pressure held at the end of a stroke is searched for a leak.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        `test_id`, `switch_id`, `kind` (`sticking_close`, `sticking_open`, `chatter`, `leak`,
        `no_change`), `value` with `u` and `unit`, `p_value`, `flagged`, `side` (`unsafe`,
        `nuisance`, `none`), a plain `sentence`, `status`; sorted by test and kind. Sticking is the
        first cycle against the later ones and needs three of them.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.

    Examples
    --------
    >>> from deadband import fit_events, simulate
    >>> sticky = simulate.Switch(first_cycle_shift_pa=8.0, repeatability_pa=0.2)
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0, switch=sticky)
    >>> steady = simulate.Ramp(cycles=6, rate_spread=0.0, unsteadiness=0.05)
    >>> gauge = simulate.Instrument(gauge_id="g1")
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge, motion=steady)]
    >>> found = condition(fit_events(simulate.fleet(plan, seed=1).tests))
    >>> found.filter("flagged")["kind"].to_list()
    ['sticking_close', 'sticking_open']
    """
    rows = validate_events(lazy(events, "events"), need=["cycle", "bounces"])
    numbers = pl.col("cycle", "bounces").cast(pl.Float64)
    found = _findings(
        rows.filter(pl.col("pressure_pa").is_not_null())
        .with_columns(numbers, _u=pl.col("var_pressure").sqrt())
        .sort("test_id", "time_s", maintain_order=True)
        .group_by("test_id", "switch_id", maintain_order=True)
        .agg(pl.col(*_LISTS)),
        plugin("condition", _LISTS),
    )
    still = rows.filter(pl.col("status") == "no_event").select(
        "test_id",
        "switch_id",
        kind=pl.lit("no_change"),
        value=pl.lit(0.0),
        u=pl.lit(None, dtype=pl.Float64),
        unit=pl.lit("changes"),
        p_value=pl.lit(None, dtype=pl.Float64),
        flagged=pl.lit(value=True),
        side=pl.lit("unsafe"),
        sentence=pl.lit(
            "The contact never changed: it may be stuck, and one stuck closed proves draft that is "
            "not there. Find out which before anything else."
        ),
        status=pl.lit("ok"),
    )
    parts = [found, still]
    if tests is not None:
        recordings = validate_tests(lazy(tests, "tests"))
        held = recordings.select("test_id", "switch_id", "time_s", "pressure_pa")
        parts.append(_findings(held, plugin("leaks", ["time_s", "pressure_pa"])))
    return like(pl.concat(parts).sort("test_id", "kind", maintain_order=True), events)


def _findings(rows: pl.LazyFrame, kernel: pl.Expr) -> pl.LazyFrame:
    return (
        rows.select("test_id", "switch_id", kernel.alias("_found"))
        .unnest("_found")
        .explode(_COLUMNS)
        .filter(pl.col("kind").is_not_null())
    )
