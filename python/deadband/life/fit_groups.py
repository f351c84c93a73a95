"""A life distribution for each of several groups, such as lots: whose B10 comes first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import polars as pl

from .._errors import OptionError
from .._frames import FrameLike, lazy
from ._candidates import PARAMETERS, QUANTILES
from ._observed import Group, check_by, grouped, together
from .parametric import SHARES, Distribution, LifeFit, Options

_GROUPS: Final = {
    "n": pl.Int64, "n_failed": pl.Int64, "n_left_out": pl.Int64, "distribution": pl.String,
    "log_likelihood": pl.Float64, "aic": pl.Float64, "status": pl.String,
}  # fmt: skip
_TOLD: Final = {"n": pl.Int64, "n_failed": pl.Int64, "status": pl.String}
_TAKEN: Final = {*_GROUPS, *PARAMETERS, *QUANTILES, *SHARES}


@dataclass(frozen=True)
class LifeFits:
    """Life distributions of several groups.

    Every table has the columns of `by` before its own, and its groups in order of their names.

    Attributes
    ----------
    groups
        a row a group: `n`, `n_failed`, `n_left_out`, `distribution`, `log_likelihood`, `aic`,
        `status`, as of `LifeFit`.
    quantiles
        a row a group and share: `share_failed`, `years`, `low_years`, `high_years`, and `n`,
        `n_failed`, `status` of the group; null where nothing was fitted.
    parameters
        `parameter`, `value`, `u`, `low`, `high` of the groups that were fitted.
    fits
        the `LifeFit` of each group, by its name, or by its names as a tuple where `by` is a list:
        for `plots.life` and `returns`.
    n_nameless
        lives without a name in a column of `by`, which are in no group.

    Examples
    --------
    >>> empty = pl.DataFrame()
    >>> LifeFits(empty, empty, empty, {}, 0).share_failed([1.0]).is_empty()
    True
    """

    groups: pl.DataFrame
    quantiles: pl.DataFrame
    parameters: pl.DataFrame
    fits: Mapping[object, LifeFit]
    n_nameless: int

    def share_failed(self, years: Sequence[float]) -> pl.DataFrame:
        """The share of each group that has failed at these ages, with its interval.

        Returns
        -------
        polars.DataFrame
            a row a group and age: `years`, `share_failed`, `low`, `high`, and `n`, `n_failed`,
            `status` of the group.

        Raises
        ------
        OptionError
            an age is no positive number.

        Examples
        --------
        >>> lives = pl.DataFrame({"lot": ["a"] * 5 + ["b"], "low_years": [1.0, 2, 3, 4, 5, 6]})
        >>> found = fit_groups(lives.with_columns(high_years="low_years"))
        >>> found.share_failed([3.0]).select("lot", pl.col("share_failed").round(2)).rows()
        [('a', 0.53), ('b', None)]
        """
        keys = self.groups.select(pl.exclude(*_GROUPS))
        none = keys.clear().join(pl.DataFrame(schema={**SHARES, **_TOLD}), how="cross")
        parts = [
            keys.slice(i, 1).join(_told(found, found.share_failed(years)), how="cross")
            for i, found in enumerate(self.fits.values())
        ]
        return pl.concat([none, *parts])


def fit_groups(
    lives: FrameLike,
    *,
    by: str | Sequence[str] = "lot",
    distribution: Distribution | Literal["best"] = "weibull",
    quantiles: Sequence[float] = (0.01, 0.05, 0.10, 0.50),
    shape: float | None = None,
    covariates: Sequence[str] = (),
    at: Mapping[str, float] | None = None,
    confidence: float = 0.95,
) -> LifeFits:
    """`fit` for each group alone: whose B10 comes first, and how surely.

    A group that cannot be fitted has a status and nulls, and stops no other. Lots of few failures
    are told by a `shape` that is stated for all of them.

    Two intervals that overlap do not say that the groups are alike, nor does the earliest of many
    B10s say that its lot is bad: `compare` tests that, for having looked at every group.

    Parameters
    ----------
    lives
        the table of `lives`, or any frame like it.
    by
        a column of groups, such as `lot`, or a list of them, such as `["model", "lot"]`, which
        keeps lots of two models apart that bear one name.
    distribution, quantiles, shape, confidence
        as of `fit`, for every group. With `best` each has its own distribution.
    covariates
        as of `fit`.
    at
        values of the covariates at which all groups are compared; None: their means over all lives
        that can be used.

    Returns
    -------
    LifeFits

    Raises
    ------
    SchemaError
        a column is missing or holds no numbers.
    OptionError
        as of `fit`, or `by` is no column of groups.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> lives = pl.DataFrame(
    ...     {
    ...         "lot": ["a"] * 6 + ["b"] * 6 + ["c"] * 2,
    ...         "low_years": [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.0, 4.0, 5.0, 6.0, 6.0, 6.0, 1.0, 6.0],
    ...         "high_years": [0.5, 1.0, 1.5, 2.0, 2.5, None, 3.0, 4.0, 5.0] + [None] * 3
    ...         + [1.0, None],
    ...     }
    ... )  # fmt: skip
    >>> found = fit_groups(lives, quantiles=[0.1])
    >>> tenth = found.quantiles.filter(share_failed=0.1)
    >>> tenth.select("lot", pl.col("years", "low_years", "high_years").round(1)).rows()
    [('a', 0.6, 0.1, 1.3), ('b', 3.1, 0.3, 5.3), ('c', None, None, None)]
    >>> found.groups.filter(lot="c")["status"].item()
    'too_few_failures'
    """
    if by is None:
        raise OptionError("by", by, ["a column of groups, such as lot"])
    columns = check_by(by, _TAKEN)
    options = Options.of(
        distribution, quantiles, shape=shape, covariates=covariates, at=at, confidence=confidence
    )
    groups = grouped(lives, columns, options.covariates)
    options = options.centred([group.rows for group in groups])
    found = [(group, options.fitted(group.rows, group.n_left_out)) for group in groups]
    told = [(group, _told(one, one.quantiles)) for group, one in found]
    rows = lazy(lives, "lives").select(pl.len()).collect().item()
    return LifeFits(
        together([(group, _summary(one)) for group, one in found], _GROUPS, columns),
        together(told, {**QUANTILES, **_TOLD}, columns),
        together([(group, one.parameters) for group, one in found], PARAMETERS, columns),
        {_name(group, alone=isinstance(by, str)): one for group, one in found},
        rows - sum(one.n + one.n_left_out for _, one in found),
    )


def _name(group: Group, *, alone: bool) -> object:
    names = tuple(group.names.values())
    return names[0] if alone else names


def _summary(found: LifeFit) -> pl.DataFrame:
    row = {name: getattr(found, name) for name in _GROUPS}
    return pl.DataFrame([row], schema=_GROUPS)


def _told(found: LifeFit, table: pl.DataFrame) -> pl.DataFrame:
    """The table with what the group rests on beside it."""
    return table.with_columns(
        pl.lit(getattr(found, name), dtype).alias(name) for name, dtype in _TOLD.items()
    )
