"""A value with its uncertainty, and a stated lag."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import floor, inf, isfinite, log10, sqrt
from typing import Any, Final

from ._core import t_quantile
from ._errors import DeadbandError


@dataclass(frozen=True)
class Estimate:
    """A value, its standard uncertainty and its effective degrees of freedom (JCGM 100).

    Attributes
    ----------
    value
        best value, in `unit`.
    u
        standard uncertainty, in `unit`.
    dof
        effective degrees of freedom; infinite where `u` is known.
    unit
        unit of `value` and `u`.

    Examples
    --------
    >>> opened = Estimate(60.24, 0.31, 9.0)
    >>> print(opened)
    60.24 Pa ± 0.70 Pa (95 %, k = 2.26)
    >>> [round(limit, 2) for limit in opened.interval(0.95)]
    [59.54, 60.94]
    """

    value: float
    u: float
    dof: float = inf
    unit: str = "Pa"

    def coverage_factor(self, p: float = 0.95) -> float:
        """Coverage factor `k` for coverage probability `p`: the quantile of Student's t.

        Examples
        --------
        >>> round(Estimate(0.0, 1.0, 4.0).coverage_factor(0.95), 3)
        2.776
        """
        if not 0.0 < p < 1.0:
            told = f"the coverage probability is {p}"
            raise DeadbandError("bad_value", told, advice="use 0 to 1")
        return t_quantile(0.5 + p / 2.0, self.dof)

    def expanded(self, p: float = 0.95) -> float:
        """Expanded uncertainty `U = k u` for coverage probability `p`, in `unit`.

        Examples
        --------
        >>> round(Estimate(0.0, 0.5).expanded(0.95), 3)
        0.98
        """
        return self.coverage_factor(p) * self.u

    def interval(self, p: float = 0.95) -> tuple[float, float]:
        """The coverage interval `value - U, value + U`, in `unit`.

        Examples
        --------
        >>> low, high = Estimate(10.0, 1.0).interval(0.95)
        >>> round(low, 2), round(high, 2)
        (8.04, 11.96)
        """
        expanded = self.expanded(p)
        return self.value - expanded, self.value + expanded

    def scaled(self, factor: float, unit: str) -> Estimate:
        """The same estimate in a unit of which one present unit makes `factor`.

        Examples
        --------
        >>> Estimate(249.0889, 24.90889).scaled(1 / 249.0889, "inH2O")
        Estimate(value=1.0, u=0.1, dof=inf, unit='inH2O')
        """
        return Estimate(self.value * factor, self.u * factor, self.dof, unit)

    def __str__(self) -> str:
        expanded = self.expanded()
        digits = 2 if not expanded or not isfinite(expanded) else 1 - floor(log10(expanded))
        places = max(0, digits)
        return (
            f"{self.value:.{places}f} {self.unit} ± {expanded:.{places}f} {self.unit} "
            f"(95 %, k = {self.coverage_factor():.2f})"
        )


_PARTS: Final = ("dead_time_s", "time_constant_s", "time_constant_u_s")


@dataclass(frozen=True)
class Lag:
    """A gauge's mean lag as stated by somebody: dead time plus time constant.

    Attributes
    ----------
    lag_s
        mean lag, s.
    u
        its standard uncertainty, s.
    dof
        its degrees of freedom.
    dead_time_s, time_constant_s
        its two parts, s, where both are known; see `parts`.
    time_constant_u_s
        standard uncertainty of their split at a known sum, s; None: taken as exact.

    Examples
    --------
    >>> Lag(0.40, u=0.03).u
    0.03
    """

    lag_s: float
    u: float
    dof: float = inf
    dead_time_s: float | None = None
    time_constant_s: float | None = None
    time_constant_u_s: float | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        if not (isfinite(self.lag_s) and isfinite(self.u) and self.u >= 0.0 and self.dof > 0.0):
            raise DeadbandError(
                "bad_value",
                f"the lag is {self.lag_s} s with u = {self.u} s and {self.dof} degrees of freedom",
                advice="give finite seconds, u zero or above, dof above zero",
            )
        if self._parts_cannot_be():
            raise DeadbandError(
                "bad_value",
                f"the dead time is {self.dead_time_s} s and the time constant "
                f"{self.time_constant_s} s (u = {self.time_constant_u_s} s) of a lag of "
                f"{self.lag_s} s",
                advice="give seconds, zero or above, that add up to the lag",
            )

    def _parts_cannot_be(self) -> bool:
        if all(getattr(self, name) is None for name in _PARTS):
            return False
        import polars as pl

        from .schema import parts_cannot_be

        row = {name: [getattr(self, name)] for name in ("lag_s", *_PARTS)}
        frame = pl.DataFrame(row, schema=dict.fromkeys(row, pl.Float64))
        return bool(frame.select(parts_cannot_be()).item())

    @classmethod
    def parts(
        cls,
        dead_time_s: float,
        time_constant_s: float,
        *,
        u: float,
        time_constant_u_s: float | None = None,
    ) -> Lag:
        """A lag whose dead time and time constant are both known, `u` being that of their sum.

        `time_constant_u_s` is the standard uncertainty of the split of a known sum, None for one
        that is taken as exact.

        Examples
        --------
        >>> Lag.parts(0.1, 0.3, u=0.02).lag_s
        0.4
        """
        if not (dead_time_s >= 0.0 and time_constant_s >= 0.0):
            raise DeadbandError(
                "bad_value",
                f"the dead time is {dead_time_s} s and the time constant {time_constant_s} s",
                advice="give seconds, zero or above",
            )
        whole = dead_time_s + time_constant_s
        return cls(
            whole,
            u=u,
            dead_time_s=dead_time_s,
            time_constant_s=time_constant_s,
            time_constant_u_s=time_constant_u_s,
        )

    @classmethod
    def of(cls, lags: Any) -> Lag:
        """The lag in a lags table of one row, with both its parts where the row has them.

        Examples
        --------
        >>> import polars as pl
        >>> Lag.of(pl.DataFrame({"gauge_id": ["g"], "lag_s": [0.4], "lag_u_s": [0.03]}))
        Lag(lag_s=0.4, u=0.03, dof=inf, dead_time_s=None, time_constant_s=None)
        """
        from ._frames import lazy
        from .schema import validate_lags

        rows = validate_lags(lazy(lags, "lags"), keep_nan=True).collect()
        if rows.height != 1:
            raise DeadbandError(
                "not_one_row",
                f"it has {rows.height} rows",
                location="table lags",
                advice="filter it to the gauge in question",
            )
        row = rows.row(0, named=True)
        if row["lag_s"] is None or row["lag_u_s"] is None:
            raise DeadbandError(
                "lag_unidentified",
                row["reason"] or "the row holds no lag with an uncertainty",
                location="table lags",
            )
        dof = inf if row["dof"] is None else row["dof"]
        return cls(row["lag_s"], u=row["lag_u_s"], dof=dof, **{name: row[name] for name in _PARTS})

    @classmethod
    def between(cls, low_s: float, high_s: float) -> Lag:
        """A lag known only to lie between two limits: rectangular, `u = width / sqrt(12)`.

        Source: JCGM 100, 4.3.7.

        Examples
        --------
        >>> lag = Lag.between(0.0, 1.2)
        >>> round(lag.lag_s, 3), round(lag.u, 3)
        (0.6, 0.346)
        """
        return cls((low_s + high_s) / 2.0, u=abs(high_s - low_s) / sqrt(12.0))
