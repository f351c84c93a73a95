"""Lines with errors in both coordinates."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from deadband._errors import DeadbandError, OptionError
from deadband.methods import Line, deming, passing_bablok, regression

Reference = Callable[[str], dict[str, Any]]
NUMBERS = [
    "intercept", "slope", "intercept_low", "intercept_high", "slope_low", "slope_high",
]  # fmt: skip


def expected(data: dict[str, Any]) -> dict[str, Any]:
    return {
        one["name"]: pytest.approx(one["value"], abs=one["abs_tol"]) for one in data["expected"]
    }


def known(line: Line) -> tuple[float, float, float, float]:
    """Intercept, slope and their uncertainties, which are there."""
    numbers = line.intercept, line.slope, line.u_intercept, line.u_slope
    assert all(number is not None for number in numbers)
    return numbers  # type: ignore[return-value]


# --- least squares ------------------------------------------------------------------------------


def test_pearsons_data_with_yorks_weights(reference: Reference) -> None:
    # York et al. 2004, Am. J. Phys. 72, 367, table III (file: from memory, recomputed).
    data = reference("B08-york-pearson")
    told, inputs = expected(data), data["inputs"]
    u_x, u_y = (1.0 / np.sqrt(inputs[name]) for name in ("w_x", "w_y"))
    found = deming(inputs["x"], inputs["y"], u_x, u_y)
    assert found.intercept == told["intercept"]
    assert found.slope == told["slope"]
    assert found.u_intercept == told["sigma intercept"]
    assert found.u_slope == told["sigma slope"]
    assert found.chi2 == told["chi-square"]
    assert found.chi2 / found.dof == told["reduced chi-square"]
    scaled = deming(inputs["x"], inputs["y"], u_x, u_y, beyond="scale")
    assert known(scaled)[3] == pytest.approx(known(found)[3] * (found.chi2 / 8) ** 0.5)


def test_arsenate_by_two_methods(reference: Reference) -> None:
    # Ripley and Thompson 1987, Analyst 112, 377.
    data = reference("B03-deming-arsenate")
    told, inputs = expected(data), data["inputs"]
    columns = [np.array(inputs[name]) for name in ("aas", "aes", "se_aas", "se_aes")]
    found = deming(*columns)
    assert found.intercept == told["intercept"]
    assert found.slope == told["slope"]
    assert found.chi2 / 30 == told["mean scaled squared residual (divides by n)"]
    assert found.chi2 / 28 == told["SS/(n-2), printed as Scale"]
    # Its standard errors are those of leaving out each point in turn, about the whole's.
    whole = np.array(known(found)[:2])
    left = [known(deming(*(np.delete(column, i) for column in columns)))[:2] for i in range(30)]
    jackknife = np.sqrt(((np.array(left) - whole) ** 2).sum(axis=0))
    assert jackknife[0] == told["se intercept"]
    assert jackknife[1] == told["se slope"]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_it_is_the_line_of_orthogonal_distance(seed: int) -> None:
    random = np.random.default_rng(seed)
    truth = np.sort(random.uniform(40, 110, 15))
    u_x, u_y = random.uniform(0.2, 3.0, (2, 15))
    x, y = truth + random.normal(0, u_x), 5 + 0.9 * truth + random.normal(0, u_y)
    found = deming(x, y, u_x, u_y)

    def residuals(p: Any) -> Any:
        return np.concatenate([(y - p[0] - p[1] * p[2:]) / u_y, (x - p[2:]) / u_x])

    start = np.concatenate([[0.0, 1.0], x])
    other = least_squares(residuals, start, xtol=1e-14, ftol=1e-14, gtol=1e-12)
    assert [found.intercept, found.slope] == pytest.approx(other.x[:2], rel=1e-5)
    assert found.chi2 == pytest.approx(2 * other.cost, rel=1e-9)
    covariance = np.linalg.inv(other.jac.T @ other.jac)[:2, :2]
    # York's are those of the points adjusted onto the line: the same matrix.
    assert known(found)[2:] == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-3)
    assert found.covariance == pytest.approx(covariance[0, 1], rel=1e-3)


def test_without_errors_in_x_it_is_weighted_least_squares() -> None:
    random = np.random.default_rng(4)
    x, u = np.linspace(0, 10, 12), random.uniform(0.2, 1.0, 12)
    y = 1 + 2 * x + random.normal(0, u)
    slope, intercept = np.polyfit(x, y, 1, w=1 / u)
    found = deming(x, y, 0.0, u)
    assert [found.intercept, found.slope] == pytest.approx([intercept, slope])


def test_excess_makes_chi2_what_is_expected() -> None:
    random = np.random.default_rng(5)
    truth = random.uniform(40, 110, 25)
    x, y = truth + random.normal(0, 0.3, 25), truth - 2 + random.normal(0, 2.0, 25)
    found = deming(x, y, 0.3, 0.5, beyond="excess")
    assert found.excess_sd == pytest.approx(2.0, rel=0.4)
    again = deming(x, y, 0.3, np.hypot(0.5, found.excess_sd))
    assert again.chi2 == pytest.approx(23.0, rel=1e-6)
    assert again.slope == pytest.approx(found.slope)
    assert found.chi2 > 100.0
    assert deming(x, y, 5.0, 5.0, beyond="excess").excess_sd == 0.0


@settings(max_examples=20)
@given(seed=st.integers(0, 10**6), shift=st.floats(-100, 100), scale=st.floats(0.01, 100))
def test_it_turns_round_and_scales(seed: int, shift: float, scale: float) -> None:
    random = np.random.default_rng(seed)
    truth = np.linspace(0, 10, 8)
    x, y = truth + random.normal(0, 0.2, 8), 1.5 * truth + random.normal(0, 0.3, 8)
    found = known(deming(x, y, 0.2, 0.3))
    swapped = known(deming(y, x, 0.3, 0.2))
    assert swapped[1] == pytest.approx(1 / found[1], rel=1e-7)
    moved = known(deming(scale * x, scale * y + shift, 0.2 * scale, 0.3 * scale))
    assert moved[1] == pytest.approx(found[1], rel=1e-7)
    assert moved[0] == pytest.approx(scale * found[0] + shift, rel=1e-6, abs=1e-6 * scale)
    assert moved[3] == pytest.approx(found[3], rel=1e-6)


def test_intervals_of_the_slope_hold_the_truth() -> None:
    random = np.random.default_rng(6)
    hits = {"nothing": 0, "scale": 0, "excess": 0}
    for _ in range(60):
        truth = random.uniform(40, 110, 10)
        x = truth + random.normal(0, 1.0, 10)
        for beyond, further in (("nothing", 0.0), ("scale", 0.0), ("excess", 2.0)):
            y = 1.02 * truth - 3 + random.normal(0, np.hypot(1.0, further), 10)
            line = deming(x, y, 1.0, 1.0, beyond=beyond)
            hits[beyond] += line.slope_low <= 1.02 <= line.slope_high
    for beyond, count in hits.items():
        assert count / 60 >= 0.88, beyond


@pytest.mark.parametrize(
    ("x", "y", "u_x", "u_y", "status"),
    [
        ([1, 2], [1, 2], 0.1, 0.1, "too_few_samples"),
        ([1, 2, None, 4], [1, 2, 3, float("inf")], 0.1, 0.1, "too_few_samples"),
        ([1, 2, 3], [1, 2, 3], -0.1, 0.1, "bad_value"),
        ([1, 2, 3], [1, 2, 3], 0.0, [0.1, 0.0, 0.1], "bad_value"),
        ([2, 2, 2], [1, 2, 3], 0.1, 0.1, "zero_spread"),
    ],
)
def test_points_that_tell_no_line(x: Any, y: Any, u_x: Any, u_y: Any, status: str) -> None:
    found = deming(x, y, u_x, u_y)
    assert found.status == status
    assert all(getattr(found, name) is None for name in [*NUMBERS, "u_slope", "chi2"])


def test_points_on_one_line_have_no_excess() -> None:
    found = deming([1, 2, 3, 4], [2, 4, 6, 8], 0.0, 0.0, beyond="excess")
    assert found.slope == pytest.approx(2.0)
    assert found.excess_sd == pytest.approx(0.0, abs=1e-9)
    level = deming([1, 2, 3, 4], [2, 2, 2, 2], 0.1, 0.0, beyond="excess")
    assert level.slope == pytest.approx(0.0, abs=1e-9)


def test_bad_options_are_told() -> None:
    with pytest.raises(OptionError, match="beyond"):
        deming([1, 2, 3], [1, 2, 3], 0.1, 0.1, beyond="all")
    with pytest.raises(OptionError, match="u_y"):
        deming([1, 2, 3], [1, 2, 3], 0.1, [0.1, 0.1])
    with pytest.raises(OptionError, match="confidence"):
        passing_bablok([1, 2, 3], [1, 2, 3], confidence=1.0)


# --- ranks --------------------------------------------------------------------------------------


def test_fifty_pairs_by_ranks(reference: Reference) -> None:
    # Passing and Bablok 1983; data and digits of a package's test, see the file.
    data = reference("B05-passing-bablok-td15")
    told = expected(data)
    x, y = (np.array(data["inputs"][name]) for name in "xy")
    found = passing_bablok(x, y)
    assert found.intercept == told["intercept"]
    assert found.slope == told["slope"]
    assert found.slope_low == told["slope lower 95%"]
    assert found.slope_high == told["slope upper 95%"]
    # The authors' interval of the intercept is what the slope's leaves; ours is wider.
    ends = [np.median(y - slope * x) for slope in (found.slope_high, found.slope_low)]
    assert ends[0] == told["intercept lower 95%"]
    assert ends[1] == told["intercept upper 95%"]
    assert found.intercept_low < ends[0] < ends[1] < found.intercept_high


def test_slopes_by_hand() -> None:
    found = passing_bablok([1, 2, 3], [1, 2, 5])  # 1, 2, 3
    assert (found.slope, found.intercept) == (2.0, -1.0)
    falling = passing_bablok([1, 2, 3, 4], [1, 4, 2, 6])  # -2, 0.5, 1, 5/3, 3, 4: K = 1
    assert falling.slope == pytest.approx(7 / 3)
    left_out = passing_bablok([1, 2, 3, 4], [1, 3, 2, 5])  # -1 is not counted: 0.5, 1, 4/3, 2, 3
    assert left_out.slope == pytest.approx(4 / 3)
    tie = passing_bablok([1, 1, 2, 3], [1, 2, 2, 4])  # 0, 1, 1, 1.5, 2, infinite
    assert tie.slope == pytest.approx(1.25)
    same = passing_bablok([1, 1, 2, 3], [1, 1, 2, 4])  # 1, 1, 1.5, 1.5, 2
    assert same.slope == pytest.approx(1.5)


def test_an_outlier_does_not_turn_the_line() -> None:
    random = np.random.default_rng(7)
    x = np.linspace(40, 110, 21)
    y = x + random.normal(0, 0.5, 21)
    before = passing_bablok(x, y).slope
    y[-1] = 20.0
    assert passing_bablok(x, y).slope == pytest.approx(before, abs=0.02)
    assert abs(known(deming(x, y, 0.3, 0.5))[1] - 1) > 0.1


def test_swapped_coordinates_turn_the_slope_round() -> None:
    random = np.random.default_rng(8)
    x = random.uniform(40, 110, 15)
    y = x + random.normal(0, 2, 15)
    found, swapped = passing_bablok(x, y), passing_bablok(y, x)
    assert swapped.slope == pytest.approx(1 / found.slope)
    assert swapped.slope_low == pytest.approx(1 / found.slope_high)


def test_a_bent_line_is_found_by_its_cusum() -> None:
    random = np.random.default_rng(9)
    x = np.linspace(0, 10, 60)
    noise = random.normal(0, 0.2, 60)
    assert passing_bablok(x, 1 + x + noise).linear_p > 0.05
    assert passing_bablok(x, 1 + 0.12 * x**2 + noise).linear_p < 0.01


def test_rank_intervals_hold_the_truth() -> None:
    random = np.random.default_rng(10)
    hits = np.zeros(2)
    for run in range(400):
        n = (6, 8, 15, 30)[run % 4]
        truth = random.uniform(40, 110, n)
        x, y = truth + random.normal(0, 3, n), 1 + truth + random.normal(0, 3, n)
        line = passing_bablok(x, y)
        hits += [
            line.slope_low <= 1 <= line.slope_high,
            line.intercept_low <= 1 <= line.intercept_high,
        ]
    assert (hits / 400 >= 0.925).all()
    assert (hits / 400 <= 0.995).all()


@pytest.mark.parametrize(
    ("x", "y", "status"),
    [
        ([1, 2], [1, 2], "too_few_samples"),
        ([2, 2, 2], [1, 2, 3], "zero_spread"),
        ([2, 2, 2], [2, 2, 2], "zero_spread"),
        ([1, 2, 3], [30, 20, 10], "zero_spread"),
    ],
)
def test_points_without_a_rising_line(x: Any, y: Any, status: str) -> None:
    found = passing_bablok(x, y)
    assert found.status == status
    assert all(getattr(found, name) is None for name in NUMBERS)


def test_three_points_bound_nothing() -> None:
    found = passing_bablok([1, 2, 3], [1, 2, 4])
    assert (found.slope_low, found.slope_high) == (-np.inf, np.inf)
    assert (found.intercept_low, found.intercept_high) == (-np.inf, np.inf)


# --- on frames ----------------------------------------------------------------------------------


def fleet() -> tuple[pl.DataFrame, pl.DataFrame]:
    random = np.random.default_rng(11)
    rows = []
    for i, level in enumerate(np.linspace(40, 110, 12)):
        for k in range(2):
            rows.append((f"r{i}{k}", f"s{i}", "ramp", level + random.normal(0, 0.2), 0.2))
            value = 1.1 * level - 5 + random.normal(0, 1)
            rows.append((f"p{i}{k}", f"s{i}", "pinch", value, 0.4))
    names = ["test_id", "switch_id", "method", "open_pa", "open_u_pa"]
    nothing = pl.lit(None, pl.Float64)
    points = pl.DataFrame(rows, names, orient="row").with_columns(
        close_pa=nothing, close_u_pa=nothing
    )
    return points, points.select("test_id", called_open_pa=pl.col("open_pa").round(0))


@pytest.mark.parametrize("kind", ["deming", "passing_bablok"])
@pytest.mark.parametrize("value", ["fitted", "called"])
def test_results_on_those_of_the_reference(kind: Any, value: Any) -> None:
    points, tests = fleet()
    found = regression(points, "pinch", kind=kind, value=value, tests=tests)
    assert (found.n, found.kind, found.status) == (12, kind, "ok")
    assert found.slope_low < 1.1 < found.slope_high
    assert found.slope_low > 1.0


def test_repeats_are_averaged_with_their_uncertainty() -> None:
    points, _ = fleet()
    means = points.group_by("switch_id", "method").agg(pl.col("open_pa").mean())
    x, y = (means.filter(method=name).sort("switch_id")["open_pa"] for name in ("ramp", "pinch"))
    found = regression(points, "pinch", beyond="nothing")
    assert known(found) == pytest.approx(known(deming(x, y, 0.2 / 2**0.5, 0.4 / 2**0.5)))


def test_uncertainties_that_are_not_there() -> None:
    points, tests = fleet()
    both = regression(points, "pinch", value="called", reference_value="called", tests=tests)
    assert both.status == "missing_value"
    called = regression(points, "pinch", value="called", beyond="nothing", tests=tests)
    assert called.status == "missing_value"
    own = regression(points, "ramp", value="called", tests=tests)
    assert (own.n, own.status) == (24, "ok")
    assert own.slope == pytest.approx(1.0, abs=0.01)
    assert regression(points, "in_service").status == "too_few_samples"
    with pytest.raises(OptionError, match="kind"):
        regression(points, "pinch", kind="least")


def test_more_points_than_slopes_are_held_of() -> None:
    with pytest.raises(DeadbandError, match="10000 points, or take deming"):
        passing_bablok(np.arange(10_001.0), np.arange(10_001.0))
