"""Evidence about switches: how often sound ones are flagged, and whether faulty ones are."""

from datetime import datetime
from functools import cache

import numpy as np
import polars as pl
import pytest
from scipy import optimize, stats

import deadband as db
from deadband import simulate
from recordings import sound, spoilt, switches_of, table_of

KINDS = {
    "chatter",
    "chatter_width",
    "leak",
    "leak_time_constant",
    "no_change",
    "offset_close",
    "offset_open",
    "scatter",
    "sticking_close",
    "sticking_open",
}
GAUGE = simulate.Instrument(
    gauge_id="g1", gauge=simulate.Gauge(noise_pa=0.5, resolution_pa=1.0), lag_s=0.35, lag_u_s=0.02
)
FAST = simulate.Logger(contact_sample_s=0.01)


@cache
def fleet(fault: str, switches: int, each: int, *, faulty: int, seed: int, cycles: int):
    """Ramps of one model, the first `faulty` switches with the fault, analysed."""
    rng = np.random.default_rng(seed)
    faults = {
        "none": {},
        "stick": {"first_cycle_shift_pa": 5.0},
        "leak": {"leak_time_constant_s": 240.0},
        "chatter": {"bounces": 3.0, "bounce_s": 0.02},
        "scatter": {"repeatability_pa": 2.0},
        "closed": {"stuck": True},
        "open": {"stuck": False},
    }
    plan = []
    for k in range(switches):
        opens = 60.0 + rng.normal(0.0, 1.0)
        closes = opens + 10.0 + rng.normal(0.0, 0.5)
        here = k < faulty
        if here and fault == "offset":
            opens, closes = opens - 8.0, closes - 8.0
        own = {"bounces": 0.3, "bounce_s": 0.02, **(faults.get(fault, {}) if here else {})}
        unit = simulate.Unit(
            switch_id=f"s{k:03d}",
            model="M",
            rated_pa=60.0,
            switch=simulate.Switch(open_pa=opens, close_pa=closes, **own),
        )
        for j in range(each):
            plan.append(
                simulate.PlannedTest(
                    test_id=f"t{k:03d}-{j}",
                    unit=unit,
                    instrument=GAUGE,
                    motion=simulate.Ramp(cycles=cycles, hold_s=12.0),
                    logger=FAST if fault in {"chatter", "none"} else simulate.Logger(),
                    tested_at=datetime(2024, 1, 1 + j),
                )
            )
    made = simulate.fleet(plan, seed=seed)
    return db.analyse(made.tests, made.switches, made.gauges)


def share(found: pl.DataFrame, kind: str, side: str | None = None) -> float:
    rows = found.filter(pl.col("kind") == kind)
    hit = pl.col("flagged") if side is None else pl.col("flagged") & (pl.col("side") == side)
    return rows.select(hit.mean()).item()


def of_faulty(whole, faulty: int) -> pl.DataFrame:
    names = [f"s{k:03d}" for k in range(faulty)]
    return whole.condition.filter(pl.col("switch_id").is_in(names))


# --- how often ----------------------------------------------------------------------------------


@pytest.mark.parametrize("cycles", [3, 5])
def test_sound_switches_are_flagged_no_more_often_than_stated(cycles):
    """600 tests: at 1 % more than 14 would come by chance once in 500, were they independent."""
    whole = fleet("none", 200, 3, faulty=0, seed=1, cycles=cycles)
    found = whole.condition
    assert set(found["kind"]) == KINDS
    for kind in KINDS:
        assert found.filter(pl.col("kind") == kind).height == 600
        assert share(found, kind) * 600 <= 14, (kind, share(found, kind))
    judged = found.filter(pl.col("status") == "ok")
    assert judged.height > 0.95 * found.height
    assert set(whole.verdicts["verdict"]) == {"conforms"}


@pytest.mark.parametrize(
    ("fault", "kind", "side", "least"),
    [
        ("stick", "sticking_open", "unsafe", 0.95),
        ("stick", "sticking_close", "nuisance", 0.95),
        ("leak", "leak", "nuisance", 0.85),
        ("chatter", "chatter", "nuisance", 0.95),
        ("scatter", "scatter", "unsafe", 0.75),
        ("offset", "offset_open", "unsafe", 0.95),
        ("offset", "offset_close", "unsafe", 0.95),
        ("closed", "no_change", "unsafe", 1.0),
        ("open", "no_change", "nuisance", 1.0),
    ],
)
def test_faults_are_found_on_their_side(fault, kind, side, least):
    # A fleet whose every switch sticks or chatters must not pass for the way things are. Against
    # its model a switch stands out only while most are sound.
    all_of_them = fault in {"stick", "leak", "chatter"}
    faulty = 40 if all_of_them else 6
    whole = fleet(fault, 40, 2, faulty=faulty, seed=5, cycles=4)
    assert share(of_faulty(whole, faulty), kind, side) >= least
    if not all_of_them:
        sound_ones = whole.condition.filter(pl.col("switch_id") >= f"s{faulty:03d}")
        assert share(sound_ones, kind) <= 0.05


# --- each kind ----------------------------------------------------------------------------------


def test_the_time_constant_of_a_leak_is_covered():
    rows = fleet("leak", 40, 2, faulty=40, seed=5, cycles=4).condition.filter(
        pl.col("kind") == "leak_time_constant"
    )
    known = rows.filter(pl.col("value").is_not_null())
    assert known.height > 60
    inside = known.filter(
        (pl.col("low") <= 240.0) & (pl.col("high").fill_null(np.inf) >= 240.0)
    ).height
    assert inside >= 0.9 * known.height
    assert known.filter(pl.col("flagged")).height == 0


def test_a_leak_agrees_with_an_exponential_fitted_by_scipy():
    """One hold between two rests whose zero drifts; the truth is 200 s."""
    time = np.arange(0.0, 60.0, 0.1)
    rng = np.random.default_rng(3)
    up, hold = np.clip((time - 5.0) / 5.0, 0.0, 1.0), (time >= 10.0) & (time < 50.0)
    pressure = np.where(hold, 80.0 * np.exp(-(time - 10.0) / 200.0), 80.0 * up)
    fall = 80.0 * np.exp(-40.0 / 200.0) * np.clip(1.0 - (time - 50.0) / 4.0, 0.0, 1.0)
    pressure = np.where(time >= 50.0, fall, pressure)
    drift = 0.03 * time
    shown = pressure + drift + rng.normal(0.0, 0.2, len(time))
    contact = (pressure > 70.0).astype(float)
    tests = table_of({"t": {"time_s": time, "pressure_pa": shown, "contact": contact}})
    rows = db.condition(db.fit_events(tests), tests)
    found = {row["kind"]: row for row in rows.iter_rows(named=True)}
    inner = (time >= 12.5) & (time < 48.0)
    fitted, _ = optimize.curve_fit(
        lambda t, a, k: a * np.exp(-k * (t - 30.0)), time[inner], (shown - drift)[inner], (70, 0.01)
    )
    constant = found["leak_time_constant"]
    assert constant["value"] == pytest.approx(1.0 / fitted[1], rel=0.02)
    assert constant["low"] < 200.0 < constant["high"]
    assert found["leak"]["flagged"]
    assert found["leak"]["side"] == "nuisance"


@pytest.mark.parametrize("bounces", [0, 3, 8, 9, 20])
def test_the_p_value_of_chatter_is_that_of_scipy(bounces):
    events = db.fit_events(table_of({"t": sound()}))
    events = events.with_columns(bounces=pl.Series([bounces, 0, 0, 0], dtype=pl.Int32))
    row = db.condition(events).filter(pl.col("kind") == "chatter").row(0, named=True)
    p = stats.poisson.sf(bounces - 1, 0.5 * 4)
    assert row["p_value"] == pytest.approx(p, abs=1e-12)
    assert row["flagged"] == (p <= 0.01)
    low, high = stats.gamma.ppf(0.025, bounces or 1e-9), stats.gamma.ppf(0.975, bounces + 1)
    assert (row["low"], row["high"]) == pytest.approx((low / 4, high / 4), rel=1e-6, abs=1e-9)


def stuck(level: float, low: float, high: float):
    """A ramp between two pressures with the contact channel at one level."""
    made = sound()
    made["pressure_pa"] = low + (made["pressure_pa"] - 20.0) / 80.0 * (high - low)
    made["contact"][:] = level
    return made


@pytest.mark.parametrize(
    ("level", "low", "high", "side"),
    [
        (0.1, 0.0, 100.0, "unsafe"),
        (0.1, 57.0, 100.0, "none"),  # never below the lower limit: it may stay closed
        (24.0, 0.0, 100.0, "nuisance"),
        (24.0, 0.0, 60.0, "none"),  # never up to where it closes
        (1.0, 0.0, 100.0, "unsafe"),
        (0.0, 0.0, 100.0, "unknown"),  # open as a logical channel, a short as ohms
        (2.5, 0.0, 100.0, "unknown"),
    ],
)
def test_no_change_is_evidence_only_where_the_pressure_passed(level, low, high, side):
    tests = table_of({"t": stuck(level, low, high)})
    events = db.fit_events(tests)
    found = db.condition(events, tests, switches_of()).filter(pl.col("kind") == "no_change")
    row = found.row(0, named=True)
    assert (row["side"], row["flagged"]) == (side, side != "none")
    assert (row["low"], row["high"]) == pytest.approx((low, high), abs=1.5)
    unseen = db.condition(events).filter(pl.col("kind") == "no_change").row(0, named=True)
    assert (unseen["flagged"], unseen["status"]) == (False, "missing_value")


def test_a_channel_of_booleans_or_a_stated_sense_tells_which():
    tests = table_of({"t": stuck(0.0, 0.0, 100.0)})
    events = db.fit_events(tests)

    def side(table, **options):
        found = db.condition(events, table, switches_of(), **options)
        return found.filter(pl.col("kind") == "no_change")["side"].item()

    assert side(tests) == "unknown"
    assert side(tests, closed="high") == "nuisance"
    assert side(tests, closed="low") == "unsafe"
    assert side(tests.with_columns(pl.col("contact").cast(pl.List(pl.Boolean)))) == "nuisance"


def test_a_fast_first_cycle_is_not_called_sticking():
    """A lag of 0.4 s left in: the first opening, three times as fast, reads 4 Pa high."""
    events = db.fit_events(table_of({"t": sound()}))
    one = events.filter(pl.col("event") == "open").head(1)
    rates = [-15.0, -5.0, -5.1, -4.9, -5.05]
    rows = [
        one.with_columns(
            cycle=pl.lit(k + 1, dtype=pl.Int32),
            time_s=pl.lit(10.0 * k),
            rate_pa_s=pl.lit(rate),
            pressure_pa=pl.lit(60.0 + 0.05 * (k % 2) - 0.4 * rate),
            var_pressure=pl.lit(0.01),
            time_width_s=pl.lit(0.01),
        )
        for k, rate in enumerate(rates)
    ]
    shown = pl.concat(rows)

    def sticking(**options):
        found = db.condition(shown, **options)
        return found.filter(pl.col("kind") == "sticking_open").row(0, named=True)

    blind = sticking()
    assert (blind["flagged"], blind["p_value"]) == (False, 1.0)
    assert blind["value"] == pytest.approx(4.0, abs=0.1)
    schema = {"gauge_id": pl.String, "lag_s": pl.Float64, "lag_u_s": pl.Float64}
    lags = pl.DataFrame([("g1", 0.4, 0.02)], schema=schema, orient="row")
    told = sticking(lags=lags)
    assert told["value"] == pytest.approx(0.0, abs=0.1)
    assert not told["flagged"]


# --- no test is missing -------------------------------------------------------------------------

FAULTS = (
    "ok",
    "no_event",
    "too_few_samples",
    "time_not_increasing",
    "not_finite",
    "length_mismatch",
    "saturated",
    "contact_ambiguous",
    "event_at_edge",
    "missing_value",
)


def test_every_test_has_a_row_of_every_kind_or_says_why_not():
    tests = table_of({how: spoilt(how) for how in FAULTS})
    events = db.fit_events(tests)
    lags = pl.DataFrame({"gauge_id": ["g1"], "lag_s": [0.0], "lag_u_s": [0.0]})
    points = db.setpoints(events, lags)
    rated = switches_of().with_columns(model=pl.lit("M"))
    found = db.condition(events, tests, rated, points, lags=lags)
    assert found.height == len(FAULTS) * len(KINDS)
    counts = found.group_by("test_id").agg(pl.col("kind").n_unique())
    assert set(counts["kind"]) == {len(KINDS)}
    assert found["sentence"].null_count() == found["flagged"].null_count() == 0
    unjudged = found.filter(pl.col("status") != "ok")
    assert not unjudged["flagged"].any()
    assert set(unjudged["side"]) == {"none"}
    # One switch is no model.
    fellows = found.filter(pl.col("kind").str.starts_with("offset"))
    assert "ok" not in fellows["status"].to_list()


@pytest.mark.parametrize("alpha", [0.0, 0.5, -1.0, float("nan")])
def test_a_level_that_is_none_is_refused(alpha):
    events = db.fit_events(table_of({"t": sound()}))
    with pytest.raises(db.DeadbandError, match="alpha"):
        db.condition(events, alpha=alpha)


# --- joined to verdicts -------------------------------------------------------------------------


def test_a_contact_stuck_closed_does_not_conform_and_one_stuck_open_has_no_verdict():
    closed = fleet("closed", 40, 2, faulty=6, seed=5, cycles=4).verdicts.filter(
        pl.col("switch_id") < "s006"
    )
    assert set(closed["verdict"]) == {"does_not_conform"}
    assert set(closed["n_findings_unsafe"]) == {1}
    assert closed["rule"].str.contains("stayed closed").all()
    assert closed["findings"].str.contains("stuck closed").all()
    opened = fleet("open", 40, 2, faulty=6, seed=5, cycles=4).verdicts.filter(
        pl.col("switch_id") < "s006"
    )
    assert opened["verdict"].null_count() == opened.height
    assert set(opened["n_findings_nuisance"]) == {1}


def point(**columns):
    row = {"test_id": "t", "switch_id": "s1", "close_pa": 70.0, "close_u_pa": 0.3}
    return pl.DataFrame([{**row, "open_pa": 57.0, "open_u_pa": 0.3, **columns}])


def finding(kind, side, value, flagged=True):
    return {
        "test_id": "t",
        "switch_id": "s1",
        "kind": kind,
        "value": value,
        "n": 4,
        "flagged": flagged,
        "side": side,
        "sentence": f"{kind} {side}.",
    }


def test_findings_stand_beside_the_verdict_and_change_it_only_where_they_must():
    def judged(*rows):
        findings = pl.DataFrame(list(rows)) if rows else None
        return db.judge(point(), switches_of(), findings=findings).row(0, named=True)

    alone = judged()
    assert alone["verdict"] == "conforms"
    assert alone["n_findings_unsafe"] is alone["findings"] is None
    calm = judged(finding("chatter", "none", 0.0, flagged=False))
    assert (calm["n_findings_unsafe"], calm["n_findings_nuisance"]) == (0, 0)
    assert calm["findings"] is None
    both = judged(finding("chatter", "nuisance", 3.0), finding("scatter", "unsafe", 2.0))
    assert both["verdict"] == "conforms"
    assert (both["n_findings_unsafe"], both["n_findings_nuisance"]) == (1, 1)
    assert both["findings"] == "scatter unsafe. chatter nuisance."
    # 57 - 5 x 3/4 lies below 54, 57 - 2 x 3/4 does not.
    far = judged(finding("sticking_open", "unsafe", -5.0))
    assert far["verdict"] == "undecided"
    assert "first change after rest" in far["rule"]
    assert judged(finding("sticking_open", "unsafe", -2.0))["verdict"] == "conforms"
    # The closing is not rated here.
    assert judged(finding("sticking_close", "unsafe", -50.0))["verdict"] == "conforms"
    stuck_closed = judged(finding("no_change", "unsafe", 0.0))
    assert stuck_closed["verdict"] == "does_not_conform"
