"""Expected cost of recalling, testing, sampling or leaving a lot, and what more tests are worth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._errors import check_count, check_share
from ..methods._results import need_studies
from ._fractions import known_fraction
from .classification import Classification
from .prices import Action, Prices, actions_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Costs that differ by less, as a share, differ by rounding.
_ALIKE: Final = 1e-9
#: A share below that is none: the binomial probabilities of such overflow.
_NONE: Final = 1e-300
#: Sample sizes that are tried; a sample beyond that is no sample of any lot worth one.
_SIZES: Final = (
    1, 2, 3, 5, 8, 10, 13, 16, 20, 25, 32, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315,
)  # fmt: skip
_COLUMNS: Final = {
    "action": pl.String, "n_tests": pl.Float64, "expected_cost": pl.Float64,
    "cost_low": pl.Float64, "cost_high": pl.Float64, "p_best": pl.Float64,
    "unsafe_left": pl.Float64, "best": pl.Boolean,
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Decision:
    """What each action on a lot is expected to cost.

    Attributes
    ----------
    actions
        a row an action (`recall`, `test_all`, `wait`, `sample`): `n_tests`, `expected_cost`,
        `cost_low`, `cost_high` (by what is not known of the fractions), `p_best` (probability that
        it would be the cheapest if the fractions were known; null for `sample`), `unsafe_left`
        (unsafe switches that are expected to stay in service), `best`.
    samples
        a row a sample size: `n`, `expected_cost`, `saving` (over the best action without a
        sample), `p_change` (probability that the sample changes that action), `act_from` (fewest
        condemned ones after which the lot is recalled or tested; null: never).
    best
        action of least expected cost; of several that cost the same the first in the order above.
    n_best
        sample size of least expected cost, of several the smallest.
    value_of_knowing
        what it would be worth to know the fractions: the most that any tests can save.
    status
        `ok`, or `no_switches`.

    Examples
    --------
    >>> prices = Prices(recall=90.0, test=60.0, harm_unsafe=4000.0)
    >>> cost(500, 0.001, prices).best
    'wait'
    """

    actions: pl.DataFrame
    samples: pl.DataFrame
    best: str | None
    n_best: int | None
    value_of_knowing: float | None
    status: str


def cost(
    n_switches: int,
    unsafe: Any,
    prices: Prices,
    *,
    nuisance: Any = 0.0,
    test: Classification | None = None,
    confidence: float = 0.95,
) -> Decision:
    """Expected cost of what can be done with a lot, and which of it is best.

    `recall`: replace all. `test_all`: test all, replace the condemned. `wait`: leave all in
    service. `sample`: test some, replace their condemned, then do with the rest whatever the
    number condemned as unsafe makes cheapest (Raiffa & Schlaifer 1961: preposterior analysis).
    Costs are linear in the fractions, so that each is the sum over what is left possible of them.
    A sample is drawn at random, and tells of the unsafe side alone.

    An expected cost is no permission: a switch that is known to be unsafe has to go out of service,
    whatever it costs, and local codes and the maker's instructions come first.

    Parameters
    ----------
    n_switches
        switches of the lot in service.
    unsafe, nuisance
        fraction on either side of the limits: a number that is known, equally probable numbers (a
        posterior sample), `fraction_of_counts` or `fraction_of_interval`.
    prices
        what things cost.
    test
        how often a test errs; None: never.
    confidence
        of the intervals of cost.

    Returns
    -------
    Decision

    Raises
    ------
    OptionError
        a number is out of range, or prices or test are none.
    ImportError
        SciPy is not installed.

    Examples
    --------
    Of 20 switches of a lot tested 2 were unsafe; 400 are in service.

    >>> from deadband.lots import fraction_of_counts
    >>> prices = Prices(recall=90.0, test=60.0, harm_unsafe=600.0)
    >>> found = cost(400, fraction_of_counts(2, 20), prices)
    >>> found.best, round(found.value_of_knowing)
    ('sample', 5411)
    >>> found.actions.select("action", pl.col("expected_cost").round(), "best").rows()[:2]
    [('recall', 36000.0, False), ('test_all', 28286.0, False)]
    """
    check_count("n_switches", n_switches, 0)
    check_share("confidence", confidence)
    need_studies("cost")
    bad, high = known_fraction("unsafe", unsafe), known_fraction("nuisance", nuisance)
    erring = Classification() if test is None else test
    actions = actions_of(prices, erring)
    if not n_switches:
        return Decision(
            actions=pl.DataFrame(schema=_COLUMNS), samples=_samples([]), best=None, n_best=None,
            value_of_knowing=None, status="no_switches",
        )  # fmt: skip
    return _decided(_Lot(n_switches, bad, high, actions, erring), confidence)


@dataclass(frozen=True)
class _Lot:
    """A lot, its fractions in parts of equal probability, and what can be done with it."""

    n: int
    bad: Floats
    high: Floats
    actions: tuple[Action, Action, Action]
    test: Classification

    def costs(self, action: Action, m: int) -> tuple[Floats, float]:
        """Cost of an action on `m` switches at each unsafe fraction, and slope in the nuisance.

        The nuisance fraction is at its mean.
        """
        each = action.each + action.unsafe * self.bad + action.nuisance * float(self.high.mean())
        return action.fixed + m * each, m * action.nuisance


@dataclass(frozen=True)
class _Sampled:
    """What a sample of `n` leads to."""

    n: int
    cost: Floats
    slope: Floats
    left: float
    tests: float
    p_change: float
    act_from: int | None


def _decided(lot: _Lot, confidence: float) -> Decision:
    whole = [lot.costs(action, lot.n) for action in lot.actions]
    least = int(_cheapest(np.array([one.mean() for one, _ in whole])))
    now = float(whole[least][0].mean())
    sampled = [_sampled(lot, n, least) for n in _SIZES if n < lot.n]
    off = lot.high - lot.high.mean()
    grids = [one[:, None] + slope * off[None, :] for one, slope in whole]
    cheapest = np.min(grids, axis=0)
    # Where two cost the same each has its part.
    ties = [np.isclose(grid, cheapest, rtol=1e-12, atol=0.0) for grid in grids]
    count = np.sum(ties, axis=0)
    unsafe = lot.n * float(lot.bad.mean())
    rows: list[tuple[Any, ...]] = [
        (action.name, action.tests * lot.n, *_summary(grid, confidence),
         float((tie / count).mean()), action.left * unsafe)
        for action, grid, tie in zip(lot.actions, grids, ties, strict=True)
    ]  # fmt: skip
    best, best_sample = lot.actions[least].name, _best(sampled)
    if best_sample is not None:
        grid = best_sample.cost[:, None] + best_sample.slope[:, None] * off[None, :]
        rows.append(
            ("sample", best_sample.tests, *_summary(grid, confidence), None, best_sample.left)
        )
        if float(best_sample.cost.mean()) < now * (1.0 - _ALIKE):
            best = "sample"
    return Decision(
        actions=pl.DataFrame(
            [(*row, row[0] == best) for row in rows], schema=_COLUMNS, orient="row"
        ),
        samples=_samples([(one, now) for one in sampled]),
        best=best,
        n_best=None if best_sample is None else best_sample.n,
        value_of_knowing=max(now - float(cheapest.mean()), 0.0),
        status="ok",
    )


def _cheapest(costs: Floats) -> NDArray[np.intp]:
    """The first along the first axis that costs no more than the others, but for rounding."""
    found: NDArray[np.intp] = np.argmax(costs <= costs.min(axis=0) * (1.0 + _ALIKE), axis=0)
    return found


def _best(sampled: list[_Sampled]) -> _Sampled | None:
    if not sampled:
        return None
    return sampled[int(_cheapest(np.array([one.cost.mean() for one in sampled])))]


def _sampled(lot: _Lot, n: int, least: int) -> _Sampled:
    """Costs at each unsafe fraction, averaged over what a sample may show."""
    from scipy.stats import binom

    _, tested, _ = lot.actions
    rest = lot.n - n
    # Rows: number condemned as unsafe; columns: the fractions.
    share = lot.test.apparent(lot.bad)
    chance = binom.pmf(np.arange(n + 1)[:, None], n, np.where(share < _NONE, 0.0, share)[None, :])
    after = [lot.costs(action, rest) for action in lot.actions]
    # The stand is at hand already: what testing costs once is not paid again.
    after[1] = (after[1][0] - tested.fixed, after[1][1])
    expected = np.array([chance @ one for one, _ in after])
    taken = _cheapest(expected)
    costs = np.array([one for one, _ in after])[taken]
    own, slope = lot.costs(tested, n)
    left = np.array([action.left for action in lot.actions])[taken]
    stay = (chance * left[:, None]).sum(axis=0)
    tests = np.array([action.tests for action in lot.actions])[taken]
    active = np.flatnonzero(np.array([action.name != "wait" for action in lot.actions])[taken])
    return _Sampled(
        n=n,
        cost=own + (chance * costs).sum(axis=0),
        slope=slope + (chance * np.array([one for _, one in after])[taken][:, None]).sum(axis=0),
        left=float((lot.bad * (n * tested.left + rest * stay)).mean()),
        tests=n + rest * float((chance * tests[:, None]).sum(axis=0).mean()),
        p_change=float(chance[taken != least].sum(axis=0).mean()),
        act_from=int(active[0]) if active.size else None,
    )


def _summary(grid: Floats, confidence: float) -> tuple[float, float, float]:
    risk = 0.5 * (1.0 - confidence)
    low, high = np.quantile(grid, [risk, 1.0 - risk])
    return float(grid.mean()), float(low), float(high)


def _samples(sampled: list[tuple[_Sampled, float]]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            (one.n, float(one.cost.mean()), now - float(one.cost.mean()), one.p_change,
             one.act_from)
            for one, now in sampled
        ],
        schema={
            "n": pl.Int32, "expected_cost": pl.Float64, "saving": pl.Float64,
            "p_change": pl.Float64, "act_from": pl.Int32,
        },
        orient="row",
    )  # fmt: skip
