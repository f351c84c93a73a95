from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

__version__: str
__all__ = [
    "__version__",
    "check_options",
    "lag_from_reference",
    "lag_from_step",
    "simulate",
    "smooth_path",
    "smoothed_paths",
    "statuses",
    "t_quantile",
    "tables",
    "units",
]

def units() -> list[tuple[str, float]]: ...
def statuses() -> list[str]: ...
def tables() -> dict[str, list[tuple[str, str]]]: ...
def t_quantile(p: float, dof: float) -> float: ...
def check_options(kernel: str, options: Mapping[str, Any]) -> None: ...
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
