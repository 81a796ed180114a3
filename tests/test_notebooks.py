"""The notebooks run from top to bottom, and are kept without outputs."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = sorted((Path(__file__).parent.parent / "notebooks").glob("*.ipynb"))
LONGEST_S = 300  # of one cell, on a machine that does other things besides


def test_there_are_two():
    assert len(NOTEBOOKS) == 2


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_it_runs(path):
    """Judge: the kernel; a cell that raises, or a command that ends as an error, fails it."""
    notebook = nbformat.read(path, as_version=4)
    where = {"metadata": {"path": str(path.parent)}}
    NotebookClient(notebook, timeout=LONGEST_S, resources=where).execute()
    said = [out for cell in notebook.cells for out in cell.get("outputs", ())]
    pictures = [out for out in said if "image/png" in out.get("data", {})]
    assert len(pictures) >= 3
    text = "".join(out.get("text", "") for out in said)
    assert "leakcheck: " not in text  # the start of every error


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_it_is_kept_without_outputs(path):
    """They would be old at the next change, and hide what changed."""
    notebook = nbformat.read(path, as_version=4)
    assert all(not cell.get("outputs") for cell in notebook.cells)
    assert all(cell.get("execution_count") is None for cell in notebook.cells)
