"""Method error: how far each way of testing is from the slow ramp, why, and what it costs.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from ._global_risk import GlobalRisk, global_risk
from ._results import results, rounds
from .misjudgement import misjudgement

__all__ = ["GlobalRisk", "global_risk", "misjudgement", "results", "rounds"]
