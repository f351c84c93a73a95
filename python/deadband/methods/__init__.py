"""Method error: how far each way of testing is from the slow ramp, why, and what it costs.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from ._agreement import Agreement, agreement
from ._deming import deming
from ._line import Line
from ._passing_bablok import passing_bablok
from ._regression import regression
from ._results import results, rounds

__all__ = [
    "Agreement",
    "Line",
    "agreement",
    "deming",
    "passing_bablok",
    "regression",
    "results",
    "rounds",
]
