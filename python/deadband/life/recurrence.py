"""How many replacements a place has had by an age: the mean cumulative function."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl

from .._columns import need_columns, need_numbers
from .._errors import OptionError, SchemaError, check_share
from .._frames import FrameLike, lazy
from ..methods._results import need_studies
from .nonparametric import ages_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Largest logarithm of the factor between a mean and its limit.
_FAR: Final = 60.0
_CURVE: Final = pl.Schema(
    {"years": pl.Float64, "at_risk": pl.Int64, "n_replaced": pl.Int64, "mean": pl.Float64,
     "u": pl.Float64, "low": pl.Float64, "high": pl.Float64, "status": pl.String},
)  # fmt: skip


@dataclass(frozen=True)
class Recurrence:
    """The mean number of replacements a place.

    Attributes
    ----------
    curve
        `years`, `at_risk` (places seen right before), `n_replaced` up to then, `mean`, `u`, `low`,
        `high`, `status`: `ok`; `one_place` (no two places are seen then, or were at a replacement
        before: nothing tells how places differ, and there are no limits); `not_seen` (no place was
        seen that long).
    n_places, n_replaced
        places used and their replacements.
    n_left_out
        places that could not be used.
    status
        `ok`, `one_place` (no limits: nothing tells how places differ), `no_places`.

    Examples
    --------
    >>> Recurrence(pl.DataFrame(), 0, 0, 0, "no_places").n_replaced
    0
    """

    curve: pl.DataFrame
    n_places: int
    n_replaced: int
    n_left_out: int
    status: str


def recurrence(
    histories: FrameLike,
    *,
    place: str = "place_id",
    years: str = "years",
    replaced: str = "replaced",
    at_years: Sequence[float] | None = None,
    confidence: float = 0.95,
) -> Recurrence:
    """The mean cumulative number of replacements at one place, by its age.

    `M(t) = sum(d / r)`: replacements over places seen (Nelson 1995). Its variance is the sum over
    places of their squared departures from the mean (Lawless and Nadeau 1995), which supposes that
    places are independent but not that replacements within one are: one appliance may ruin switch
    after switch. Limits are symmetrical in the logarithm, with Student's t of one less than the
    number of places, which counts for less where few are still seen: `(sum v)**2 / sum(v**2)`,
    `v` a place's part in the variance. They are never narrower than those of as many replacements
    that come by chance alone (Poisson; gamma limits of Fay and Feuer 1997, exact where all places
    are seen), so that places which happen to be alike do not pass for certainty.

    A life table counts every switch once; this counts what a place keeps costing, and bends up
    where replacements come faster and faster.

    Parameters
    ----------
    histories
        a row a replacement, and a row for the end of each place's observation.
    place, years, replaced
        columns: the appliance, or the place in it; its age, from 0 on; whether a switch was
        replaced then (false: the observation ended). A column `entry_years` holds the age from
        which a place was seen, where that is not 0.
    at_years
        ages that are asked for; None: those of the replacements.
    confidence
        of the limits at one age.

    Returns
    -------
    Recurrence
        Places without an end, with two, with an event after it or before they were seen, or with a
        value that is missing, are left out and counted.

    Raises
    ------
    SchemaError
        a column is missing or of the wrong type.
    OptionError
        `confidence` is no share, or an age is no positive number.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> histories = pl.DataFrame(
    ...     {
    ...         "place_id": ["a", "a", "b", "b", "b", "c"],
    ...         "years": [2.0, 5.0, 1.0, 3.0, 4.0, 4.5],
    ...         "replaced": [True, False, True, True, False, False],
    ...     }
    ... )
    >>> recurrence(histories).curve.select("years", "at_risk", pl.col("mean").round(3)).rows()
    [(1.0, 3, 0.333), (2.0, 3, 0.667), (3.0, 3, 1.0)]
    """
    check_share("confidence", confidence)
    need_studies("life.recurrence")
    ages = ages_of(at_years)
    rows, left_out = _rows(histories, place, years, replaced)
    ends = rows.filter(~pl.col("_event")).sort("_place")
    events = rows.filter("_event").sort("_years", "_place")
    if not ends.height:
        return Recurrence(pl.DataFrame(schema=_CURVE), 0, 0, left_out, "no_places")
    names = {name: i for i, name in enumerate(ends["_place"])}
    code = np.array([names[name] for name in events["_place"]], dtype=np.intp)
    begin, end = ends["_entry"].to_numpy(), ends["_years"].to_numpy()
    curve = _curve(events["_years"].to_numpy(), code, (begin, end), ages, confidence)
    status = "ok" if ends.height > 1 else "one_place"
    return Recurrence(curve, ends.height, events.height, left_out, status)


def _rows(histories: FrameLike, place: str, years: str, replaced: str) -> tuple[pl.DataFrame, int]:
    """Rows of the places that can be used, and how many cannot."""
    table = lazy(histories, "histories")
    found = table.collect_schema()
    for option, name in (("place", place), ("years", years), ("replaced", replaced)):
        if not isinstance(name, str):
            raise OptionError(option, name, ["the name of a column"])
        need_columns(table, [name], "histories", f"add it, or name another by {option}=")
    if found[place].is_nested():
        raise _wrong_type(found, place, "a name", "give text or a number")
    of_years = [years, *(one for one in ("entry_years",) if one in found)]
    need_numbers(table, of_years, "histories", "give years from 0 on")
    if not (found[replaced].is_integer() or found[replaced] in {pl.Boolean, pl.Null}):
        raise _wrong_type(found, replaced, "a truth value", "give true or false")
    seen = pl.col("entry_years") if "entry_years" in found else pl.lit(0.0)
    rows = (
        table.select(
            _place=pl.col(place).cast(pl.String),
            _years=pl.col(years).cast(pl.Float64),
            _event=pl.col(replaced).cast(pl.Boolean),
            _entry=seen.cast(pl.Float64).fill_null(0.0),
        )
        .filter(pl.col("_place").is_not_null())
        .with_columns(_entry=pl.col("_entry").max().over("_place"))
        .collect()
    )
    t, event, entry = pl.col("_years"), pl.col("_event"), pl.col("_entry")
    ended = t.filter(~event).first()
    good = (
        t.is_finite().fill_null(value=False).all()
        & event.is_not_null().all()
        & ((~event).sum() == 1)
        & (t <= ended).all()
        & (entry >= 0.0).all()
        & (ended > entry.first())
        & ((t > entry) | ~event).all()
    )
    kept = rows.filter(good.fill_null(value=False).over("_place"))
    return kept, rows["_place"].n_unique() - kept["_place"].n_unique()


def _wrong_type(found: pl.Schema, name: str, word: str, advice: str) -> SchemaError:
    return SchemaError(
        "wrong_type", f"it is {found[name]}, not {word}", column=name, table="histories",
        advice=advice,
    )  # fmt: skip


def _curve(
    at: Floats, code: NDArray[np.intp], seen: tuple[Floats, Floats], ages: Floats | None,
    confidence: float,
) -> pl.DataFrame:  # fmt: skip
    begin, end = seen
    times, which = np.unique(at, return_inverse=True)
    there = (begin[:, None] < times) & (end[:, None] >= times)
    made = np.zeros((begin.size, times.size))
    np.add.at(made, (code, which), 1.0)
    asked = times if ages is None else ages
    risk = ((begin[:, None] < asked) & (end[:, None] >= asked)).sum(axis=0)
    by_then = sums(there, made).at(np.searchsorted(times, asked, side="right"), risk)
    low, high = limits(by_then, confidence)
    count = np.concatenate([[0.0], np.cumsum(made.sum(axis=0))])
    beyond = asked > end.max()
    alone = ~beyond & (by_then.fewest < 2.0)
    table = pl.DataFrame(
        {
            "years": asked,
            "at_risk": risk,
            "n_replaced": count[np.searchsorted(times, asked, side="right")].astype(int),
            "mean": np.where(beyond, np.nan, by_then.mean),
            "u": np.where(beyond | alone, np.nan, by_then.u),
            "low": np.where(beyond | alone, np.nan, low),
            "high": np.where(beyond | alone, np.nan, high),
            "status": np.where(beyond, "not_seen", np.where(alone, "one_place", "ok")).tolist(),
        },
        schema_overrides=dict(_CURVE),
    )
    return table.with_columns(pl.col("mean", "u", "low", "high").fill_nan(None))


@dataclass(frozen=True)
class Sums:
    """What places add up to by each age.

    Attributes
    ----------
    mean, u
        replacements a place, and the standard error by how far places are apart.
    chance
        the variance if replacements come independently (Poisson).
    places
        how many equal places would leave as much chance as these, seen for unequal times.
    fewest
        places that were seen when the fewest were.

    Examples
    --------
    >>> both = np.ones((2, 1), dtype=bool)
    >>> found = sums(both, np.array([[1.0], [0.0]]))
    >>> found.mean.tolist(), found.places.tolist(), found.fewest.tolist()
    ([0.0, 0.5], [inf, 2.0], [inf, 2.0])
    """

    mean: Floats
    u: Floats
    chance: Floats
    places: Floats
    fewest: Floats

    def at(self, index: NDArray[np.intp], at_risk: NDArray[np.intp]) -> Sums:
        """Those at some ages, where so many places are seen."""
        told = (self.mean, self.u, self.chance, self.places, self.fewest)
        made = Sums(*(one[index] for one in told))
        return replace(made, fewest=np.minimum(made.fewest, at_risk))


def sums(there: NDArray[np.bool_], made: Floats) -> Sums:
    """Sums before the first age and after each, from places by ages: seen, and replaced.

    Examples
    --------
    >>> sums(np.ones((2, 1), dtype=bool), np.array([[1.0], [1.0]])).u.tolist()
    [0.0, 0.0]
    """
    r, d = there.sum(axis=0).astype(float), made.sum(axis=0)
    apart = np.cumsum((made - there * (d / r)) / r, axis=1)
    chance = np.cumsum(d / r**2)
    places = chance**2 / (np.cumsum(there * (d / r**3), axis=1) ** 2).sum(axis=0)

    def after(first: float, values: Floats) -> Floats:
        return np.concatenate([[first], values])

    return Sums(
        after(0.0, np.cumsum(d / r)),
        after(0.0, np.sqrt((apart**2).sum(axis=0))),
        after(0.0, chance),
        after(np.inf, places),
        after(np.inf, np.minimum.accumulate(r)),
    )


def limits(found: Sums, confidence: float) -> tuple[Floats, Floats]:
    """Limits of mean numbers of replacements; not a number where one place alone was seen.

    Examples
    --------
    >>> one = np.ones(1)
    >>> low, high = limits(Sums(one, 0.2 * one, one / 30.0, 30.0 * one, 30.0 * one), 0.95)
    >>> round(float(low[0]), 2), round(float(high[0]), 2)
    (0.66, 1.52)
    """
    special = need_studies("life.recurrence").special
    risk = (1.0 - confidence) / 2.0
    with np.errstate(all="ignore"):
        t = special.stdtrit(found.places - 1.0, 1.0 - risk)
        grown = found.u * np.sqrt(1.0 / (1.0 - 1.0 / found.places))
        reach = np.exp(np.minimum(t * grown / found.mean, _FAR))
        # One more replacement, of the heaviest that there may be.
        heaviest = 1.0 / found.fewest
        more, wider = found.mean + heaviest, found.chance + heaviest**2
        low = special.gammaincinv(found.mean**2 / found.chance, risk) * found.chance / found.mean
        high = special.gammaincinv(more**2 / wider, 1.0 - risk) * wider / more
        low = np.where(found.mean > 0.0, np.fmin(low, found.mean / reach), 0.0)
        high = np.where(found.mean > 0.0, np.fmax(high, found.mean * reach), high)
    alone = found.fewest < 2.0
    return np.where(alone, np.nan, low), np.where(alone, np.nan, high)
