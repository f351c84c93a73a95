"""Method error: how far each way of testing is from the slow ramp, why, and what it costs.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from ._results import results, rounds
from .gauge_study import GaugeStudy, gauge_study
from .precision import Precision, precision
from .variance_components import variance_components

__all__ = [
    "GaugeStudy",
    "Precision",
    "gauge_study",
    "precision",
    "results",
    "rounds",
    "variance_components",
]
