"""Rows of a matrix that are one run of ones each, which sums need not go through one by one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Places = NDArray[np.intp]


@dataclass(frozen=True)
class Ranges:
    """Each row is one from `begin` on and before `end`, and 0 elsewhere.

    Examples
    --------
    >>> rows = Ranges(np.array([0, 1]), np.array([2, 3]), 3)
    >>> rows.sums(np.array([1.0, 2.0, 4.0])).tolist()
    [3.0, 6.0]
    >>> rows.spread(np.array([1.0, 10.0])).tolist()
    [1.0, 11.0, 10.0]
    >>> rows.gram(np.array([1.0, 10.0]), np.array([0, 1])).tolist()
    [[1.0, 1.0], [1.0, 11.0]]
    """

    begin: Places
    end: Places
    width: int

    @classmethod
    def of(cls, flags: Flags) -> Ranges:
        """From the matrix, each row of which has a run.

        Examples
        --------
        >>> Ranges.of(np.array([[False, True, True]])).begin.tolist()
        [1]
        """
        width = flags.shape[1]
        return cls(flags.argmax(axis=1), width - flags[:, ::-1].argmax(axis=1), width)

    def flags(self) -> Flags:
        """The matrix itself."""
        column = np.arange(self.width)
        made: Flags = (self.begin[:, None] <= column) & (column < self.end[:, None])
        return made

    @property
    def full(self) -> bool:
        """Whether there are no zeros."""
        return bool((self.begin == 0).all() and (self.end == self.width).all())

    def sums(self, values: Floats) -> Floats:
        """The matrix times a column."""
        upto = np.concatenate([[0.0], np.cumsum(values)])
        made: Floats = upto[self.end] - upto[self.begin]
        return made

    def spread(self, values: Floats) -> Floats:
        """A row times the matrix."""
        n = self.width + 1
        steps = np.bincount(self.begin, values, n) - np.bincount(self.end, values, n)
        made: Floats = np.cumsum(steps)[:-1]
        return made

    def gram(self, values: Floats, columns: Places) -> Floats:
        """Of these columns, the products of each two, rows weighted by `values`."""
        k = columns.size
        first, last = np.searchsorted(columns, self.begin), np.searchsorted(columns, self.end) - 1
        some = first <= last
        place = first[some] * k + last[some]
        held = np.bincount(place, values[some], k * k).reshape(k, k)
        # Rows that begin no later than the one and end no earlier than the other.
        upper = np.cumsum(np.cumsum(held, axis=0)[:, ::-1], axis=1)[:, ::-1]
        made: Floats = np.triu(upper) + np.triu(upper, 1).T
        return made
