"""Global risks against published tables, quadrature and their own symmetries."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import astuple
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from deadband._errors import OptionError
from deadband.methods import global_risk

Reference = Callable[[str], Any]


def published(check: Any) -> dict[str, tuple[float, float]]:
    return {entry["name"]: (entry["value"], entry["abs_tol"]) for entry in check["expected"]}


# JCGM 106:2012, 9.5, precision resistors (risks from memory), and the same shape with the numbers
# of a published program.
def test_resistors(reference: Reference) -> None:
    check = reference("C03-jcgm106-resistors-global-risk")
    inputs, expected = check["inputs"], published(check)
    found = global_risk(
        inputs["process"]["mean"], inputs["process"]["sd"], 0.0, inputs["u_m"],
        limits=inputs["T"], acceptance=inputs["A"],
    )  # fmt: skip
    for name, value in (
        ("fraction non-conforming", found.bad_low + found.bad_high),
        ("R_C", found.consumer),
        ("R_P", found.producer),
    ):
        assert value == pytest.approx(expected[name][0], abs=expected[name][1])
    found = global_risk(9.5, 0.3, 0.0, 0.1, limits=(9.0, 10.0))
    name = "same shape, mean 9.5 sd 0.3 T 9..10 u_m 0.1 simple acceptance: PFA"
    assert found.consumer == pytest.approx(expected[name][0], abs=1e-12)
    assert found.producer == pytest.approx(expected["same, PFR"][0], abs=1e-12)


# Draft NCSLI RP-19, tables of false accept risk, to the digits that double precision leaves there.
def test_false_accept_table(reference: Reference) -> None:
    check = reference("C06-rp19-pfa-table")
    expected = published(check)
    for share in check["inputs"]["itp"]:
        process = 1.0 / norm.ppf((1.0 + share) / 2.0)
        found = global_risk(0.0, process, 0.0, process / 4.0, limits=(-1.0, 1.0))
        good = 1.0 - found.bad_low - found.bad_high
        accepted = good - found.producer + found.consumer
        value, tolerance = expected[f"PFA % itp={share:g}"]
        assert 100.0 * found.consumer == pytest.approx(value, abs=tolerance)
        value, tolerance = expected[f"conditional PFA % itp={share:g}"]
        assert 100.0 * found.consumer / accepted == pytest.approx(value, abs=tolerance)


# ISO 14253-1:2017 and ILAC-G8:09/2019, table 1 (exact risks from memory): an item right at its
# limit is accepted with the risk of the guard band.
def test_guard_bands(reference: Reference) -> None:
    expected = published(reference("C05-guard-band-factors"))
    u, k = 0.5, 2.0
    for name, width in (
        ("risk at w=U (exact; bound 2.5 %)", k * u),
        ("risk at w=0.83U (bound 5 %)", 0.83 * k * u),
        ("risk at w=1.5U (bound 0.16 %)", 1.5 * k * u),
        ("risk w=0 at the limit", 0.0),
    ):
        found = global_risk(
            54.0 - 1e-9, 0.0, 0.0, u, limits=(54.0, np.inf), acceptance=(54.0 + width, np.inf)
        )
        assert found.bad_low == 1.0
        assert found.passed_low == pytest.approx(expected[name][0], abs=expected[name][1])


def by_quadrature(case: tuple[float, ...]) -> list[float]:
    """The shares as integrals over the true value, limits at -+t, acceptance at -+a."""
    m, s, b, e, t, a = case

    def whole(of: Callable[[float], float], low: float, high: float) -> float:
        near = [p for p in (-a - b, a - b, m) if low < p < high]
        return quad(lambda x: norm.pdf(x, m, s) * of(x), low, high, points=near or None,
                    epsabs=1e-12, limit=400)[0]  # fmt: skip

    def below(x: float) -> float:
        return float(norm.cdf(-a, x + b, e))

    def above(x: float) -> float:
        return float(norm.sf(a, x + b, e))

    far = abs(m) + t + 9.0 * s

    def passed(x: float) -> float:
        return 1.0 - below(x) - above(x)

    return [
        norm.cdf(-t, m, s), norm.sf(t, m, s), whole(passed, -far, -t), whole(passed, t, far),
        whole(below, -t, t), whole(above, -t, t),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "case",
    [(0.0, 0.05, -0.03, 0.02, 0.1, 0.1), (0.04, 0.03, 0.02, 0.06, 0.1, 0.07),
     (-0.2, 0.05, 0.0, 0.004, 0.1, 0.09), (0.0, 0.05, 0.0, 0.05, 0.1, 0.0)],
)  # fmt: skip
def test_quadrature_with_a_bias(case: tuple[float, ...]) -> None:
    m, s, b, e, t, a = case
    found = global_risk(m, s, b, e, limits=(-t, t), acceptance=(-a, a))
    assert astuple(found) == pytest.approx(by_quadrature(case), abs=1e-10)


PLACE, SPREAD = st.floats(-3.0, 3.0), st.floats(0.0, 3.0)


@given(st.tuples(PLACE, SPREAD, PLACE, SPREAD), st.floats(-50.0, 50.0), st.floats(0.1, 100.0))
def test_symmetries(case: tuple[float, ...], shift: float, unit: float) -> None:
    m, s, b, e = case
    found = global_risk(m, s, b, e, limits=(-1.0, 2.0), acceptance=(-0.8, 1.9))
    mirrored = global_risk(-m, s, -b, e, limits=(-2.0, 1.0), acceptance=(-1.9, 0.8))
    low = (found.bad_low, found.passed_low, found.condemned_low)
    # A fleet without a spread may lie on a limit itself, where rounding decides.
    if s > 1e-6 and e > 1e-6:
        assert low == pytest.approx(
            (mirrored.bad_high, mirrored.passed_high, mirrored.condemned_high), abs=1e-9
        )
        moved = global_risk(
            unit * (m + shift), unit * s, unit * b, unit * e,
            limits=(unit * (shift - 1.0), unit * (shift + 2.0)),
            acceptance=(unit * (shift - 0.8), unit * (shift + 1.9)),
        )  # fmt: skip
        assert astuple(moved) == pytest.approx(astuple(found), abs=1e-6)
    assert found.passed_low <= found.bad_low + 1e-12
    assert found.consumer + found.producer <= 1.0 + 1e-12


def test_who_errs_in_nothing_judges_nothing_wrongly() -> None:
    found = global_risk(0.0, 1.0, 0.0, 0.0, limits=(-2.0, 2.0))
    assert found.consumer < 1e-12
    assert found.producer < 1e-12
    assert found.bad_low == pytest.approx(norm.cdf(-2.0), abs=1e-15)


@pytest.mark.parametrize(
    "wrong",
    [{"sd": -1.0}, {"process_sd": np.inf}, {"bias": np.nan}, {"limits": (1.0, -1.0)},
     {"acceptance": (0.5, 0.2)}],
)  # fmt: skip
def test_numbers_that_cannot_be(wrong: dict[str, Any]) -> None:
    given_ = {"process_mean": 0.0, "process_sd": 1.0, "bias": 0.0, "sd": 0.1, "limits": (-1.0, 1.0)}
    with pytest.raises(OptionError, match=next(iter(wrong))):
        global_risk(**{**given_, **wrong})
