"""Mean squares of nested or crossed groups, and what they are on average."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ._results import need_studies

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Codes = NDArray[np.intp]

_RANK = 1e-9  # columns shorter than this, of unit length before, add nothing


@dataclass(frozen=True)
class Strata:
    """The analysis of variance of a plan: one stratum for each group, the residual last.

    The sum of squares of a group is adjusted for all groups that do not contain it (Henderson's
    method 3; of balanced data the usual one).

    Attributes
    ----------
    dof
        degrees of freedom of each stratum; 0 where the groups before leave it nothing.
    share
        a row a stratum: its mean square on average is this row times the components.

    Examples
    --------
    >>> plan = Strata.of([np.array([0, 0, 1, 1, 2, 2])])
    >>> plan.dof.tolist(), plan.share.round(6).tolist()
    ([2.0, 3.0], [[2.0, 1.0], [0.0, 1.0]])
    """

    dof: Floats
    share: Floats
    _bases: tuple[Floats, ...]
    _images: tuple[tuple[Floats, ...], ...]
    _whole: Floats
    _cell: Codes  # of each result: those of one cell have all levels in common

    @classmethod
    def of(cls, codes: Sequence[Codes]) -> Strata:
        """The strata of results whose levels in each group are `codes`."""
        need_studies("mean squares")
        # Results of one cell are one row, its length the root of their number: products of columns
        # are those of all results.
        rows, cell, number = np.unique(
            np.stack(codes, axis=1), axis=0, return_inverse=True, return_counts=True
        )
        one = np.sqrt(number)[:, None]
        tables = [one * np.eye(int(code.max()) + 1)[code] for code in rows.T]
        bases: list[Floats] = []
        for k, mine in enumerate(tables):
            others = [
                table
                for m, table in enumerate(tables)
                if m != k and not _contains(codes[m], codes[k])
            ]
            bases.append(_basis(mine, _basis(np.hstack([one, *others]))))
        whole = _basis(np.hstack([one, *tables]))
        images = tuple(tuple(basis.T @ table for table in tables) for basis in bases)
        left = codes[0].size - whole.shape[1]
        dof = np.array([*(basis.shape[1] for basis in bases), left], float)
        share = np.zeros((len(codes) + 1, len(codes) + 1))
        share[:, -1] = 1.0
        for k, row in enumerate(images):
            share[k, :-1] = [float((image**2).sum()) / max(dof[k], 1.0) for image in row]
        return cls(dof, share, tuple(bases), images, whole, cell.ravel().astype(np.intp))

    def mean_squares(self, values: Floats) -> Floats:
        """The mean square of each stratum; NaN where it has no degree of freedom."""
        centred = values - values.mean()
        number = np.bincount(self._cell)
        means = np.bincount(self._cell, centred) / number
        y = means * np.sqrt(number)
        left, within = y - self._whole @ (self._whole.T @ y), centred - means[self._cell]
        sums = [float(((basis.T @ y) ** 2).sum()) for basis in self._bases]
        told = np.array([*sums, float(left @ left + within @ within)])
        none = np.full(told.size, np.nan)
        return np.asarray(np.divide(told, self.dof, out=none, where=self.dof > 0))

    def effective_dof(self, variance: Floats) -> Floats:
        """Degrees of freedom of the chi-square that has the first two moments of each stratum."""
        found: Floats = np.array(self.dof)
        for k, row in enumerate(self._images):
            if self.dof[k] <= 1:
                continue
            spread = variance[-1] * np.eye(int(self.dof[k]))
            for part, image in zip(variance[:-1], row, strict=True):
                spread += part * image @ image.T
            size = float((spread**2).sum())
            if size > 0.0:
                found[k] = float(np.trace(spread)) ** 2 / size
        return found


def _contains(fine: Codes, coarse: Codes) -> bool:
    """Whether the level in `fine` tells that in `coarse`, and not the other way round."""
    pairs = np.unique(np.stack([fine, coarse]), axis=1).shape[1]
    return bool(pairs == np.unique(fine).size > np.unique(coarse).size)


def _basis(columns: Floats, beside: Floats | None = None) -> Floats:
    """An orthonormal basis of what `columns` span beyond `beside`."""
    from scipy.linalg import qr

    left = columns / np.linalg.norm(columns, axis=0)
    if beside is not None:
        for _ in range(2):  # once more, against what rounding left
            left = left - beside @ (beside.T @ left)
    turned, triangle, _ = qr(left, mode="economic", pivoting=True)
    rank = int((np.abs(np.diag(triangle)) > _RANK).sum())
    return np.asarray(turned[:, :rank])
