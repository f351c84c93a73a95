"""Lives as arrays: entry, and the ends of the interval in which each failed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl

from .._columns import need_columns
from .._errors import OptionError, SchemaError
from .._frames import FrameLike, lazy

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_NUMBERS: Final = ("entry_years", "low_years", "high_years")


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
    for name in numbers:
        if name in found and not (found[name].is_numeric() or found[name] == pl.Null):
            raise SchemaError(
                "wrong_type", f"it is {found[name]}, not a number", column=name, table="lives",
                advice="give years since installation",
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
    table = with_numbers(lives, ("low_years", "high_years", *keep), _NUMBERS)
    found = table.collect_schema()
    entry = pl.col("entry_years") if "entry_years" in found else pl.lit(0.0)
    status = pl.col("status").fill_null("ok") if "status" in found else pl.lit("ok")
    rows = table.select(
        entry_years=entry.cast(pl.Float64).fill_null(0.0),
        low_years=pl.col("low_years").cast(pl.Float64),
        high_years=pl.col("high_years").cast(pl.Float64).fill_null(float("inf")),
        _ok=status == "ok",
        **{name: pl.col(name) for name in keep},
    )
    low, high, seen = pl.col("low_years"), pl.col("high_years"), pl.col("entry_years")
    good = (
        pl.col("_ok")
        & (low.is_finite() & (low >= 0.0) & ~high.is_nan() & (high > 0.0) & (low <= high))
        & (seen.is_finite() & (seen >= 0.0) & (seen < high))
        & ~(high.is_infinite() & (low <= seen))
    ).fill_null(value=False)
    # Seen late, it was sound until then.
    taken = rows.filter(good).with_columns(low_years=pl.max_horizontal(low, seen)).drop("_ok")
    made = taken.collect()
    return made, rows.select(pl.len()).collect().item() - made.height


def arrays(rows: pl.DataFrame) -> Observed:
    """The arrays of what `usable` gave.

    Examples
    --------
    >>> frame = pl.DataFrame({"low_years": [1.0], "high_years": [1.5]})
    >>> arrays(usable(frame)[0]).between
    True
    """
    return Observed(*(rows[name].to_numpy().astype(float) for name in _NUMBERS))


def groups(rows: pl.DataFrame, by: str | None) -> list[tuple[object, pl.DataFrame]]:
    """The groups in order of their names; rows without one belong to none.

    Examples
    --------
    >>> frame = pl.DataFrame({"lot": ["b", "a", None], "low_years": [1.0, 2.0, 3.0]})
    >>> [(name, part.height) for name, part in groups(frame, "lot")]
    [('a', 1), ('b', 1)]
    """
    if by is None:
        return [(None, rows)]
    named = rows.filter(pl.col(by).is_not_null()).sort(by, maintain_order=True)
    return [(key[0], part) for key, part in named.group_by(by, maintain_order=True)]


def check_by(by: object) -> list[str]:
    """The columns that grouping needs, or `OptionError`.

    Examples
    --------
    >>> check_by("lot"), check_by(None)
    (['lot'], [])
    """
    if by is None:
        return []
    if not isinstance(by, str) or by in _NUMBERS or by == "status":
        raise OptionError("by", by, ["the name of a column of groups, such as lot"])
    return [by]
