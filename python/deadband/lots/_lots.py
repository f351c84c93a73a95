"""What was found of the lots: tables, and whether fractions exceed a level."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from .._errors import check_count, check_option, check_share
from .._history import Setpoint
from ._columns import RESHAPED
from ._exceed import SIDES, Exceeds, Side, exceeds
from ._likelihood import Results
from ._lot_rows import Tolerances, lot_rows
from ._normality import Normality
from ._posterior import Drawn, Posterior
from ._reshaped import reshaped
from ._shape import ShapeName, shape_named


@dataclass(frozen=True)
class Lots:
    """The distribution of setpoints of each lot.

    Numbers are over the rating: a mean of -0.02 lies 2 % below it.

    Attributes
    ----------
    lots
        a row a lot, sorted by model and lot. `n_switches` of the register, of which `n_in_service`
        were not removed, `n_tested` have a result, `n_no_setpoint` were tested without one (of two
        rows with one `test_id` neither is taken) and `n_stuck` stayed closed below their lower
        limit; of `n_maybe_stuck` the last test gave no setpoint and nothing tells whether they
        stayed closed, as no verdict is given or two rows of one test contradict each other;
        `n_bad_rating` were tested but have no rating or action to judge them by; `n_tests` behind
        the results, of `first_tested_on` to `last_tested_on`, those that stayed closed included.
        `raw_mean` and `raw_mean_u` of the lot's own results; `mean`, `mean_u` and interval, drawn
        towards the lots of its model; `sd` within the lot, `sd_u` and interval, measurement taken
        out; `gauge_u`, what the gauges' calibration and lag leave open of the mean; `shrinkage` (1:
        the mean is the model's, 0: the lot's own). `fraction_unsafe` below the lower limit,
        `fraction_nuisance` above the upper one, `fraction_outside`, each with interval (`_low`,
        `_high`): the expected share of all switches that are made as these. `counted_unsafe` (with
        those stuck), `counted_nuisance`: what was measured beyond the limits, and
        `counted_p_unsafe`, ... their shares with Wilson's interval, measurement error and all.
        `unlike`: its own mean is too far from those of the other lots of its model to be drawn
        towards them. `p_normal`: how likely values as these are where the lot is normal; null below
        five. `status`.
    switches
        a row a switch: `switch_id`, model, lot, `state` (`tested` | `stuck` | `no_setpoint` |
        `bad_rating` | `not_tested`), `deviation` from the rating with `own_u`, `n_tests` averaged,
        `last_tested_on`, of these or when it stayed closed, `residual` (in standard deviations of
        its lot, measurement included).
    components
        `between_lots` of a model, and `within_lots` (root mean square): `sd` (median) with
        interval; null where each model has one lot.
    normality
        of all residuals together.
    event, by, confidence, shape, n_effective
        as asked for; draws that weigh as much as independent ones (of another shape than normal,
        those of the lot with the fewest).

    Examples
    --------
    >>> Lots.__name__
    'Lots'
    """

    lots: pl.DataFrame
    switches: pl.DataFrame
    components: pl.DataFrame
    normality: Normality | None
    event: Setpoint | None
    by: str
    confidence: float
    n_effective: float
    shape: ShapeName = field(default="normal", kw_only=True)
    _results: Results | None = field(repr=False)
    _normal: Posterior | None = field(repr=False)
    _posterior: Posterior | None = field(repr=False)
    _tolerances: Tolerances = field(repr=False)

    @property
    def tolerances(self) -> list[float]:
        """The tolerances that tested switches have, over the rating."""
        found: list[float] = self._tolerances.tolerance.tolist()
        return found

    @property
    def drawn(self) -> Drawn | None:
        """What draws of another shape are worth, a number a lot with status `ok`; else None."""
        return None if self._posterior is None else self._posterior.drawn

    def exceeds(self, fraction: float, side: Side = "unsafe") -> Exceeds | None:
        """Whether the fractions of the lots with status `ok`, in their order, exceed `fraction`.

        None where no lot has numbers. `screen` makes a table of it.

        Raises
        ------
        OptionError
            an option is unknown or out of range.
        """
        check_share("fraction", fraction, 0.5)
        check_option("side", side, SIDES)
        if self._posterior is None:
            return None
        return exceeds(self._posterior, self._tolerances, fraction, side)

    def under(self, shape: ShapeName, *, seed: int = 0) -> Lots:
        """The same lots, were the scatter of their switches of another shape.

        Mean, standard deviation and fractions of each lot are what its tests leave possible where
        its own scatter has this shape, the other lots left as they are; all that takes these lots
        (`screen`, `lot_costs`, pictures) then tells what would be found. Draws of the normal model
        are weighted by the ratio of the likelihoods of the lot's tests and moved where the shape
        has them (Paananen et al. 2021, Statistics and Computing 31, 16).

        Parameters
        ----------
        shape
            `heavy_tails`: Student's t with 5 degrees of freedom; `light_tails`: two normal curves
            1.5 standard deviations apart; `skew_low`, `skew_high`: skew-normal with a skewness of
            0.85 (Azzalini 1985), the long tail towards low or high setpoints; `normal`: as found.
        seed
            of the draws.

        Returns
        -------
        Lots
            With `shape`; `gauge_u`, `shrinkage` and `p_normal` stay as they were. `sensitivity`
            makes one table of all shapes.

        Raises
        ------
        OptionError
            the shape is unknown.

        Examples
        --------
        >>> switches = pl.DataFrame({"switch_id": ["a", "b", "c", "d", "e"], "lot": ["L"] * 5})
        >>> switches = switches.with_columns(rated_pa=pl.lit(60.0), action=pl.lit("fall"))
        >>> points = switches.select("switch_id", test_id="switch_id", method=pl.lit("ramp"))
        >>> points = points.with_columns(
        ...     open_pa=pl.Series([56.8, 59.2, 58.6, 59.8, 58.1]), open_u_pa=pl.lit(0.3),
        ...     close_pa=None, close_u_pa=None,
        ... )
        >>> from deadband.lots import distribution
        >>> found = distribution(points, switches)
        >>> skewed = found.under("skew_low")
        >>> skewed.lots["fraction_unsafe"][0] > found.lots["fraction_unsafe"][0]
        True
        """  # fmt: skip
        wanted = shape_named(shape)
        check_count("seed", seed, 0)
        if shape == self.shape == "normal":
            return self
        told = self._normal
        if told is None or self._results is None:
            return replace(self, shape=shape)
        if shape != "normal":
            told = reshaped(self._results, told, wanted, np.random.default_rng(seed))
        rows = lot_rows(told, self._tolerances, self.confidence)
        place = pl.when(pl.col("status") == "ok").then((pl.col("status") == "ok").cum_sum() - 1)
        table = self.lots.with_columns(
            pl.lit(pl.Series(rows[name])).gather(place).alias(name) for name in RESHAPED
        )
        return replace(self, lots=table, shape=shape, n_effective=told.effective, _posterior=told)
