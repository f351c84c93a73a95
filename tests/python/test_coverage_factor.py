"""Coverage factors and rounded numbers of the pictures and the page."""

from __future__ import annotations

import math

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as student

from deadband._coverage import (
    coverage_factor,
    coverage_factors,
    decimals_for,
    expanded,
    with_uncertainty,
)


@pytest.mark.parametrize(
    ("dof", "factor"),
    # JCGM 100:2008, table G.2, fraction 95 %.
    [(1, 12.71), (2, 4.30), (5, 2.57), (10, 2.23), (20, 2.09), (50, 2.01), (math.inf, 1.960)],
)
def test_printed_table(dof, factor):
    assert coverage_factor(dof) == pytest.approx(factor, abs=0.005)


@given(st.floats(0.5, 1e8), st.floats(0.5, 0.99))
def test_agrees_with_scipy(dof, p):
    assert coverage_factor(dof, p) == pytest.approx(student.ppf(0.5 + p / 2.0, dof), rel=2e-6)


def test_nothing_is_known_without_degrees_of_freedom():
    assert coverage_factor(0.0) == math.inf
    assert coverage_factor(math.nan) == math.inf


def test_columns_keep_nulls_and_zeros():
    dof = pl.Series([12.0, None, 0.0, math.inf, math.nan])
    factors = coverage_factors(dof)
    assert factors[0] == pytest.approx(student.ppf(0.975, 12.0))
    assert factors[1] is None
    assert factors[2] == math.inf
    assert factors[4] == math.inf
    wide = expanded(pl.Series([1.0, 1.0, 0.0, 2.0, None]), dof)
    assert wide[0] == pytest.approx(student.ppf(0.975, 12.0))
    assert wide[1] == pytest.approx(1.96, abs=1e-3)  # no degrees of freedom: known
    assert wide[2] == 0.0
    assert wide[3] == pytest.approx(3.92, abs=1e-3)
    assert wide[4] is None


@given(st.floats(1e-6, 1e6))
def test_an_uncertainty_is_printed_with_two_significant_digits(u):
    printed = f"{u:.{decimals_for(u)}f}"
    assert float(printed) == pytest.approx(u, rel=0.051, abs=0.5)


@pytest.mark.parametrize(
    ("value", "u", "dof", "printed"),
    [
        (60.2134, 0.5, 10.0, "60.2 ± 1.1"),
        (60.2134, 0.0312, math.inf, "60.213 ± 0.061"),
        (150.0, 51.0, math.inf, "150 ± 100"),
        (60.2134, 0.0, 0.0, "60.213 ± 0.000"),
        (60.2134, 0.5, 0.0, "60.21 ± unknown"),
        (60.2134, None, None, "60.21"),
        (None, 0.5, 3.0, "-"),
        (math.nan, 0.5, 3.0, "-"),
    ],
)
def test_value_and_uncertainty_end_at_the_same_decimal(value, u, dof, printed):
    assert with_uncertainty(value, u, dof) == printed
