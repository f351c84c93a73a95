"""Every notebook runs from top to bottom with warnings as errors, shows its pictures and stores no
output."""

import os
import re
import sys
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError

FOLDER = Path(__file__).resolve().parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))

# The kernel itself starts before this cell: warnings of Jupyter's own are not ours.
STRICT = "import warnings\nwarnings.simplefilter('error')"


def stored_outputs(notebook: nbformat.NotebookNode) -> list[int]:
    """Positions of cells that hold results of a run; those belong to a reader's copy only."""
    return [
        position
        for position, cell in enumerate(notebook.cells)
        if cell.cell_type == "code" and (cell.outputs or cell.execution_count is not None)
    ]


def run(notebook: nbformat.NotebookNode, folder: Path) -> nbformat.NotebookNode:
    notebook.cells.insert(0, nbformat.v4.new_code_cell(STRICT))
    client = NotebookClient(
        notebook, timeout=240, kernel_name="python3", resources={"metadata": {"path": str(folder)}}
    )
    # Without a backend named the kernel takes its own, as it does for a reader.
    env = {name: value for name, value in os.environ.items() if name != "MPLBACKEND"}
    return client.execute(env={**env, "PYDEVD_DISABLE_FILE_VALIDATION": "1"})


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_notebook_stores_no_output(path):
    cells = stored_outputs(nbformat.read(path, as_version=4))
    assert not cells, f"{path.name}: clear all outputs before committing (cells {cells})"


def without_picture(notebook: nbformat.NotebookNode) -> list[str]:
    """Sources of cells that draw and show nothing."""
    return [
        cell.source
        for cell in notebook.cells
        if cell.cell_type == "code"
        and re.search(r"\bplots\.|\.plot\(", cell.source)
        and not any("image/png" in output.get("data", {}) for output in cell.outputs)
    ]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_notebook_runs_and_shows_its_pictures(path):
    done = run(nbformat.read(path, as_version=4), path.parent)
    assert not without_picture(done)


def made_of(*sources: str) -> nbformat.NotebookNode:
    cells = [nbformat.v4.new_code_cell(source) for source in sources]
    return nbformat.v4.new_notebook(cells=cells)


def test_stored_outputs_are_caught():
    notebook = made_of("1 + 1", "2 + 2", "3 + 3")
    assert not stored_outputs(notebook)
    notebook.cells[0].outputs = [nbformat.v4.new_output("stream", text="2")]
    notebook.cells[2].execution_count = 3
    assert stored_outputs(notebook) == [0, 2]


def test_pictures_that_are_not_shown_are_caught(tmp_path):
    start = "from matplotlib import pyplot\nclass plots: draw = staticmethod(pyplot.axes)"
    shown, closed = "axes = plots.draw()", "axes = plots.draw()\npyplot.close()"
    done = run(made_of(start, shown, closed), tmp_path)
    assert without_picture(done) == [closed]


def test_the_kernel_is_this_python(tmp_path):
    done = run(made_of("import sys", "print(sys.prefix)"), tmp_path)
    assert done.cells[-1].outputs[0].text.strip() == sys.prefix


@pytest.mark.parametrize("source", ["1 / 0", "import warnings\nwarnings.warn('old')"])
def test_failing_notebooks_are_caught(source, tmp_path):
    with pytest.raises(CellExecutionError):
        run(made_of(source), tmp_path)
