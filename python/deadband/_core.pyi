from collections.abc import Mapping, Sequence
from typing import Any, final

import numpy as np
import numpy.typing as npt

__version__: str
__all__ = [
    "FleetGrowth",
    "__version__",
    "chart_limit",
    "chart_run_length",
    "check_options",
    "fit_growth",
    "lag_from_reference",
    "lag_from_step",
    "simulate",
    "smooth_path",
    "smoothed_paths",
    "statuses",
    "t_cdf",
    "t_quantile",
    "tables",
    "units",
]

def units() -> list[tuple[str, float]]: ...
def statuses() -> list[str]: ...
def tables() -> dict[str, list[tuple[str, str]]]: ...
def t_cdf(t: float, dof: float) -> float: ...
def t_quantile(p: float, dof: float) -> float: ...
def check_options(kernel: str, options: Mapping[str, Any]) -> None: ...
def chart_run_length(
    options: Mapping[str, Any], shift: float, probabilities: Sequence[float]
) -> tuple[float, float | None, list[float | None]]: ...
def chart_limit(options: Mapping[str, Any], wanted: float) -> float: ...

@final
class FleetGrowth:
    def found(self) -> dict[str, Any]: ...
    def lines(self) -> dict[str, npt.NDArray[np.float64]]: ...
    def compare(self, smaller: FleetGrowth) -> tuple[float, int, float]: ...

def fit_growth(
    years: npt.NDArray[np.float64],
    value: npt.NDArray[np.float64],
    u: npt.NDArray[np.float64],
    switch: npt.NDArray[np.uint64],
    effects: Sequence[tuple[npt.NDArray[np.uint32], int, bool]],
    shared: Sequence[tuple[npt.NDArray[np.uint32], int, npt.NDArray[np.float64]]],
    options: Mapping[str, Any],
) -> FleetGrowth: ...
def lag_from_step(
    time_s: npt.NDArray[np.float64],
    pressure_pa: npt.NDArray[np.float64],
    options: Mapping[str, Any],
) -> dict[str, Any]: ...
def lag_from_reference(
    time_s: npt.NDArray[np.float64],
    pressure_pa: npt.NDArray[np.float64],
    reference_time_s: npt.NDArray[np.float64],
    reference_pa: npt.NDArray[np.float64],
    options: Mapping[str, Any],
) -> dict[str, Any]: ...
def smooth_path(
    time_s: npt.NDArray[np.float64],
    readings: npt.NDArray[np.float64],
    at: npt.NDArray[np.float64],
    ratio: float | None,
) -> dict[str, Any]: ...
def smoothed_paths(
    time_s: npt.NDArray[np.float64],
    pressure_pa: npt.NDArray[np.float64],
    contact: npt.NDArray[np.float64],
    contact_time_s: npt.NDArray[np.float64] | None,
    options: Mapping[str, Any],
) -> npt.NDArray[np.float64]: ...
def simulate(stands: Sequence[Mapping[str, Any]], seeds: Sequence[int]) -> list[dict[str, Any]]: ...
