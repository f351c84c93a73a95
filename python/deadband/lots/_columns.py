"""The columns of the table of lots."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import polars as pl

COUNTS: Final = (
    "n_switches", "n_in_service", "n_tested", "n_no_setpoint", "n_stuck", "n_maybe_stuck",
    "n_bad_rating", "n_tests",
)  # fmt: skip
DATES: Final = ("first_tested_on", "last_tested_on")
FRACTIONS: Final = ("fraction_unsafe", "fraction_nuisance", "fraction_outside")
NUMBERS: Final = (
    "raw_mean", "raw_mean_u", "mean", "mean_u", "mean_low", "mean_high", "sd", "sd_u", "sd_low",
    "sd_high", "gauge_u", "shrinkage",
    *(f"{name}{end}" for name in FRACTIONS for end in ("", "_low", "_high")),
)  # fmt: skip
#: Of these what depends on the shape of a lot's scatter.
RESHAPED: Final = tuple(name for name in NUMBERS if name not in {"gauge_u", "shrinkage"})
COUNTED: Final = ("counted_unsafe", "counted_nuisance")
COUNTED_SHARES: Final = tuple(
    f"counted_p_{side}{end}" for side in ("unsafe", "nuisance") for end in ("", "_low", "_high")
)
#: What `screen` says of one side; the counts and fractions of both are with the lots already.
OF_SIDE: Final = (
    "rank", "p_exceeds", "expected_fdr", "p_value", "p_stuck", "q_value", "p_counted",
    "p_exceeds_counted", "verdict", "n_more", "gauge_limits", "evidence",
)  # fmt: skip


class _Taken(frozenset[str]):
    """Names, and those of columns within the package, which begin with an underscore."""

    def __contains__(self, name: object) -> bool:
        return str(name).startswith("_") or super().__contains__(name)


#: Names that a column that makes lots cannot have: those of the tables of lots and of what is said
#: of them.
TAKEN: Final = _Taken(
    {
        *COUNTS, *DATES, *NUMBERS, *COUNTED, *COUNTED_SHARES, "unlike", "p_normal", "status",
        "switch_id", "state", "deviation", "own_u", "residual", "rated_pa", "tolerance", "action",
        "removed_on", "x", "variance",
        *(f"{name}{end}" for name in (*OF_SIDE, "stands")
          for end in ("", "_unsafe", "_nuisance")),
        "fraction", "fraction_low", "fraction_high", "counted",
        "shape", "log10_evidence", "n_effective", "side", "level", "fdr",
        "expected_cost", "cost_low", "cost_high", "p_best", "unsafe_left", "best", "n_sample",
        "value_of_knowing",
    }
)  # fmt: skip


def schema(by: str) -> dict[str, Any]:
    """Names and types of the table of lots."""
    return {
        **({} if by == "model" else {"model": pl.String}),
        by: pl.String,
        **dict.fromkeys(COUNTS, pl.Int32),
        **dict.fromkeys(DATES, pl.Date),
        **dict.fromkeys(NUMBERS, pl.Float64),
        **dict.fromkeys(COUNTED, pl.Int32),
        **dict.fromkeys(COUNTED_SHARES, pl.Float64),
        "unlike": pl.Boolean,
        "p_normal": pl.Float64,
        "status": pl.String,
    }


def keys_of(columns: Sequence[str], by: str) -> list[str]:
    """The columns that name a lot, of those of a table.

    Examples
    --------
    >>> keys_of(["model", "lot", "mean"], "lot"), keys_of(["model", "mean"], "model")
    (['model', 'lot'], ['model'])
    """
    return list(dict.fromkeys(name for name in ("model", by) if name in columns))
