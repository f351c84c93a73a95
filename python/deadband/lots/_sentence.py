"""What the evidence about a lot is, in a sentence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

#: Below this values are hardly those of a normal lot.
UNUSUAL: Final = 0.01
#: More tests than that are no advice.
_MANY: Final = 300


def percent(share: float) -> str:
    """A share as it is read: whole per cents, smaller ones with a digit.

    Examples
    --------
    >>> percent(0.123), percent(0.0421), percent(0.0001), percent(0.9999)
    ('12 %', '4.2 %', 'below 0.1 %', 'above 99.9 %')
    >>> percent(0.05), percent(0.995)
    ('5 %', '99.5 %')
    """
    if share < 0.001:
        return "below 0.1 %"
    if share > 0.999:
        return "above 99.9 %"
    number = 100.0 * share
    if 9.95 <= number <= 99.0:
        return f"{number:.0f} %"
    return f"{number:.1f}".removesuffix(".0") + " %"


def sentence(
    row: Mapping[str, Any], by: str, fraction: float, where: str, confidence: float
) -> str:
    """The evidence about one lot."""
    lot = row[by] or f"no {by}"
    name = f"{lot} ({row['model']})" if row.get("model") and by != "model" else lot
    if row["status"] != "ok" or row["p_exceeds"] is None:
        counts = f"; {_counted(row, fraction)}" if row["n_stuck"] else ""
        return f"{name}: {_silent(row)}{counts}."
    trials = row["n_tested"] + row["n_stuck"]
    aside = "below" if row["mean"] < 0.0 else "above"
    whole = (
        f"{name}: {percent(row['fraction'])} of such switches are expected {where}"
        f" ({100 * confidence:g} %: {_between(row['fraction_low'], row['fraction_high'])});"
        f" {row['counted']} of {trials} tested lie there;"
        f" the mean is {100 * abs(row['mean']):.1f} % {aside} the rating."
        f" More than {percent(fraction)} of them: {_chance(row['p_exceeds'])}; by its own tests"
        f" {_p('p', row['p_value'])}, for so many lots {_p('q', row['q_value'])}."
    )
    parts = [whole]
    if row["n_stuck"]:
        one = row["n_stuck"] == 1
        parts.append(f"{row['n_stuck']} stayed closed and {'is' if one else 'are'} in no mean.")
    if row["p_normal"] is not None and row["p_normal"] < UNUSUAL:
        parts.append("Its setpoints are not normal: go by what was counted.")
    if row["verdict"] == "undecided":
        parts.append(_further(row, fraction))
    return " ".join(parts)


def _counted(row: Mapping[str, Any], fraction: float) -> str:
    chance = _chance(row["p_exceeds_counted"])
    return f"by what was counted alone more than {percent(fraction)} are {chance}"


def _silent(row: Mapping[str, Any]) -> str:
    have = f"{row['n_tested']} of {row['n_switches']} switches have a result"
    if row["n_stuck"]:
        have += f", {row['n_stuck']} stayed closed"
    if row["status"] == "missing_value":
        return f"{have}; they name no lot"
    why = "the lots have too few to tell their scatter" if row["n_tested"] else "no verdict"
    return f"{have}; {why}"


def _p(name: str, value: float) -> str:
    return f"{name} = {value:.2g}" if value >= 1e-4 else f"{name} below 0.0001"


def _between(low: float, high: float) -> str:
    ends = percent(low), percent(high)
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def _chance(p: float) -> str:
    if p > 0.9995:
        return "practically certain"
    if p < 0.0005:
        return "practically excluded"
    return f"{percent(p)} probable"


def _further(row: Mapping[str, Any], fraction: float) -> str:
    if row["gauge_limits"]:
        return "No number of tests with these gauges settles it: calibrate them, or use others."
    if row["n_more"] is None:
        counts = _counted(row, fraction)
        return f"{counts[0].upper()}{counts[1:]}: find out what is wrong with these."
    many, left = row["n_more"], row["n_switches"] - row["n_tested"]
    if many > _MANY:
        return "It lies so near this level that tests will hardly settle it."
    short = "" if many <= left else f", of which the register has {left or 'none'}"
    return f"Ramps of about {many} more of its switches should settle it{short}."
