"""Lots: tolerance intervals, capability, sampling plans and what a wrong decision costs.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from .tolerance_factor import tolerance_factor

__all__ = [
    "tolerance_factor",
]
