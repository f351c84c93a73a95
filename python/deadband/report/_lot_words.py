"""What the page about lots says in words: the outcome, the evaluation, its limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import polars as pl

from ..lots._both_sides import BothSides
from ..lots._sentence import UNUSUAL, percent
from ._summary import plural
from ._tables import LONGEST
from ._words import METHOD

_NAMED: Final = 12
#: Fewer switches tested are called a small lot.
_SMALL: Final = 8
LOT_CAUTION: Final = (
    "What is said of a lot is no permission to operate an appliance with a switch of it; each "
    "switch that is in service has to be tested itself."
)
SIDES: Final = {"unsafe": "below the lower limit", "nuisance": "above the upper limit"}
SHAPE: Final = {
    "normal": "Normal", "heavy_tails": "Heavy tails", "light_tails": "Light tails",
    "skew_low": "Long tail low", "skew_high": "Long tail high",
}  # fmt: skip
LOT_VERDICT: Final = {"exceeds": "exceeds", "undecided": "undecided", "within": "within"}


def lot_name(row: Mapping[str, Any], by: str) -> str:
    """The lot, with its model where there is one.

    >>> lot_name({"lot": "L1", "model": "M"}, "lot"), lot_name({"lot": None}, "lot")
    ('L1 (M)', 'no lot named')
    """
    name = row[by] or f"no {by} named"
    return f"{name} ({row['model']})" if by != "model" and row.get("model") else name


def outcome(screened: BothSides) -> list[str]:
    """What became of the lots, in plain words, the unsafe side first."""
    table, by = screened.found.lots, screened.found.by
    if not table.height:
        return ["The table of switches is empty."]
    lots = table.filter(pl.col(by).is_not_null())
    counted = ("n_switches", "n_tested", "n_stuck", "n_no_setpoint", "n_bad_rating")
    switches, tested, stuck, without, unrated = table.select(pl.col(counted).sum()).row(0)
    parts = [
        (tested, "{} with a result"),
        (stuck, "{} that stayed closed below the lower limit"),
        (without, "{} tested without a result"),
        (unrated, "{} tested but without a rating"),
        (switches - tested - stuck - without - unrated, "{} not tested"),
    ]
    told = [words.format(f"{count:,}") for count, words in parts if count]
    said = [
        f"{plural(lots.height, by)} of {plural(switches, 'switch', 'switches')}: {', '.join(told)}."
    ]
    stuck_of = table.filter(pl.col("n_stuck") > 0)
    if stuck_of.height:
        named = ", ".join(
            f"{row['n_stuck']:,} of {lot_name(row, by)}"
            for row in stuck_of.head(_NAMED).iter_rows(named=True)
        )
        said.append(f"Stayed closed, which no expected share tells: {named}.")
    if not lots.height:
        return [*said, f"No switch names its {by}: nothing can be said of any."]
    if screened.unsafe["verdict"].is_null().all() and screened.nuisance["verdict"].is_null().all():
        below, above = table.select(pl.col("counted_unsafe", "counted_nuisance").sum()).row(0)
        if tested:
            said.append(
                f"Of {tested + stuck:,} with a result or that stayed closed {below:,} lie below "
                f"the lower limit and {above:,} above the upper one, measurement error and all."
            )
        return [*said, f"No {by} has results enough to tell how its switches scatter."]
    for side, where in SIDES.items():
        said += _of_side(getattr(screened, side), side, where, screened)
    silent = table.filter(pl.col("status") != "ok")
    if silent.height:
        said.append(f"Without numbers: {_names(silent, by)}.")
    return said


def _of_side(found: pl.DataFrame, side: str, where: str, screened: BothSides) -> list[str]:
    level, by = percent(screened.fraction), screened.found.by
    parts = {
        "exceeds": f"More than {level} of such switches are {where} ({side} side)",
        "undecided": f"Undecided whether more than {level} are {where}",
        "within": f"Found within, no more than {level} {where}",
    }
    said = []
    for verdict, words in parts.items():
        rows = found.filter(pl.col("verdict") == verdict)
        if rows.height:
            said.append(f"{words}: {_names(rows, by)}.")
        elif verdict == "exceeds":
            said.append(f"Of no {by} it is shown that more than {level} are {where} ({side} side).")
    return said + _of_shapes(screened, side)


def _of_shapes(screened: BothSides, side: str) -> list[str]:
    """Whether what was said on this side rests on the normal curve."""
    changing = screened.changing(side)
    if changing.height:
        named = _names(changing, screened.found.by)
        return [f"On the {side} side another shape of scatter changes the verdict on {named}."]
    untold = screened.untold(side)
    if untold.height:
        named = _names(untold, screened.found.by)
        return [f"Not under every shape of scatter a verdict is told of {named} ({side} side)."]
    if screened.shapes[side]["stands"].null_count() == screened.shapes[side].height:
        return []
    return [f"These verdicts stand under each shape of scatter that was tried ({side} side)."]


def _names(rows: pl.DataFrame, by: str) -> str:
    named = [lot_name(row, by) for row in rows.head(_NAMED).iter_rows(named=True)]
    left = rows.height - len(named)
    return ", ".join(named) + (f" and {left:,} more" if left else "")


def evidence(screened: BothSides, side: str, longest: int = LONGEST) -> list[str]:
    """The evidence about every lot on the unsafe side; on the other one about those not within."""
    found: pl.DataFrame = getattr(screened, side)
    told = found if side == "unsafe" else found.filter(pl.col("verdict") != "within")
    sentences: list[str] = told["evidence"].head(longest).to_list()
    return sentences


def method_words(tests: pl.DataFrame, methods: Sequence[str]) -> str:
    """The methods that count; where no test states one, that.

    >>> method_words(pl.DataFrame({"method": ["ramp"]}), ["ramp", "pinch"])
    'slow ramp or pinch'
    """
    if tests.height and tests["method"].null_count() == tests.height:
        return "method not stated"
    return " or ".join(METHOD.get(method, method) for method in methods)


def evaluation(screened: BothSides, used: str) -> list[str]:
    """How the numbers were made, in sentences that can be checked."""
    level, fdr = percent(screened.fraction), percent(screened.fdr)
    by, whole = screened.found.by, f"{100 * screened.found.confidence:g} %"
    model = "" if by == "model" else ", the means of lots for one about that of their model"
    return [
        (
            f"Pressure and contact were recorded ({used}); a switch's setpoint is the pressure at "
            "the instant its contact changed, the gauge's lag taken out, with its uncertainty "
            "after JCGM 100:2008, and the latest round of tests of each switch counts."
        ),
        (
            "Deviations from the rating are taken for a normal distribution about the mean of "
            f"their {by}{model} (Gelman et al. 2013, Bayesian Data Analysis, 5.4), and the error "
            "of each test, with what tests with one gauge share by its calibration and lag, is "
            f"taken out: rough tests make a {by} less sure, not worse."
        ),
        (
            "The expected share out of tolerance is that of the normal curve beyond the limit, "
            "averaged over all means and standard deviations that the tests leave possible, "
            f"with the other {by}s taken into account; its interval "
            f"holds {whole} of them, and beside it stands what was counted, measurement error and "
            "all."
        ),
        (
            "As a small share is told by the far end of a curve, each "
            f"{by} was judged again with scatter of four other shapes: Student's t with 5 degrees "
            "of freedom (heavy tails), two normal curves 1.5 standard deviations apart (light "
            "tails), and skew-normal curves of skewness 0.85 with the long tail towards low or "
            "high setpoints (Azzalini 1985, Scand. J. Statist. 12, 171-178)."
        ),
        (
            f"p is the p-value of the {by}'s own mean against a share of {level} or less: the mean "
            f"of no other {by} is used, but how much its switches scatter is told beside the "
            "others, and of one or two results by these alone. Where switches stayed closed it is "
            "twice the smaller of it and of the binomial one of these, and where setpoints are not "
            "normal no smaller than the binomial one of what was counted; q is p adjusted for "
            "their number (Benjamini and Hochberg 1995, J. R. Stat. Soc. B 57, 289-300), and with "
            "q of "
            f"{fdr} or less a {by} is said to exceed, so that on the average {fdr} at most of "
            "those so called on one side are called wrongly."
        ),
        (
            f"A {by} is said to be within where a share above {level} is no more than {fdr} "
            "probable, with its model taken into account and by its own tests, and no count of one "
            "that is not normal or has switches that stay closed, nor a test that does not tell "
            "whether one did, speaks against it; every other one is undecided, and "
            "the number of further ramps is that after which it is as likely as not to be "
            "decided, if what was found so far is true, and where counts speak against it no fewer "
            "than have to be good until they do so no more."
        ),
    ]


def reach(screened: BothSides) -> list[str]:
    """What the numbers do not mean."""
    found = screened.found
    by, told = found.by, found.lots.filter(pl.col("status") == "ok")
    said = [
        (
            "A share is that expected of all switches made like those tested. It says nothing of "
            "a switch that was not tested, and none of those tested is acquitted by it."
        ),
        (
            f"The switches tested are taken for a fair sample of their {by}. Where they were "
            "picked because of a complaint, the share is that of such switches."
        ),
        (
            "The setpoints are those at the date of test. Whether a switch left the factory like "
            "this or moved in service is not told here: compare ages, and tests of new switches."
        ),
    ]
    small = told.filter(pl.col("n_tested") < _SMALL)
    if small.height:
        said.append(
            f"Fewer than {_SMALL} tested, so that the interval says more than the number, and much "
            f"of it comes from the other lots: {_names(small, by)}."
        )
    else:
        said.append(f"A small {by} is known as badly as its interval is wide.")
    odd = told.filter(pl.col("p_normal") < UNUSUAL)
    said.append(
        "A small share is told by the far end of a normal curve. "
        + (
            f"The setpoints of {_names(odd, by)} are hardly normal: go by what was counted there."
            if odd.height
            else f"That the setpoints are not normal is shown of no {by}; few tests show little."
        )
    )
    tested = told.filter(pl.col("n_stuck") == 0)["n_tested"]
    if tested.len():
        numbers: list[int] = tested.to_list()
        shares = [percent(1.0 - 0.05 ** (1.0 / n)) for n in (max(numbers), min(numbers))]
        ends = " to ".join(dict.fromkeys(shares))
        said.append(
            "Where none of those tested stayed closed, one that was not tested may all the same: "
            f"with so few tests up to {ends} of a {by} (95 % confidence, by counts alone)."
        )
    stuck = int(found.lots["n_stuck"].sum())
    if stuck:
        said.append(
            f"{plural(stuck, 'switch', 'switches')} that stayed closed below "
            f"{'its' if stuck == 1 else 'their'} lower limit {'has' if stuck == 1 else 'have'} no "
            "setpoint: counted as unsafe, and in no mean or expected share."
        )
    return said
