"""Estimates of variance components together with what their intervals need."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from ._limits import modified_large_sample
from ._mean_squares import Strata
from ._variance import reml

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Codes = NDArray[np.intp]

Estimator = Literal["reml", "anova"]

ESTIMATORS: Final = ("reml", "anova")
_DRAWS: Final = 40_000
_ROUNDING: Final = 1e-9  # of the residual: limits below are zero
_SAME: Final = 1e-12  # results that differ by less, as a share, do not differ


@dataclass(frozen=True)
class Components:
    """Variance components of groups and residual, none below zero.

    Attributes
    ----------
    variance
        of each group, the residual last.
    strata, mean_squares, dof
        the analysis of variance, with the degrees of freedom that unequal numbers leave.

    Examples
    --------
    >>> codes = [np.array([0, 0, 1, 1, 2, 2])]
    >>> found = Components.of(np.array([1.0, 1.2, 2.0, 2.2, 3.1, 2.9]), codes, "anova")
    >>> [round(one, 3) for one in found.sum_of([1.0, 1.0], 0.95)]
    [0.913, 0.255, 35.69]
    """

    variance: Floats
    strata: Strata
    mean_squares: Floats
    dof: Floats
    _weights: Floats  # components from mean squares

    @classmethod
    def of(
        cls,
        values: Floats,
        codes: Sequence[Codes],
        estimator: Estimator,
        plan: Strata | None = None,
    ) -> Components:
        """The components; every stratum has to have a degree of freedom, and values to differ."""
        plan = plan or Strata.of(codes)
        squares = plan.mean_squares(values)
        weights: Floats = np.linalg.inv(plan.share).astype(np.float64)
        by_moments = np.clip(weights @ squares, 0.0, None)
        variance = by_moments
        if estimator == "reml":
            variance = reml(values, codes, by_moments).variance
        return cls(variance, plan, squares, plan.effective_dof(by_moments), weights)

    def sum_of(
        self, parts: Sequence[float], confidence: float
    ) -> tuple[float, float | None, float | None]:
        """A sum of components with its interval, which holds the estimate and nothing below zero.

        No upper limit where the mean squares would put it below zero.
        """
        told = float(np.asarray(parts) @ self.variance)
        low, high = modified_large_sample(
            np.asarray(parts) @ self._weights, self.mean_squares, self.dof, confidence
        )
        least = _ROUNDING * self.mean_squares[-1]
        return told, min(max(low, 0.0), told), max(high, told) if high > least else None

    def draws(self) -> Floats:
        """Seeded draws of the components' generalized pivots (Weerahandi 1993), a row a draw.

        Each expected mean square is drawn as the mean square found times its degrees of freedom
        over chi-square.
        """
        rng = np.random.default_rng(20)
        chi2 = rng.chisquare(self.dof, size=(_DRAWS, self.dof.size))
        return np.asarray((self.dof * self.mean_squares / chi2) @ self._weights.T)

    def table(self) -> list[dict[str, Any]]:
        """The analysis of variance, a dict a stratum.

        `F` is the mean square over what it would be on average without its own component, put
        together from the other mean squares, with Satterthwaite's degrees of freedom.
        """
        from scipy.special import fdtrc

        rows: list[dict[str, Any]] = []
        for k, (dof, square) in enumerate(zip(self.strata.dof, self.mean_squares, strict=True)):
            row = {
                "dof": float(dof), "sum_of_squares_pa2": dof * square, "mean_square_pa2": square,
            }  # fmt: skip
            rows.append(row)
            if k == self.dof.size - 1:
                continue
            without = self.strata.share[k].copy()
            without[k] = 0.0
            parts = (without @ self._weights) * self.mean_squares
            against = float(parts.sum())
            if against > 0.0:
                nu = against**2 / float((parts**2 / self.dof).sum())
                row |= {"f": square / against, "p_value": float(fdtrc(dof, nu, square / against))}
        return rows


def differ(values: Floats, squares: Floats) -> bool:
    """Whether the residual mean square, the last one, is more than rounding.

    Examples
    --------
    >>> differ(np.array([60.0, 60.0]), np.array([0.0]))
    False
    """
    return bool(squares[-1] > (_SAME * np.abs(values).max()) ** 2)
