"""Lots: where their setpoints lie, which of them are out of tolerance, and how sure that is.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from .distribution import Lots, distribution
from .proportion import proportion_interval
from .screening import screen
from .screening_counts import screen_counts

__all__ = ["Lots", "distribution", "proportion_interval", "screen", "screen_counts"]
