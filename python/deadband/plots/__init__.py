"""Pictures of recordings, setpoints, lags and histories.

Every function takes a result or a frame and optional axes, and draws with matplotlib, which is
imported on first use (`pip install "deadband[plots]"`). Pressures are in pascal unless a
recording says otherwise; intervals are for a coverage probability of 95 %. Nothing is told by
colour alone.

Examples
--------
>>> import polars as pl
>>> from deadband import plots
>>> gauges = pl.DataFrame(
...     {
...         "gauge_id": ["G1"],
...         "lag_s": [0.41],
...         "lag_u_s": [0.02],
...         "dof": [14.0],
...         "source": ["rates"],
...         "status": ["ok"],
...     }
... )
>>> plots.lags(gauges).get_xlabel()
'mean lag / s'
"""

from ._agreement import agreement
from ._causes import causes, feedback
from ._chart import chart
from ._display import display_error
from ._gauge_study import operators
from ._growth import fan, slopes
from ._history import history
from ._lags import lags
from ._life import life, recurrence, returns
from ._lots import lots
from ._plan import plan
from ._recording import recording
from ._risk import risk
from ._sampling import operating_characteristic
from ._sensitivity import sensitivity
from ._setpoints import setpoints

__all__ = [
    "agreement",
    "causes",
    "chart",
    "display_error",
    "fan",
    "feedback",
    "history",
    "lags",
    "life",
    "lots",
    "operating_characteristic",
    "operators",
    "plan",
    "recording",
    "recurrence",
    "returns",
    "risk",
    "sensitivity",
    "setpoints",
    "slopes",
]
