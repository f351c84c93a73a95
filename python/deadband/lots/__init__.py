"""Lots: tolerance intervals, capability, sampling plans and what a wrong decision costs.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from .lot_tolerance import lot_tolerance
from .tolerance_factor import tolerance_factor
from .tolerance_interval import ToleranceInterval, n_needed, tolerance_interval

__all__ = [
    "ToleranceInterval",
    "lot_tolerance",
    "n_needed",
    "tolerance_factor",
    "tolerance_interval",
]
