"""How the estimates of one cell of the study compare with the truth."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

import deadband as db

Floats = npt.NDArray[np.float64]
Cell = Mapping[str, float | str]

LEVELS = (0.68, 0.95, 0.99)
#: Coverage of 95 % intervals outside of which a cell needs a sentence that says why.
BAND = (0.92, 0.99)


class Found(NamedTuple):
    """Estimates of one quantity over the recordings of a cell, shape (n,) each."""

    value: Floats
    u: Floats
    dof: Floats
    truth: Floats


@dataclass(frozen=True)
class Row:
    """One cell of the study.

    Attributes
    ----------
    family
        what was simulated.
    cell
        the factors that make the cell, in the order of the table's columns.
    n, lost
        estimates scored, and recordings or gauges that gave none.
    truth
        mean of the true values.
    bias, rmse, median_u
        of the estimates, in their unit; `bias` a quantity (open, close).
    coverage
        share of the intervals of `LEVELS` that hold the truth.
    ratios
        RMSE over another RMSE or bound, by name.
    """

    family: str
    cell: Cell
    n: int
    lost: int
    truth: float
    bias: Mapping[str, float]
    rmse: float
    median_u: float
    coverage: tuple[float, ...]
    ratios: Mapping[str, float] = field(default_factory=dict)

    @property
    def sharpness(self) -> float:
        """Median standard uncertainty over RMSE: 1 is ideal, more is caution."""
        return self.median_u / self.rmse

    @property
    def worst_bias(self) -> float:
        """The largest of the biases."""
        return max(self.bias.values(), key=abs)

    @property
    def interval(self) -> tuple[float, float]:
        """What a count of this size leaves open of the 95 % coverage."""
        return counted(self.coverage[1], self.n)

    @property
    def is_inside(self) -> bool:
        """Whether the counted coverage of 95 % intervals lies in `BAND`."""
        return BAND[0] <= self.coverage[1] <= BAND[1]

    @property
    def label(self) -> str:
        """The cell in words."""
        named = ((*name.partition(", "), value) for name, value in self.cell.items())
        return ", ".join(f"{name} {shown(value)} {unit}".strip() for name, _, unit, value in named)


def shown(value: float | str) -> str:
    """A factor as the tables print it."""
    return value if isinstance(value, str) else f"{value:.3g}"


def counted(share: float, n: int, z: float = 1.959964) -> tuple[float, float]:
    """Interval of 95 % for a share counted in n trials (Wilson 1927, J. Am. Stat. Assoc. 22)."""
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z * np.sqrt(share * (1 - share) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    return float(middle - half), float(middle + half)


def score(
    family: str,
    cell: Cell,
    found: Mapping[str, Found],
    *,
    lost: int = 0,
    others: Mapping[str, float] | None = None,
) -> Row:
    """Compare the estimates of a cell with the truth.

    Parameters
    ----------
    family, cell
        as in `Row`.
    found
        the estimates by quantity; bias is told a quantity, the rest over all of them.
    lost
        as in `Row`.
    others
        RMSE that others have, or could have, on the same recordings, by name.
    """
    errors = {name: one.value - one.truth for name, one in found.items()}
    error = np.concatenate(list(errors.values()))
    u = np.concatenate([one.u for one in found.values()])
    dof = np.concatenate([one.dof for one in found.values()])
    rmse = float(np.sqrt(np.mean(error**2)))
    estimates = [db.Estimate(0.0, *row) for row in zip(u, dof, strict=True)]
    held = [
        np.mean([abs(e) <= one.expanded(p) for e, one in zip(error, estimates, strict=True)])
        for p in LEVELS
    ]
    return Row(
        family=family,
        cell=cell,
        n=error.size,
        lost=lost,
        truth=float(np.mean(np.concatenate([one.truth for one in found.values()]))),
        bias={name: float(np.mean(one)) for name, one in errors.items()},
        rmse=rmse,
        median_u=float(np.median(u)),
        coverage=tuple(float(share) for share in held),
        ratios={name: rmse / other for name, other in (others or {}).items()},
    )


def of(rows: Iterable[Row], *families: str) -> list[Row]:
    """The rows of some families."""
    return [row for row in rows if row.family in families]


def by_family(rows: Sequence[Row]) -> dict[str, list[Row]]:
    """The rows by family, in their order."""
    return {family: of(rows, family) for family in dict.fromkeys(row.family for row in rows)}
