"""Run the Python tests on the oldest Polars and NumPy that pyproject.toml admits.

Called by `make oldest` with a folder that has a wheel in dist/; the environment is made there.
"""

import re
import subprocess
import sys
import venv
from pathlib import Path

REPO = Path(__file__).resolve().parents[1]
EXTRAS = "plots,studies,report,notebooks,cluster,test"

# These judge the project's own files, which the other packages' versions do not change.
UNAFFECTED = ["test_project.py", "test_rust_source.py"]


def oldest(name: str) -> str:
    """`name==bound` for the lower bound of a dependency."""
    pyproject = (REPO / "pyproject.toml").read_text(encoding="utf-8")
    bound = re.search(rf'^dependencies = .*"{name}>=([^",]+)"', pyproject, re.MULTILINE)
    if bound is None:
        message = f"pyproject.toml gives {name} no lower bound"
        raise SystemExit(message)
    return f"{name}~={bound[1]}.0" if bound[1].count(".") == 1 else f"{name}=={bound[1]}"


def main(folder: Path) -> None:
    wheel = max(folder.glob("dist/*.whl"), key=lambda path: path.stat().st_mtime)
    python = folder / "venv/bin/python"
    if not python.exists():
        venv.create(folder / "venv", with_pip=True)
    wanted = [f"deadband[{EXTRAS}] @ {wheel.resolve().as_uri()}", oldest("polars"), oldest("numpy")]
    install = [python, "-m", "pip", "install", "--quiet"]
    subprocess.run([*install, *wanted], check=True)
    # A wheel of the same version is not installed anew unless forced.
    subprocess.run([*install, "--force-reinstall", "--no-deps", wheel], check=True)
    ignored = [f"--ignore=tests/python/{name}" for name in UNAFFECTED]
    tests = subprocess.run([python, "-m", "pytest", "-q", *ignored], cwd=REPO, check=False)
    raise SystemExit(tests.returncode)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
