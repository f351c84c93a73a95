"""Random numbers that stay the same on every platform and with every release of a library."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from statistics import NormalDist
from typing import TypeVar

_T = TypeVar("_T")
_UNIT = NormalDist()


class Draw:
    """Draws that depend on a seed and on what they are for, and on nothing drawn elsewhere.

    Values are rounded to four decimals, so that the last bit of a logarithm cannot matter.

    Examples
    --------
    >>> Draw(1, "a").uniform(0.0, 1.0) == Draw(1, "a").uniform(0.0, 1.0)
    True
    >>> Draw(1, "a").uniform(0.0, 1.0) == Draw(1, "b").uniform(0.0, 1.0)
    False
    """

    def __init__(self, seed: int, purpose: str) -> None:
        self._random = random.Random(f"{seed}/{purpose}")  # noqa: S311 - no secret

    def uniform(self, low: float, high: float) -> float:
        """A number between `low` and `high`."""
        return round(low + (high - low) * self._random.random(), 4)

    def normal(self, mean: float, sd: float) -> float:
        """A normal number."""
        share = min(max(self._random.random(), 1e-9), 1.0 - 1e-9)
        return round(mean + sd * _UNIT.inv_cdf(share), 4)

    def choice(self, among: Sequence[_T]) -> _T:
        """One of several."""
        return among[int(self._random.random() * len(among))]

    def day(self, first: date, days: int) -> date:
        """A day, up to `days` after the first."""
        return first + timedelta(days=int(self._random.random() * days))

    def working_time(self, day: date) -> datetime:
        """A minute between 8 and 16 o'clock."""
        return datetime.combine(day, time(8)) + timedelta(minutes=int(self._random.random() * 480))
