"""Estimates of a life distribution with the limits that the likelihood ratio gives them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ..methods._results import need_studies
from ._likelihood import FLAT, STEEP, Likelihood, limit, log_survival, standard_quantile

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

Told = tuple[float | None, float | None, float | None]

#: With r failures the likelihood ratio is some 1 + c / r times its limiting chi-square (measured).
_FEW: Final = 0.75
#: Where the search for a limit ends, from the estimate, in logarithms of years or in `z`.
_FAR: Final = 60.0
#: Standard uncertainty of log sigma, or of a level alone, beyond which the data do not tell it.
_UNTOLD: Final = 5.0


@dataclass(frozen=True)
class Limits:
    """A maximum of the likelihood and what lies close enough to it.

    Examples
    --------
    >>> from ._observed import Observed
    >>> seen = Observed(np.zeros(3), np.array([1.0, 2.0, 4.0]), np.array([1.0, 2.0, np.inf]))
    >>> model = Likelihood("weibull", seen, np.ones((3, 1)), fixed=0.0)
    >>> Limits(model, *model.maximum(), 0.95).quantile(0.5)[0]
    2.42...
    """

    model: Likelihood
    theta: Floats
    value: float
    hessian: Floats
    confidence: float
    one_sided: bool = False
    others: tuple[Limits, ...] = ()

    @classmethod
    def without_failures(cls, model: Likelihood, confidence: float) -> Limits:
        """One-sided limits: the shortest lives that survive as they did with `1 - confidence`.

        Examples
        --------
        >>> from ._observed import Observed
        >>> seen = Observed(np.zeros(2), np.array([3.0, 4.0]), np.full(2, np.inf))
        >>> model = Likelihood("weibull", seen, np.ones((2, 1)), fixed=0.0)
        >>> found = Limits.without_failures(model, 0.95)
        >>> found.quantile(1.0 - np.exp(-1.0))  # 7 years lived over -log(0.05)
        (None, 2.336..., None)
        """
        optimize = need_studies("life.fit").optimize
        theta = model.start()
        theta[1:-1] = 0.0

        def log_chance(level: float) -> float:
            return model.at(np.concatenate([[level], theta[1:]]))[0]

        wanted, centre = float(np.log1p(-confidence)), float(theta[0])
        low, high = centre - 1.0, centre + 1.0
        while log_chance(low) > wanted:
            low -= 2.0 * (centre - low)
        while log_chance(high) < wanted:
            high += 2.0 * (high - centre)
        theta[0] = optimize.brentq(lambda level: log_chance(level) - wanted, low, high, xtol=1e-12)
        nothing = np.zeros((theta.size, theta.size))
        return cls(model, theta, 0.0, nothing, confidence, one_sided=True)

    @property
    def top(self) -> bool:
        """Whether the estimate is a maximum: no end of what was searched, and not a plain."""
        fixed = self.model.fixed is not None
        if not (np.isfinite(self.value) and (fixed or STEEP + 1e-6 < self.theta[-1] < FLAT - 1e-6)):
            return False
        free = self.theta.size - fixed
        try:
            np.linalg.cholesky(-self.hessian[:free, :free])
        except np.linalg.LinAlgError:
            return False
        # A far level is told as long as the spread is: a quantile nearby is then known.
        place = 0 if fixed else -1
        return bool(self.covariance[place, place] < _UNTOLD**2)

    @property
    def allowed(self) -> float:
        """Twice the log likelihood that a value inside the interval may cost."""
        chi2: float = need_studies("life.fit").special.chdtri(1.0, 1.0 - self.confidence)
        return chi2 * (1.0 + _FEW / self.model.seen.n_failed)

    @property
    def covariance(self) -> Floats:
        """Of what was estimated, in the order of `theta`; zero for a stated sigma."""
        free = self.theta.size - (self.model.fixed is not None)
        whole = np.zeros_like(self.hessian)
        whole[:free, :free] = np.linalg.inv(-self.hessian[:free, :free])
        return whole

    def beside(self, others: Sequence[Limits]) -> Limits:
        """The same beside other distributions, of which the data may tell none from it.

        A quantile or a share is then possible if it is so under any of them; one whose likelihood
        is too far below the highest is left out.

        Examples
        --------
        >>> from ._observed import Observed
        >>> days = np.array([1.0, 2.0, 4.0, 5.0])
        >>> seen, design = Observed(np.zeros(4), days, days), np.ones((4, 1))
        >>> models = [Likelihood(name, seen, design) for name in ("weibull", "lognormal")]
        >>> one, other = (Limits(model, *model.maximum(), 0.95) for model in models)
        >>> [round(found.quantile(0.1)[1], 2) for found in (one, other, one.beside([other]))]
        [0.08, 0.18, 0.08]
        """
        peak = max(one.value for one in (self, *others))
        near = tuple(one for one in others if 2.0 * (peak - one.value) < one.allowed)
        return replace(self, others=near)

    @property
    def weights(self) -> Floats:
        """How much each distribution counts, its own first: by Akaike's weights.

        `exp(-AIC / 2)`, so that they add up to one (Burnham and Anderson 2002).

        Examples
        --------
        >>> from ._observed import Observed
        >>> days = np.array([1.0, 2.0, 4.0, 5.0])
        >>> model = Likelihood("weibull", Observed(np.zeros(4), days, days), np.ones((4, 1)))
        >>> alone = Limits(model, *model.maximum(), 0.95)
        >>> alone.weights.tolist(), alone.beside([alone]).weights.tolist()
        ([1.0], [0.5, 0.5])
        """
        every = (self, *self.others)
        free = np.array([one.theta.size - (one.model.fixed is not None) for one in every])
        gain = np.array([one.value for one in every]) - free
        likely = np.exp(gain - gain.max())
        made: Floats = likely / likely.sum()
        return made

    def quantile(self, share: float) -> Told:
        """The age at which the share has failed, and its limits."""
        return _hull([self._quantile(share), *(one.quantile(share) for one in self.others)])

    def _quantile(self, share: float) -> Told:
        z = float(standard_quantile(self.model.family, share))
        sigma = float(np.exp(self.theta[-1]))
        found = float(self.theta[0]) + z * sigma
        if self.one_sided:
            return None, float(np.exp(found)), None
        warm = [self.theta]

        def drop(at: float) -> float:
            warm[0], value = self.model.profile(at, z, warm[0])
            return 2.0 * (self.value - value)

        step = self._step(np.array([1.0, z * sigma]))
        low, high = self._ends(drop, found, step, warm, (found - _FAR, found + _FAR))
        return float(np.exp(found)), _exp(low), _exp(high)

    def share(self, years: float) -> Told:
        """The share failed at an age, and its limits."""
        return _hull([self._share(years), *(one.share(years) for one in self.others)])

    def _share(self, years: float) -> Told:
        at, sigma = float(np.log(years)), float(np.exp(self.theta[-1]))
        found = (at - float(self.theta[0])) / sigma

        def failed(z: float | None) -> float | None:
            if z is None:
                return None
            return float(-np.expm1(log_survival(self.model.family, np.array(z))))

        if self.one_sided:
            return None, 0.0, failed(found)
        warm = [self.theta]

        def drop(z: float) -> float:
            warm[0], value = self.model.profile(at, z, warm[0])
            return 2.0 * (self.value - value)

        step = self._step(np.array([-1.0 / sigma, -found]))
        # Far ages and early ones have an end on the side of the median, be it ever so far.
        span = (min(found, 0.0) - _FAR, max(found, 0.0) + _FAR)
        low, high = self._ends(drop, found, step, warm, span)
        # Without an end the share can be anything on that side.
        return failed(found), failed(low) or 0.0, 1.0 if high is None else failed(high)

    def parameter(self, index: int) -> tuple[float, float, float | None, float | None]:
        """A place of `theta`: value, standard uncertainty and limits."""
        found, u = float(self.theta[index]), float(np.sqrt(self.covariance[index, index]))
        warm = [self.theta]

        def drop(value: float) -> float:
            warm[0], best = self.model.profile_parameter(index, value, warm[0])
            return 2.0 * (self.value - best)

        last = index == self.theta.size - 1
        span = (STEEP, FLAT) if last else (found - _FAR, found + _FAR)
        return found, u, *self._ends(drop, found, u, warm, span)

    def parameters(self, distribution: str, names: list[str]) -> list[tuple[Any, ...]]:
        """Rows of the table of parameters."""
        spread, level = {
            "weibull": ("shape", "scale_years"),
            "lognormal": ("log_sd", "median_years"),
            "exponential": (None, "mean_years"),
        }[distribution]
        rows: list[tuple[Any, ...]] = []
        fixed = self.model.fixed is not None
        if spread is not None:
            sign = -1.0 if spread == "shape" else 1.0
            stated = float(np.exp(sign * self.theta[-1]))
            if fixed:
                rows.append((spread, stated, 0.0, stated, stated))
            else:
                _, u, below, above = self.parameter(self.theta.size - 1)
                low, high = _exp(below), _exp(above)
                if sign < 0.0:
                    low, high = _inverse(above), _inverse(below)
                rows.append((spread, stated, stated * u, low, high))
        if self.one_sided:
            rows.append((level, None, None, float(np.exp(self.theta[0])), None))
            return rows
        found, u, low, high = self.parameter(0)
        rows.append((level, float(np.exp(found)), float(np.exp(found)) * u, _exp(low), _exp(high)))
        rows += [(name, *self.parameter(j)) for j, name in enumerate(names, start=1)]
        return rows

    def _step(self, weights: Floats) -> float:
        """The standard uncertainty of a sum of level and log sigma."""
        places = [0, self.theta.size - 1]
        part = self.covariance[np.ix_(places, places)]
        return float(np.sqrt(max(float(weights @ part @ weights), 1e-12)))

    def _ends(
        self, drop: Any, found: float, step: float, warm: list[Floats], span: tuple[float, float]
    ) -> tuple[float | None, float | None]:
        ends = []
        for end in span:
            warm[0] = self.theta
            ends.append(limit(drop, found, step, self.allowed, end=end))
        return ends[0], ends[1]


def _hull(told: Sequence[Told]) -> Told:
    """The estimate of the first with the widest limits of all; None is no limit."""
    low, high = ([one[i] for one in told] for i in (1, 2))
    least = None if None in low else min(one for one in low if one is not None)
    most = None if None in high else max(one for one in high if one is not None)
    return told[0][0], least, most


def _exp(value: float | None) -> float | None:
    return None if value is None else float(np.exp(value))


def _inverse(value: float | None) -> float | None:
    return None if value is None else float(np.exp(-value))
