"""What is known of a fraction, as parts of equal probability."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from .._errors import DeadbandError, OptionError, check_count, check_number, check_share
from ..methods._results import need_studies

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Parts into which a distribution is cut.
PARTS: Final = 400
#: A share that no lot tells from none.
_LEAST: Final = 1e-9
#: Logarithms of the number of tests that a beta distribution is worth, from two points to one.
_SIZES: Final = (-3.0, 32.0)
_RARE: Final = (-40.0, 60.0)
#: An interval narrower than that is a point.
_NARROW: Final = 1e-6


def fraction_of_counts(nonconforming: int, n: int) -> Floats:
    """What `nonconforming` of `n` tested switches say of a lot: a beta distribution in 400 parts.

    Jeffreys' prior: `Beta(x + 1/2, n - x + 1/2)`, whose intervals hold near their level for any
    fraction (Brown, Cai & DasGupta 2001).

    Raises
    ------
    OptionError
        a number is no count, or more do not conform than were tested.

    Examples
    --------
    >>> known = fraction_of_counts(2, 20)
    >>> round(float(known.mean()), 3), known.size
    (0.119, 400)
    """
    check_count("n", n, 0)
    if check_count("nonconforming", nonconforming, 0) > n:
        raise OptionError("nonconforming", nonconforming, [f"a whole number up to n = {n}"])
    return _parts(nonconforming + 0.5, n - nonconforming + 0.5)


def fraction_of_interval(low: float, high: float, *, confidence: float = 0.95) -> Floats:
    """The beta distribution that has an interval's limits for its quantiles, in 400 parts.

    A lower limit of zero is taken for 1e-9, an upper one of one for as much below: no beta
    distribution has them. The mean is above the estimate where the interval is skewed: what
    the tests leave possible counts.

    Raises
    ------
    OptionError
        `confidence` is no share, a limit no number.
    DeadbandError
        the limits are not in order or no shares.

    Examples
    --------
    >>> known = fraction_of_interval(0.03, 0.25)
    >>> [round(float(q), 2) for q in np.quantile(known, [0.025, 0.975])]
    [0.03, 0.25]
    """
    check_share("confidence", confidence)
    low, high = check_number("low", low), check_number("high", high)
    if not 0.0 <= low <= high <= 1.0:
        raise DeadbandError(
            "bad_value", f"{low:g} and {high:g} are no limits of a fraction",
            location="low, high", advice="give shares from 0 to 1, in order",
        )  # fmt: skip
    low, high = max(low, _LEAST), min(high, 1.0 - _LEAST)
    if high - low < _NARROW:
        return np.full(PARTS, 0.5 * (low + high))
    return _parts(*_shape(low, high, 0.5 * (1.0 - confidence)))


def fraction_of_mean(mean: float, low: float, high: float, *, confidence: float = 0.95) -> Floats:
    """What an expected fraction and its interval say, in 400 parts.

    The beta distribution of this mean, by which costs are, and of the limit farther from the nearer
    end; `fraction_of_interval` where there is none. A fraction that is minute, but for little
    probability, has its mean above its own upper limit, and costs are by the mean: then the beta
    distribution of that mean and the limit next to it. Where the mean is half of the probability
    beyond the limit, or more, there is no such beta distribution, or it is all but zeros and ones:
    then the parts within are those of the interval, and those beyond have the rest.

    Raises
    ------
    OptionError, DeadbandError
        as of `fraction_of_interval`; and no fraction has this mean and this interval.

    Examples
    --------
    >>> rare = fraction_of_mean(3.1e-5, 0.0, 6.1e-7)
    >>> f"{rare.mean():.2g} {rare[388]:.1g} {rare[-1]:.1g}"
    '3.1e-05 2e-07 0.009'
    """
    inside = fraction_of_interval(low, high, confidence=confidence)
    if low <= mean <= high and mean <= 0.5:
        return _with_limit(mean, high, 0.5 * (1.0 - confidence), inside)
    if mean < low or mean <= high:
        mirrored = fraction_of_mean(1.0 - mean, 1.0 - high, 1.0 - low, confidence=confidence)
        return np.sort(1.0 - mirrored)
    risk, limit = 0.5 * (1.0 - confidence), max(high, _LEAST)
    if mean <= limit:
        return inside
    few = mean < 0.5 * risk
    return _of_mean(mean, limit, risk) if few else _raised(inside, mean, limit, risk)


def _with_limit(mean: float, high: float, risk: float, inside: Floats) -> Floats:
    """The beta distribution of a mean and an upper limit above it."""
    from scipy.optimize import brentq

    off = _off(mean, high, risk)
    # The narrowest: a small mean has one of almost nothing but zeros besides.
    sizes = np.arange(*_SIZES, 0.25)[::-1]
    wide = next((size for size in sizes if off(size) < 0.0), None)
    if wide is None or not 0.0 < mean < high or off(_SIZES[1]) < 0.0:
        return inside
    size = math.exp(float(brentq(off, wide, wide + 0.25 if wide < sizes[0] else _SIZES[1])))
    return _parts(mean * size, (1.0 - mean) * size)


def _of_mean(mean: float, limit: float, risk: float) -> Floats:
    """The beta distribution of a mean above its own upper limit."""
    from scipy.optimize import brentq

    # From two points, zero and one, to one point, the mean.
    size = math.exp(float(brentq(_off(mean, limit, risk), *_RARE, xtol=1e-10)))
    return _parts(mean * size, (1.0 - mean) * size)


def _off(mean: float, limit: float, risk: float) -> Callable[[float], float]:
    """How far, by the logarithm of its size, a beta distribution is from having the limit."""
    special = need_studies("the uncertainty of a fraction").special

    def off(size: float) -> float:
        whole = math.exp(size)
        return float(special.betainc(mean * whole, (1.0 - mean) * whole, limit)) - (1.0 - risk)

    return off


def _raised(inside: Floats, mean: float, limit: float, risk: float) -> Floats:
    beyond = max(round(risk * PARTS), 1)
    parts = np.minimum(inside, limit)
    rest = 1.0 - parts[-beyond:]
    share = (mean - float(parts.mean())) * PARTS / float(rest.sum())
    if not share <= 1.0:
        raise DeadbandError(
            "bad_value", f"no fraction of mean {mean:g} has an interval up to {limit:g}",
            location="mean, low, high", advice="give the mean and the interval of one fraction",
        )  # fmt: skip
    parts[-beyond:] += share * rest
    return parts


def with_stuck(fraction: Floats | None, n_stuck: int, n_tested: int) -> Floats:
    """The unsafe fraction of a lot of which switches stay closed: `s + (1 - s) * fraction`.

    `s ~ Beta(n_stuck + 1/2, n_tested + 1/2)`, the share of stuck ones, and the fraction of those
    that are not are taken for independent, all pairs of their parts formed. Without a fraction
    (None) counts alone tell where nothing else was tested, and those tested may be anything, a
    fraction of `Beta(1/2, 1/2)`, where something was.

    Examples
    --------
    >>> whole = with_stuck(np.array([0.01]), 9, 1)
    >>> round(float(whole.mean()), 3)
    0.865
    """
    stuck = fraction_of_counts(n_stuck, n_stuck + n_tested)
    if fraction is None and not n_tested:
        return stuck
    rest = fraction_of_counts(0, 0) if fraction is None else fraction
    return known_fraction("unsafe", (stuck[:, None] + np.outer(1.0 - stuck, rest)).clip(0.0, 1.0))


def known_fraction(option: str, fraction: Any) -> Floats:
    """Equally probable values of a fraction that an option was given, or `OptionError`.

    Examples
    --------
    >>> known_fraction("unsafe", 0.1).tolist()
    [0.1]
    """
    allowed = ["a share from 0 to 1", "equally probable shares", "fraction_of_counts(x, n)"]
    if isinstance(fraction, str) or not isinstance(fraction, (int, float, Iterable)):
        raise OptionError(option, fraction, allowed)
    try:
        told = np.atleast_1d(np.asarray(fraction, dtype=np.float64)).ravel()
    except (TypeError, ValueError):
        raise OptionError(option, fraction, allowed) from None
    if not told.size or not ((told >= 0.0) & (told <= 1.0)).all():
        raise OptionError(option, fraction, allowed)
    if told.size <= PARTS:
        return np.sort(told)
    # As many as the parts of a beta distribution do, the mean kept.
    found: Floats = np.array([part.mean() for part in np.array_split(np.sort(told), PARTS)])
    return found


def _parts(a: float, b: float) -> Floats:
    """Means of the parts of equal probability of a beta distribution, so that its mean is kept."""
    special = need_studies("the uncertainty of a fraction").special
    edges = special.betaincinv(a, b, np.linspace(0.0, 1.0, PARTS + 1))
    moment = special.betainc(a + 1.0, b, edges)
    found: Floats = np.diff(moment) * (a / (a + b)) * PARTS
    return np.clip(found, edges[:-1], edges[1:])


def _shape(low: float, high: float, risk: float) -> tuple[float, float]:
    need_studies("the uncertainty of a fraction")
    from scipy.optimize import brentq
    from scipy.special import betainc

    def mean_at(size: float) -> float:
        """Mean at which the lower limit is the quantile that it has to be."""
        whole = math.exp(size)

        def off(score: float) -> float:
            mean = 1.0 / (1.0 + math.exp(-score))
            return risk - float(betainc(mean * whole, (1.0 - mean) * whole, low))

        return 1.0 / (1.0 + math.exp(-float(brentq(off, -35.0, 35.0, xtol=1e-12))))

    def above(size: float) -> float:
        mean, whole = mean_at(size), math.exp(size)
        return float(betainc(mean * whole, (1.0 - mean) * whole, high)) - (1.0 - risk)

    size = float(brentq(above, *_SIZES, xtol=1e-10))
    mean = mean_at(size)
    return mean * math.exp(size), (1.0 - mean) * math.exp(size)
