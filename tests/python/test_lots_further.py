"""How many further tests settle a lot that its model or its counts alone hold open."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from scipy.stats import beta

from deadband import lots
from deadband.lots._discovery import discovery
from deadband.lots._exceed import exceeds
from deadband.lots._further import good_tests, own_tests
from deadband.lots._likelihood import Results
from deadband.lots._lot_rows import Tolerances
from deadband.lots._posterior import posterior
from test_lots_evidence import fleet, row_of, shaped

N_LOTS = 8
U = 0.008


def judged(rng: np.random.Generator, x: np.ndarray, lot: np.ndarray) -> tuple[Any, Any]:
    none, model = np.zeros((x.size, 0)), np.zeros(N_LOTS, dtype=int)
    told = posterior(Results(x, np.full(x.size, U**2), none, lot, model), 200, rng)
    found = exceeds(told, Tolerances(np.array([0.1]), np.ones((N_LOTS, 1))), 0.05, "unsafe")
    alone = 1.0 - found.p_value
    return found, discovery(found.chance, found.p_value, 0.05, alone=alone).verdict


def test_about_half_of_the_lots_that_their_model_acquits_are_decided_by_so_many() -> None:
    rng = np.random.default_rng(8)
    settled = []
    while len(settled) < 24:
        mean, sd = rng.normal(-0.03, 0.015, N_LOTS), 0.03 * np.exp(0.15 * rng.normal(size=N_LOTS))
        lot = np.repeat(np.arange(N_LOTS), rng.integers(2, 12, N_LOTS))
        x = mean[lot] + np.hypot(sd, U)[lot] * rng.normal(size=lot.size)
        found, verdict = judged(rng, x, lot)
        more = own_tests(found, 0.05)[0]
        borrowed = (verdict == "undecided") & (found.chance <= 0.05) & (found.p_value < 0.95)
        for one in np.flatnonzero(borrowed):
            n = int(more[one])
            next_ones = mean[one] + np.hypot(sd[one], U) * rng.normal(size=n)
            both, of = np.concatenate([x, next_ones]), np.concatenate([lot, np.full(n, one)])
            order = np.argsort(of, kind="stable")
            settled.append(judged(rng, both[order], of[order])[1][one] == "within")
    # Of 24 lots three standard errors are 0.3.
    assert 0.2 < np.mean(settled) < 0.8


def test_so_many_good_ones_let_the_counts_acquit_it() -> None:
    points, switches = fleet(("S1", [*shaped(0.0, 9), None]))
    row = row_of(lots.screen(lots.distribution(points, switches)), "S1")
    more = int(str(row["n_more"]))
    assert (row["verdict"], more) == ("undecided", 67)
    said = "Its counts acquit it if 67 more of its switches, of which the register has none, are"
    assert said in str(row["evidence"])
    for n, verdict in ((more - 1, "undecided"), (more, "within")):
        both = fleet(("S1", [*shaped(0.0, 9), None, *shaped(0.0, n)]))
        later = row_of(lots.screen(lots.distribution(*both)), "S1")
        assert later["verdict"] == verdict
        assert (later["p_exceeds_counted"] <= 0.05) == (n == more)  # type: ignore[operator]
    # On the other side no switch that stays closed holds it open.
    nuisance = lots.screen(lots.distribution(points, switches), side="nuisance")
    assert row_of(nuisance, "S1")["n_more"] is None


def test_good_tests_are_the_fewest() -> None:
    counted, trials = np.arange(8), np.full(8, 12)
    found = good_tests(counted, trials, 0.05, 0.05)
    for x, n, more in zip(counted, trials, found, strict=True):
        if not np.isnan(more):
            left = beta.sf(0.05, x + 0.5, n + np.array([more - 1.0, more]) - x + 0.5)
            assert left[0] > 0.05 >= left[1]
    assert np.isnan(good_tests(np.array([30]), np.array([30]), 0.05, 0.05)).all()


def test_lots_that_no_number_settles_are_told_none() -> None:
    points, switches = fleet(("S9", [60.0] + [None] * 9), ("SA", [None] * 3), ("S1", [60.0, None]))
    screened = lots.screen(lots.distribution(points, switches), fraction=0.4)
    assert row_of(screened, "S9")["n_more"] is None
    # Without a curve the counts can still tell.
    all_closed = row_of(screened, "SA")
    assert (all_closed["verdict"], all_closed["n_more"]) == ("undecided", 13)
    assert "Its counts acquit it if 13 more" in str(all_closed["evidence"])
    # Of a switch that may have stayed closed no other tells.
    closed = points.head(1).with_columns(
        verdict=pl.lit("does_not_conform"), open_pa=pl.lit(None, pl.Float64)
    )
    twice = lots.distribution(pl.concat([points, closed]), switches)
    doubtful = row_of(lots.screen(twice), "G0")
    assert (doubtful["verdict"], doubtful["n_more"]) == ("undecided", None)


def test_a_gauge_forbids_what_its_own_tests_would_tell() -> None:
    points, switches = fleet(("doubtful", [0.952 * 60.0]))
    gauged = points.with_columns(
        gauge_id=pl.when(pl.col("switch_id") == "s040")
        .then(pl.lit("bad"))
        .otherwise(pl.lit("good")),
        open_u_pa=pl.when(pl.col("switch_id") == "s040").then(3.9).otherwise("open_u_pa"),
    )
    gauges = pl.DataFrame(
        {
            "gauge_id": ["good", "bad"], "resolution_pa": 0.1, "accuracy_rel": 0.0,
            "accuracy_abs_pa": [0.0, 6.5],
        }
    )  # fmt: skip
    row = row_of(lots.screen(lots.distribution(gauged, switches, gauges=gauges)), "doubtful")
    assert (row["verdict"], row["n_more"], row["gauge_limits"]) == ("undecided", None, True)
    assert "No number of tests with these gauges" in str(row["evidence"])


def test_either_side_has_its_own_number() -> None:
    found = lots.distribution(*fleet(("low", [0.952 * 60.0]), ("high", [1.048 * 60.0])))
    for side, told in (("unsafe", ["low"]), ("nuisance", ["high"]), ("either", ["high", "low"])):
        screened = lots.screen(found, side=side)  # type: ignore[arg-type]
        assert screened.filter(pl.col("n_more") > 0)["lot"].sort().to_list() == told
