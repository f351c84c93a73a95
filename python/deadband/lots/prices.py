"""What it costs to act on a lot, and not to."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .._errors import OptionError, check_number
from .classification import Classification, check_test


@dataclass(frozen=True, kw_only=True)
class Prices:
    """Prices of one switch, and of one lot, in any one currency.

    Attributes
    ----------
    recall
        a switch replaced without a test.
    test
        a switch in service tested where it is.
    replacement
        a switch replaced when its test condemned it; None: `recall`.
    harm_unsafe
        what an unsafe switch that stays in service is expected to cost, damage and liability. No
        sum makes it right to leave one in service that is known.
    nuisance
        what a switch on the nuisance side that stays in service is expected to cost, as visits
        for appliances that lock out.
    recall_fixed, test_fixed
        of a lot, once, if anything of it is recalled or tested.

    Raises
    ------
    OptionError
        a price is below zero or not finite.

    Examples
    --------
    >>> Prices(recall=90.0, test=60.0, harm_unsafe=4000.0).nuisance
    0.0
    """

    recall: float
    test: float
    harm_unsafe: float
    replacement: float | None = None
    nuisance: float = 0.0
    recall_fixed: float = 0.0
    test_fixed: float = 0.0

    def __post_init__(self) -> None:
        for option in (
            "recall", "test", "harm_unsafe", "replacement", "nuisance", "recall_fixed",
            "test_fixed",
        ):  # fmt: skip
            value = getattr(self, option)
            if value is None and option == "replacement":
                continue
            if not 0.0 <= check_number(option, value) < math.inf:
                raise OptionError(option, value, ["a finite price, 0 or above"])


@dataclass(frozen=True, kw_only=True)
class Action:
    """What an action costs: `fixed + m * (each + unsafe * p_unsafe + nuisance * p_nuisance)`.

    Attributes
    ----------
    name
        `recall`, `test_all` or `wait`.
    fixed, each, unsafe, nuisance
        of `m` switches, as above.
    left
        share of the unsafe switches that stays in service.
    tests
        tests a switch.

    Examples
    --------
    >>> actions_of(Prices(recall=90.0, test=60.0, harm_unsafe=4000.0), Classification())[2].name
    'wait'
    """

    name: str
    fixed: float
    each: float
    unsafe: float
    nuisance: float
    left: float
    tests: float


def actions_of(prices: Prices, test: Classification) -> tuple[Action, Action, Action]:
    """Recall, test all and wait.

    Raises
    ------
    OptionError
        `prices` are no `Prices`, or `test` is no `Classification`.

    Examples
    --------
    >>> recall, all_tested, _ = actions_of(
    ...     Prices(recall=90.0, test=60.0, harm_unsafe=4000.0), Classification(p_passed_of_bad=0.1)
    ... )
    >>> recall.each, all_tested.unsafe
    (90.0, 481.0)
    """
    if not isinstance(prices, Prices):
        raise OptionError("prices", prices, ["Prices(recall=..., test=..., harm_unsafe=...)"])
    check_test(test, Classification)
    new = prices.recall if prices.replacement is None else prices.replacement
    missed, condemned = test.p_passed_of_bad, test.p_condemned_of_good
    found = new * (1.0 - missed - condemned)
    return (
        Action(name="recall", fixed=prices.recall_fixed, each=prices.recall, unsafe=0.0,
               nuisance=0.0, left=0.0, tests=0.0),
        Action(name="test_all", fixed=prices.test_fixed, each=prices.test + new * condemned,
               unsafe=found + prices.harm_unsafe * missed,
               nuisance=found + prices.nuisance * missed, left=missed, tests=1.0),
        Action(name="wait", fixed=0.0, each=0.0, unsafe=prices.harm_unsafe,
               nuisance=prices.nuisance, left=1.0, tests=0.0),
    )  # fmt: skip
