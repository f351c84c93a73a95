"""Method error: how far each way of testing is from the slow ramp, why, and what it costs.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from ._common_bias import CommonBias, common_bias
from ._global_risk import GlobalRisk, global_risk
from ._results import results, rounds
from .correction import corrected, method_error
from .misjudgement import misjudgement

__all__ = [
    "CommonBias",
    "GlobalRisk",
    "common_bias",
    "corrected",
    "global_risk",
    "method_error",
    "misjudgement",
    "results",
    "rounds",
]
