"""Which of many lots to call, so that few of those called are called wrongly."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Discovery(NamedTuple):
    """Expected false discovery rate, adjusted p-values and verdicts, in the order of the lots.

    Examples
    --------
    >>> Discovery(np.zeros(1), np.zeros(1), np.array(["exceeds"])).verdict[0] == "exceeds"
    True
    """

    expected: Floats
    q_value: Floats
    verdict: NDArray[Any]


def discovery(
    chance: Floats, p_value: Floats, fdr: float, *, alone: Floats | None = None
) -> Discovery:
    """Both rates of false discovery; the verdict by that of the p-values.

    `q_value`: the p-values adjusted by Benjamini and Hochberg (1995). `expected`: the mean of
    `1 - chance` of the lot and all surer ones (Newton et al. 2004). `alone`, the chance by the
    lot's own tests: a lot is within where neither chance is above `fdr`, else a bad lot of one
    switch could be acquitted by its neighbours.

    Examples
    --------
    >>> found = discovery(np.array([0.2, 0.99, 0.96]), np.array([0.3, 0.001, 0.04]), 0.05)
    >>> found.q_value.round(3).tolist(), found.verdict.tolist()
    ([0.3, 0.003, 0.06], ['undecided', 'exceeds', 'undecided'])
    >>> found.expected.round(3).tolist()
    [0.283, 0.01, 0.025]
    """
    from scipy.stats import false_discovery_control

    order = np.argsort(-chance, kind="stable")
    rising = np.cumsum(1.0 - chance[order]) / np.arange(1, chance.size + 1)
    expected = np.empty_like(rising)
    expected[order] = rising
    q_value: Floats = false_discovery_control(p_value)
    most = chance if alone is None else np.maximum(chance, alone)
    verdict = np.where(q_value <= fdr, "exceeds", np.where(most <= fdr, "within", "undecided"))
    return Discovery(expected, q_value, verdict)
