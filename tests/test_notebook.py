"""The demo notebook runs, and what a pool shows in it."""

from __future__ import annotations

from pathlib import Path

import pytest

nbformat = pytest.importorskip("nbformat")
nbclient = pytest.importorskip("nbclient")

NOTEBOOK = Path(__file__).parents[1] / "demo" / "pool.ipynb"


def test_demo_notebook_runs(tmp_path: Path) -> None:
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    assert all(not cell.outputs for cell in notebook.cells if cell.cell_type == "code")
    done = nbclient.NotebookClient(
        notebook, timeout=300, kernel_name="python3", resources={"metadata": {"path": str(tmp_path)}}
    ).execute()
    shown = [cell.outputs for cell in done.cells if cell.cell_type == "code"]
    first = shown[0][-1]["data"]
    assert "be parents here" in first["text/html"]
    assert first["text/plain"].startswith("<Pool of Kestrel Ford Lake")
    assert any("image/png" in output.get("data", {}) for output in shown[2])
    assert shown[3][-1]["data"]["text/html"].startswith("<iframe srcdoc=")
    assert "Lepomis" in shown[5][-1]["data"]["text/plain"]
