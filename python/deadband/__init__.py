"""deadband"""
from . import simulate
from ._events import fit_events
from ._lags import estimate_lag
from ._setpoints import budget, setpoints
from ._verdicts import judge
