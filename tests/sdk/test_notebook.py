"""A notebook runs: the quality engineer's of the guide, cell by cell; its end shows table and chart."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import nbclient
import nbformat

import ballgauge_schemas
from ballgauge_service.pages import guide

LOT = Path(ballgauge_schemas.__file__).parent / "example_lots" / "ostrel_tarn_48.csv"


def test_the_quality_engineers_notebook_runs(tmp_path: Path) -> None:
    """With the client embedded in the kernel."""
    shutil.copy(LOT, tmp_path / "lot.csv")
    blocks = re.findall(r"^```python\n(.*?)^```$", guide.source("quality"), flags=re.MULTILINE | re.DOTALL)
    served = 'ballgauge.Client("http://127.0.0.1:8000")'
    assert served in blocks[0]
    cells = [block.replace(served, "ballgauge.Client.embedded()") for block in blocks]
    notebook = nbformat.v4.new_notebook()
    notebook.cells = [nbformat.v4.new_code_cell(cell) for cell in (*cells, "lot", "results")]
    client = nbclient.NotebookClient(notebook, timeout=300, resources={"metadata": {"path": str(tmp_path)}})
    client.execute()
    (shown,) = notebook.cells[-2].outputs
    assert "<table>" in shown.data["text/html"]
    assert "<svg" in shown.data["text/html"]
    assert len(shown.data["text/plain"]) < 2000
