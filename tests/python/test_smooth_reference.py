"""The smoother against independent implementations and published series."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.interpolate import make_smoothing_spline
from scipy.optimize import minimize_scalar
from statsmodels.datasets import nile
from statsmodels.tsa.statespace.mlemodel import MLEModel
from statsmodels.tsa.statespace.structural import UnobservedComponents

from deadband import _core

Reference = Callable[[str], dict[str, Any]]


class IntegratedWalk(MLEModel):
    """The smoother's model in statsmodels: exact diffuse start, one transition for each step."""

    def __init__(self, time: np.ndarray, y: np.ndarray, ratio: float, variance: float) -> None:
        super().__init__(y, k_states=2, k_posdef=2, initialization="diffuse")
        h = np.append(np.diff(time), 1.0)
        ones, zeros = np.ones_like(h), np.zeros_like(h)
        q = ratio * variance
        self["design"] = np.array([[1.0, 0.0]])
        self["obs_cov"] = np.array([[variance]])
        self["selection"] = np.eye(2)
        self["transition"] = np.array([[ones, h], [zeros, ones]])
        self["state_cov"] = q * np.array([[h**3 / 3, h**2 / 2], [h**2 / 2, h]])


def _nile() -> tuple[np.ndarray, np.ndarray]:
    flow = nile.load_pandas().data["volume"].to_numpy(dtype=float)
    return np.arange(len(flow), dtype=float), flow


def _uneven() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(11)
    time = np.cumsum(rng.uniform(0.03, 0.4, 150))
    return time, 60.0 + 3.0 * time + np.sin(time) + rng.normal(0.0, 0.8, time.size)


SERIES = {"nile": _nile, "uneven": _uneven}


@pytest.mark.parametrize("name", SERIES)
@pytest.mark.parametrize("ratio", [1e-4, 1e-2, 1.0])
def test_states_and_likelihood_agree_with_statsmodels(name: str, ratio: float) -> None:
    time, y = SERIES[name]()
    ours = _core.smooth_path(time, y, time, ratio)
    theirs = IntegratedWalk(time, y, ratio, ours["variance"]).smooth([])
    # With a transition that varies, statsmodels' exact diffuse smoother (0.14, 0.15) gives another
    # rate at the very first reading than the posterior solved at once does; see the test below.
    states = ours["states"][1:]
    theirs.smoothed_state = theirs.smoothed_state[:, 1:]
    theirs.smoothed_state_cov = theirs.smoothed_state_cov[:, :, 1:]
    assert states[:, 0] == pytest.approx(theirs.smoothed_state[0], rel=1e-8)
    assert states[:, 1] == pytest.approx(theirs.smoothed_state[1], rel=1e-8, abs=1e-8)
    cov = theirs.smoothed_state_cov
    for column, (i, j) in {2: (0, 0), 3: (0, 1), 4: (1, 1)}.items():
        scale = np.sqrt(cov[i, i] * cov[j, j])
        assert np.max(np.abs(states[:, column] - cov[i, j]) / scale) < 1e-8
    # Ours leaves out what depends on the times alone: the two diffuse terms, -1/2 ln(2 pi F) with
    # F = 1 and the square of the first step.
    diffuse = np.log(2.0 * np.pi) + np.log(time[1] - time[0])
    assert ours["log_likelihood"] - diffuse == pytest.approx(theirs.llf, rel=1e-10)


@pytest.mark.parametrize("name", SERIES)
def test_every_state_agrees_with_the_posterior_solved_at_once(name: str) -> None:
    time, y = SERIES[name]()
    ratio = 0.01
    precision, moment = np.zeros((2 * len(y), 2 * len(y))), np.zeros(2 * len(y))
    for k, reading in enumerate(y):
        precision[2 * k, 2 * k] += 1.0
        moment[2 * k] += reading
        if k + 1 < len(y):
            h = time[k + 1] - time[k]
            q = ratio * np.array([[h**3 / 3, h**2 / 2], [h**2 / 2, h]])
            step = np.hstack([-np.array([[1.0, h], [0.0, 1.0]]), np.eye(2)])
            block = slice(2 * k, 2 * k + 4)
            precision[block, block] += step.T @ np.linalg.solve(q, step)
    states = np.linalg.solve(precision, moment).reshape(-1, 2)
    ours = _core.smooth_path(time, y, time, ratio)["states"]
    assert ours[:, :2] == pytest.approx(states, rel=1e-7)


def test_the_reference_reproduces_the_published_nile_variances(reference: Reference) -> None:
    """Durbin and Koopman (2012), 2.10: 15099 and 1469.1, so that the reference can be trusted."""
    published = {one["name"]: one for one in reference("X02-nile-local-level")["expected"]}
    _, flow = _nile()
    model = UnobservedComponents(flow, "llevel", use_exact_diffuse=True)
    options = {"method": "nm", "maxiter": 5000, "xtol": 1e-10, "ftol": 1e-12}
    irregular, level = model.fit(disp=False, **options).params
    assert irregular == pytest.approx(15099.0, abs=1.0)
    assert level == pytest.approx(1469.1, abs=0.2)
    at_published = model.smooth([15099.0, 1469.1])
    value = published["RTS smoothed level 1871"]["value"]
    assert at_published.smoothed_state[0, 0] == pytest.approx(value, abs=1e-3)


@pytest.mark.parametrize("name", SERIES)
def test_the_path_is_the_smoothing_spline_of_scipy(name: str) -> None:
    """Wahba (1978): the posterior mean minimises sum (y - f)^2 + (1 / ratio) int f''^2."""
    time, y = SERIES[name]()
    ratio = 0.05
    at = np.linspace(time[0], time[-1], 777)
    states = _core.smooth_path(time, y, at, ratio)["states"]
    spline = make_smoothing_spline(time, y, lam=1.0 / ratio)
    scale = np.ptp(y)
    assert np.max(np.abs(states[:, 0] - spline(at))) < 1e-8 * scale
    assert np.max(np.abs(states[:, 1] - spline.derivative()(at))) < 1e-7 * scale


@pytest.mark.parametrize("name", SERIES)
def test_the_search_finds_the_maximum_of_the_restricted_likelihood(name: str) -> None:
    time, y = SERIES[name]()
    found = _core.smooth_path(time, y, time, None)

    def loss(log_ratio: float) -> float:
        return -float(_core.smooth_path(time, y, time, float(np.exp(log_ratio)))["log_likelihood"])

    centre = np.log(found["lambda"])
    best = minimize_scalar(loss, bounds=(centre - 6.0, centre + 6.0), method="bounded")
    assert -found["log_likelihood"] <= best.fun + 5e-3


def test_bad_readings_are_told_apart() -> None:
    time = np.arange(10.0)
    broken = np.where(time == 4.0, np.nan, time)
    with pytest.raises(ValueError, match="pressure_pa holds NaN at index 4") as caught:
        _core.smooth_path(time, broken, time, None)
    assert caught.value.args[1] == "not_finite"
    outside = _core.smooth_path(time, time**2, np.array([-1.0, 20.0]), None)
    assert np.isnan(outside["states"]).all()
