"""Whether a verdict on a lot stands where scatter has another shape than a normal one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import polars as pl

from .._errors import OptionError, check_list, check_option
from ._columns import keys_of
from ._exceed import Side
from ._lots import Lots
from ._posterior import FEWEST
from ._shape import SHAPES, ShapeName
from .screening import screen

_TOLD: Final = (
    "fraction", "fraction_low", "fraction_high", "p_exceeds", "p_value", "q_value",
)  # fmt: skip


def sensitivity(
    lots: Lots,
    *,
    fraction: float = 0.05,
    side: Side = "unsafe",
    fdr: float = 0.05,
    shapes: Sequence[ShapeName] = SHAPES,
    seed: int = 0,
) -> pl.DataFrame:
    """What `screen` says of each lot were the scatter of its switches of another shape.

    A fraction out of tolerance is told by the far end of a curve, of which a lot of ten switches
    shows nothing. Here each lot is judged anew for each shape (`Lots.under`): a verdict that stands
    under all of them does not rest on the normal curve, one that does not needs more tests or what
    was counted. How well a lot's tests agree with a shape is in `log10_evidence`; summed over lots
    that come from one line it may tell what one lot cannot. A picture: `plots.sensitivity`.

    Parameters
    ----------
    lots
        what `distribution` found.
    fraction, side, fdr
        as in `screen`.
    shapes
        those of `Lots.under`: `normal`, `heavy_tails`, `light_tails`, `skew_low`, `skew_high`.
    seed
        of the draws.

    Returns
    -------
    polars.DataFrame
        A row a lot and shape, lots in the order of `screen`: `rank`, model, lot, `shape`,
        `n_tested`, the fraction of this side with its interval, `p_exceeds`, `p_value`, `q_value`
        and `verdict` as in `screen`, all lots taken for of this shape; `stands`, whether the
        verdict is that of the normal shape; `log10_evidence`, the logarithm to the base 10 of how
        much better the lot's results agree with this shape than with the normal one (Bayes
        factor; 1: ten to one); `n_effective`, draws that weigh anything; `status`: that of the
        lot, or `too_few_draws`: fewer than 100 draws agree with the shape, or they cannot tell so
        small a p-value as so many lots ask for; its numbers are null.

    Raises
    ------
    OptionError
        an option is unknown or out of range, or `lots` are none.
    ImportError
        SciPy or statsmodels is not installed.

    Examples
    --------
    >>> from deadband.lots import distribution
    >>> random = np.random.default_rng(4)
    >>> lot = np.repeat(["L1", "L2", "L3"], 12)
    >>> true = np.repeat([60.0, 60.5, 54.5], 12) + random.normal(0.0, 1.2, 36)
    >>> switches = pl.DataFrame({"switch_id": [f"s{i}" for i in range(36)], "lot": lot})
    >>> switches = switches.with_columns(rated_pa=pl.lit(60.0), action=pl.lit("fall"))
    >>> points = switches.select("switch_id", test_id="switch_id", method=pl.lit("ramp"))
    >>> points = points.with_columns(
    ...     open_pa=pl.Series(true + random.normal(0.0, 0.5, 36)), open_u_pa=pl.lit(0.5),
    ...     close_pa=None, close_u_pa=None,
    ... )
    >>> told = sensitivity(distribution(points, switches), shapes=["heavy_tails", "skew_low"])
    >>> told.group_by("lot", maintain_order=True).agg("verdict", pl.col("stands").all()).row(0)
    ('L3', ['exceeds', 'exceeds'], True)
    """  # fmt: skip
    if not isinstance(lots, Lots):
        raise OptionError("lots", type(lots).__name__, ["what distribution found"])
    given: Any = [shapes] if isinstance(shapes, str) else shapes
    check_list("shapes", given, '["normal", "skew_low"]')
    for shape in given:
        check_option("shapes", shape, SHAPES)
    wanted: list[Any] = list(dict.fromkeys(given))
    if not wanted:
        raise OptionError("shapes", shapes, SHAPES)
    normal = lots.under("normal")
    first = screen(normal, fraction=fraction, side=side, fdr=fdr)
    moved = [normal.under(shape, seed=seed) for shape in wanted]
    return compared(normal, first, moved, fraction=fraction, side=side, fdr=fdr)


def compared(
    lots: Lots,
    first: pl.DataFrame,
    moved: Sequence[Lots],
    *,
    fraction: float,
    side: Side,
    fdr: float,
) -> pl.DataFrame:
    """`sensitivity` of `lots` that are screened already (`first`), in their order."""
    keys = keys_of(first.columns, lots.by)
    parts = []
    for i, one in enumerate(moved):
        screened = first if one is lots else screen(one, fraction=fraction, side=side, fdr=fdr)
        parts.append(
            _with_worth(one, screened, keys).with_columns(shape=pl.lit(one.shape), _shape=pl.lit(i))
        )
    # A small p-value that so few draws cannot tell is none that changes a verdict.
    floor = (pl.col("p_value") <= pl.col("_floor")) & (pl.col("verdict") != pl.col("_normal"))
    few = (pl.col("n_effective") < FEWEST) | floor
    lost = few.fill_null(value=False)
    return (
        first.select("rank", *keys, _normal="verdict")
        .join(pl.concat(parts), on=keys, how="left", nulls_equal=True)
        .with_columns(
            *(pl.when(~lost).then(name).alias(name) for name in (*_TOLD, "verdict")),
            status=pl.when(lost).then(pl.lit("too_few_draws")).otherwise("status"),
        )
        .with_columns(stands=pl.col("verdict") == pl.col("_normal"))
        .sort("rank", "_shape")
        .select(
            "rank", *keys, "shape", "n_tested", *_TOLD, "verdict", "stands", "log10_evidence",
            "n_effective", "status",
        )
    )  # fmt: skip


def _with_worth(lots: Lots, screened: pl.DataFrame, keys: list[str]) -> pl.DataFrame:
    """The screened lots, with what their draws are worth."""
    known = lots.lots.filter(pl.col("status") == "ok").select(keys)
    effective: Any = np.full(known.height, lots.n_effective)
    evidence, floor = np.zeros((2, known.height))
    if lots.drawn is not None:
        floor = 0.5001 / lots.drawn.own_effective
        effective = np.minimum(lots.drawn.effective, lots.drawn.own_effective)
        evidence = lots.drawn.log_evidence / math.log(10.0)
    worth = known.with_columns(
        n_effective=pl.Series(effective, dtype=pl.Float64),
        log10_evidence=pl.Series(evidence, dtype=pl.Float64),
        _floor=pl.Series(floor, dtype=pl.Float64),
    )
    return screened.select(*keys, "n_tested", *_TOLD, "verdict", "status").join(
        worth, on=keys, how="left", nulls_equal=True
    )
