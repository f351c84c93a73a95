"""What the evidence about a lot is, in a sentence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from ._further import MANY

#: Below this values are hardly those of a normal lot.
UNUSUAL: Final = 0.01
#: So many results tell nothing of their scatter.
_FEW: Final = 2


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
    curve = row["status"] == "ok" and row["p_exceeds"] is not None
    closed = row["p_stuck"] is not None
    if closed:
        parts = [_closed(row, fraction, where)]
        parts.append(_of_those_that_open(row, fraction, where, confidence) if curve else _why(row))
    elif curve:
        parts = [_open(row, fraction, where, confidence)]
        if row["n_stuck"]:
            one = row["n_stuck"] == 1
            parts.append(f"{row['n_stuck']} stayed closed and {'is' if one else 'are'} in no mean.")
    else:
        parts = [_silent(row, where), _why(row)]
    # What may have stayed closed comes before a share that does not hold it.
    parts = [*_without(row), *parts] if row["n_maybe_stuck"] else [*parts, *_without(row)]
    if curve and row["unlike"]:
        parts.append("It is unlike the other lots of its model, and not drawn towards them.")
    if curve and row["p_normal"] is not None and row["p_normal"] < UNUSUAL:
        counted = _p("p", row["p_counted"])
        parts.append(f"Its setpoints are not normal: go by what was counted ({counted}).")
    if closed:
        parts.append("Find out what is wrong with those that stayed closed.")
    if row["verdict"] == "undecided" and (curve or row["by_counts"]):
        parts += _further(row, fraction)
    return f"{name}: {' '.join(parts)}"


def _open(row: Mapping[str, Any], fraction: float, where: str, confidence: float) -> str:
    return (
        f"{percent(row['fraction'])} of such switches are expected {where}"
        f" ({_interval(row, confidence)}); {_counted(row, 'there')};"
        f" {_mean(row)}. More than {percent(fraction)} of them: {_chance(row['p_exceeds'])};"
        f" {_own(row)} {_p('p', row['p_value'])}, for so many lots {_p('q', row['q_value'])}."
    )


def _own(row: Mapping[str, Any]) -> str:
    """What its p-value is of."""
    if row["n_tested"] > _FEW:
        return "by its own mean"
    results = "result" if row["n_tested"] == 1 else "results"
    return f"by its own {row['n_tested']} {results}, with the scatter of the other lots,"


def _closed(row: Mapping[str, Any], fraction: float, where: str) -> str:
    """What was counted comes first: no curve holds a switch that stays closed."""
    trials = row["n_tested"] + row["n_stuck"] + row["n_no_setpoint"]
    whole = (
        f"{row['n_stuck']} of {trials} tested{_when(row)} stayed closed ({_p('p', row['p_stuck'])})"
    )
    if row["counted"] > row["n_stuck"]:
        whole += f", with them {row['counted']} lie {where}"
    whole += (
        f"; by what was counted alone more than {percent(fraction)} are"
        f" {_chance(row['p_exceeds_counted'])}"
    )
    return whole + (
        "." if row["q_value"] is None else f"; for so many lots {_p('q', row['q_value'])}."
    )


def _of_those_that_open(
    row: Mapping[str, Any], fraction: float, where: str, confidence: float
) -> str:
    return (
        f"Of those that open {percent(row['fraction'])} are expected {where}"
        f" ({_interval(row, confidence)}), and more than {percent(fraction)} of these are"
        f" {_chance(row['p_exceeds'])} ({_p('p', row['p_value'])}); {_mean(row)}."
    )


def _silent(row: Mapping[str, Any], where: str) -> str:
    have = f"{row['n_tested']} of {row['n_switches']} switches have a result"
    if row["n_stuck"]:
        have += f", {row['n_stuck']} stayed closed"
    return f"{have}; {_counted(row, where)}." if row["n_tested"] else f"{have}."


def _why(row: Mapping[str, Any]) -> str:
    """Why there is no curve."""
    if row["status"] == "missing_value":
        return "They name no lot."
    if row["status"] == "too_few_draws":
        return "The lots are so unlike each other that their numbers are not told."
    if row["n_tested"]:
        return "The lots have too few results to tell their scatter."
    return "None has a setpoint." if row["n_stuck"] else "So there is no verdict."


def _without(row: Mapping[str, Any]) -> list[str]:
    """Tests that are in no number."""
    said = []
    if row["n_no_setpoint"]:
        one = row["n_no_setpoint"] == 1
        said.append(f"{row['n_no_setpoint']} {'was' if one else 'were'} tested without a setpoint.")
    if row["n_maybe_stuck"]:
        many = row["n_maybe_stuck"]
        said.append(
            f"Of {many} the tests do not tell whether {'it' if many == 1 else 'they'} stayed closed"
            " (no verdict, no day, two that contradict each other), so the lot cannot be within:"
            " give the verdicts, each test once, or test again."
        )
    if row["n_bad_rating"]:
        one = row["n_bad_rating"] == 1
        said.append(
            f"{row['n_bad_rating']} {'was' if one else 'were'} tested but"
            f" {'has' if one else 'have'} no rating or action in the register to be judged by."
        )
    return said


def _counted(row: Mapping[str, Any], where: str) -> str:
    trials = row["n_tested"] + row["n_stuck"]
    verb = "lies" if row["counted"] == 1 else "lie"
    return f"{row['counted']} of {trials} tested{_when(row)} {verb} {where}"


def _when(row: Mapping[str, Any]) -> str:
    first, last = row["first_tested_on"], row["last_tested_on"]
    if first is None:
        return ""
    return f" on {last}" if first == last else f" from {first} to {last}"


def _interval(row: Mapping[str, Any], confidence: float) -> str:
    return f"{100 * confidence:g} %: {_between(row['fraction_low'], row['fraction_high'])}"


def _mean(row: Mapping[str, Any]) -> str:
    aside = "below" if row["mean"] < 0.0 else "above"
    return f"the mean is {100 * abs(row['mean']):.1f} % {aside} the rating"


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


def _further(row: Mapping[str, Any], fraction: float) -> list[str]:
    """What would settle an undecided lot."""
    if row["gauge_limits"]:
        return ["No number of tests with these gauges settles it: calibrate them, or use others."]
    said = []
    if row["borrowed"]:
        many = row["n_tested"]
        own = "own result does" if many == 1 else f"own {many} results do"
        said.append(f"It is within by its model alone; its {own} not tell.")
    elif row["by_counts"] and row["p_stuck"] is None:
        chance = _chance(row["_p_exceeds_known"])
        counted = f"By what was counted alone more than {percent(fraction)} are {chance}"
        said.append(f"{counted}: find out what is wrong with these.")
    more = row["n_more"]
    if more is None:
        return said
    if more > MANY:
        return [*said, "It lies so near this level that tests will hardly settle it."]
    left = row["n_switches"] - row["n_tested"] - row["n_stuck"]
    short = "" if more <= left else f", of which the register has {left or 'none'}"
    if row["by_counts"]:
        ramped = f"{more} more of its switches{short + ',' if short else ''} are ramped"
        said.append(f"Its counts acquit it if {ramped} and all are good.")
    else:
        said.append(f"Ramps of about {more} more of its switches should settle it{short}.")
    return said
