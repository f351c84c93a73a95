"""The benchmarks and the study run, and the study's scores catch intervals that are wrong."""

import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

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
def study():
    spec = importlib.util.spec_from_file_location("study", BENCHES / "study.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_one_recording_against_other_libraries():
    rows = cells(run("bench_fit.py"))
    assert [row[0].split(",")[0] for row in rows] == ["deadband"] * 2 + ["SciPy"] + [
        "statsmodels"
    ] * 2
    assert all(float(row[1]) > 0 for row in rows)
    errors = [float(row[-1]) for row in rows if row[-1]]
    assert (
        len(errors) == 4
    )  # all but the verb give a path, and all paths are the same curve, nearly
    assert max(errors) < 1.2 * min(errors)


def test_a_file_against_reading_it():
    rows = cells(run("bench_fleet.py"))
    fits = [row for row in rows if row[1].startswith("fitting")]
    assert {row[1] for row in fits} == {"fitting, in-memory engine", "fitting, streaming engine"}
    assert all(float(cell) > 0 for row in fits for cell in row[2:])
    assert [row[0] for row in rows if row[0] in {"10", "20", "40"}] == ["10", "20", "40"]


def test_the_study_writes_what_it_prints(tmp_path):
    page = tmp_path / "study.md"
    printed = run("study.py", "--date", "2026-01-31", "--out", str(page))
    assert page.read_text(encoding="utf-8").strip() == printed.strip()
    assert "2026-01-31" in printed
    assert len(cells(printed)) == 4


@pytest.mark.parametrize(
    ("factor", "expected"), [(1.0, (0.68, 0.95, 0.99)), (0.5, (0.38, 0.67, 0.80))]
)
def test_scores_tell_intervals_that_are_too_narrow(study, factor, expected):
    rng = np.random.default_rng(1)
    truth = np.full(20_000, 60.0)
    values = truth + rng.normal(0.0, 0.3, truth.size)
    u = np.full(truth.size, 0.3 * factor)
    found = study.score(values, u, np.full(truth.size, np.inf), truth, truth + 1.0)
    assert found.coverage == pytest.approx(expected, abs=0.01)
    assert found.sharpness == pytest.approx(factor, abs=0.01)
    assert found.display_rmse_pa == pytest.approx(1.0)


def test_scores_tell_bias(study):
    truth = np.full(10, 50.0)
    ones = np.ones(10)
    assert study.score(truth + 0.5, ones, ones, truth, truth).bias == pytest.approx(0.01)
