"""Lots that are unlike: models of other scatter, one gross reading, a curve that is not theirs."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from deadband import lots
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
