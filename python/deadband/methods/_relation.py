"""How the standard deviations of a method depend on the level."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl

from ._results import need_studies

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_ROUNDS: Final = 100
_FORMS: Final = ("constant", "proportional", "linear")


def relation(levels: pl.DataFrame) -> pl.DataFrame:
    """The standard deviation as a constant, as a share of the level, or as a straight line.

    `s = a`, `s = b m` or `s = a + b m`, with weights `dof / s2`, `s` as fitted, until they stand
    still (ISO 5725-2, 7.5.2, which takes all levels to have the same degrees of freedom). `misfit`
    is the deviance of the variances from the fit, divided by what it is on average where the form
    holds and tests are normal; with `p_value` from chi-square. A line that would be negative within
    the levels is refused.

    Returns
    -------
    polars.DataFrame
        `quantity`, `form`, `intercept_pa`, `slope`, `levels` used, `misfit`, `p_value`, `status`
        (`ok`, `too_few_samples`: fewer than three levels, or fewer than two of different mean,
        `bad_value`).

    Examples
    --------
    >>> levels = pl.DataFrame(
    ...     {
    ...         "mean_pa": [50.0, 100.0, 150.0],
    ...         "repeatability_sd_pa": [1.0, 2.0, 3.0], "repeatability_dof": [8.0] * 3,
    ...         "reproducibility_sd_pa": [2.0, 2.0, 2.0], "reproducibility_dof": [5.0] * 3,
    ...     }
    ... )  # fmt: skip
    >>> relation(levels).select("form", "intercept_pa", "slope").row(1)
    ('proportional', 0.0, 0.02)
    """
    made: list[dict[str, Any]] = []
    for quantity in ("repeatability", "reproducibility"):
        known = levels.filter(
            (pl.col(f"{quantity}_sd_pa") > 0.0) & (pl.col(f"{quantity}_dof") > 0.0)
        )
        mean, sd, dof = (
            known[name].cast(pl.Float64).to_numpy()
            for name in ("mean_pa", f"{quantity}_sd_pa", f"{quantity}_dof")
        )
        for form in _FORMS:
            row: dict[str, Any] = {"quantity": quantity, "form": form, "levels": known.height}
            few = known.height < 3 or (form != "constant" and np.ptp(mean) == 0.0)
            made.append(row | ({"status": "too_few_samples"} if few else _fit(form, mean, sd, dof)))
    return pl.DataFrame(
        made,
        schema={
            "quantity": pl.String, "form": pl.String, "intercept_pa": pl.Float64,
            "slope": pl.Float64, "levels": pl.Int64, "misfit": pl.Float64, "p_value": pl.Float64,
            "status": pl.String,
        },
    )  # fmt: skip


def _fit(form: str, mean: Floats, sd: Floats, dof: Floats) -> dict[str, Any]:
    need_studies("precision")
    from scipy.special import chdtrc, digamma

    columns = {"constant": [mean**0], "proportional": [mean], "linear": [mean**0, mean]}[form]
    plan = np.stack(columns, axis=1)
    fitted = sd
    told = np.zeros(plan.shape[1])
    for _ in range(_ROUNDS):
        weight = np.sqrt(dof) / fitted
        before, told = told, np.linalg.lstsq(plan * weight[:, None], sd * weight, rcond=None)[0]
        fitted = plan @ told
        if not (fitted > 0.0).all():
            return {"status": "bad_value"}
        if np.allclose(told, before, rtol=1e-12, atol=0.0):
            break
    ratio = (sd / fitted) ** 2
    on_average = dof * (np.log(dof / 2.0) - digamma(dof / 2.0))
    misfit = float((dof * (ratio - 1.0 - np.log(ratio)) / on_average).sum())
    return {
        "intercept_pa": 0.0 if form == "proportional" else float(told[0]),
        "slope": 0.0 if form == "constant" else float(told[-1]),
        "misfit": misfit,
        "p_value": float(chdtrc(sd.size - plan.shape[1], misfit)),
        "status": "ok",
    }
