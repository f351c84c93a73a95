"""Lots: tolerance intervals, capability, sampling plans and what a wrong decision costs.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from .capability import capability
from .capability_indices import capability_indices
from .lot_tolerance import lot_tolerance
from .tolerance_factor import tolerance_factor
from .tolerance_interval import ToleranceInterval, n_needed, tolerance_interval

__all__ = [
    "ToleranceInterval",
    "capability",
    "capability_indices",
    "lot_tolerance",
    "n_needed",
    "tolerance_factor",
    "tolerance_interval",
]
