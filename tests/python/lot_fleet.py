"""Fleets of lots drawn as plain numbers, with known truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import ndtr

from deadband.lots._likelihood import Results

RATED_PA = 60.0
TOLERANCE = 0.10


@dataclass(frozen=True)
class Drawn:
    """Lots with means and standard deviations over the rating, and results of their switches."""

    results: Results
    mean: np.ndarray
    sd: np.ndarray

    @property
    def unsafe(self):
        return ndtr((-TOLERANCE - self.mean) / self.sd)

    @property
    def nuisance(self):
        return ndtr((self.mean - TOLERANCE) / self.sd)


def drawn(
    rng, sizes, *, models=None, mean=None, between=0.03, sd=0.03, unlike=0.0, u=0.008, shared=None
):
    """Results of lots; `u` one number or one a lot; `shared` (lots, errors) in units of each."""
    lots = len(sizes)
    mean = rng.normal(0.0, between, lots) if mean is None else np.asarray(mean, dtype=float)
    within = sd * np.exp(unlike * rng.normal(size=lots))
    lot = np.repeat(np.arange(lots), sizes)
    own = np.broadcast_to(u, lots)[lot] * np.exp(0.2 * rng.normal(size=lot.size))
    by = np.zeros((lots, 0)) if shared is None else np.asarray(shared)
    value = mean[lot] + within[lot] * rng.normal(size=lot.size) + own * rng.normal(size=lot.size)
    value = value + by[lot] @ rng.normal(size=by.shape[1])
    of_model = np.zeros(lots, dtype=np.int64) if models is None else np.asarray(models)
    return Drawn(Results(value, own**2, by[lot], lot, of_model), mean, within)


def tables(values, lots, *, u_pa=0.5, model="M", action="fall", method="ramp", gauge=None):
    """The setpoints and switches tables of one test a switch, values in Pa."""
    n = len(values)
    event, other = ("open", "close") if action == "fall" else ("close", "open")
    ids = [f"s{i:03}" for i in range(n)]
    nothing = pl.lit(None, pl.Float64)
    points = pl.DataFrame(
        {
            "test_id": ids,
            "switch_id": ids,
            "gauge_id": pl.Series([gauge] * n, dtype=pl.String),
            "method": pl.Series([method] * n, dtype=pl.String),
            f"{event}_pa": pl.Series(values, dtype=pl.Float64),
            f"{event}_u_pa": pl.Series(np.broadcast_to(u_pa, n), dtype=pl.Float64),
        }
    ).with_columns(nothing.alias(f"{other}_pa"), nothing.alias(f"{other}_u_pa"))
    switches = pl.DataFrame(
        {
            "switch_id": ids,
            "model": pl.Series([model] * n if isinstance(model, str) else model, dtype=pl.String),
            "lot": pl.Series(lots, dtype=pl.String),
        }
    ).with_columns(rated_pa=pl.lit(RATED_PA), action=pl.lit(action))
    return points, switches


def lot_of(found, lot):
    """The row of one lot."""
    return found.lots.filter(pl.col(found.by).eq_missing(lot)).row(0, named=True)
