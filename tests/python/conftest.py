"""What every Python test shares: Hypothesis profiles, a screenless plot backend, three fixtures."""

import json
import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

REPO = Path(__file__).resolve().parents[2]

os.environ.setdefault("MPLBACKEND", "Agg")

# Derandomised, so that a failure is a failure of the change at hand. `slow` searches anew each time
# and is run before a release: HYPOTHESIS_PROFILE=slow make test-python
settings.register_profile("fast", max_examples=50, deadline=None, derandomize=True)
settings.register_profile("slow", max_examples=2000, deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "fast"))


@pytest.fixture(autouse=True)
def _figures_closed() -> Iterator[None]:
    """Matplotlib warns of too many open figures, whichever test opened them."""
    yield
    if "matplotlib.pyplot" in sys.modules:
        sys.modules["matplotlib.pyplot"].close("all")


@pytest.fixture(scope="session")
def repo() -> Path:
    """The root of the project."""
    return REPO


@pytest.fixture(scope="session")
def demo_data() -> Path:
    """The demonstration fleet."""
    return REPO / "demo-data"


@pytest.fixture(scope="session")
def reference() -> Callable[[str], Any]:
    """Read one published data set: ``reference("name")`` reads tests/reference/name.json."""

    def read(name: str) -> Any:
        return json.loads((REPO / "tests/reference" / f"{name}.json").read_text(encoding="utf-8"))

    return read
