"""Lives with a known distribution, and published ones as tables, for the tests of `db.life`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl
import pytest

from deadband.life._observed import Observed

LIVES = {"low_years": pl.Float64, "high_years": pl.Float64}


def published(check: dict[str, Any]) -> dict[str, Any]:
    """The printed values of a check by name, each with its tolerance."""
    return {
        one["name"]: pytest.approx(one["value"], abs=one.get("abs_tol", 0.0))
        for one in check["expected"]
        if "value" in one
    }


def dated(times: Sequence[float], failed: Sequence[float]) -> pl.DataFrame:
    """Failures on known days, the others censored on the right."""
    rows = [(t, t if f else None) for t, f in zip(times, failed, strict=True)]
    return pl.DataFrame(rows, schema=LIVES, orient="row")


def inspected(
    rng: np.random.Generator, n: int, *, scale: float = 5.0, sigma: float = 0.5,
    exact: bool = False, normal: bool = False,
) -> Observed:  # fmt: skip
    """Switches tested about once a year, followed for three to six years, or dated to the day."""
    z = rng.normal(size=n) if normal else np.log(rng.exponential(size=n))
    life = scale * np.exp(sigma * z)
    end = rng.uniform(3.0, 6.0, size=n)
    if exact:
        failed = life <= end
        seen = np.where(failed, life, end)
        return Observed(np.zeros(n), seen, np.where(failed, life, np.inf))
    first = np.arange(1, 8) - rng.uniform(0.0, 0.5, size=(n, 1))
    tests = np.sort(np.clip(first + rng.uniform(-0.3, 0.3, size=(n, 7)), 0.05, None), axis=1)
    done = tests <= end[:, None]
    sound, bad = done & (tests < life[:, None]), done & (tests >= life[:, None])
    low = np.where(sound, tests, 0.0).max(axis=1)
    return Observed(np.zeros(n), low, np.where(bad, tests, np.inf).min(axis=1))


def table(seen: Observed) -> pl.DataFrame:
    """The same as a table."""
    made = pl.DataFrame({"entry_years": seen.entry, "low_years": seen.low, "high_years": seen.high})
    return made.with_columns(
        high_years=pl.when(pl.col("high_years").is_finite()).then("high_years")
    )
