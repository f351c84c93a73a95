"""The benchmarks and the study run, and the study's scores catch intervals that are wrong."""

import importlib
import re
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from deadband import simulate

BENCHES = Path(__file__).resolve().parents[2] / "benches"


def run(script: str, *options: str) -> str:
    command = [sys.executable, "-W", "error", str(BENCHES / script), "--quick", *options]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def cells(table: str) -> list[list[str]]:
    """The rows of all Markdown tables in a text, heads and rules left out."""
    rows = [line.strip("|").split("|") for line in table.splitlines() if line.startswith("|")]
    rules = {i for i, row in enumerate(rows) if re.fullmatch(r"[\s:-]+", "".join(row))}
    heads = {i - 1 for i in rules}
    return [[cell.strip() for cell in row] for i, row in enumerate(rows) if i not in rules | heads]


@pytest.fixture(scope="module")
def calibration():
    """The study's package, importable for as long as this module's tests run."""
    sys.path.insert(0, str(BENCHES))
    names = (
        "bars",
        "bound",
        "causes",
        "coarse",
        "page",
        "picture",
        "pinches",
        "ramps",
        "scores",
        "stands",
        "walks",
    )
    yield SimpleNamespace(**{n: importlib.import_module(f"calibration.{n}") for n in names})
    sys.path.remove(str(BENCHES))


def test_one_recording_against_other_libraries():
    rows = cells(run("bench_fit.py"))
    assert [row[0].split(",")[0] for row in rows] == ["deadband"] * 3 + ["SciPy"] + [
        "statsmodels"
    ] * 2
    assert all(float(row[1]) > 0 for row in rows)
    errors = [float(row[-1]) for row in rows if row[-1]]
    assert (
        len(errors) == 4
    )  # all but the verbs give a path, and all paths are the same curve, nearly
    assert max(errors) < 1.2 * min(errors)


def test_a_file_against_reading_it():
    rows = cells(run("bench_fleet.py"))
    fits = [row for row in rows if row[1].startswith("fitting")]
    assert {row[1] for row in fits} == {"fitting, in-memory engine", "fitting, streaming engine"}
    assert all(float(cell) > 0 for row in fits for cell in row[2:])
    assert [row[0] for row in rows if row[0] in {"10", "20", "40"}] == ["10", "20", "40"]


def test_histories_against_other_libraries():
    rows = {row[0]: row[1:] for row in cells(run("bench_drift.py"))}
    for name in ("db.drift", "pymannkendall"):
        assert all(float(cell.replace(",", "")) > 0 for cell in rows[name])
    assert float(rows["50"][4]) > float(rows["50"][0])
    assert rows["100"][4] == "not tried"


def test_the_study_writes_what_it_prints(tmp_path):
    page = tmp_path / "study.md"
    printed = run("study.py", "--date", "2026-01-31", "--out", str(page))
    assert page.read_text(encoding="utf-8").strip() == printed.strip()
    assert "2026-01-31" in printed
    assert (tmp_path / "study.png").read_bytes().startswith(b"\x89PNG")
    measures, _, rest = printed.partition("## What came out")
    assert len(cells(measures)) > 10
    families = {part.partition("\n")[0]: len(cells(part)) for part in rest.split("\n### ")[2:]}
    assert len(families) == 14
    assert all(families.values())
    again = tmp_path / "again.md"
    repeated = run("study.py", "--date", "2026-01-31", "--out", str(again))
    assert repeated.replace("again.png", "study.png") == printed
    assert (tmp_path / "again.png").read_bytes() == (tmp_path / "study.png").read_bytes()


def test_the_readme_shows_what_the_study_found():
    root = BENCHES.parent
    found = (root / "docs/study.md").read_text("utf-8").partition("## What came out")[2]
    table = found.strip().partition("\n\n")[0]
    assert table.count("\n") > 2
    assert table in (root / "README.md").read_text("utf-8")


def row_of(calibration, factor=1.0, shift=0.0, *, n=20_000, family="ramps", cell=None, **others):
    rng = np.random.default_rng(1)
    truth = np.full(n, 60.0)
    values = truth + shift + rng.normal(0.0, 0.3, n)
    found = calibration.scores.Found(values, np.full(n, 0.3 * factor), np.full(n, np.inf), truth)
    return calibration.scores.score(family, cell or {}, {"open": found}, others=others)


@pytest.mark.parametrize(
    ("factor", "expected"), [(1.0, (0.68, 0.95, 0.99)), (0.5, (0.38, 0.67, 0.80))]
)
def test_scores_tell_intervals_that_are_too_narrow(calibration, factor, expected):
    found = row_of(calibration, factor, bound=0.15)
    assert found.coverage == pytest.approx(expected, abs=0.01)
    assert found.sharpness == pytest.approx(factor, abs=0.01)
    assert found.ratios["bound"] == pytest.approx(2.0, rel=0.02)
    assert found.is_inside is (factor == 1.0)


def test_scores_tell_bias(calibration):
    assert row_of(calibration, shift=0.5).worst_bias == pytest.approx(0.5, abs=0.01)


def test_a_counted_share_has_the_interval_of_wilson(calibration):
    """Against statsmodels.stats.proportion.proportion_confint, method wilson."""
    for share, n in ((0.95, 400), (1.0, 50), (0.8, 10)):
        known = proportion_confint(share * n, n, method="wilson")
        assert calibration.scores.counted(share, n) == pytest.approx(known, rel=1e-6)


def test_measures_are_met_and_missed_by_the_rows(calibration):
    cell = {"gauge, s": "0.1 + 0.3", "changes": 6.0}
    good = row_of(calibration, family="lag, rates", cell=cell)
    wide = row_of(calibration, 0.5, family="lag, rates", cell=cell)
    (bias, coverage, whole) = calibration.bars.bars([good, wide])
    assert bias.missed == []
    assert coverage.missed == whole.missed == [wide]
    assert "not met in 1 of 2 (0 of them" in coverage.line
    assert "gauge 0.1 + 0.3 s" in coverage.line


def test_cells_outside_are_explained_or_said_to_be_unexplained(calibration, monkeypatch):
    causes = calibration.causes
    wide = row_of(calibration, 0.5)
    monkeypatch.setattr(causes, "CAUSES", [])
    assert "not known" in causes.explained([wide])
    assert "count alone" in causes.explained([row_of(calibration, 0.85, n=40)])
    assert causes.explained([row_of(calibration)]).startswith("No cell")
    known = causes.Cause("ramps", lambda row: row.sharpness < 0.6, "Half of u is missing.")
    monkeypatch.setattr(causes, "CAUSES", [known])
    assert causes.explained([wide]).startswith("- Half of u is missing.\n  - ramps")


def test_walks_have_the_covariance_of_an_integrated_random_walk(calibration):
    """Variances q t**3 / 3 and q t, covariance q t**2 / 2 (integrals of the Wiener process)."""
    rng = np.random.default_rng(3)
    times = np.array([0.0, 0.3, 1.0, 2.0])
    ends = np.array([[v[-1], r[-1]] for v, r in (
        calibration.walks.walk(rng, 2.0, times) for _ in range(4000)
    )])  # fmt: skip
    expected = 2.0 * np.array([[8.0 / 3.0, 2.0], [2.0, 2.0]])
    assert np.cov(ends.T) == pytest.approx(expected, rel=0.08)
    assert ends.mean(axis=0) == pytest.approx([10.0, 5.0], abs=0.2)


def test_the_least_variance_is_that_of_the_dense_gaussian_posterior(calibration):
    """Against the same problem on a fine grid, solved at once: covariances by quadrature of the
    hand's kernel through the gauge's response, level, slope and gauge's start as free columns."""
    hand = simulate.Ramp(rate_pa_s=5.0, unsteadiness=0.2)
    gauge = simulate.Gauge(resolution_pa=2.49, noise_pa=1.245, time_constant_s=0.3)
    fine, sample, seconds = 0.0125, 0.1, 8.0
    time = np.arange(0.0, seconds + fine / 2, fine)
    n, event, each = time.size, round(4.05 / fine), round(sample / fine)

    def trapezium(kernel):
        weights = np.tril(np.ones((n, n))) * fine
        weights[:, 0] /= 2.0
        weights -= np.diag(np.full(n, fine / 2.0))
        weights[0] = 0.0
        return kernel * weights

    gaps = time[:, None] - time[None, :]
    pressure = 5.0 * 0.2 * trapezium(np.ones((n, n)))
    response = trapezium(np.exp(-np.maximum(gaps, 0.0) / 0.3) / 0.3)
    truth = pressure @ np.exp(-np.abs(gaps)) @ pressure.T
    decay = np.exp(-time / 0.3)
    free_p = np.stack([np.ones(n), time, np.zeros(n)], axis=1)
    free_z = np.stack([1.0 - decay, time - 0.3 * (1.0 - decay), decay], axis=1)
    read = np.arange(each, n, each)
    noise = 1.245**2 + 2.49**2 / 12.0
    seen = response[read] @ truth @ response[read].T + noise * np.eye(read.size)
    seen += 1e6 * free_z[read] @ free_z[read].T
    joint = response[read] @ truth[:, event] + 1e6 * free_z[read] @ free_p[event]
    whole = truth[event, event] + 1e6 * free_p[event] @ free_p[event]
    known = whole - joint @ np.linalg.solve(seen, joint)
    spans = (4.0 * 5.0, 4.0 * 5.0)
    found = calibration.bound.pressure_variance(hand, 5.0, gauge, sample, spans)
    assert found == pytest.approx(known, rel=0.02)


def test_the_white_noise_path_sees_its_stroke_alone(calibration):
    time = np.arange(0.0, 40.0, 0.1)
    y = np.interp(time, [0.0, 5.0, 15.0, 20.0, 30.0, 40.0], [0.0, 0.0, 100.0, 100.0, 0.0, 0.0])
    y += 0.1 * np.random.default_rng(2).normal(size=time.size)
    rising = calibration.coarse.white_path(time, y, 11.0, 0.4)
    falling = calibration.coarse.white_path(time, y, 24.0, 0.4)
    assert rising == pytest.approx(64.0, abs=0.3)
    assert falling == pytest.approx(56.0, abs=0.3)


def test_the_measure_of_pinches_is_read_where_the_split_is_drawn(calibration):
    pinches = calibration.pinches
    cell = {"lag known as": pinches.MEAN}
    drawn = row_of(calibration, family=pinches.FAMILY, cell=cell)
    fixed = row_of(calibration, shift=0.24, family=pinches.ONE_SPLIT, cell=cell)
    bars = calibration.bars.bars([drawn, fixed])
    biases = [bar for bar in bars if bar.wanted == "bias below a third of u"]
    assert [bar.rows for bar in biases] == [[drawn]]
    assert "inside u" in pinches.worst_told([fixed])
    far = row_of(calibration, shift=0.45, family=pinches.ONE_SPLIT, cell=cell)
    assert "beyond u but inside 2 u" in pinches.worst_told([drawn, far])


def test_any_split_keeps_the_mean_lag_and_draws_its_share_flat(calibration):
    gauge = simulate.Gauge(dead_time_s=0.1, time_constant_s=0.3)
    for share in (0.0, 0.25, 1.0):
        found = calibration.stands.split(gauge, share)
        assert found.dead_time_s == pytest.approx(0.4 * share)
        assert found.lag_s == pytest.approx(0.4)


def test_the_path_error_sees_neither_bracket_nor_scatter(calibration):
    """On a fine display without noise both models give the gauge's signal at a told instant."""
    stands, coarse = calibration.stands, calibration.coarse
    stand = stands.Stand(
        simulate.Gauge(resolution_pa=0.01, noise_pa=0.01),
        lambda *_: simulate.Ramp(rate_pa_s=6.0, unsteadiness=0.05),
        simulate.Logger(sample_s=0.1),
        3.0,
    )
    made, _ = stands.record(stand, 4, 1, "told", {})
    mine, white = coarse.path_errors(made)
    assert mine.size == white.size == 24
    assert np.abs(mine).max() < 0.05
    assert np.abs(white).max() < 0.05
