"""Memory of one request: a process of its own answers what takes most, under a limit."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from ballgauge_schemas.shared.documents import design_example
from ballgauge_service.design.solids.shells import MOST_3MF_FACES, MOST_FACES

MOST = 600 << 20

ANSWER = """
import json, sys
from ballgauge_schemas.design.request import DESIGN_REQUEST
from ballgauge_service.design.evaluate import evaluate_design
asked, *names = sys.argv[1:]
files = {name.rpartition("/")[2]: open(name, "rb").read() for name in names}
evaluate_design(DESIGN_REQUEST.load(json.load(open(asked))), files)
status = dict(line.split(":", 1) for line in open("/proc/self/status"))
print(int(status["VmHWM"].split()[0]) * 1024)
"""


def ball(faces: int) -> trimesh.Trimesh:
    """A sphere of about as many faces, and no more."""
    across = int(np.sqrt(faces / 2.0))
    turn = np.linspace(0.0, np.pi, across)
    line = np.column_stack([np.sin(turn), -np.cos(turn)])
    line[[0, -1], 0] = 0.0
    return trimesh.creation.revolve(line, sections=across)


@pytest.mark.parametrize(("kind", "faces"), [("3mf", MOST_3MF_FACES), ("ply", MOST_FACES)])
def test_the_largest_meshes_are_answered_under_600_mib(tmp_path: Path, kind: str, faces: int) -> None:
    """As many faces as are taken, as a core that is drilled, by the most that the process ever held."""
    asked: dict[str, Any] = design_example("skarn")
    drawn = ball(faces)
    assert len(drawn.faces) > 0.9 * faces
    file = tmp_path / f"core.{kind}"
    asked["design"]["meshes"] = [{"name": "core", "unit": "mm", "file": file.name}]
    core = {"name": "core", "role": "inner_core", "shape": "mesh", "mesh": "core", "density": 2.5}
    asked["design"]["solids"][2] = {**core, "scale": 40.0}
    (tmp_path / "asked.json").write_text(json.dumps(asked))
    run = [sys.executable, "-c", ANSWER, str(tmp_path / "asked.json"), str(file)]
    # A small one first: where the kernels are not compiled yet, their compiler takes memory of its own.
    for mesh in (ball(2_000), drawn):
        file.write_bytes(mesh.export(file_type=kind))
        told = subprocess.run(run, capture_output=True, text=True, check=False)
        assert told.returncode == 0, told.stderr[-2000:]
    assert int(told.stdout) < MOST
