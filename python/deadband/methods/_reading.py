"""What the smoother leaves of a display's noise at an event, by theory."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from math import erf, pi, sqrt
from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]
Response = Callable[[Floats], Complexes]

#: Images of a frequency that sampling folds onto it; the next hold less than 1e-4 of a variance.
_IMAGES: Final = np.arange(-4, 5)[:, None]
_SEED: Final = 20240501


@dataclass(frozen=True, kw_only=True)
class Hand:
    """How a ramp is moved: the rate is an Ornstein-Uhlenbeck process about its mean.

    Attributes
    ----------
    rate_pa_s
        mean rate, Pa/s.
    unsteadiness
        relative standard deviation of the rate.
    correlation_s
        its correlation time, s.
    stroke_s
        time that a stroke takes, s.
    """

    rate_pa_s: float
    unsteadiness: float
    correlation_s: float
    stroke_s: float

    def spectrum(self, w: Floats) -> Floats:
        """Power spectral density of the pressure at angular frequency `w`, Pa²s, two-sided."""
        sd = self.unsteadiness * self.rate_pa_s
        return 2.0 * sd**2 / self.correlation_s / (w**2 + self.correlation_s**-2) / w**2


def reading_variance(
    hand: Hand, sample_s: float, noise: float, splits: list[tuple[float, float]]
) -> float:
    """Variance of the pressure that the smoother gives at one event of a ramp, Pa².

    The smoother takes the gauge's signal for an integrated random walk of the rate with parameter
    `q` under white noise of variance `noise` every `sample_s`. In its steady state it is the filter
    `H = q / (q + R w^4)`, `R = noise * sample_s`. Where the signal's rate really is a
    random walk, the variance is, with `w0 = (q / R)^(1/4)` and a gauge of time constant `tau`,

        u² = R w0 / (2 sqrt(2)) * (1 + tau² w0²)

    (the integral of `q R / (q + R w^4)` over all frequencies, and of its rate; Wahba 1978 has the
    filter). A hand's rate is none: it wavers about a mean. So `q` is where the likelihood of the
    readings is greatest on average (Whittle's, the noise profiled out, as the package searches it)
    and the variance is that of this filter on the pressure as it is: what it takes off the pressure
    and what it lets through of the noise, images by sampling included. Below the stroke's own
    frequency the path is a straight line, whatever `q`.

    Parameters
    ----------
    hand
        how the pressure moves.
    sample_s
        interval of the readings, s.
    noise
        variance of a reading, the display's rounding included, Pa²; white.
    splits
        dead time and time constant of the gauge, s; several: each as likely, the analysis knows
        their sum alone.

    Examples
    --------
    The random walk's law holds for a fast hand that is corrected every few milliseconds:

    >>> hand = Hand(rate_pa_s=10.0, unsteadiness=1.0, correlation_s=200.0, stroke_s=2000.0)
    >>> q, R = 2 * 10.0**2 / 200.0, 0.01 * 0.05
    >>> w0 = (q / R) ** 0.25
    >>> found = reading_variance(hand, 0.05, 0.01, [(0.0, 0.0)])
    >>> bool(abs(found / (R * w0 / 8**0.5) - 1) < 0.05)
    True
    """
    mean_only = len(splits) > 1
    variances = [_variance(hand, sample_s, noise, split, mean_only=mean_only) for split in splits]
    return float(np.mean(variances))


def _variance(
    hand: Hand, step_s: float, noise: float, split: tuple[float, float], *, mean_only: bool
) -> float:
    dead, constant = split
    lag = dead + constant

    def signal(w: Floats) -> Floats:
        return hand.spectrum(w) / (1.0 + (w * constant) ** 2)

    def true(w: Floats) -> Complexes:
        return np.asarray((1.0 + 1j * w * constant) * np.exp(1j * w * dead))

    top = pi / step_s
    least = min(pi / hand.stroke_s, top / 3.0)
    used: Response = (lambda w: _mean_response(w * lag)) if mean_only else true
    smoothness = _smoothness(signal, step_s, noise, (least, top))
    w = np.geomspace(least, top, 500)
    images = w + 2.0 * pi * _IMAGES / step_s
    pass_ = smoothness / images**4 / (1.0 + smoothness * _folded(w, step_s))
    gain = np.abs(used(images) * pass_) ** 2
    power = signal(images)
    # An image of a true frequency that comes out at another one is all error.
    crossed = power.sum(0) * gain.sum(0) - (power * gain).sum(0)
    missed = (power * np.abs(true(images) - used(images) * pass_) ** 2).sum(0)
    let_through = gain.sum(0) * noise * step_s
    wavering = float(np.trapezoid(missed + crossed + let_through, w) / pi)
    return wavering + _line(hand, step_s * noise, constant, smoothness, least)


def _line(hand: Hand, density: float, constant: float, smoothness: float, least: float) -> float:
    """Variance of the straight line that a stroke's path is below its own frequency, Pa²."""
    own = density / hand.stroke_s
    # The level always; the slope as far as the filter does not hold it already.
    slope = 12.0 * own * (0.15**2 + (constant / hand.stroke_s) ** 2)
    return own + slope / (1.0 + smoothness / least**4)


def _folded(w: Floats, step_s: float) -> Floats:
    """Sum of `w**-4` over all images by sampling: the spectrum of a sampled cubic spline."""
    x = w * step_s
    return np.asarray(step_s**4 * (2.0 + np.cos(x)) / (3.0 * (2.0 - 2.0 * np.cos(x)) ** 2))


def _mean_response(x: Floats) -> Complexes:
    """Mean over splits of a lag of dead time and inverse first order, `x` frequency times lag."""
    z = 1j * np.where(np.abs(x) < 1e-6, 1e-6, x)
    return np.asarray((2.0 * np.exp(z) - 2.0 - z) / z)


def _smoothness(
    signal: Callable[[Floats], Floats], step_s: float, noise: float, band: tuple[float, float]
) -> float:
    """`q / R` where Whittle's likelihood of the readings is greatest on average."""
    w = np.geomspace(*band, 300)
    width = np.gradient(w)
    width /= width.sum()
    seen = signal(w + 2.0 * pi * _IMAGES / step_s).sum(0) + noise * step_s
    folded = _folded(w, step_s)
    logs = np.linspace(-25.0, 25.0, 161)[:, None]
    shape = 1.0 + np.exp(logs) * folded
    minus = np.log((seen / shape) @ width) + np.log(shape) @ width
    return float(np.exp(logs[int(np.argmin(minus)), 0]))


def overlap_factor(n: int, width: float, sd: float) -> float:
    """How much narrower the overlap of brackets is than the mean of their middles: u by u.

    `n` thresholds scatter by `sd` about a setpoint, each known to lie in a bracket of `width` that
    falls anywhere about it. The mean of the middles has the variance `(width²/12 + sd²) / n`; the
    mean of the setpoint's posterior is the best that can be done (Pitman 1939), and its variance is
    found from 1,000 seeded draws at two ratios of `sd` to `width` on a fixed grid.

    Examples
    --------
    >>> round(overlap_factor(10, 1.0, 0.001), 1), round(overlap_factor(10, 1.0, 3.0), 1)
    (0.7, 1.0)
    """
    if n < 2 or width <= 0.0:
        return 1.0
    place = float(np.clip(np.log10(max(sd, 1e-9) / width), -2.0, 0.5)) * 4.0
    below = int(np.floor(place))
    part = place - below
    return float((1.0 - part) * _overlap(n, below) + part * _overlap(n, below + 1))


@lru_cache(maxsize=512)
def _overlap(n: int, quarter_decades: int) -> float:
    sd = 10.0 ** (quarter_decades / 4.0)
    rng = np.random.default_rng(_SEED)
    middles = rng.uniform(-0.5, 0.5, (1000, n)) + sd * rng.normal(size=(1000, n))
    # Nothing beyond is possible: a middle is off by half a bracket, and its bracket is that wide.
    reach = 1.0 + 8.0 * sd
    offsets = np.linspace(-2.0 * reach, 2.0 * reach, 4001)
    edges = [np.array([erf((offsets_i + side) / (sd * sqrt(2.0))) for offsets_i in offsets])
             for side in (0.5, -0.5)]  # fmt: skip
    log = np.log(np.maximum(edges[0] - edges[1], 1e-300))
    grid = np.linspace(-reach, reach, 201)
    total = np.zeros((len(middles), len(grid)))
    for column in middles.T:
        total += np.interp(grid[None, :] - column[:, None], offsets, log)
    weight = np.exp(total - total.max(1, keepdims=True))
    mean = (weight @ grid) / weight.sum(1)
    return min(float(np.sqrt(np.mean(mean**2) / np.mean(middles.mean(1) ** 2))), 1.0)
