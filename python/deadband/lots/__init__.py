"""Lots: tolerance intervals, capability, sampling plans and what a wrong decision costs.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from ._fractions import fraction_of_counts, fraction_of_interval
from .attributes_plan import AttributesPlan, attributes_plan
from .capability import capability
from .capability_indices import capability_indices
from .classification import Classification, Measurement
from .cost import Decision, cost
from .lot_costs import lot_costs
from .lot_tolerance import lot_tolerance
from .prices import Prices
from .sequential_plan import SequentialPlan, sequential_plan
from .tolerance_factor import tolerance_factor
from .tolerance_interval import ToleranceInterval, n_needed, tolerance_interval
from .variables_plan import VariablesPlan, variables_plan

__all__ = [
    "AttributesPlan",
    "Classification",
    "Decision",
    "Measurement",
    "Prices",
    "SequentialPlan",
    "ToleranceInterval",
    "VariablesPlan",
    "attributes_plan",
    "capability",
    "capability_indices",
    "cost",
    "fraction_of_counts",
    "fraction_of_interval",
    "lot_costs",
    "lot_tolerance",
    "n_needed",
    "sequential_plan",
    "tolerance_factor",
    "tolerance_interval",
    "variables_plan",
]
