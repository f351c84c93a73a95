"""Just enough Rust reading to check the project's own rules on its sources."""

import re
from pathlib import Path

_NOT_CODE = re.compile(
    r"""
      //[^\n]*
    | /\*.*?\*/
    | b?r(?P<hashes>\#*)".*?"(?P=hashes)
    | b?"(?:\\.|[^"\\])*"
    | b?'(?:\\[^\n]+?|[^\\'\n])'
    """,
    re.DOTALL | re.VERBOSE,
)
_TEST_ITEM = re.compile(r"#\[cfg\(test\)\]")
_TEST_FILE = re.compile(r"#\[cfg\(test\)\](?:\s*#\[[^\]]*\])*\s*(?:pub\s+)?mod\s+(\w+)\s*;")
_IMPORT = re.compile(r"(?<![\w$])((?:crate|super)(?:\s*::\s*super)*)\s*::\s*(\{|\w+)")


def _blank(text: str) -> str:
    return re.sub(r"[^\n]", " ", text)


def code_only(source: str) -> str:
    """Blank comments, strings and characters; every line keeps its number."""
    return _NOT_CODE.sub(lambda match: _blank(match[0]), source)


def without_tests(code: str) -> str:
    """Blank every item under ``#[cfg(test)]``; `code` comes from `code_only`."""
    while match := _TEST_ITEM.search(code):
        end, depth = match.end(), 0
        for end in range(match.end(), len(code)):
            depth += (code[end] in "{[(") - (code[end] in "}])")
            if depth == 0 and code[end] in ";}":
                break
        code = code[: match.start()] + _blank(code[match.start() : end + 1]) + code[end + 1 :]
    return code


def files_of_tests(src: Path) -> set[Path]:
    """Files that exist only as ``#[cfg(test)] mod name;`` of another file."""
    found = set()
    for path in src.rglob("*.rs"):
        folder = path.parent if path.stem in {"mod", "lib"} else path.with_suffix("")
        for name in _TEST_FILE.findall(code_only(path.read_text(encoding="utf-8"))):
            found |= {folder / f"{name}.rs", folder / name / "mod.rs"}
    return found


def module_path(path: Path, src: Path) -> list[str]:
    """``src/a/b.rs`` is ``["a", "b"]``; ``src/a/mod.rs`` is ``["a"]``; ``src/lib.rs`` is ``[]``."""
    parts = list(path.relative_to(src).with_suffix("").parts)
    return parts[:-1] if parts[-1] in {"mod", "lib"} else parts


def _group(code: str, start: int) -> list[str]:
    """First names of the entries of a brace group that opens at `start`."""
    names, depth, expecting = [], 0, True
    for token in re.finditer(r"[{},]|\w+", code[start:]):
        if token[0] == "{":
            depth += 1
        elif token[0] == "}":
            depth -= 1
            if depth == 0:
                break
        elif token[0] == ",":
            expecting = expecting or depth == 1
        elif depth == 1 and expecting:
            names.append(token[0])
            expecting = False
    return names


def imports(code: str, module: list[str]) -> list[tuple[int, list[str]]]:
    """Line and target, as a path below the crate, of every `crate::` and `super::` path."""
    found = []
    for match in _IMPORT.finditer(code):
        head = re.sub(r"\s", "", match[1]).split("::")
        ups = len(head) if head[0] == "super" else 0
        if ups > len(module):
            continue  # climbs out of an inline module: not the file's own path
        base = module[: len(module) - ups] if ups else []
        names = _group(code, match.start(2)) if match[2] == "{" else [match[2]]
        line = code.count("\n", 0, match.start()) + 1
        found += [(line, [*base, name]) for name in names if name != "self"]
    return found
