"""Lots: where their setpoints lie, which of them are out of tolerance, and how sure that is.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from .distribution import Lots, distribution
from .proportion import proportion_interval

__all__ = ["Lots", "distribution", "proportion_interval"]
