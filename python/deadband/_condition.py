"""Evidence about the state of a switch and its line, test by test."""

from __future__ import annotations

from typing import Any, Final, Literal

import polars as pl

from ._core import tables
from ._errors import check_option
from ._fellows import against_the_model, repeats
from ._frames import FrameLike, checked, lazy, like, need_unique, plugin
from .schema import (
    validate_events,
    validate_lags,
    validate_setpoints,
    validate_switches,
    validate_tests,
)

_COLUMNS: Final = tuple(name for name, _ in tables()["condition"])
_NUMBERS: Final = ("cycle", "pressure_pa", "_u", "bounces", "time_width_s", "rate_pa_s", "_applied")
_LISTS: Final = ("event", "status", *_NUMBERS)
_REACH: Final = ("_lowest", "_highest", "_level", "_logical")
_RATING: Final = ("action", "rated_pa", "tolerance")
_KEY: Final = ("test_id", "switch_id")


def condition(
    events: FrameLike,
    tests: FrameLike | None = None,
    switches: FrameLike | None = None,
    points: FrameLike | None = None,
    *,
    lags: FrameLike | None = None,
    alpha: float = 0.01,
    closed: Literal["low", "high"] | None = None,
) -> Any:
    """Numbers about the state of each switch, a sentence each, and the side that is dangerous.

    A finding is a reason to look, not a verdict; `judge` takes the table as `findings`. Every test
    has a row for every kind that the tables given can tell, found or not; what could not be judged
    says why in `status`.

    Parameters
    ----------
    events
        the events table, best with the lag taken out (`fit_events(tests, lags)`). Where it is not,
        a shift that a lag of up to a second would explain is not called sticking.
    tests
        the tests table; with it holds of the pressure are searched for a leak, and a contact that
        never changed is held against the pressure it saw.
    switches
        the switches table; with it a test is compared with the other switches of its model, and
        with its rating.
    points
        the setpoints table, to be compared with those of the model.
    lags
        the lags table: events without their lag get it, and its uncertainty is allowed for.
    alpha
        share of sound tests that each kind may flag, above 0 and below 0.5.
    closed
        as in `fit_events`. None: a contact channel that never leaves a low level (at most 1 V or
        1 ohm) is a closed contact and one at a high level (4.5 or more) an open one, as for a meter
        across it (common practice, no source); one of nothing but zeros may be either, unless its
        type is boolean.

    Returns
    -------
    polars.DataFrame or polars.LazyFrame
        `test_id`, `switch_id`, `kind`, `value` with `u`, `dof` and its 95 % interval `low` to
        `high`, `unit`, `n`, `p_value`, `flagged`, `side` (`unsafe`, `nuisance`, `unknown`, which is
        to be taken for unsafe, `none`), `sentence`, `status`; sorted by test and kind. Kinds:

        - `sticking_close`, `sticking_open`: the first cycle minus the later ones, Pa; needs three.
        - `chatter`: bounces a change of the contact, against a Poisson rate of one half;
          `chatter_width`: median width of the brackets, s, `high` the widest; never flagged itself.
        - `no_change`: number of changes; `low` and `high` are the pressures reached, Pa. Flagged
          only where the pressure passed the place at which the contact should have changed.
        - `leak`: rate of the pressure while the line was shut, Pa/s, the drift of the zero taken
          out, against a loss of 5 % a minute; from holds of 5 s or longer in a ramp, elsewhere a
          fan holds the pressure. `leak_time_constant`: its time constant, s; never flagged itself.
        - `scatter`: standard deviation from change to change beyond what measuring makes, Pa, the
          first of each direction left out, against the model's; `offset_close`, `offset_open`:
          setpoint minus that of the model, Pa. A model is `model`, rating, action and method; `n`
          counts its other switches, at least six.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type, or an id that others refer to stands in two rows.
    DeadbandError
        an option is out of range.

    Examples
    --------
    >>> from deadband import fit_events, simulate
    >>> sticky = simulate.Switch(first_cycle_shift_pa=8.0, repeatability_pa=0.2)
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0, switch=sticky)
    >>> steady = simulate.Ramp(cycles=6, rate_spread=0.0, unsteadiness=0.05)
    >>> gauge = simulate.Instrument(gauge_id="g1")
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge, motion=steady)]
    >>> found = condition(fit_events(simulate.fleet(plan, seed=1).tests))
    >>> found.filter("flagged").select("kind", "side").rows()
    [('sticking_close', 'nuisance'), ('sticking_open', 'unsafe')]
    """
    if closed is not None:
        check_option("closed", closed, ["low", "high"])
    options = checked("condition", {"alpha": alpha, "closed": closed})
    rows = _with_lags(validate_events(lazy(events, "events"), need=["cycle", "bounces"]), lags)
    rated = None if switches is None else validate_switches(lazy(switches, "switches"))
    if rated is not None:
        need_unique(rated, "switch_id", "switches")
    known = repeats(rows)
    parts = [_changes(rows, known, options)]
    reached = None
    if tests is not None:
        seen = _recordings(tests, options)
        if not isinstance(events, pl.LazyFrame):
            # The streaming engine lets the recordings pass by instead of holding them all.
            seen = seen.collect(engine="streaming").lazy()
        parts.append(seen.filter(pl.col("kind") != "reach"))
        reached = seen.filter(pl.col("kind") == "reach")
        options |= _sense(tests, closed)
    parts.append(_still(rows, reached, rated, options))
    if rated is not None:
        told = None if points is None else validate_setpoints(lazy(points, "setpoints"))
        parts += against_the_model(known, told, rated, options)
    found = pl.concat(parts).sort("test_id", "kind", "switch_id", maintain_order=True)
    return like(found, events)


def _with_lags(rows: pl.LazyFrame, lags: FrameLike | None) -> pl.LazyFrame:
    """The events with `_u`, `_lag_u`, and the lag out of the pressure where that is right."""
    bracket = (pl.col("rate_pa_s") * pl.col("time_width_s")) ** 2 / 12
    ready = rows.with_columns(
        _u=(pl.col("var_pressure") + bracket).sqrt(), _applied=pl.col("lag_applied")
    )
    if lags is None:
        return ready.with_columns(_lag_u=pl.lit(None, dtype=pl.Float64))
    told = validate_lags(lazy(lags, "lags"))
    need_unique(told, "gauge_id", "lags")
    # A mean lag added to a sudden change afterwards gives a wrong number.
    right = ~pl.col("_applied") & ~pl.col("sudden") & pl.col("lag_s").is_not_null()
    corrected = pl.col("pressure_pa") + pl.col("lag_s") * pl.col("rate_pa_s")
    return ready.join(
        told.select("gauge_id", "lag_s", _lag_u="lag_u_s"), "gauge_id", "left"
    ).select(
        pl.exclude("lag_s", "pressure_pa", "_applied"),
        pressure_pa=pl.when(right).then(corrected).otherwise("pressure_pa"),
        _applied=pl.col("_applied") | right,
    )


def _changes(rows: pl.LazyFrame, known: pl.LazyFrame, options: dict[str, Any]) -> pl.LazyFrame:
    """Sticking and chatter."""
    tests = (
        rows.with_columns(pl.col("cycle", "bounces", "_applied").cast(pl.Float64))
        .sort("test_id", "time_s", "event", "switch_id", maintain_order=True)
        .group_by(*_KEY, maintain_order=True)
        .agg(pl.col(*_LISTS), pl.col("_lag_u").first())
        .join(known.select(*_KEY, "_prior"), on=_KEY, how="left", nulls_equal=True)
    )
    return _findings(tests, plugin("condition", [*_LISTS, "_lag_u", "_prior"], options))


def _recordings(tests: FrameLike, options: dict[str, Any]) -> pl.LazyFrame:
    """Leaks, and how far the pressure went."""
    held = validate_tests(lazy(tests, "tests"))
    channels = ["time_s", "pressure_pa", "contact", "method"]
    return _findings(held, plugin("recordings", channels, options))


def _sense(tests: FrameLike, closed: str | None) -> dict[str, str]:
    """A channel of booleans says itself which is closed."""
    found = lazy(tests, "tests").collect_schema()["contact"]
    boolean = isinstance(found, (pl.List, pl.Array)) and found.inner == pl.Boolean
    return {"closed": "high"} if boolean and closed is None else {}


def _still(
    rows: pl.LazyFrame,
    reached: pl.LazyFrame | None,
    rated: pl.LazyFrame | None,
    options: dict[str, Any],
) -> pl.LazyFrame:
    """Whether the contact changed at all."""
    told = rows.group_by(*_KEY, maintain_order=True).agg(
        pl.col("event").is_not_null().sum().cast(pl.Float64).alias("_changes"),
        pl.col("status").first(),
    )
    if reached is None:
        told = told.with_columns(pl.lit(None, dtype=pl.Float64).alias(name) for name in _REACH)
    else:
        numbers = reached.select(
            *_KEY, _lowest="low", _highest="high", _level="value", _logical="u"
        ).unique(_KEY, keep="first", maintain_order=True)
        told = told.join(numbers, on=_KEY, how="left", nulls_equal=True)
    if rated is None:
        text = pl.lit(None, dtype=pl.String).alias("action")
        told = told.with_columns(text, rated_pa=pl.lit(None, dtype=pl.Float64))
        told = told.with_columns(tolerance=pl.lit(None, dtype=pl.Float64))
    else:
        told = told.join(rated.select("switch_id", *_RATING), on="switch_id", how="left")
    return _findings(told, plugin("no_change", ["_changes", "status", *_REACH, *_RATING], options))


def _findings(rows: pl.LazyFrame, kernel: pl.Expr) -> pl.LazyFrame:
    return (
        rows.select(*_KEY, kernel.alias("_found"))
        .unnest("_found")
        .explode(_COLUMNS)
        .filter(pl.col("kind").is_not_null())
    )
