"""Lots that are unlike: models of other scatter, one gross reading, a curve that is not theirs."""

from __future__ import annotations

import sys

import numpy as np
import polars as pl
import pytest

from deadband import lots
from deadband.lots._likelihood import Results
from deadband.lots._unlike import unlike
from lot_fleet import RATED_PA, lot_of, tables


def fleet(models, *, u_pa=0.1):
    """Points and switches of `{model: [values over the rating of a lot, ...]}`."""
    values, names, model = [], [], []
    for name, of_lots in models.items():
        for i, x in enumerate(of_lots):
            values += (RATED_PA * (1.0 + np.asarray(x))).tolist()
            names += [f"{name}{i}"] * len(x)
            model += [name] * len(x)
    return tables(values, names, u_pa=u_pa, model=model)


def test_a_model_of_tight_lots_does_not_make_those_of_another_look_better() -> None:
    rng = np.random.default_rng(11)
    wide = [-0.04 + 0.04 * rng.normal(size=6) for _ in range(5)]
    tight = [0.008 * rng.normal(size=6) for _ in range(5)]
    both = lots.distribution(*fleet({"W": wide, "T": tight})).lots
    alone = lots.distribution(*fleet({"W": wide})).lots
    of_wide = both.filter(pl.col("model") == "W")
    assert of_wide["sd"].mean() == pytest.approx(alone["sd"].mean(), rel=0.08)
    of_tight = both.filter(pl.col("model") == "T")
    assert of_tight["sd"].mean() == pytest.approx(0.008, rel=0.3)


@pytest.mark.parametrize("gross", [-0.996, 9.0, 248.0])
@pytest.mark.parametrize("where", ["M", "other"])
def test_one_gross_reading_condemns_no_other_lot(gross: float, where: str) -> None:
    rng = np.random.default_rng(3)
    sound = [0.015 * rng.normal(size=15) for _ in range(5)]
    odd = [*(0.015 * rng.normal(size=14)), gross]
    models = {"M": [*sound, odd]} if where == "M" else {"M": sound, "other": [odd]}
    found = lots.distribution(*fleet(models))
    name = "M5" if where == "M" else "other0"
    for side in ("unsafe", "nuisance"):
        screened = lots.screen(found, side=side)  # type: ignore[arg-type]
        others = screened.filter(pl.col("lot") != name)
        assert others["verdict"].to_list() == ["within"] * 5, side
        assert others["fraction_high"].max() < 0.01
    assert lot_of(found, name)["p_normal"] < 0.01


def test_a_curve_that_is_not_its_own_convicts_no_lot() -> None:
    """19 of 20 switches well within, one far too high: none lies below, so the curve may not say
    that many do; where the counts say it too, the lot exceeds."""
    rng = np.random.default_rng(6)
    odd = [*(0.015 * rng.normal(size=19)), 3.0]
    bad = [*(-0.13 + 0.01 * rng.normal(size=19)), 3.0]
    found = lots.distribution(*fleet({"M": [odd, bad, 0.015 * rng.normal(size=20)]}))
    told = lots.screen(found).rows_by_key("lot", named=True, unique=True)
    assert found.lots["p_normal"][0] < 0.01
    assert told["M0"]["p_value"] < 1e-4
    assert told["M0"]["p_counted"] == pytest.approx(1.0)
    assert (told["M0"]["verdict"], told["M0"]["q_value"]) == ("undecided", pytest.approx(1.0))
    assert "go by what was counted (p = 1)" in told["M0"]["evidence"]
    assert told["M1"]["verdict"] == "exceeds"
    assert told["M2"]["verdict"] == "within"


def test_switches_without_a_setpoint_are_not_left_out_against_a_lot() -> None:
    """One that stayed closed among fourteen tested is no proof, whatever the others' setpoints."""
    points, switches = fleet({"A": [[0.0] * 14], "B": [[0.01, -0.01, 0.0, 0.02]]})
    number = pl.col("switch_id").str.tail(3).cast(pl.Int32)
    bare = points.with_columns(
        open_pa=pl.when(number != 0).then("open_pa"),
        open_u_pa=pl.when(number >= 14).then("open_u_pa"),
        verdict=pl.when(number == 0).then(pl.lit("does_not_conform")).otherwise(pl.lit("conforms")),
    )
    row = (
        lots.screen(lots.distribution(bare, switches))
        .filter(pl.col("lot") == "A0")
        .row(0, named=True)
    )
    assert (row["n_tested"], row["n_stuck"], row["n_no_setpoint"]) == (0, 1, 13)
    assert row["p_stuck"] == pytest.approx(1.0 - 0.95**14)
    assert row["verdict"] == "undecided"
    assert "1 of 14 tested" in row["evidence"]
    assert "13 were tested without a setpoint" in row["evidence"]


def test_own_evidence_of_one_switch_says_whose_scatter_it_takes() -> None:
    rng = np.random.default_rng(2)
    sound = [0.015 * rng.normal(size=12) for _ in range(3)]
    found = lots.distribution(*fleet({"M": [*sound, [-0.2]]}))
    evidence = dict(lots.screen(found).select("lot", "evidence").iter_rows())
    assert "by its own 1 result, with the scatter of the other lots, p" in evidence["M3"]
    assert "by its own mean p" in evidence["M0"]


@pytest.mark.parametrize("many", [6, 40])
def test_a_lot_unlike_the_others_stands_for_itself(many: int) -> None:
    """Twenty per cent too low among lots that are alike: of it no more is drawn to them."""
    rng = np.random.default_rng(4)
    good = [0.01 * rng.normal(size=8) for _ in range(many - 1)]
    bad = -0.2 + 0.01 * rng.normal(size=8)
    found = lots.distribution(*fleet({"M": [*good, bad]}))
    row = lot_of(found, f"M{many - 1}")
    assert (row["unlike"], row["status"], row["shrinkage"]) == (True, "ok", 0.0)
    assert found.lots["unlike"].sum() == 1
    assert row["mean"] == pytest.approx(bad.mean(), abs=0.005)
    assert row["fraction_unsafe_low"] > 0.9
    assert lot_of(found, "M0")["mean"] == pytest.approx(0.0, abs=0.006)
    evidence = lots.screen(found).filter(pl.col("lot") == f"M{many - 1}")["evidence"][0]
    assert "It is unlike the other lots of its model, and not drawn towards them." in evidence


def test_lots_that_are_alike_are_seldom_called_unlike() -> None:
    """At 1 % for all lots of a fleet, also where these differ, are small, or of two gauges."""
    rng = np.random.default_rng(12)
    called = 0
    for i in range(300):
        n_lots = int(rng.choice([5, 8, 20]))
        size = rng.integers(1, 12, n_lots)
        lot = np.repeat(np.arange(n_lots), size)
        gauge = 0.01 * rng.normal(size=2)[np.arange(n_lots) % 2]
        mean = rng.normal(0.0, (0.0, 0.02)[i % 2], n_lots) + gauge
        value = mean[lot] + 0.02 * rng.normal(size=lot.size)
        shared = 0.01 * np.eye(2)[np.arange(n_lots) % 2][lot]
        of_one = Results(
            value, np.full(lot.size, 1e-5), shared, lot, np.zeros(n_lots, dtype=np.int64)
        )
        called += bool(unlike(of_one).any())
    assert called <= 9


@pytest.mark.parametrize("size", [1, 4, 12])
@pytest.mark.parametrize("apart", [0.0, -0.1])
def test_lots_without_any_scatter_lie_where_they_are(size: int, apart: float) -> None:
    """All alike and exact: sums of squares that are nothing but rounding tell nothing."""
    found = lots.distribution(*fleet({"M": [[0.01] * 12, [0.01 + apart] * size]}, u_pa=0.0))
    assert found.lots["status"].to_list() == ["ok", "ok"]
    assert found.n_effective > 1000.0
    assert found.lots["mean"].to_numpy() == pytest.approx([0.01, 0.01 + apart], abs=1e-5)
    assert found.lots["sd"].to_numpy() == pytest.approx([0.0, 0.0], abs=1e-5)


def test_lots_that_few_draws_tell_have_a_status(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.modules["deadband.lots.distribution"], "FEWEST", 1e9)
    rng = np.random.default_rng(1)
    found = lots.distribution(*fleet({"M": [0.01 * rng.normal(size=6) for _ in range(3)]}))
    assert found.lots["status"].to_list() == ["too_few_draws"] * 3
    assert found.lots["mean"].null_count() == 3
    screened = lots.screen(found)
    assert screened["verdict"].null_count() == 3
    assert "so unlike each other that their numbers are not told" in screened["evidence"][0]
    assert found.under("skew_low").lots["status"].to_list() == ["too_few_draws"] * 3


def test_no_number_of_tests_convicts_a_lot_by_a_curve_that_is_not_its_own() -> None:
    rng = np.random.default_rng(6)
    odd = [*(0.015 * rng.normal(size=19)), 3.0]
    found = lots.distribution(*fleet({"M": [odd, 0.015 * rng.normal(size=20)]}))
    row = lots.screen(found).row(by_predicate=pl.col("lot") == "M0", named=True)
    assert row["verdict"] == "undecided"
    # So many good ones let its counts acquit it.
    assert row["n_more"] is None or row["n_more"] > 10
    assert "should settle it" not in row["evidence"] or row["n_more"] > 10
