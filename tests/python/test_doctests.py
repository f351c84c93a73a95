"""Every example in a docstring runs, and every public name has one."""

import doctest
import importlib
import inspect
import pkgutil
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import polars as pl
import pytest

import deadband

REPO = Path(__file__).resolve().parents[2]
FLAGS = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE

FOUND = [found.name for found in pkgutil.walk_packages(deadband.__path__, "deadband.")]
MODULES = ["deadband", *sorted(name for name in FOUND if not name.endswith("__main__"))]


def compiled_docstrings(module: ModuleType) -> Iterator[tuple[str, str]]:
    """Name and docstring of whatever a compiled module holds; doctest itself finds none there."""
    for name, item in vars(module).items():
        if name.startswith("__"):
            continue
        members = vars(item) if inspect.isclass(item) else {}
        for label, thing in [(name, item), *((f"{name}.{key}", members[key]) for key in members)]:
            text = getattr(thing, "__doc__", None)
            described = (inspect.isroutine, inspect.isclass, inspect.isdatadescriptor)
            if isinstance(text, str) and any(kind(thing) for kind in described):
                yield f"{module.__name__}.{label}", text


def examples(module: ModuleType) -> list[doctest.DocTest]:
    if (module.__file__ or "").endswith((".so", ".pyd")):
        parser = doctest.DocTestParser()
        return [
            parser.get_doctest(text, dict(vars(module)), name, module.__file__, 0)
            for name, text in compiled_docstrings(module)
            if ">>>" in text
        ]
    return [test for test in doctest.DocTestFinder().find(module) if test.examples]


def report_of(test: doctest.DocTest) -> str:
    """What went wrong; empty when every example printed what it shows."""
    said: list[str] = []
    doctest.DocTestRunner(optionflags=FLAGS).run(test, out=said.append)
    return "".join(said)


def public_names() -> Iterator[tuple[str, Any]]:
    for name in MODULES:
        if any(part.startswith("_") for part in name.split(".")):
            continue
        module = importlib.import_module(name)
        for public in getattr(module, "__all__", []):
            item = getattr(module, public)
            if inspect.isroutine(item) or inspect.isclass(item):
                yield f"{name}.{public}", item


@pytest.mark.parametrize("name", MODULES)
def test_examples(name, monkeypatch):
    monkeypatch.chdir(REPO)
    module = importlib.import_module(name)
    with pl.Config():
        failures = [report for test in examples(module) if (report := report_of(test))]
    assert not failures, "\n".join(failures)


def test_every_public_name_has_an_example():
    names = list(public_names())
    assert names
    bare = [name for name, item in names if ">>>" not in (inspect.getdoc(item) or "")]
    assert not bare, f"give their docstrings an example that runs: {bare}"


def test_a_wrong_example_is_caught():
    parser = doctest.DocTestParser()
    assert report_of(parser.get_doctest(">>> 1 + 1\n3\n", {}, "wrong", None, 0))
    assert not report_of(parser.get_doctest(">>> 1 + 1\n2\n", {}, "right", None, 0))
