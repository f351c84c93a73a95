"""Method error: how far each way of testing is from the slow ramp, why, and what it costs.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from ._procedure import Procedure
from ._results import results, rounds
from .pinch_decides import pinch_decides
from .planner import plan_test
from .procedure_table import printed, procedure_table
from .reachable import reachable

__all__ = [
    "Procedure",
    "pinch_decides",
    "plan_test",
    "printed",
    "procedure_table",
    "reachable",
    "results",
    "rounds",
]
