"""Lives as arrays: entry, and the ends of the interval in which each failed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._columns import check_columns, need_columns, need_numbers
from .._errors import OptionError, SchemaError
from .._frames import FrameLike, lazy

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_NUMBERS: Final = ("entry_years", "low_years", "high_years")
_TEXTS: Final = (pl.String, pl.Categorical, pl.Enum, pl.Null)
#: Column that marks lives which can be used.
_USABLE: Final = "_usable"


@dataclass(frozen=True)
class Observed:
    """Lives that can be used; `high` is infinite where they are censored on the right.

    Examples
    --------
    >>> seen = Observed(np.array([0.0, 0.0]), np.array([2.0, 3.0]), np.array([2.0, np.inf]))
    >>> seen.exact.tolist(), seen.n, seen.n_failed
    ([True, False], 2, 1)
    """

    entry: Floats
    low: Floats
    high: Floats

    @property
    def n(self) -> int:
        """Number of lives."""
        return int(self.low.size)

    @property
    def n_failed(self) -> int:
        """Lives that ended, on a known day or between two."""
        return int(np.isfinite(self.high).sum())

    @property
    def exact(self) -> NDArray[np.bool_]:
        """Which failed on a known day."""
        made: NDArray[np.bool_] = self.low == self.high
        return made

    @property
    def middle(self) -> Floats:
        """The day of the failure, taken in the middle of its interval, or of the censoring."""
        return np.where(np.isfinite(self.high), 0.5 * (self.low + self.high), self.low)

    @property
    def between(self) -> bool:
        """Whether any failure is known to an interval only."""
        return bool((np.isfinite(self.high) & ~self.exact).any())


def with_numbers(lives: FrameLike, needed: Iterable[str], numbers: Iterable[str]) -> pl.LazyFrame:
    """The lives, or `SchemaError` unless columns are there and those of years hold numbers.

    Examples
    --------
    >>> with_numbers(pl.DataFrame({"a": [1.0]}), ["a"], ["a"]).collect().row(0)
    (1.0,)
    """
    table = lazy(lives, "lives")
    need_columns(table, needed, "lives", "take the table that life.lives makes")
    found = table.collect_schema()
    of_years = [name for name in numbers if name in found]
    need_numbers(table, of_years, "lives", "give years since installation")
    if "status" in found and not isinstance(found["status"], _TEXTS):
        raise SchemaError(
            "wrong_type", f"it is {found['status']}, not text", column="status", table="lives",
            advice="give ok where a life can be used, or leave the column out",
        )  # fmt: skip
    return table


def usable(lives: FrameLike, keep: Sequence[str] = ()) -> tuple[pl.DataFrame, int]:
    """The lives that can be used, as plain numbers, and how many cannot.

    Left out are rows whose `status` is not `ok`, without `low_years`, with an interval that ends
    before it begins or at age 0, or that ended before they were seen.

    Raises
    ------
    SchemaError
        a column is missing or holds no numbers.

    Examples
    --------
    >>> frame = pl.DataFrame({"low_years": [1.0, 2.0, None], "high_years": [1.5, None, None]})
    >>> rows, left_out = usable(frame)
    >>> rows["high_years"].to_list(), left_out
    ([1.5, inf], 1)
    """
    return _good(_marked(lives, keep))


def _marked(lives: FrameLike, keep: Sequence[str]) -> pl.DataFrame:
    """All lives as numbers, with whether they can be used."""
    table = with_numbers(lives, ("low_years", "high_years", *keep), _NUMBERS)
    found = table.collect_schema()
    for name in keep:
        if found[name].is_nested():
            raise SchemaError(
                "wrong_type", f"it is {found[name]}, not one value a life", column=name,
                table="lives", advice="give a column of text or of numbers",
            )  # fmt: skip
    entry = pl.col("entry_years") if "entry_years" in found else pl.lit(0.0)
    status = pl.col("status").fill_null("ok") if "status" in found else pl.lit("ok")
    low, high, seen = pl.col("low_years"), pl.col("high_years"), pl.col("entry_years")
    good = (
        pl.col(_USABLE)
        & (low.is_finite() & (low >= 0.0) & ~high.is_nan() & (high > 0.0) & (low <= high))
        & (seen.is_finite() & (seen >= 0.0) & (seen < high))
        & ~(high.is_infinite() & (low <= seen))
    ).fill_null(value=False)
    return (
        table.select(
            entry_years=entry.cast(pl.Float64).fill_null(0.0),
            low_years=low.cast(pl.Float64),
            high_years=high.cast(pl.Float64).fill_null(float("inf")),
            **{_USABLE: status == "ok"},
            **{name: pl.col(name) for name in keep},
        )
        .with_columns(good.alias(_USABLE))
        .collect()
    )


def _good(marked: pl.DataFrame) -> tuple[pl.DataFrame, int]:
    # Seen late, it was sound until then.
    seen = pl.max_horizontal("low_years", "entry_years")
    made = marked.filter(_USABLE).with_columns(low_years=seen).drop(_USABLE)
    return made, marked.height - made.height


def arrays(rows: pl.DataFrame) -> Observed:
    """The arrays of what `usable` gave.

    Examples
    --------
    >>> frame = pl.DataFrame({"low_years": [1.0], "high_years": [1.5]})
    >>> arrays(usable(frame)[0]).between
    True
    """
    return Observed(*(rows[name].to_numpy().astype(float) for name in _NUMBERS))


@dataclass(frozen=True)
class Group:
    """One group of lives: its name in each column, its usable rows, and how many are not.

    Examples
    --------
    >>> part = Group({"lot": "a"}, {"lot": pl.String()}, pl.DataFrame(), 0)
    >>> part.named(pl.DataFrame({"years": [1.0]})).rows()
    [('a', 1.0)]
    """

    names: dict[str, object]
    types: dict[str, pl.DataType]
    rows: pl.DataFrame
    n_left_out: int

    def named(self, table: pl.DataFrame) -> pl.DataFrame:
        """The table with the columns of names before its own."""
        lits = [pl.lit(name, self.types[by]).alias(by) for by, name in self.names.items()]
        return table.select(*lits, pl.all()) if table.height else _nameless(table, self.types)


def grouped(lives: FrameLike, by: Sequence[str], keep: Sequence[str] = ()) -> list[Group]:
    """All groups of the table in order of their names; rows without one belong to none.

    Without `by` all lives are one group.

    Examples
    --------
    >>> frame = pl.DataFrame({"lot": ["b", "a", None], "low_years": [1.0, 2.0, 3.0]})
    >>> parts = grouped(frame.with_columns(high_years=None), ["lot"])
    >>> [(part.names, part.rows.height) for part in parts]
    [({'lot': 'a'}, 1), ({'lot': 'b'}, 1)]
    """
    marked = _marked(lives, [*dict.fromkeys([*by, *keep])])
    if not by:
        return [Group({}, {}, *_good(marked))]
    types = {name: marked.schema[name] for name in by}
    known = marked.filter(pl.all_horizontal(pl.col(by).is_not_null()))
    parts = known.sort(by, maintain_order=True).group_by(by, maintain_order=True)
    return [Group(dict(zip(by, key, strict=True)), types, *_good(part)) for key, part in parts]


def _nameless(table: pl.DataFrame, types: dict[str, pl.DataType]) -> pl.DataFrame:
    return pl.DataFrame(schema={**types, **table.schema})


def together(
    parts: Sequence[tuple[Group, pl.DataFrame]], none: Mapping[str, Any], by: Sequence[str]
) -> pl.DataFrame:
    """The tables of all groups one below the other; without any group an empty one.

    Examples
    --------
    >>> together([], {"years": pl.Float64}, ["lot"]).columns
    ['lot', 'years']
    """
    if not parts:
        return pl.DataFrame(schema={**dict.fromkeys(by, pl.String), **none})
    return pl.concat([group.named(table) for group, table in parts])


def check_by(by: object, taken: Iterable[str] = ()) -> list[str]:
    """The columns of groups, from one text or a list of them, or `OptionError`; None: none.

    `taken` are columns of the result, which groups cannot be named by.

    Examples
    --------
    >>> check_by("lot"), check_by(["model", "lot"]), check_by(None)
    (['lot'], ['model', 'lot'], [])
    """
    if by is None:
        return []
    named = check_columns("by", by)
    return check_free("by", named, ("status", *taken), "columns of groups, such as lot")


def check_free(option: str, named: list[str], taken: Iterable[str], words: str) -> list[str]:
    """Columns that an option names, or `OptionError` where the lives need the name themselves.

    Examples
    --------
    >>> check_free("cause", ["why"], (), "a column of causes")
    ['why']
    """
    for name in named:
        if name in {*_NUMBERS, _USABLE, *taken}:
            raise OptionError(option, name, [words])
    return named
