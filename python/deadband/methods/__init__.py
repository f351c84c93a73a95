"""Method error: how far each way of testing is from the slow ramp, why, and what it costs.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from ._agreement import Agreement, agreement
from ._common_bias import CommonBias, common_bias
from ._deming import deming
from ._global_risk import GlobalRisk, global_risk
from ._line import Line
from ._passing_bablok import passing_bablok
from ._procedure import Procedure
from ._reach import Reach
from ._regression import regression
from ._results import results, rounds
from .causes import causes
from .correction import corrected, method_error
from .feedback import Feedback, feedback
from .gauge_study import GaugeStudy, gauge_study
from .misjudgement import misjudgement
from .pinch_decides import pinch_decides
from .planner import Plan, plan_test
from .precision import Precision, precision
from .procedure_table import printed, procedure_table
from .reachable import reachable
from .variance_components import variance_components

__all__ = [
    "Agreement",
    "CommonBias",
    "Feedback",
    "GaugeStudy",
    "GlobalRisk",
    "Line",
    "Plan",
    "Precision",
    "Procedure",
    "Reach",
    "agreement",
    "causes",
    "common_bias",
    "corrected",
    "deming",
    "feedback",
    "gauge_study",
    "global_risk",
    "method_error",
    "misjudgement",
    "passing_bablok",
    "pinch_decides",
    "plan_test",
    "precision",
    "printed",
    "procedure_table",
    "reachable",
    "regression",
    "results",
    "rounds",
    "variance_components",
]
