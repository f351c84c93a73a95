"""Run what the pages show. The convention, for every Markdown page of the project:

- ```` ```python ```` blocks of a page run in order, in one namespace, from the project's root. A
  ```` ```text ```` block right after one is what it prints; a last expression prints its value.
- ```` ```console ```` blocks hold commands after ``$ `` and, where shown, their output. `deadband`
  and `python` run; the targets of `make` and the extras of `pip install` are checked to exist.
- `...` stands for any text in a shown output, and white space counts once.
- ``<!-- not run: REASON -->`` on the line before a block exempts it.
"""

import ast
import contextlib
import doctest
import io
import os
import re
import shlex
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import polars as pl
import pytest

REPO = Path(__file__).resolve().parents[2]
PAGES = sorted(
    path
    for pattern in ("*.md", "docs/*.md", "demo-data/*.md", "notebooks/*.md", "benches/*.md")
    for path in REPO.glob(pattern)
)
SHOWN_ONLY = {"csv", "json", "mermaid", "rust", "toml", "text"}
NOT_RUN_HERE = {"cargo", "cd", "git", "ls"}

_BLOCK = re.compile(
    r"(?P<before>[^\n]*)\n[ ]*\n?```(?P<info>[^\n`]*)\n(?P<body>.*?)^```[ ]*$",
    re.DOTALL | re.MULTILINE,
)
_CHECK = doctest.OutputChecker()
_FLAGS = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


class Block(NamedTuple):
    """A fenced block of a page."""

    line: int
    language: str
    body: str
    exempt: bool
    directly_after_block: bool


def blocks(page: str) -> list[Block]:
    found, end = [], 0
    text = "\n\n" + page
    for match in _BLOCK.finditer(text):
        body_at = match.start("body")
        opening = text.rindex("```", 0, body_at)
        found.append(
            Block(
                line=text.count("\n", 0, body_at) - 1,
                language=match["info"].strip(),
                body=match["body"],
                exempt=bool(re.fullmatch(r"\s*<!-- not run: .+ -->\s*", match["before"])),
                directly_after_block=end > 0 and not text[end:opening].strip(),
            )
        )
        end = match.end()
    return found


def same(shown: str, got: str) -> bool:
    return _CHECK.check_output(shown.rstrip() + "\n", got.rstrip() + "\n", _FLAGS)


def run_python(source: str, namespace: dict, name: str) -> str:
    """Run as at the prompt: the value of a last expression is printed."""
    body = ast.parse(source, name).body
    last = [body.pop()] if body and isinstance(body[-1], ast.Expr) else []
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exec(compile(ast.Module(body, []), name, "exec"), namespace)
        exec(compile(ast.Interactive(last), name, "single"), namespace)
    return out.getvalue()


def run_command(command: str) -> str | None:
    """Output of a command that this project installs; None for one that is only checked."""
    words = shlex.split(command, comments=True)
    program, arguments = words[0], words[1:]
    if program in {"deadband", "python"}:
        beside_python = Path(sys.executable).parent
        done = subprocess.run(
            [beside_python / program, *arguments],
            cwd=REPO,
            env={**os.environ, "COLUMNS": "100"},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            check=False,
            text=True,
            encoding="utf-8",
        )
        assert done.returncode == 0, f"$ {command}\n{done.stdout}"
        return done.stdout
    if program in {"make", "pip"}:
        for word in arguments:
            check_word(program, word)
        return None
    assert program in NOT_RUN_HERE, f"`$ {command}`: this test cannot tell whether it works"
    return None


def check_word(program: str, word: str) -> None:
    if program == "make" and "=" not in word and not word.startswith("-"):
        makefile = (REPO / "Makefile").read_text(encoding="utf-8")
        assert re.search(rf"^{re.escape(word)}:", makefile, re.MULTILINE), f"no target {word}"
    if program == "pip" and (extras := re.search(r"deadband\[([^\]]*)\]", word)):
        pyproject = (REPO / "pyproject.toml").read_text(encoding="utf-8")
        for extra in extras[1].split(","):
            assert re.search(rf"^{extra.strip()} = \[", pyproject, re.MULTILINE), f"no {extra}"


def run_console(body: str) -> list[tuple[str, str, str]]:
    """Every command whose shown output differs: command, shown, got."""
    differing = []
    for step in re.split(r"^\$ ", body, flags=re.MULTILINE)[1:]:
        command, _, shown = step.replace("\\\n", " ").partition("\n")
        got = run_command(command)
        if shown.strip() and got is not None and not same(shown, got):
            differing.append((command, shown, got))
    return differing


def check_page(page: str, name: str) -> None:
    namespace = {"__name__": "__main__"}
    listed = blocks(page)
    following = {one.line: other for one, other in pairwise(listed)}
    for block in listed:
        where = f"{name}:{block.line}"
        if block.exempt or block.language.startswith("{"):
            continue
        if block.language == "python":
            got = run_python(block.body, namespace, where)
            output = following.get(block.line)
            if output and output.language == "text" and output.directly_after_block:
                assert same(output.body, got), f"{where} prints\n{got}\nnot\n{output.body}"
        elif block.language == "console":
            assert block.body.startswith("$ "), f"{where}: commands start with `$ `"
            for command, shown, got in run_console(block.body):
                pytest.fail(f"{where}: $ {command}\nprints\n{got}\nnot\n{shown}")
        else:
            assert block.language in SHOWN_ONLY, f"{where}: name the block's language"


@pytest.mark.parametrize("page", PAGES, ids=lambda path: str(path.relative_to(REPO)))
def test_page_shows_what_happens(page, monkeypatch):
    monkeypatch.chdir(REPO)
    with pl.Config():
        check_page(page.read_text(encoding="utf-8"), str(page.relative_to(REPO)))


def test_readme_shows_python_and_commands():
    languages = {block.language for block in blocks((REPO / "README.md").read_text("utf-8"))}
    assert {"python", "console"} <= languages


@pytest.mark.parametrize(
    ("page", "passes"),
    [
        ("```python\nx = 2\n```\nand\n```python\nx + 1\n```\n\n```text\n3\n```\n", True),
        ("```python\nprint('a', 1)\n```\n```text\na ...\n```\n", True),
        ("```python\n1 + 1\n```\n\n```text\n3\n```\n", False),
        ("```python\n1 + 1\n```\nwords\n\n```text\n3\n```\n", True),
        ("```python\nraise ValueError\n```\n", False),
        ("<!-- not run: needs a cluster -->\n```python\nraise ValueError\n```\n", True),
        ("<!-- not run: needs a cluster -->\n\n```python\nraise ValueError\n```\n", True),
        ("```\nx\n```\n", False),
        ("```console\n$ python -c 'print(6 * 7)'\n42\n$ make demo\nanything\n```\n", True),
        ("```console\n$ python -c 'print(6 * 7)'\n41\n```\n", False),
        ("```console\n$ python -c 'raise SystemExit(2)'\n```\n", False),
        ("```console\n$ make tea\n```\n", False),
        ('```console\n$ pip install "deadband[plots,report]"\n```\n', True),
        ('```console\n$ pip install "deadband[plotz]"\n```\n', False),
        ("```console\n$ curl somewhere\n```\n", False),
    ],
)
def test_pages_that_mislead_are_caught(page, passes, monkeypatch):
    monkeypatch.chdir(REPO)
    try:
        check_page(page, "page")
    except (AssertionError, ValueError, pytest.fail.Exception):
        assert not passes
    else:
        assert passes
