"""Method error: how far each way of testing is from the slow ramp, why, and what it costs.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from ._procedure import Procedure
from ._results import results, rounds
from .planner import plan_test
from .reachable import reachable

__all__ = ["Procedure", "plan_test", "reachable", "results", "rounds"]
