"""Method error: how far each way of testing is from the slow ramp, why, and what it costs.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from ._procedure import Procedure
from ._results import results, rounds
from .causes import causes
from .feedback import Feedback, feedback
from .gauge_study import GaugeStudy, gauge_study
from .pinch_decides import pinch_decides
from .planner import plan_test
from .precision import Precision, precision
from .procedure_table import printed, procedure_table
from .reachable import reachable
from .variance_components import variance_components

__all__ = [
    "Feedback",
    "GaugeStudy",
    "Precision",
    "Procedure",
    "causes",
    "feedback",
    "gauge_study",
    "pinch_decides",
    "plan_test",
    "precision",
    "printed",
    "procedure_table",
    "reachable",
    "results",
    "rounds",
    "variance_components",
]
