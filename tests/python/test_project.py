"""The rules of DEVELOPERS.md that a machine can keep, each with an offender it must catch."""

import ast
import re
import subprocess
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest
from packaging.version import Version

from rust_source import code_only, files_of_tests, imports, module_path, without_tests

REPO = Path(__file__).resolve().parents[2]
SRC = REPO / "src"
PACKAGE = REPO / "python/deadband"
LONGEST = 400

CORRIDOR = ["base", "trace", "smooth", "lag", "setpoint", "verdict", "condition", "drift"]
MAY_IMPORT = {name: {*CORRIDOR[: rank + 1]} for rank, name in enumerate(CORRIDOR)}
MAY_IMPORT["simulate"] = {"base", "simulate"}
MAY_IMPORT["frame"] = {*CORRIDOR, "simulate", "frame"}
MAY_IMPORT["python"] = {*MAY_IMPORT["frame"], "python"}
EDGE = {"frame", "python"}

UNFINISHED = re.compile("TO" + r"DO|FIX" + r"ME|\bXX" + r"X\b|unimpl" + r"emented!|to" + r"do!\(")
WRITTEN = {".rs", ".py", ".pyi", ".md", ".toml", ".html", ".css", ".ipynb", ""}


def tracked() -> list[Path]:
    """Files of the project: in the index, or new and not ignored."""
    listing = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=REPO,
        check=True,
        capture_output=True,
        text=True,
    )
    paths = [REPO / name for name in listing.stdout.split("\0") if name]
    return [path for path in paths if path.is_file()]


def sources(*suffixes: str) -> list[Path]:
    folders = {"src", "python", "tests", "benches"}
    return [
        path
        for path in tracked()
        if path.suffix in suffixes and path.relative_to(REPO).parts[0] in folders
    ]


def production_rust() -> list[tuple[Path, str]]:
    """Every file of src that ships, as code without comments, strings and tests."""
    excluded = files_of_tests(SRC)
    return [
        (path, without_tests(code_only(path.read_text(encoding="utf-8"))))
        for path in sources(".rs")
        if path.is_relative_to(SRC) and path not in excluded
    ]


# --- rules, as functions from text to offences --------------------------------------------------


def too_long(text: str) -> bool:
    return len(text.splitlines()) > LONGEST


def upward_imports(code: str, module: list[str]) -> list[str]:
    """Imports that leave the corridor's order; `lib.rs` stands above it all."""
    if not module:
        return []
    allowed = MAY_IMPORT.get(module[0], set())
    return [
        f"line {line}: {'::'.join(module)} imports {'::'.join(target)}"
        for line, target in imports(code, module)
        if target[0] not in allowed
    ]


def foreign_types(code: str) -> list[str]:
    return re.findall(r"\b(?:pyo3\w*|polars\w*|numpy)\s*::", code)


def unwraps(code: str) -> list[str]:
    return re.findall(r"\.\s*unwrap\s*\(\s*\)", code)


def unexplained_exceptions(code: str) -> list[str]:
    """Lint levels set beside the table in Cargo.toml, unless an exception gives its reason."""
    second_tables = re.findall(r"#!\[(?:warn|deny)\([^\]]*\]", code)
    exceptions = re.findall(r"#!?\[(?:allow|expect)\([^\]]*\]", code)
    return second_tables + [one for one in exceptions if not re.search(r"\breason\s*=", one)]


def module_level_imports(source: str, module: str, known: set[str]) -> set[str]:
    """Modules of this package that importing `module` imports; functions import when called."""
    package = module if f"{module}.__init__" in known else module.rpartition(".")[0]
    found: set[str] = set()
    for node in importing_nodes(ast.parse(source).body):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
            continue
        base = node.module or ""
        if node.level:
            above = package.split(".")[: len(package.split(".")) - node.level + 1]
            base = ".".join([*above, base] if base else above)
        for alias in node.names:
            deeper = f"{base}.{alias.name}"
            found.add(deeper if {deeper, f"{deeper}.__init__"} & known else base)
    return {name for name in found if {name, f"{name}.__init__"} & known and name != module}


def importing_nodes(body: list[ast.stmt]) -> list[ast.Import | ast.ImportFrom]:
    nodes: list[ast.Import | ast.ImportFrom] = []
    for node in body:
        if isinstance(node, ast.Import | ast.ImportFrom):
            nodes.append(node)
        elif isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            nodes += importing_nodes(node.orelse)
        elif isinstance(node, ast.If | ast.Try):
            inner = [*node.body, *node.orelse, *getattr(node, "finalbody", [])]
            inner += [line for handler in getattr(node, "handlers", []) for line in handler.body]
            nodes += importing_nodes(inner)
    return nodes


def circle(graph: dict[str, set[str]]) -> list[str]:
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        return error.args[1]
    return []


# --- the project keeps them ---------------------------------------------------------------------


def test_no_file_is_too_long():
    long = [path for path in sources(".rs", ".py", ".pyi") if too_long(path.read_text("utf-8"))]
    assert not long, f"over {LONGEST} lines: split {long}"


def test_rust_imports_follow_the_corridor():
    offences = [
        f"{path.relative_to(REPO)}: {offence}"
        for path, code in production_rust()
        for offence in upward_imports(code, module_path(path, SRC))
    ]
    assert not offences, "\n".join(offences)


def test_every_rust_module_has_a_place_in_the_corridor():
    folders = {path.name for path in SRC.iterdir() if path.is_dir()}
    assert folders == set(MAY_IMPORT)
    assert {path.name for path in SRC.glob("*.rs")} == {"lib.rs"}


def test_rust_files_of_one_module_import_in_no_circle():
    files = {"::".join(module_path(path, SRC)): code for path, code in production_rust()}
    graph = {
        name: {
            "::".join(target[:2])
            for _, target in imports(code, name.split("::"))
            if "::".join(target[:2]) in files and target[:2] != name.split("::")[:2]
        }
        for name, code in files.items()
        if name.count("::") == 1  # a mod.rs re-exports its files, which is no dependency
    }
    assert not circle(graph)


def test_core_knows_neither_python_nor_polars():
    for path, code in production_rust():
        if path.relative_to(SRC).parts[0] not in EDGE:
            assert not foreign_types(code), path


def test_core_modules_forbid_unsafe_code_and_say_what_they_are():
    for name in MAY_IMPORT.keys() - EDGE:
        head = (SRC / name / "mod.rs").read_text(encoding="utf-8")
        assert head.startswith("//! "), name
        assert "#![forbid(unsafe_code)]" in head, name


def test_nothing_unwraps_outside_tests():
    offenders = [path for path, code in production_rust() if unwraps(code)]
    assert not offenders


def test_nothing_is_left_unfinished():
    offenders = [
        path
        for path in tracked()
        if path.suffix in WRITTEN and UNFINISHED.search(path.read_text(encoding="utf-8"))
    ]
    assert not offenders


def test_one_table_of_lints():
    cargo = (REPO / "Cargo.toml").read_text(encoding="utf-8")
    assert re.findall(r"^\[(lints[^\]]*)\]", cargo, re.MULTILINE) == ["lints.rust", "lints.clippy"]
    offences = {path: unexplained_exceptions(code) for path, code in production_rust()}
    assert not {path: found for path, found in offences.items() if found}


def test_version_stands_in_cargo_toml_only():
    cargo = (REPO / "Cargo.toml").read_text(encoding="utf-8")
    version = re.search(r'^version = "([^"]+)"', cargo, re.MULTILINE)[1]
    assert str(Version(version))
    pyproject = (REPO / "pyproject.toml").read_text(encoding="utf-8")
    assert 'dynamic = ["version"]' in pyproject
    assert not re.search(r"^version\s*=", pyproject, re.MULTILINE)
    shipped = [*PACKAGE.rglob("*.py"), *PACKAGE.rglob("*.pyi"), *(REPO / "docs").glob("*.py")]
    assert not [path for path in shipped if f'"{version}"' in path.read_text(encoding="utf-8")]


def test_dependencies_have_lower_bounds():
    for name in ("Cargo.toml", "pyproject.toml"):
        assert not re.search(r'[=>"]\s*\*"', (REPO / name).read_text(encoding="utf-8"))
    pyproject = (REPO / "pyproject.toml").read_text(encoding="utf-8")
    lists = pyproject.partition("[project.scripts]")[0].partition("dependencies = [")[2]
    needed = re.findall(r'"([a-z][\w-]*)([^"]*)"', lists)
    assert needed
    assert not [name for name, bound in needed if not bound.startswith(">=")]


def test_python_modules_import_in_no_circle():
    files = {
        ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts): path
        for path in [*PACKAGE.rglob("*.py"), *PACKAGE.rglob("*.pyi")]  # a stub: a compiled module
    }
    graph = {}
    for name, path in files.items():
        module = name.removesuffix(".__init__")
        text = path.read_text(encoding="utf-8")
        graph[module] = module_level_imports(text, module, set(files))
    assert graph
    assert not circle(graph)


# --- the rules catch offenders ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "module", "caught"),
    [
        ("use crate::drift::Trend;", ["lag"], True),
        ("use super::drift::Trend;", ["lag"], True),
        ("use crate::{base::Error, verdict};", ["smooth", "path"], True),
        ("use crate::simulate::Gauge;", ["drift"], True),
        ("use crate::lag::Lag;", ["simulate"], True),
        ("use crate::Estimate;", ["lag"], True),
        ("use crate::frame::schema;", ["lag"], True),
        ("use crate::base::Error; use super::path::Path;", ["smooth", "search"], False),
        ("use crate::python::f;", ["python", "errors"], False),
        ("mod drift;", [], False),
    ],
)
def test_upward_import_rule(code, module, caught):
    assert bool(upward_imports(code, module)) is caught


def test_text_rules():
    assert too_long("x\n" * (LONGEST + 1))
    assert not too_long("x\n" * LONGEST)
    assert unwraps("x\n    .unwrap()")
    assert not unwraps("x.unwrap_or(0.0)")
    assert foreign_types("use polars_core::prelude::*;")
    assert UNFINISHED.search("// TO" + "DO later")
    assert unexplained_exceptions("#![allow(dead_code)]")
    assert unexplained_exceptions("#![deny(missing_docs)]")
    assert unexplained_exceptions("#[allow(clippy::too_many_lines)]")
    assert not unexplained_exceptions('#[expect(unused, reason = "shown below")]')


def test_python_import_rule():
    known = {"p.__init__", "p.a", "p.q.__init__", "p.q.b"}
    text = "from . import a\nif TYPE_CHECKING:\n    from .q import b\ndef f():\n    import p.q.b\n"
    assert module_level_imports(text, "p", known) == {"p.a"}
    assert module_level_imports("from ..a import x", "p.q.b", known) == {"p.a"}
    assert module_level_imports("from .b import x\nimport p", "p.q", known) == {"p.q.b", "p"}
    assert circle({"p": {"p.a"}, "p.a": {"p"}})
    assert not circle({"p": {"p.a"}, "p.a": set()})
