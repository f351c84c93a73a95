"""Screening of lots: false discovery, evidence, further tests; counts; published checks."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.special import ndtri
from scipy.stats import beta, binom

from deadband import lots
from deadband._errors import OptionError
from deadband.lots._beta_binomial import means, moments, rates
from deadband.lots._discovery import discovery
from deadband.lots._exceed import exceeds
from deadband.lots._likelihood import Results
from deadband.lots._lot_rows import Tolerances
from deadband.lots._posterior import posterior
from lot_fleet import RATED_PA, drawn, tables

ONE = np.array([0.1])


def published(data: Any) -> dict[str, dict[str, Any]]:
    return {row["name"]: row for row in data["expected"]}


# --- published checks -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "name"), [("wilson", "Wilson"), ("clopper_pearson", "Clopper-Pearson")]
)
def test_newcombe(reference: Any, method: Any, name: str) -> None:
    """Newcombe (1998) Stat. Med. 17, 857-872, table I; Clopper-Pearson from memory."""
    data = reference("Q06-newcombe-1998-proportion-intervals")
    told = published(data)
    for x, n in data["inputs"]["cases"]:
        ends = lots.proportion_interval(x, n, method=method)
        for end, limit in zip(("low", "high"), ends, strict=True):
            row = told[f"{name} {x}/{n} {end}"]
            assert limit == pytest.approx(float(row["published"]), abs=row["abs_tol"]), row["name"]


def test_benjamini_hochberg(reference: Any) -> None:
    """Benjamini and Hochberg (1995) JRSS B 57, 289-300, section 4.1; adjusted: SciPy's manual."""
    data = reference("Q07-benjamini-hochberg-1995")
    p, told = np.array(data["inputs"]["p"]), published(data)
    q_value = discovery(np.full(p.size, 0.5), p, data["inputs"]["q"]).q_value
    assert (q_value <= data["inputs"]["q"]).sum() == 4
    for i, found in enumerate(q_value, start=1):
        row = told[f"adjusted p {i}"]
        assert found == pytest.approx(row["value"], abs=row["abs_tol"]), i


def test_rat_tumours(reference: Any) -> None:
    """Gelman et al., Bayesian Data Analysis, 5.1 and 5.3 (from memory, recomputed)."""
    data = reference("Q08-rat-tumour-beta-binomial")
    x, n = (np.array(data["inputs"][name], dtype=float) for name in ("y", "n"))
    told = published(data)
    alpha, beta = moments(x[:70], n[:70])
    found = rates(x, n)
    for name, value in (
        ("moment alpha", alpha),
        ("moment beta", beta),
        ("posterior E(alpha | y)", found.weight @ found.alpha),
        ("posterior E(beta | y)", found.weight @ found.beta),
        ("current posterior mean (1.4+4)/(1.4+8.6+14)", (alpha + 4.0) / (alpha + beta + 14.0)),
    ):
        assert value == pytest.approx(told[name]["value"], abs=told[name]["abs_tol"]), name
    # The current one, of which the full posterior knows more than its own 4 of 14.
    assert means(found, x, n)[0][-1] == pytest.approx(0.21, abs=0.01)


# --- probabilities --------------------------------------------------------------------------------


def test_probabilities_are_those_of_the_draws() -> None:
    rng = np.random.default_rng(2)
    made = drawn(rng, [8, 12, 30], mean=[0.0, -0.06, 0.05], sd=0.03)
    told = posterior(made.results, 4000, rng)
    kinds = Tolerances(np.array([0.08, 0.12]), np.array([[1.0, 0.0], [0.5, 0.5], [0.0, 1.0]]))
    unsafe, nuisance = kinds.fractions(told.mean, told.sd)
    for side, fractions in (
        ("unsafe", unsafe),
        ("nuisance", nuisance),
        ("either", unsafe + nuisance),
    ):
        found = exceeds(told, kinds, 0.05, side)  # type: ignore[arg-type]
        share = (fractions > 0.05).mean(axis=0)
        assert found.chance == pytest.approx(share, abs=0.03), side
        assert ((found.margin > 0.0) == (fractions > 0.05)).all(), side


def test_either_side_at_a_level_that_no_mean_keeps() -> None:
    rng = np.random.default_rng(2)
    made = drawn(rng, [40, 40], mean=[0.0, 0.0], sd=0.12)
    told = posterior(made.results, 500, rng)
    found = exceeds(told, Tolerances(ONE, np.ones((2, 1))), 0.05, "either")
    assert found.chance == pytest.approx(np.ones(2))
    assert found.p_value == pytest.approx(np.zeros(2))


def test_false_discoveries() -> None:
    """Of the lots called, 5 % are called wrongly, or fewer; the bad ones are mostly found."""
    rng = np.random.default_rng(11)
    wrong: dict[str, list[float]] = {"rule": [], "all": []}
    found_bad, bad, rough, fine = 0, 0, [0, 0], [0, 0]
    for _ in range(30):
        sizes = rng.integers(5, 41, 12)
        mean = np.where(
            rng.random(12) < 0.25, rng.normal(-0.075, 0.02, 12), rng.normal(0, 0.012, 12)
        )
        u = np.where(np.arange(12) % 2, 0.04, 0.008)
        made = drawn(rng, sizes, models=[0] * 6 + [1] * 6, mean=mean, unlike=0.15, u=u)
        told = posterior(made.results, 300, rng)
        exceed = exceeds(told, Tolerances(ONE, np.ones((12, 1))), 0.05, "unsafe")
        decided = discovery(exceed.chance, exceed.p_value, 0.05)
        true = made.unsafe > 0.05
        for name, called in (
            ("rule", decided.verdict == "exceeds"),
            ("all", decided.expected <= 0.05),
        ):
            wrong[name].append((called & ~true).sum() / max(called.sum(), 1))
        called = decided.verdict == "exceeds"
        found_bad, bad = found_bad + (called & true).sum(), bad + true.sum()
        for counts, which in ((rough, u > 0.02), (fine, u < 0.02)):
            counts[0] += int((called & ~true & which).sum())
            counts[1] += int((~true & which).sum())
    assert np.mean(wrong["rule"]) < 0.08, wrong
    assert np.mean(wrong["all"]) < 0.08, wrong
    assert found_bad / bad > 0.5
    # A good lot is called no more often for having been tested roughly.
    assert rough[0] / rough[1] < fine[0] / fine[1] + 0.03


# --- the table ------------------------------------------------------------------------------------


def fleet(sd_pa: float = 1.2, u_pa: float = 0.4) -> tuple[pl.DataFrame, pl.DataFrame]:
    rng = np.random.default_rng(3)
    lot = np.repeat(["bad", "good", "near", "small"], [12, 12, 12, 2])
    centre = np.repeat([52.5, 60.0, 56.4, 57.0], [12, 12, 12, 2])
    values = centre + rng.normal(0.0, sd_pa, 38) + rng.normal(0.0, u_pa, 38)
    return tables(values, lot.tolist(), u_pa=u_pa, gauge="G")


def test_ranked_with_evidence() -> None:
    points, switches = fleet()
    found = lots.screen(lots.distribution(points, switches))
    assert found["lot"][0] == "bad"
    assert found["verdict"][0] == "exceeds"
    assert found["lot"][-1] == "good"
    assert found["verdict"][-1] == "within"
    assert found["p_exceeds"].is_sorted(descending=True)
    assert found["rank"].to_list() == [1, 2, 3, 4]
    near = found.filter(lot="near").row(0, named=True)
    assert near["verdict"] == "undecided"
    assert near["n_more"] > 0
    assert f"Ramps of about {near['n_more']} more" in near["evidence"]
    assert found["n_more"].null_count() >= 2
    expected = (1.0 - found["p_exceeds"]).cum_sum() / found["rank"]
    assert found["expected_fdr"].to_list() == pytest.approx(expected.to_list())
    for row in found.iter_rows(named=True):
        assert row["evidence"].startswith(f"{row['lot']} (M): ")
        assert f"{row['counted']} of {row['n_tested']} tested" in row["evidence"]


def test_levels_and_sides() -> None:
    points, switches = fleet()
    found = lots.distribution(points, switches)
    low, high = (
        lots.screen(found, fraction=level).sort("lot")["p_exceeds"] for level in (0.01, 0.3)
    )
    assert (low >= high).all()
    nuisance = lots.screen(found, side="nuisance")
    assert nuisance["verdict"].to_list().count("exceeds") == 0
    either = lots.screen(found, side="either").sort("lot")["p_exceeds"]
    unsafe = lots.screen(found).sort("lot")["p_exceeds"]
    assert (either >= unsafe - 1e-3).all()


def test_a_gauge_can_forbid_every_verdict() -> None:
    points, switches = fleet(u_pa=2.0)
    gauges = pl.DataFrame(
        {"gauge_id": ["G"], "resolution_pa": [0.1], "accuracy_rel": [0.0], "accuracy_abs_pa": [3.2]}
    )
    found = lots.screen(lots.distribution(points, switches, gauges=gauges))
    near = found.filter(lot="near").row(0, named=True)
    assert (near["verdict"], near["n_more"], near["gauge_limits"]) == ("undecided", None, True)
    assert "No number of tests" in near["evidence"]


def test_so_many_more_tests_settle_it() -> None:
    """The lot with as many more switches, drawn from what was found, is decided as promised."""
    rng = np.random.default_rng(17)
    values, names = [], []
    for lot, mean, n in (("a", 0.0, 25), ("b", 0.01, 25), ("near", -0.042, 8)):
        # Quantiles instead of draws: the lot is as it was found.
        share = (np.arange(n) + 0.5) / n
        values += (RATED_PA * (1.0 + mean + 0.03 * ndtri(share))).tolist()
        names += [lot] * n
    points, switches = tables(values, names, u_pa=0.2)
    first = lots.screen(lots.distribution(points, switches)).filter(lot="near").row(0, named=True)
    assert first["verdict"] == "undecided"
    assert 3 <= first["n_more"] <= 400
    whole = lots.distribution(points, switches)
    row = whole.lots.filter(lot="near").row(0, named=True)
    settled = []
    for _ in range(30):
        more = row["mean"] + row["sd"] * rng.normal(size=first["n_more"])
        value = np.concatenate([np.array(values) / RATED_PA - 1.0, more])
        lot = np.repeat([0, 1, 2], [25, 25, 8 + first["n_more"]])
        model, none = np.zeros(3, dtype=int), np.zeros((value.size, 0))
        results = Results(value, np.full(value.size, (0.2 / RATED_PA) ** 2), none, lot, model)
        told = exceeds(
            posterior(results, 400, rng), Tolerances(ONE, np.ones((3, 1))), 0.05, "unsafe"
        )
        settled.append(discovery(told.chance, told.p_value, 0.05).verdict[2] != "undecided")
    # As likely as not: half of such samples lie further out than the aim, half less far.
    assert 0.25 < np.mean(settled) < 0.85


def test_switches_that_stay_closed_forbid_an_acquittal() -> None:
    points, switches = fleet()
    stuck = pl.col("switch_id").is_in([f"s{i:03}" for i in range(12, 15)])
    gone = points.with_columns(
        open_pa=pl.when(~stuck).then("open_pa"),
        open_u_pa=pl.when(~stuck).then("open_u_pa"),
        verdict=pl.when(stuck).then(pl.lit("does_not_conform")),
    )
    good = lots.screen(lots.distribution(gone, switches)).filter(lot="good").row(0, named=True)
    assert good["p_exceeds"] < 0.05
    assert (good["counted"], good["verdict"]) == (3, "undecided")
    assert good["p_counted"] == pytest.approx(binom.sf(2, 12, 0.05))
    assert good["p_stuck"] == pytest.approx(binom.sf(2, 12, 0.05))
    assert good["p_exceeds_counted"] == pytest.approx(beta.sf(0.05, 3.5, 9.5))
    said = good["evidence"]
    assert said.startswith("good (M): 3 of 12 tested stayed closed (p = 0.02); by what was counted")
    assert said.index("by what was counted alone") < said.index("Of those that open")
    assert "of such switches are expected" not in said


def test_one_switch_that_stays_closed_is_not_acquitted_by_a_curve_that_lacks_it() -> None:
    points, switches = fleet()
    stuck = pl.col("switch_id") == "s012"
    gone = points.with_columns(
        open_pa=pl.when(~stuck).then("open_pa"),
        open_u_pa=pl.when(~stuck).then("open_u_pa"),
        verdict=pl.when(stuck).then(pl.lit("does_not_conform")),
    )
    found = lots.distribution(gone, switches)
    unsafe, nuisance = (
        lots.screen(found, side=side).filter(lot="good").row(0, named=True)
        for side in ("unsafe", "nuisance")
    )
    assert unsafe["p_exceeds"] < 0.05 < unsafe["p_exceeds_counted"]
    assert (unsafe["counted"], unsafe["verdict"]) == (1, "undecided")
    assert nuisance["verdict"] == "within"


def test_a_lot_whose_tested_switches_all_stayed_closed_is_called_by_counts() -> None:
    points, switches = fleet()
    stuck = pl.col("switch_id").is_in([f"s{i:03}" for i in range(12, 15)])
    gone = points.with_columns(verdict=pl.lit("does_not_conform"))
    all_stuck = gone.with_columns(pl.lit(None, pl.Float64).alias("open_pa")).filter(stuck)
    none = lots.screen(lots.distribution(all_stuck, switches)).filter(lot="good")
    assert (none["verdict"].item(), none["rank"].item()) == ("exceeds", 1)
    assert none["q_value"].item() == pytest.approx(0.05**3)
    assert "by what was counted alone" in none["evidence"].item()
    assert none["p_counted"].item() == pytest.approx(0.05**3)


def test_lots_without_numbers_stand_last() -> None:
    points, switches = fleet()
    more = switches.head(1).with_columns(switch_id=pl.lit("x"), lot=pl.lit("never"))
    found = lots.screen(lots.distribution(points, pl.concat([switches, more])))
    last = found.row(-1, named=True)
    assert (last["lot"], last["verdict"], last["status"]) == ("never", None, "too_few_samples")
    assert "no verdict" in last["evidence"]
    few = lots.screen(lots.distribution(points.head(3), switches))
    assert few["verdict"].null_count() == few.height


@pytest.mark.parametrize(
    "options", [{"fraction": 0.6}, {"fraction": 5}, {"side": "both"}, {"fdr": 0.0}]
)
def test_bad_options(options: dict[str, Any]) -> None:
    points, switches = fleet()
    found = lots.distribution(points.head(3), switches)
    with pytest.raises(OptionError):
        lots.screen(found, **options)
    with pytest.raises(OptionError):
        lots.screen(points)  # type: ignore[arg-type]


# --- counts ---------------------------------------------------------------------------------------


def test_counts() -> None:
    found = lots.screen_counts([40, 38, 41, 12], [1, 0, 11, 1], lots=["A", "B", "C", "D"])
    assert found["lot"].to_list() == ["C", "D", "A", "B"]
    assert found["verdict"][0] == "exceeds"
    row = found.row(0, named=True)
    assert row["p_value"] == pytest.approx(binom.sf(10, 41, 0.05))
    assert row["fraction_low"] < row["fraction"] < row["proportion"] < row["proportion_high"]
    # Its neighbours make none of 12 probable, but not its own 12: 0.95**12 = 0.54.
    few = lots.screen_counts([60, 70, 80, 12], [0, 0, 1, 0]).filter(lot="4").row(0, named=True)
    assert few["p_exceeds"] < 0.05
    assert few["verdict"] == "undecided"
    # A small lot is drawn further than a large one of nearly its proportion.
    assert found.filter(lot="D")["fraction"].item() < 0.11


def test_counts_that_cannot_be() -> None:
    found = lots.screen_counts([5, 0, None, 3, 3], [1, 0, 1, 4, -1])
    assert found.sort("lot")["status"].to_list() == [
        "ok", "too_few_samples", "missing_value", "bad_value", "bad_value",
    ]  # fmt: skip
    assert lots.screen_counts([], []).height == 0
    for n, x in (([10, 10], [0, 0]), ([10], [10])):
        one = lots.screen_counts(n, x)
        assert one["fraction"].is_between(0.0, 1.0).all()
        assert (one["fraction_high"] - one["fraction_low"]).min() > 0.05


@pytest.mark.parametrize(
    ("n", "x", "options"),
    [
        ([1], [1, 0], {}),
        ([1.5], [1], {}),
        (["a"], [1], {}),
        (5, [1], {}),
        ([5], [1], {"lots": ["a", "b"]}),
        ([5, 4], [1, 0], {"lots": [1, 2]}),
        ([5], [1], {"fraction": 1.0}),
    ],
)
def test_bad_counts(n: Any, x: Any, options: dict[str, Any]) -> None:
    with pytest.raises(OptionError):
        lots.screen_counts(n, x, **options)


def test_counts_hold_their_intervals() -> None:
    rng = np.random.default_rng(6)
    hits, wrong = [], []
    for _ in range(16):
        rate = rng.beta(2.0, 28.0, 12)
        n = rng.integers(5, 60, 12)
        x = rng.binomial(n, rate)
        found = lots.screen_counts(n.tolist(), x.tolist()).sort(pl.col("lot").cast(pl.Int32))
        hits.append(
            (found["fraction_low"].to_numpy() <= rate) & (rate <= found["fraction_high"].to_numpy())
        )
        called = (found["verdict"] == "exceeds").to_numpy()
        wrong.append((called & (rate <= 0.05)).sum() / max(called.sum(), 1))
    # 192 intervals: three standard errors of 95 % are 4 %.
    assert 0.91 < np.mean(hits) < 0.99, np.mean(hits)
    assert np.mean(wrong) < 0.08


def test_proportion_interval_edges() -> None:
    assert lots.proportion_interval(0, 0) == (0.0, 1.0)
    assert lots.proportion_interval(0, 8)[0] == 0.0
    assert lots.proportion_interval(8, 8)[1] == 1.0
    for wrong in ((3, 2), (-1, 2), (1.0, 2)):
        with pytest.raises(OptionError):
            lots.proportion_interval(*wrong)  # type: ignore[arg-type]
