"""Expected costs of lots with stuck switches against lots that are drawn, switch by switch."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from deadband import lots

PRICES = lots.Prices(
    recall=95.0, test=30.0, replacement=80.0, harm_unsafe=900.0, nuisance=120.0, recall_fixed=200.0,
    test_fixed=150.0,
)  # fmt: skip
TEST = lots.Classification(p_passed_of_bad=0.12, p_condemned_of_good=0.04)
#: Betas of the unsafe and nuisance fraction of those that open; stuck, tested, in service.
LOTS = [((3.0, 40.0), (2.0, 30.0), 0, 12, 40), ((1.5, 25.0), (2.0, 30.0), 2, 9, 25),
        ((2.0, 20.0), (4.0, 60.0), 5, 4, 33)]  # fmt: skip
DRAWS = 60_000


def limits(shape: tuple[float, float]) -> list[float]:
    from scipy.stats import beta

    found: list[float] = beta.ppf([0.025, 0.975], *shape).tolist()
    return found


def table() -> pl.DataFrame:
    rows: list[dict[str, Any]] = []
    for i, (unsafe, nuisance, stuck, tested, switches) in enumerate(LOTS):
        row = {"lot": f"L{i}", "n_switches": switches, "n_stuck": stuck, "n_tested": tested}
        for side, shape in (("unsafe", unsafe), ("nuisance", nuisance)):
            ends = zip(("low", "high"), limits(shape), strict=True)
            row |= {f"fraction_{side}_{end}": limit for end, limit in ends}
        rows.append(row)
    return pl.DataFrame(rows)


class Drawn:
    """Lots of one kind with their fractions, and what becomes of their switches."""

    def __init__(self, kind: Any, rng: np.random.Generator) -> None:
        unsafe, nuisance, n_stuck, n_tested, self.n = kind
        self.rng = rng
        stuck = rng.beta(n_stuck + 0.5, n_tested + 0.5, DRAWS) if n_stuck else np.zeros(DRAWS)
        moving = (n_tested + 0.5) / (n_stuck + n_tested + 1.0) if n_stuck else 1.0
        self.bad = stuck + (1.0 - stuck) * rng.beta(*unsafe, DRAWS)
        self.high = moving * rng.beta(*nuisance, DRAWS)

    def counts(self, n: int) -> tuple[np.ndarray, np.ndarray]:
        """How many of `n` switches are unsafe, and how many a nuisance."""
        bad = self.rng.binomial(n, self.bad)
        rest = np.minimum(self.high / np.maximum(1.0 - self.bad, 1e-12), 1.0)
        return bad, self.rng.binomial(n - bad, rest)

    def waiting(self, n: int) -> np.ndarray:
        bad, high = self.counts(n)
        return PRICES.harm_unsafe * bad + PRICES.nuisance * high

    def tested(self, n: int) -> np.ndarray:
        bad, high = self.counts(n)
        passed = [self.rng.binomial(one, TEST.p_passed_of_bad) for one in (bad, high)]
        good = self.rng.binomial(n - bad - high, TEST.p_condemned_of_good)
        new = good + bad + high - passed[0] - passed[1]
        left = PRICES.harm_unsafe * passed[0] + PRICES.nuisance * passed[1]
        return n * PRICES.test + 80.0 * new + left

    def sampled(self, n: int) -> np.ndarray:
        """One half of the lots tells what to do after each sample, the other pays for it."""
        seen = self.rng.binomial(n, TEST.apparent(self.bad))
        rest = self.n - n
        recalled = np.full(DRAWS, PRICES.recall_fixed + rest * PRICES.recall)
        after = np.array([recalled, self.tested(rest), self.waiting(rest)])
        cost = np.empty(DRAWS)
        half = np.arange(DRAWS) % 2 == 0
        for learns, pays in ((half, ~half), (~half, half)):
            mean = [np.bincount(seen[learns], one[learns], n + 1) for one in after]
            take = np.argmin(mean, axis=0)[seen[pays]]
            cost[pays] = after[:, pays][take, np.arange(take.size)]
        return PRICES.test_fixed + self.tested(n) + cost


def test_expected_costs_are_those_of_drawn_lots() -> None:
    rng = np.random.default_rng(12)
    found = lots.lot_costs(table(), PRICES, test=TEST)
    for i, kind in enumerate(LOTS):
        drawn = Drawn(kind, rng)
        told = {row["action"]: row for row in found.filter(lot=f"L{i}").iter_rows(named=True)}
        n = told["sample"]["n_sample"]
        for action, costs in (
            ("recall", np.full(DRAWS, PRICES.recall_fixed + drawn.n * PRICES.recall)),
            ("test_all", PRICES.test_fixed + drawn.tested(drawn.n)),
            ("wait", drawn.waiting(drawn.n)),
            ("sample", drawn.sampled(n)),
        ):
            error = max(float(costs.std()) / DRAWS**0.5, 1e-6)
            assert told[action]["expected_cost"] == pytest.approx(costs.mean(), abs=4.0 * error)
        assert told["wait"]["unsafe_left"] == pytest.approx(drawn.n * drawn.bad.mean(), rel=0.02)
