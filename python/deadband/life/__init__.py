"""Life data: when switches fail, which lots fail sooner, and how many will.

SciPy is imported on first use (`pip install "deadband[studies]"`).
"""

from ._table import lives
from .comparison import Comparison, compare
from .cumulative_incidence import cumulative_incidence
from .fit_groups import LifeFits, fit_groups
from .forecast import returns
from .nonparametric import survival
from .parametric import LifeFit, fit
from .recurrence import Recurrence, recurrence

__all__ = [
    "Comparison",
    "LifeFit",
    "LifeFits",
    "Recurrence",
    "compare",
    "cumulative_incidence",
    "fit",
    "fit_groups",
    "lives",
    "recurrence",
    "returns",
    "survival",
]
