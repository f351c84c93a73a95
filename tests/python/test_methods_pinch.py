"""Simulated pinches of a plan: out of step with the logger, and no surer than their brackets."""

from __future__ import annotations

import numpy as np
import pytest

from deadband.methods._procedure import Procedure, known_gauge
from deadband.methods._trial import Trial, _pinches, pinch_trial

GAUGE = known_gauge(
    {
        "resolution_pa": 1.0, "accuracy_abs_pa": 0.0, "lag_s": 0.3, "lag_u_s": 0.01,
        "dead_time_s": 0.05, "time_constant_s": 0.25, "noise_pa": 0.4,
    }
)  # fmt: skip


def trial(fall_s: float, level_pa: float, n: int, *, how: str = "parts") -> Trial:
    pinch = Procedure(method="pinch", fall_s=fall_s, hold_s=5.0, high_pa=level_pa)
    return pinch_trial(
        GAUGE, pinch, 60.0, correction=how, repeatability_pa=0.3, reaction=(0.35, 0.1), n=n,
        seed=1,
    )  # fmt: skip


def test_pinches_begin_anywhere_between_two_samples() -> None:
    pinch = Procedure(method="pinch", sample_s=0.1, hold_s=5.0)
    plan = _pinches(pinch, 60.0, 400, np.random.default_rng(1))
    for name in ("before_s", "after_s"):
        phase = np.array([getattr(motion, name) for motion, _ in plan]) - 5.0
        assert phase.min() >= 0.0
        assert phase.max() < 0.1
        # Quartiles of 400 uniform numbers lie within 7 % of the interval at four standard errors.
        assert np.quantile(phase, [0.25, 0.5, 0.75]) == pytest.approx(
            [0.025, 0.05, 0.075], abs=0.01
        )


@pytest.mark.parametrize("level_pa", [80.0, 95.0])
def test_the_level_before_a_fall_makes_no_bias(level_pa: float) -> None:
    # In step with the logger the tests of one level are off by -4 and +6 Pa, and alike.
    found = trial(0.4, level_pa, 100)
    assert abs(found.bias_pa) < 1.2
    assert found.sd_pa > 1.5


def test_the_parts_of_a_lag_are_worth_nothing_where_the_contact_is_logged_too_slowly() -> None:
    bracket = 60.0 / 0.2 * 0.1 / (12.0 * 3) ** 0.5
    parts, mean = (trial(0.2, 90.0, 150, how=how) for how in ("parts", "mean"))
    assert bracket == 5.0
    for found in (parts, mean):
        assert 0.85 * bracket < found.rms_pa < 1.15 * bracket
    assert parts.stated_u_pa == pytest.approx(parts.rms_pa, rel=0.15)
