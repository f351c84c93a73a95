"""When setpoints will leave their tolerance, and which switches to test next."""

from __future__ import annotations

from datetime import date
from typing import Any, Final, Literal

import numpy as np
import polars as pl

from ._core import t_cdf
from ._errors import OptionError, check_number, check_option
from ._frames import FrameLike, lazy, need_unique, plugin
from ._growth import Growth, check_growth
from ._history import YEAR_S, can_be_rated, date_of, day_of
from .schema import validate_switches

Side = Literal["lower", "upper"]

_DATES: Final = {
    "crossing": "crosses_on",
    "crossing_low": "crosses_from",
    "crossing_high": "crosses_to",
}
_ORDERS: Final = ("risk", "information")
#: Beyond every uncertainty of a test, Pa.
_MOST_U_PA: Final = 1e9
#: Nodes over what a test may find: where the test is far surer than the line, the answer is a step.
_NODES: Final = 1601


def forecast(
    fleet: Growth,
    switches: FrameLike,
    *,
    by: str = "switch_id",
    side: Side = "lower",
    now: date | None = None,
    until: date | None = None,
) -> pl.DataFrame:
    """The date at which a line crosses its limit, a row a switch, lot or model.

    The limit is `rated (1 - tolerance)` on the lower side, `rated (1 + tolerance)` on the upper
    one. The interval of the date is where the 95 % band of the line crosses it (Fieller 1954): it
    may be open at its end, and `never` is an answer. The line is straight and its uncertainty that
    of the fit; a switch that fails suddenly is not foreseen.

    Parameters
    ----------
    fleet
        what `growth` found.
    switches
        the switches table, for ratings and tolerances.
    by
        `switch_id`, or the one effect of `fleet` (`lot` or `model`): then the mean line of the
        group, if all its switches have one limit.
    side
        which limit. For an opening point the lower one is the unsafe side.
    now
        first date of interest; None: the date of the last test.
    until
        date at which `p_out_until` is told, and beyond which a crossing counts as never.

    Returns
    -------
    polars.DataFrame
        `by`, `limit_pa`, `p_out` (probability of being out at `now`), `p_out_until`, `p_towards`
        (of moving towards the limit), `outlook` (`already_out`, `crosses`, `may_cross`, `never`),
        `crosses_on` with the 95 % limits `crosses_from` and `crosses_to` (null: never; what is out
        already has no date), `status`. A switch without a rating, and a group whose switches have
        not all one limit, has `missing_value`; one with a rating that cannot be (not above zero, a
        tolerance that is no share between 0 and 1) has `bad_value`.

    Raises
    ------
    OptionError
        an unknown side or group, or a `fleet` that `growth` did not find.
    SchemaError
        `switches` lacks a column, for one that of the group.

    Examples
    --------
    >>> from deadband import growth
    >>> points, switches = _example()
    >>> found = forecast(growth(points), switches)
    >>> found.select("switch_id", "outlook", "crosses_on").row(1)
    ('s01', 'crosses', datetime.date(2037, 6, 6))
    """
    check_growth("fleet", fleet)
    check_option("side", side, ["lower", "upper"])
    lines = _lines(fleet, by)
    rated = _limits(switches, by, side, fleet)
    start = fleet.last if now is None else day_of("now", now)
    until = None if until is None else day_of("until", until)
    if until is not None and until < start:
        raise OptionError("until", str(until), [f"a date from {start} on"])
    inputs = lines.join(rated, on=by, how="left", maintain_order="left").with_columns(
        _origin=pl.lit(_years(fleet.origin)),
        _dof=pl.lit(None, pl.Float64),
        _upper=pl.lit(float(side == "upper")),
        _now=pl.lit(_years(start)),
        _until=pl.lit(None if until is None else _years(until), pl.Float64),
    )
    columns = [
        "_origin", "level_pa", "level_u_pa", "slope_pa_year", "slope_u_pa_year",
        "level_slope_cov", "_dof", "limit_pa", "_upper", "_now", "_until",
    ]  # fmt: skip
    return (
        inputs.with_columns(plugin("crossings", columns).alias("_found"))
        .unnest("_found")
        .with_columns(
            pl.col("limit_pa").fill_nan(None),
            *(
                pl.when(pl.col("outlook") != "already_out").then(date_of(pl.col(name))).alias(when)
                for name, when in _DATES.items()
            ),
        )
        .select(
            by, "limit_pa", "p_out", "p_out_until", "p_towards", "outlook", *_DATES.values(),
            "status",
        )
        .sort(by)
    )  # fmt: skip


def next_tests(
    fleet: Growth,
    switches: FrameLike,
    *,
    when: date,
    order: Literal["risk", "information"] = "risk",
    side: Side = "lower",
    u_pa: float | None = None,
) -> pl.DataFrame:
    """The switches in the order in which to test them next.

    `risk` is the probability that the line is beyond its limit at `when`. `information` is what one
    more test would tell, in bits, of whether it is: the entropy of that probability less its
    expectation over what the test may find, `H(p) - E[H(p | test)]` (Lindley 1956), with the test's
    uncertainty `u` and the excess between tests.

    Parameters
    ----------
    fleet
        what `growth` found.
    switches
        the switches table.
    when
        date of the next test.
    order
        by `risk` or by `information`.
    side
        which limit.
    u_pa
        standard uncertainty of the next test, Pa; None: the excess between tests alone.

    Returns
    -------
    polars.DataFrame
        `rank` from 1, `switch_id`, `level_pa` with `level_u_pa` at `when`, `limit_pa`, `p_out`,
        `information_bits`, `n_tests`, `status`; switches without a rating (`missing_value`) or with
        one that cannot be (`bad_value`) come last, without limit and probability.

    Raises
    ------
    OptionError
        an unknown order or side, `u_pa` or `when` that is none, or a `fleet` that `growth` did not
        find.
    SchemaError
        `switches` lacks a column.

    Examples
    --------
    >>> from deadband import growth
    >>> points, switches = _example()
    >>> found = next_tests(growth(points), switches, when=date(2032, 1, 1))
    >>> found.select("rank", "switch_id").row(0)
    (1, 's03')
    """
    check_growth("fleet", fleet)
    check_option("order", order, _ORDERS)
    check_option("side", side, ["lower", "upper"])
    pascal = "a number of pascal, zero or above"
    own = 0.0 if u_pa is None else check_number("u_pa", u_pa, pascal)
    if not 0.0 <= own < _MOST_U_PA:
        raise OptionError("u_pa", u_pa, [pascal])
    when = day_of("when", when)
    rated = _limits(switches, "switch_id", side, fleet)
    there = (
        fleet.at(when)
        .join(rated, on="switch_id", how="left", maintain_order="left")
        .join(fleet.switches.select("switch_id", "n_tests"), on="switch_id", maintain_order="left")
    )
    inward = 1.0 if side == "lower" else -1.0
    margin = inward * (there["level_pa"] - there["limit_pa"]).to_numpy()
    excess = float(fleet.components["variance"][3])
    test = own**2 + excess
    variance = there["level_u_pa"].to_numpy() ** 2
    p_out = _beyond(margin, variance)
    limit = pl.col("limit_pa")
    told = there.with_columns(
        limit.fill_nan(None),
        status=pl.when(limit.is_nan())
        .then(pl.lit("bad_value"))
        .when(limit.is_null())
        .then(pl.lit("missing_value"))
        .otherwise(pl.lit("ok")),
        p_out=pl.Series(p_out).fill_nan(None),
        information_bits=pl.Series(_information(margin, variance, test)).fill_nan(None),
    )
    key = "p_out" if order == "risk" else "information_bits"
    return (
        told.sort(key, "switch_id", descending=[True, False], nulls_last=True)
        .with_row_index("rank", offset=1)
        .select(
            "rank", "switch_id", "level_pa", "level_u_pa", "limit_pa", "p_out",
            "information_bits", "n_tests", "status",
        )
    )  # fmt: skip


def _years(when: date) -> float:
    return (when - date(2000, 1, 1)).days * 86400.0 / YEAR_S


def _example() -> tuple[pl.DataFrame, pl.DataFrame]:
    """Twelve invented switches of 60 Pa, tested five years running."""
    rows = [
        (f"s{i:02}", date(2020 + k, 6, 1), 60.0 + i % 3 - (0.3 + 0.1 * (i % 4)) * k, 0.2)
        for i in range(12)
        for k in range(5)
    ]
    names = ["switch_id", "tested_at", "open_pa", "open_u_pa"]
    points = pl.DataFrame(rows, schema=names, orient="row").with_columns(
        pl.int_range(pl.len()).cast(pl.String).alias("test_id"),
        pl.lit("ramp").alias("method"),
        *(pl.lit(None, pl.Float64).alias(name) for name in ("close_pa", "close_u_pa")),
    )
    switches = points.select("switch_id").unique(maintain_order=True)
    rating = [pl.lit(60.0).alias("rated_pa"), pl.lit("fall").alias("action")]
    return points, switches.with_columns(rating)


def _lines(fleet: Growth, by: str) -> pl.DataFrame:
    if by == "switch_id":
        return fleet.switches
    if by in fleet.groups.columns:
        others = {"level_pa", "level_u_pa", "slope_pa_year", "slope_u_pa_year",
                  "level_slope_cov", "n_switches", by}  # fmt: skip
        if set(fleet.groups.columns) <= others:
            return fleet.groups
    known = [name for name in ("model", "lot") if name in fleet.groups.columns]
    raise OptionError("by", by, ["switch_id", *(known if len(known) == 1 else [])])


def _limits(switches: FrameLike, by: str, side: Side, fleet: Growth) -> pl.DataFrame:
    group = [] if by == "switch_id" else [by]
    rated = validate_switches(lazy(switches, "switches"), need=group, keep_nan=True)
    need_unique(rated, "switch_id", "switches")
    inward = 1.0 - pl.col("tolerance") if side == "lower" else 1.0 + pl.col("tolerance")
    # No limit of such a rating: the kernel refuses it.
    limit = pl.when(can_be_rated()).then(pl.col("rated_pa") * inward).otherwise(float("nan"))
    stated = pl.all_horizontal(pl.col("rated_pa", "tolerance").is_not_null())
    each = rated.select("switch_id", *group, limit_pa=pl.when(stated).then(limit))
    if not group:
        return each.collect()
    used = each.join(fleet.switches.lazy().select("switch_id"), on="switch_id", how="semi")
    # Switches of different limits have no common date.
    one = pl.when(pl.col("limit_pa").n_unique() == 1).then(pl.col("limit_pa").first())
    return used.group_by(by).agg(limit_pa=one).collect()


def _beyond(margin: Any, variance: Any) -> Any:
    sd = np.sqrt(variance)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = -margin / sd
    law = np.vectorize(lambda value: t_cdf(float(value), float("inf")), otypes=[np.float64])
    return law(z)


def _entropy(p: Any) -> Any:
    q = np.clip(p, 1e-300, 1.0)
    rest = np.clip(1.0 - p, 1e-300, 1.0)
    return -(p * np.log2(q) + (1.0 - p) * np.log2(rest))


def _information(margin: Any, variance: Any, test: float) -> Any:
    """Bits that a test of this variance tells, by quadrature over where it puts the mean."""
    nodes = np.linspace(-8.0, 8.0, _NODES)
    weights = np.exp(-0.5 * nodes**2)
    shift = variance / np.sqrt(variance + test)
    left = variance * test / (variance + test)
    after = _beyond(margin[:, None] + shift[:, None] * nodes[None, :], left[:, None])
    expected = (_entropy(after) * weights).sum(axis=1) / weights.sum()
    return np.maximum(_entropy(_beyond(margin, variance)) - expected, 0.0)
