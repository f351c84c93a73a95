"""Lots: where their setpoints lie, which are out of tolerance, how sure that is, and what to do.

Tolerance intervals, capability, sampling plans and the cost of a decision are here too.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from ._fractions import fraction_of_counts, fraction_of_interval
from ._lots import Lots
from .attributes_plan import AttributesPlan, attributes_plan
from .capability import capability
from .capability_indices import capability_indices
from .classification import Classification, Measurement
from .cost import Decision, cost
from .distribution import distribution
from .lot_costs import lot_costs
from .lot_tolerance import lot_tolerance
from .prices import Prices
from .proportion import proportion_interval
from .screening import screen
from .screening_counts import screen_counts
from .sensitivity import sensitivity
from .sequential_plan import SequentialPlan, sequential_plan
from .tolerance_factor import tolerance_factor
from .tolerance_interval import ToleranceInterval, n_needed, tolerance_interval
from .variables_plan import VariablesPlan, variables_plan

__all__ = [
    "AttributesPlan",
    "Classification",
    "Decision",
    "Lots",
    "Measurement",
    "Prices",
    "SequentialPlan",
    "ToleranceInterval",
    "VariablesPlan",
    "attributes_plan",
    "capability",
    "capability_indices",
    "cost",
    "distribution",
    "fraction_of_counts",
    "fraction_of_interval",
    "lot_costs",
    "lot_tolerance",
    "n_needed",
    "proportion_interval",
    "screen",
    "screen_counts",
    "sensitivity",
    "sequential_plan",
    "tolerance_factor",
    "tolerance_interval",
    "variables_plan",
]
