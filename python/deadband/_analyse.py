"""The whole corridor, from recordings to verdicts, in one object."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from ._condition import condition
from ._drift import drift
from ._events import fit_events
from ._frames import FrameLike, lazy, need_unique
from ._lags import estimate_lag
from ._notices import notices
from ._reasons import with_causes
from ._setpoints import Repeatability, setpoints
from ._verdicts import judge
from .schema import (
    parts_cannot_be,
    validate_gauges,
    validate_lags,
    validate_switches,
    validate_tests,
)

_NO_PARTS: Final = (
    "its dead_time_s and time_constant_s are not two parts of lag_s, from 0 on; give both, and "
    "their sum as lag_s"
)


@dataclass(frozen=True, repr=False)
class Analysis:
    """Everything that was found out about a fleet.

    Attributes
    ----------
    tests
        the recordings, lazy.
    switches, gauges
        the ratings, and what is stated of the gauges (None if nothing was given).
    events, lags, setpoints, verdicts
        the tables of the corridor; events with the gauges' lags taken out.
    trend
        drift of each switch's rated setpoint, a row a switch.
    condition
        evidence about the state of the switches; the verdicts carry what was found.

    Examples
    --------
    >>> from deadband import simulate
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
    >>> gauge = simulate.Instrument(gauge_id="g1", lag_s=0.3, lag_u_s=0.02)
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge)]
    >>> made = simulate.fleet(plan, seed=1)
    >>> analyse(made.tests, made.switches, made.gauges).verdicts.height
    1
    """

    tests: pl.LazyFrame
    switches: pl.DataFrame
    gauges: pl.DataFrame | None
    events: pl.DataFrame
    lags: pl.DataFrame
    setpoints: pl.DataFrame
    verdicts: pl.DataFrame
    trend: pl.DataFrame
    condition: pl.DataFrame

    def __repr__(self) -> str:
        """Counts in one line: the tables themselves would fill screens."""
        counts = dict(self.verdicts["verdict"].value_counts().iter_rows())
        told = ", ".join(
            f"{counts.get(key, 0):,} {words}"
            for key, words in (
                ("does_not_conform", "do not conform"),
                ("undecided", "undecided"),
                ("conforms", "conform"),
                (None, "without a verdict"),
            )
        )
        switches = self.verdicts["switch_id"].n_unique()
        return f"<Analysis of {self.verdicts.height:,} tests of {switches:,} switches: {told}>"

    @property
    def notices(self) -> list[str]:
        """Questions about the input, in words: a unit that looks wrong, a gauge nobody states.

        Examples
        --------
        >>> from deadband import simulate
        >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
        >>> gauge = simulate.Instrument(gauge_id="g1", lag_s=0.3, lag_u_s=0.02)
        >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge)]
        >>> made = simulate.fleet(plan, seed=1)
        >>> [line[:15] for line in analyse(made.tests, made.switches).notices]
        ['no gauges table']
        """
        return notices(
            self.verdicts, self.switches, self.gauges, events=self.events, lags=self.lags
        )


def analyse(
    tests: FrameLike,
    switches: FrameLike,
    gauges: FrameLike | None = None,
    *,
    risk: float = 0.05,
    repeatability: Repeatability = "pooled",
    lags: FrameLike | None = None,
    **options: Any,
) -> Analysis:
    """Go the whole way from recordings to verdicts.

    The events are fitted twice: first as the gauge showed them, for its lag; then, the lags known,
    as the pressure at the switch.

    Parameters
    ----------
    tests
        the tests table.
    switches
        the switches table.
    gauges
        the gauges table, if anything is stated of them.
    risk
        as in `judge`.
    repeatability
        as in `setpoints`.
    lags
        lags that are known, such as from `lag_from_step` or `combine_lags`: a gauge that has a lag
        and its uncertainty there gets that row, the others what their events and the gauges table
        tell. Where dead time and time constant are known, from here or from the gauges table, the
        events are fitted with both, else with the mean lag; `notices` say which. Parts from here
        that cannot be the lag's make the tests of that gauge `bad_value`, as in `fit_events`;
        stated so in the gauges table they are left out, and `notices` say so.
    **options
        as in `fit_events`.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type, or an id that others refer to stands in two rows.
    DeadbandError
        an option is out of range.

    Examples
    --------
    >>> from deadband import simulate
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0, switch=simulate.Switch(open_pa=60.0))
    >>> gauge = simulate.Instrument(gauge_id="g1", lag_s=0.3, lag_u_s=0.02)
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge)]
    >>> made = simulate.fleet(plan, seed=1)
    >>> analyse(made.tests, made.switches, made.gauges).verdicts["verdict"].to_list()
    ['conforms']
    """
    recordings = validate_tests(lazy(tests, "tests"), keep=["read_error"])
    rated = validate_switches(lazy(switches, "switches")).collect()
    stated = None if gauges is None else validate_gauges(lazy(gauges, "gauges")).collect()
    shown = fit_events(recordings, gauges=stated, **options).collect()
    known = with_known(estimate_lag(shown, stated, switches=rated), lags)
    return conclude(
        recordings,
        fit_events(recordings, known, gauges=stated, **options).collect(),
        known,
        rated,
        stated,
        risk=risk,
        repeatability=repeatability,
    )


def conclude(
    tests: pl.LazyFrame,
    events: pl.DataFrame,
    lags: pl.DataFrame,
    switches: pl.DataFrame,
    gauges: pl.DataFrame | None,
    *,
    risk: float = 0.05,
    repeatability: Repeatability = "pooled",
) -> Analysis:
    """The rest of the way, events and lags being known; for callers that fit in batches.

    Examples
    --------
    >>> from deadband import estimate_lag, fit_events, simulate
    >>> unit = simulate.Unit(switch_id="s1", rated_pa=60.0)
    >>> gauge = simulate.Instrument(gauge_id="g1", lag_s=0.3, lag_u_s=0.02)
    >>> plan = [simulate.PlannedTest(test_id="t1", unit=unit, instrument=gauge)]
    >>> made = simulate.fleet(plan, seed=1)
    >>> events = fit_events(made.tests)
    >>> lags = estimate_lag(events, made.gauges)
    >>> conclude(made.tests.lazy(), events, lags, made.switches, made.gauges).setpoints.height
    1
    """
    points = setpoints(events, lags, gauges, repeatability=repeatability)
    found = condition(events, tests, switches, points, lags=lags)
    return Analysis(
        tests=tests,
        switches=switches,
        gauges=gauges,
        events=events,
        lags=lags,
        setpoints=points,
        verdicts=with_causes(judge(points, switches, risk=risk, findings=found), lags, tests),
        trend=_rated_trend(points, switches),
        condition=found,
    )


def with_known(found: pl.DataFrame, known: FrameLike | None) -> pl.DataFrame:
    """The lags found, in whose place known ones go where they have a number and its uncertainty.

    Examples
    --------
    >>> columns = {"gauge_id": ["a", "b"], "lag_s": [0.4, 0.5], "lag_u_s": 0.1}
    >>> found = validate_lags(pl.LazyFrame(columns)).collect()
    >>> known = pl.DataFrame({"gauge_id": ["b"], "lag_s": [0.3], "lag_u_s": [0.01]})
    >>> with_known(found, known)["lag_s"].to_list()
    [0.4, 0.3]
    """
    if known is None:
        return found
    rows = validate_lags(lazy(known, "lags"), keep_nan=True)
    need_unique(rows, "gauge_id", "lags")
    usable = pl.all_horizontal(pl.col("gauge_id", "lag_s", "lag_u_s").is_not_null())
    told = (
        rows.filter(usable)
        .with_columns(
            pl.when(parts_cannot_be()).then(pl.lit(value)).otherwise(name).alias(name)
            for name, value in {"reason": _NO_PARTS, "status": "bad_value"}.items()
        )
        .collect()
        .select(found.columns)
    )
    others = found.join(told, on="gauge_id", how="anti", nulls_equal=True)
    return pl.concat([others, told]).sort("gauge_id")


def _rated_trend(points: pl.DataFrame, switches: pl.DataFrame) -> pl.DataFrame:
    rising = switches.filter(pl.col("action") == "rise").select("switch_id")
    parts: list[pl.DataFrame] = [
        drift(points.join(rising, on="switch_id", how="anti"), switches=switches),
        drift(points.join(rising, on="switch_id", how="semi"), event="close", switches=switches),
    ]
    return pl.concat(parts).sort("switch_id")
