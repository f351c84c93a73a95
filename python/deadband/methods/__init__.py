"""Method error: how far each way of testing is from the slow ramp, why, and what it costs.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from ._results import results, rounds

__all__ = ["results", "rounds"]
