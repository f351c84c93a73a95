"""The causes of a group of results: means, scatters and what is left unexplained."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from .._coverage import coverage_factor
from ._effects import Effect, Effects
from ._results import need_studies

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

ORDER: Final = (
    "lag", "refresh", "reaction", "resolution", "sampling", "reading", "switch", "calibration",
    "reference",
)  # fmt: skip
#: Causes that grow with the rate.
_OF_RATE: Final = ("lag", "refresh", "reaction")
_NUMBERS: Final = (
    "bias_pa", "bias_u_pa", "bias_low_pa", "bias_high_pa", "sd_pa", "sd_u_pa", "sd_low_pa",
    "sd_high_pa",
)  # fmt: skip
SCHEMA: Final = pl.Schema(
    {
        "cause": pl.String, **dict.fromkeys(_NUMBERS, pl.Float64), "n_results": pl.Int32,
        "n_switches": pl.Int32, "source": pl.String, "status": pl.String,
    }
)  # fmt: skip


def lines(
    pairs: pl.DataFrame, everything: pl.DataFrame, whole: Effects, by: list[str], confidence: float
) -> pl.DataFrame:
    """The rows of every group, groups and causes in their order."""
    switches = everything["switch_id"].to_list()
    indexed = pairs.with_row_index("_row")
    frames = []
    for keys, part in indexed.group_by(by, maintain_order=True):
        rows = part["_row"].to_numpy()
        group = _Group(part, rows, whole, switches, confidence)
        frames.append(
            pl.DataFrame(
                [
                    {**dict(zip(by, keys, strict=True)), **row, **group.counts}
                    for row in group.rows()
                ],
                schema=pl.Schema({name: pairs.schema[name] for name in by} | dict(SCHEMA)),
            )
        )
    return pl.concat(frames).sort(*by, maintain_order=True, nulls_last=True)


class _Group:
    def __init__(
        self, part: pl.DataFrame, rows: NDArray[Any], whole: Effects, switches: list[Any],
        confidence: float,
    ) -> None:  # fmt: skip
        self.whole, self.rows_used, self.confidence = whole, rows, confidence
        self.all_switches = switches
        self.switch = np.array([str(one) for one in part["switch_id"]])
        self.operator = part["operator_id"].to_list()
        names, self.cluster = np.unique(self.switch, return_inverse=True)
        self.n_switches, self.n = names.size, rows.size
        self.names = names.tolist()
        # Every switch counts alike, however often it was tested.
        self.weight = 1.0 / (names.size * np.bincount(self.cluster)[self.cluster])
        self.error = (part["value_pa"] - part["ref_pa"]).to_numpy()
        self.counts = {"n_results": self.n, "n_switches": self.n_switches}

    def rows(self) -> list[dict[str, Any]]:
        made, known = [], {}
        for name in ORDER:
            if name == "calibration":
                made.append(self._calibration())
            elif name in self.whole.causes:
                one = self._of(self.whole.causes[name])
                line = self._line(name, one)
                if line["status"] == "ok":
                    known[name] = one
                made.append(line)
        rate = [known[name] for name in _OF_RATE if name in known]
        if len(rate) > 1:
            apart = sum(self._scatter2(one) for one in rate)
            together = _signed(self._scatter2(_sum(rate)) - apart)
            made.append(_row("common_rate", bias_pa=0.0, bias_u_pa=0.0, sd_pa=together))
        complete = all(line["status"] == "ok" for line in made)
        return [*made, *self._totals(made, _sum(list(known.values())), complete=complete)]

    def _of(self, one: Effect) -> Effect:
        rows = self.rows_used
        return Effect(
            shift_pa=one.shift_pa[rows], variance_pa2=one.variance_pa2[rows],
            noise_pa2=one.noise_pa2[rows],
        )  # fmt: skip

    def _mean(self, of: Floats) -> float:
        return float(self.weight @ of)

    def _between(self, shift: Floats) -> float:
        """Variance of numbers that are known of each result."""
        if self.n < 2:
            return 0.0
        mean = self._mean(shift)
        return self.n / (self.n - 1) * self._mean((shift - mean) ** 2)

    def _scatter2(self, one: Effect) -> float:
        shifts = max(self._between(one.shift_pa) - self._mean(one.noise_pa2), 0.0)
        return shifts + self._mean(one.variance_pa2)

    def _line(self, name: str, one: Effect) -> dict[str, Any]:
        bias, scatter = self._mean(one.shift_pa), self._scatter2(one)
        if not (np.isfinite(bias) and np.isfinite(scatter)):
            return _row(name, status="missing_value", source=self._source(name))
        sd = scatter**0.5
        u, sd_u = self._u(name, one, sd)
        whole = self.whole
        if name == "lag" and not np.any(one.shift_pa):
            sd = np.hypot(sd, self._of_errors(whole.of_lag[self.rows_used]) ** 0.5)
        return _row(
            name,
            bias_pa=bias,
            bias_u_pa=u,
            sd_pa=float(sd),
            sd_u_pa=sd_u,
            source=self._source(name),
        )

    def _of_errors(self, of_lag: Floats) -> float:
        """Variance that errors of lags make among results of several rates and gauges."""
        columns = [*(of_lag * self.whole.lag_u_s).T, *self.whole.of_common[self.rows_used].T]
        return float(sum(self._between(column) for column in columns))

    def _source(self, name: str) -> str:
        if name != "reaction":
            return "predicted"
        sources = {self.whole.reactions[one].source for one in self.operator}
        return "estimated" if "estimated" in sources else "stated"

    def _u(self, name: str, one: Effect, sd: float) -> tuple[float, float | None]:
        """Standard uncertainties of a cause's mean and of its scatter."""
        whole, rows = self.whole, self.rows_used
        # The scatter of rates is that of these tests; who takes it for that of others has so much.
        rates = sd / (2.0 * max(self.n - 1, 1)) ** 0.5
        read_off = (self._mean(one.noise_pa2) / self.n) ** 0.5
        if name == "lag":
            lag = self._shared(whole.of_lag[rows] * whole.lag_u_s)
            common = self._shared(whole.of_common[rows])
            return float(np.hypot(np.hypot(lag, read_off), common)), rates
        if name == "reaction":
            pulls = self._pulls().items()
            u2 = sum((pull * whole.reactions[who].mean_u_s) ** 2 for who, pull in pulls)
            part = self._of_times(one, estimated=True) / (2.0 * sd) if sd else 0.0
            return float(np.hypot(u2**0.5, read_off)), float(np.hypot(rates, part))
        if name == "refresh":
            return read_off, None
        if name == "switch":
            return 0.0, sd / (4.0 * self.n) ** 0.5
        if name == "reference":
            return self._shared(whole.of_reference_lag[rows] * whole.lag_u_s), None
        return 0.0, None

    def _of_times(self, one: Effect, *, estimated: bool) -> float:
        """Standard uncertainty of the variance that scattering times of reaction make, Pa2."""
        total = 0.0
        for who in dict.fromkeys(self.operator):
            told = self.whole.reactions[who]
            if told.sd_s > 0.0 and (estimated or not told.pull):
                theirs = np.array([name == who for name in self.operator])
                square = self._mean(np.where(theirs, one.variance_pa2, 0.0))
                total += (2.0 * square * told.sd_u_s / told.sd_s) ** 2
        return float(total**0.5)

    def _uncertain(self) -> float:
        """Standard uncertainty of the variance predicted, Pa2.

        Not that of times which were estimated: they were made to fit the scatter seen.
        """
        causes = self.whole.causes
        switch = float(self._mean(self._of(causes["switch"]).variance_pa2) / self.n**0.5)
        if "reaction" not in causes:
            return switch
        return float(
            np.hypot(switch, self._of_times(self._of(causes["reaction"]), estimated=False))
        )

    def _shared(self, by_gauge: Floats) -> float:
        """Standard uncertainty of a mean whose results err alike with each gauge."""
        return float(np.sqrt(((self.weight @ by_gauge) ** 2).sum()))

    def _lags(self) -> float:
        """Standard uncertainty by the lags of what is left.

        A lag that was found from the reference results goes with their mean: a line's slope and
        its height are independent only at the weighted mean of its abscissae.
        """
        whole, rows = self.whole, self.rows_used
        own, other = (self.weight @ of[rows] for of in (whole.of_lag, whole.of_reference_lag))
        centre = np.where(other != 0.0, whole.centre_pa_s, np.nan)
        apart = own - other
        square = apart**2 + np.nan_to_num(2.0 * apart * (other - centre))
        return float(np.sqrt(np.maximum(square, 0.0) @ whole.lag_u_s**2))

    def _pulls(self) -> dict[str | None, float]:
        slope = self.weight * self.whole.slope_pa_s[self.rows_used]
        pulls: dict[str | None, float] = {}
        for operator, one in zip(self.operator, slope, strict=True):
            pulls[operator] = pulls.get(operator, 0.0) + float(one)
        return pulls

    def _calibration(self) -> dict[str, Any]:
        of = self.whole.of_gauge[self.rows_used]
        if not np.all(self.whole.accuracy_told[self.rows_used]):
            return _row("calibration", status="missing_value")
        of = of - self.whole.of_reference_gauge[self.rows_used]
        return _row("calibration", bias_pa=0.0, bias_u_pa=self._shared(of), sd_pa=0.0)

    def _totals(
        self, made: list[dict[str, Any]], one: Effect, *, complete: bool
    ) -> list[dict[str, Any]]:
        whole, rows = self.whole, self.rows_used
        of_gauge = whole.of_gauge[rows] - whole.of_reference_gauge[rows]
        alike = float(np.hypot(self._lags(), self._shared(of_gauge)))
        alike = float(np.hypot(alike, self._shared(whole.of_common[rows])))
        us = {line["cause"]: line["bias_u_pa"] or 0.0 for line in made}
        u = float(np.hypot(alike, us.get("reaction", 0.0)))
        sum_of = sum(_square(line) for line in made)
        uncertain = self._uncertain()
        predicted = _row(
            "predicted", bias_pa=self._mean(one.shift_pa), bias_u_pa=u, sd_pa=_signed(sum_of),
            status="ok" if complete else "incomplete",
        )  # fmt: skip
        left = self.error - one.shift_pa
        expected = self._mean(whole.left_pa2[rows])
        # Squares of a few errors that are normal: known to the square root of two.
        errors = self._of_errors(whole.of_lag[rows] - whole.of_reference_lag[rows])
        expected, uncertain = expected + errors, float(np.hypot(uncertain, 2.0**0.5 * errors))
        # Against the truth the reference's gauge is off too, whoever else was tested with it.
        gauge = self._shared(whole.of_reference_gauge[rows])
        of_reference = float(np.hypot(us.get("reference", 0.0), gauge))
        observed = self._seen("observed", self.error, of_reference, (0.0, 0.0), estimated=False)
        return [
            predicted, observed,
            self._seen("unexplained", left, alike, (expected, uncertain), estimated=True),
        ]  # fmt: skip

    def _seen(
        self, name: str, of: Floats, alike: float, expected: tuple[float, float], *,
        estimated: bool,
    ) -> dict[str, Any]:  # fmt: skip
        """A mean over switches and the scatter of one result about it, less what is expected."""
        source = "difference" if estimated else "observed"
        mean = self._mean(of)
        if self.n_switches < 2:
            return _row(name, bias_pa=mean, source=source, status="one_switch")
        own = self._by_switch(self.weight * (of - mean), estimated=estimated)
        stated = self._stated_u() if estimated else 0.0
        m = own.size
        square = m / (m - 1) * float(own @ own)
        u2 = square + alike**2 + stated**2
        dof = self._dof(m, estimated=estimated)
        dof = dof * (u2 / square) ** 2 if square > 0.0 else np.inf
        half = coverage_factor(dof, self.confidence) * u2**0.5
        low, sd, high, sd_u = self._spread(of, expected, self._alike())
        return _row(
            name, bias_pa=mean, bias_u_pa=u2**0.5, bias_low_pa=mean - half,
            bias_high_pa=mean + half, sd_pa=sd, sd_u_pa=sd_u, sd_low_pa=low,
            sd_high_pa=high, source=source,
        )  # fmt: skip

    def _alike(self) -> float:
        """How far results of unlike variances tell as much of their mean as alike ones, 0 to 1."""
        own = self.whole.left_pa2[self.rows_used]
        square = float((own**2).sum())
        return float(own.sum()) ** 2 / (self.n * square) if square > 0.0 else 1.0

    def _stated_u(self) -> float:
        pulls = self._pulls() if self.whole.reactions else {}
        of = self.whole.reactions
        told = [(pull, of[name]) for name, pull in pulls.items() if not of[name].pull]
        squares = [(pull * one.mean_u_s) ** 2 for pull, one in told if np.isfinite(one.mean_s)]
        return float(sum(squares) ** 0.5)

    def _by_switch(self, own: Floats, *, estimated: bool) -> Floats:
        """What each switch adds to the error of a mean, the times estimated from it counted in."""
        sums = dict(zip(self.names, np.bincount(self.cluster, own).tolist(), strict=True))
        if estimated and self.whole.reactions:
            for operator, pull in self._pulls().items():
                told = self.whole.reactions[operator]
                for row, by in told.pull.items():
                    name = str(self.all_switches[row])
                    sums[name] = sums.get(name, 0.0) - pull * by * told.rest_pa[row]
        return np.array(list(sums.values()), np.float64)

    def _dof(self, m: int, *, estimated: bool) -> float:
        """Degrees of freedom of a variance among switches whose parts are not alike.

        `(sum v)**2 / sum v**2` of the variances predicted (Satterthwaite 1946), as many as `m - 1`
        where they are the same.
        """
        rows = self.rows_used
        left, tests = self.whole.left_pa2[rows], self.whole.test_row[rows].tolist()
        parts = {
            row: (w, v)
            for row, w, v in zip(tests, self.weight.tolist(), left.tolist(), strict=True)
        }
        if estimated and self.whole.reactions:
            for operator, pull in self._pulls().items():
                told = self.whole.reactions[operator]
                for row, by in told.pull.items():
                    weight, square = parts.get(row, (0.0, told.rest_pa2[row]))
                    parts[row] = (weight - pull * by, square)
        sums: dict[Any, float] = {}
        for row, (weight, square) in parts.items():
            switch = self.all_switches[row]
            sums[switch] = sums.get(switch, 0.0) + float(weight**2 * square)
        of = np.array(list(sums.values()))
        whole = float((of**2).sum())
        return (m - 1) / m * float(of.sum()) ** 2 / whole if whole > 0.0 else m - 1.0

    def _spread(
        self, of: Floats, expected: tuple[float, float], alike: float
    ) -> tuple[float | None, float | None, float | None, float | None]:
        """Signed square roots of a variance less the one expected, with its interval."""
        if self.n < 3:
            return None, None, None, None
        variance, dof = _one_way(of, self.cluster)
        dof *= alike
        chi2 = need_studies("the scatter of results").stats.chi2
        tail = 0.5 * (1.0 - self.confidence)
        ends = [dof * variance / float(chi2.ppf(p, dof)) for p in (1.0 - tail, tail)]
        wide = coverage_factor(np.inf, self.confidence) * expected[1]
        left = variance - expected[0]
        low = left - float(np.hypot(variance - ends[0], wide))
        high = left + float(np.hypot(ends[1] - variance, wide))
        u = float(np.hypot(variance * (2.0 / dof) ** 0.5, expected[1]))
        sd = _signed(left)
        return _signed(low), sd, _signed(high), u / (2.0 * max(abs(sd), u**0.5 / 2.0)) if u else 0.0


def _one_way(of: Floats, cluster: NDArray[Any]) -> tuple[float, float]:
    """Variance of one result of any switch and its degrees of freedom.

    Mean squares between and within switches (Searle, Casella and McCulloch 1992, from memory),
    their sum's degrees of freedom by Satterthwaite (1946).
    """
    count = np.bincount(cluster).astype(np.float64)
    m, n = count.size, float(of.size)
    means = np.bincount(cluster, of) / count
    between = float(count @ (means - of.mean()) ** 2) / (m - 1)
    typical = (n - float(count @ count) / n) / (m - 1)
    if n == m:
        return between, m - 1.0
    within = float(((of - means[cluster]) ** 2).sum()) / (n - m)
    a, b = between / typical, (1.0 - 1.0 / typical) * within
    total = a + b
    dof = total**2 / (a**2 / (m - 1) + b**2 / (n - m)) if total > 0.0 else n - 1.0
    return total, dof


def _sum(of: list[Effect]) -> Effect:
    return Effect(
        shift_pa=np.sum([one.shift_pa for one in of], axis=0),
        variance_pa2=np.sum([one.variance_pa2 for one in of], axis=0),
        # The display at the change stands in lag and reaction with opposite signs.
        noise_pa2=of[0].noise_pa2,
    )


def _square(line: dict[str, Any]) -> float:
    sd = line["sd_pa"] or 0.0
    return float(sd * abs(sd))


def _signed(square: float) -> float:
    return float(np.sign(square) * abs(square) ** 0.5)


def _row(
    cause: str, source: str = "predicted", status: str = "ok", **numbers: Any
) -> dict[str, Any]:
    nothing = dict.fromkeys(_NUMBERS)
    return {"cause": cause, **nothing, **numbers, "source": source, "status": status}
