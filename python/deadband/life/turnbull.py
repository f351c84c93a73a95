"""The share that survives where failures are known to intervals only."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ..methods._results import need_studies
from ._observed import Observed
from ._ranges import Ranges

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

_STEPS: Final = 200
_ROUNDS: Final = 6000
_CLOSE: Final = 1e-10
#: By what few known outcomes lengthen the likelihood ratio (set against mid-p limits of a share).
_FEW: Final = 0.2
#: A share that rounding leaves of nothing.
_NONE: Final = 1e-7
#: Ages at which limits are found where none are given.
_LIMITED: Final = 20


@dataclass(frozen=True)
class Turnbull:
    """Mass on the intervals that alone can hold any (Peto 1973; Turnbull 1976).

    Where within `begin` to `end` the mass lies is not told by the data.

    Attributes
    ----------
    begin, end
        of the intervals, the begin left out unless both are the same; the last may have no end.
    mass
        the share that failed within each.
    holds, could
        which interval each life may have ended in, and which it could have been seen to end in.
    weight
        how many lives are alike.
    lives
        one of each kind.

    Examples
    --------
    >>> seen = Observed(np.zeros(2), np.array([0.0, 1.0]), np.array([2.0, 3.0]))
    >>> found = turnbull(seen)
    >>> found.begin.tolist(), found.end.tolist(), found.mass.tolist()
    ([1.0], [2.0], [1.0])
    """

    begin: Floats
    end: Floats
    mass: Floats
    holds: Ranges
    could: Ranges
    weight: Floats
    lives: Observed

    def survival(self, years: Floats) -> tuple[Floats, Floats, Floats]:
        """Share surviving at ages: spread evenly within an interval; the least, and the most."""
        t = np.asarray(years, dtype=float)[:, None]
        width = np.where(np.isfinite(self.end), self.end - self.begin, np.inf)
        with np.errstate(all="ignore"):
            part = np.where(width > 0.0, np.clip((t - self.begin) / width, 0.0, 1.0), 0.0)
        part = np.where(t >= self.end, 1.0, part)
        gone = [(share * self.mass).sum(axis=1) for share in (part, t > self.begin, t >= self.end)]
        even, most, least = (np.clip(1.0 - each, 0.0, 1.0) for each in gone)
        return even, np.minimum(even, most), least

    def limits(self, years: float, confidence: float) -> tuple[float, float]:
        """Shares surviving at an age that the likelihood ratio does not rule out.

        Where none has failed by then, or all have, the likelihood of a share is the chance of just
        that: half of it (mid-p) is compared with half the risk, as the ratio, far from its limiting
        chi-square, would leave out shares that make it happen in one case of seven. The chi-square
        is multiplied by `1 + 0.2 / r`, `r` the fewer of those known to have failed by then and
        those known to live: with all known, that makes the limits those of a share by mid-p.
        """
        special = need_studies("life.survival").special
        failed = float(self.weight @ (self.lives.high <= years))
        alive = float(self.weight @ (self.lives.low >= years))
        ratio = 0.5 * float(special.chdtri(1.0, 1.0 - confidence))
        ratio *= 1.0 + _FEW / max(1.0, min(failed, alive))
        chance = -float(np.log1p(-confidence))
        top = _value(self, self.mass)
        _, least, most = (float(one[0]) for one in self.survival(np.array([years])))
        split = self._split(years)
        gone = split.end <= years
        below = top - (chance if least > 1.0 - _NONE else ratio)
        above = top - (chance if most < _NONE else ratio)
        low, high = _limit(split, gone, 0.0, least, below), _limit(split, gone, 1.0, most, above)
        return min(low, least), max(high, most)

    def _split(self, years: float) -> Turnbull:
        """Candidates that a stated share at an age calls for: right before it, and right after."""
        within = (self.begin < years) & (self.end > years)
        keep = ~within
        before = (self.lives.low < years) & (self.lives.high >= years)
        before |= self.lives.exact & (self.lives.low == years)
        after = (self.lives.low <= years) & (self.lives.high > years) & ~self.lives.exact
        seen_before, seen_after = self.lives.entry < years, self.lives.entry <= years
        half = 0.5 * self.mass[within].sum()
        # After those that end by then: what a life may have ended in stays one run.
        place = int((self.end[keep] <= years).sum())

        def between(values: Any, here: list[Any]) -> Any:
            return np.insert(values[..., keep], [place, place], np.stack(here, axis=-1), axis=-1)

        return Turnbull(
            between(self.begin, [years, years]),
            between(self.end, [years, np.nextafter(years, np.inf)]),
            between(self.mass, [half, half]),
            Ranges.of(between(self.holds.flags(), [before, after])),
            Ranges.of(between(self.could.flags(), [seen_before, seen_after])),
            self.weight,
            self.lives,
        )


def turnbull(seen: Observed) -> Turnbull:
    """The nonparametric maximum likelihood estimate, with late entry.

    By constrained Newton steps (Wang 2008); with late entry, where the likelihood is not concave,
    by self-consistency (Turnbull 1976), candidates after Frydman (1994).

    Examples
    --------
    >>> low, high = np.array([0.0, 1.0, 1.0]), np.array([1.0, 2.0, np.inf])
    >>> turnbull(Observed(np.zeros(3), low, high)).mass.round(3).tolist()
    [0.333, 0.667]
    """
    times = np.unique(np.concatenate([seen.entry, seen.low, seen.high]))
    # At one age come, in this order: a failure on that day begins, an interval ends, one begins.
    low = 3 * np.searchsorted(times, seen.low) + np.where(seen.exact, 0, 2)
    high = 3 * np.searchsorted(times, seen.high) + 1
    entry = 3 * np.searchsorted(times, seen.entry) + 2
    alike, weight = np.unique(np.column_stack([low, high, entry]), axis=0, return_counts=True)
    low, high, entry = alike.T
    late = entry[times[entry // 3] > 0.0] - 1
    codes = np.unique(np.concatenate([low, high, late]))
    pairs = (codes[:-1] % 3 != 1) & (codes[1:] % 3 == 1)
    first, last = codes[:-1][pairs], codes[1:][pairs]
    n = first.size
    holds = Ranges(np.searchsorted(first, low), np.searchsorted(last, high, side="right"), n)
    since = np.where(times[entry // 3] <= 0.0, 0, np.searchsorted(first, entry))
    could = Ranges(since, np.full_like(since, n), n)
    begin, end = times[first // 3], times[last // 3]
    one = Observed(times[entry // 3], times[low // 3], times[high // 3])
    even = np.full(begin.size, 1.0 / begin.size)
    blank = Turnbull(begin, end, even, holds, could, weight.astype(float), one)
    return replace(blank, mass=_top(blank, even, None, 1.0))


def _value(of: Turnbull, mass: Floats) -> float:
    with np.errstate(divide="ignore", invalid="ignore"):
        made = of.weight @ (np.log(of.holds.sums(mass)) - np.log(of.could.sums(mass)))
    return float(made) if np.isfinite(made) else -np.inf


def _top(of: Turnbull, mass: Floats, gone: Flags | None, kept: float) -> Floats:
    """The likeliest mass; with `gone` given, `kept` of it outside those intervals."""
    if of.could.full:
        return _newton(of, mass, gone, kept)
    return _fixed_point(of, mass, gone, kept)


def _shared(mass: Floats, gone: Flags | None, kept: float) -> Floats:
    """The mass in the same proportions with the sums that are wanted."""
    made: Floats = mass / mass.sum()
    if gone is None:
        return made
    made = np.empty_like(mass)
    for side, share in ((gone, 1.0 - kept), (~gone, kept)):
        total = mass[side].sum()
        even = 1.0 / max(int(side.sum()), 1)
        made[side] = share * (mass[side] / total if total > 0.0 else even)
    return made


def _newton(of: Turnbull, mass: Floats, gone: Flags | None, kept: float) -> Floats:
    """Steps to the top of the quadratic at hand, under its bounds (Wang 2008)."""
    scipy = need_studies("life.survival")
    sums = np.ones((1, mass.size)) if gone is None else np.array([gone, ~gone], dtype=float)
    wanted = np.ones(1) if gone is None else np.array([1.0 - kept, kept])
    heavy = 1e3 * float(np.sqrt(of.weight).sum())
    value = _value(of, mass)
    for _ in range(_STEPS):
        share = np.maximum(of.holds.sums(mass), 1e-300)
        gain = of.holds.spread(of.weight / share)
        near = np.flatnonzero(_worth(mass, gain, gone))
        root = _root(of.holds.gram(of.weight / np.maximum(share, 1e-150) ** 2, near))
        left = np.vstack([root, heavy * sums[:, near]])
        aimed = scipy.linalg.solve_triangular(root, 2.0 * gain[near], trans=1)
        right = np.concatenate([aimed, heavy * wanted])
        aim = np.zeros_like(mass)
        try:
            aim[near] = scipy.optimize.nnls(left, right)[0]
        except RuntimeError:
            return _fixed_point(of, mass, gone, kept)
        aim = _shared(aim, gone, kept)
        part, new = 1.0, _value(of, aim)
        while new < value and part > 1e-6:
            part *= 0.5
            new = _value(of, mass + part * (aim - mass))
        if new <= value + _CLOSE * (1.0 + abs(value)):
            return mass + part * (aim - mass) if new > value else mass
        mass, value = mass + part * (aim - mass), new
    return mass


def _root(gram: Floats, ridge: float = 1e-14) -> Floats:
    """A triangle whose square is the matrix, but for what rounding takes from columns alike."""
    size = np.sqrt(np.diag(gram))
    scale = np.where(size > 0.0, size, 1.0)
    try:
        half = np.linalg.cholesky(gram / scale / scale[:, None] + ridge * np.eye(size.size))
    except np.linalg.LinAlgError:
        return _root(gram, 10.0 * ridge)
    made: Floats = half.T * scale
    return made


def _worth(mass: Floats, gain: Floats, gone: Flags | None) -> Flags:
    """Intervals that hold mass, and those where more would gain most, around them and by side."""
    around = np.concatenate([[-np.inf], gain, [-np.inf]])
    top = (gain >= around[:-2]) & (gain >= around[2:])
    made: Flags = mass > 0.0
    for side in (np.ones_like(made),) if gone is None else (gone, ~gone):
        # At the top no place gains more than those that hold mass do on the whole.
        level = mass[side] @ gain[side] / max(float(mass[side].sum()), 1e-300)
        made |= side & top & (gain >= level)
        made[np.argmax(np.where(side, gain, -np.inf))] = True
    return made


def _fixed_point(of: Turnbull, mass: Floats, gone: Flags | None, kept: float) -> Floats:
    """The mass that reproduces itself (Turnbull 1976), accelerated (Varadhan and Roland 2008)."""
    missed = Ranges(np.zeros_like(of.could.begin), of.could.begin, of.could.width)

    def again(p: Floats) -> Floats:
        expected = p * of.holds.spread(of.weight / np.maximum(of.holds.sums(p), 1e-300))
        seen = np.maximum(1.0 - missed.sums(p), 1e-12)
        return _shared(expected + p * missed.spread(of.weight / seen), gone, kept)

    for _ in range(_ROUNDS):
        once = again(mass)
        twice = again(once)
        r, v = once - mass, twice - once - (once - mass)
        if float(np.abs(twice - once).max()) < _CLOSE:
            return twice
        length = -max(1.0, float(np.sqrt((r @ r) / max(float(v @ v), 1e-300))))
        far = mass - 2.0 * length * r + length**2 * v
        mass = twice
        if (far >= 0.0).all():
            tried = again(far)
            mass = tried if _value(of, tried) >= _value(of, twice) else twice
    return mass


def _limit(of: Turnbull, gone: Flags, end: float, found: float, wanted: float) -> float:
    """The share between what was found and an end at which the profile has fallen to `wanted`."""
    optimize = need_studies("life.survival").optimize
    warm, known = [of.mass], dict[float, float]()

    def above(kept: float) -> float:
        if kept in known:
            return known[kept]
        begun = _shared(warm[0], gone, kept)
        if not np.isfinite(_value(of, begun)):
            begun = _shared(of.mass + 1e-6 / of.mass.size, gone, kept)
        warm[0] = _top(of, begun, gone, kept)
        known[kept] = max(_value(of, warm[0]), -1e6) - wanted
        return known[kept]

    outer = min(max(end, 1e-9), 1.0 - 1e-9)
    inner = min(max(found, 1e-9), 1.0 - 1e-9)
    if abs(inner - outer) < 1e-8:
        return end
    if above(inner) <= 0.0:
        return end if above(outer) > 0.0 else inner
    # Far from the top each step costs most.
    step = 2.0 * np.sqrt((inner * (1.0 - inner) + 1.0 / of.weight.sum()) / of.weight.sum())
    tried = inner
    while tried != outer:
        begun, tried = tried, float(tried + np.clip(outer - tried, -step, step))
        if above(tried) <= 0.0:
            ends = sorted((begun, tried))
            made: float = optimize.brentq(above, *ends, xtol=1e-5)
            return made
        step *= 1.6
    return end


def limited(years: Floats) -> Floats:
    """Which of many ages are given limits: some of them, evenly among them.

    Examples
    --------
    >>> int(limited(np.arange(100.0)).sum())
    20
    """
    chosen = np.unique(
        np.linspace(0, years.size - 1, min(years.size, _LIMITED)).round().astype(int)
    )
    made = np.zeros(years.size, dtype=bool)
    made[chosen] = True
    return made
