"""The scripts of the pages: formatted and linted as biome.json sets it, with lines as short as Python's."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests import node

ROOT = Path(__file__).parent.parent.parent
SCRIPTS = sorted((ROOT / "service" / "ballgauge_service" / "pages" / "static").glob("*.js"))
LONGEST = 110
"""As `line-length` of ruff."""


@pytest.mark.parametrize("work", ["format", "lint"])
def test_biome_finds_nothing(work: str) -> None:
    done = node.run("biome", work, "--error-on-warnings", cwd=ROOT)
    assert done.returncode == 0, done.stdout + done.stderr


def test_lines_are_short() -> None:
    """A formatter breaks no comment and no text."""
    lines = [
        (script.name, number, line)
        for script in SCRIPTS
        for number, line in enumerate(script.read_text(encoding="utf-8").splitlines(), 1)
    ]
    assert len(lines) > 1000
    assert [each for each in lines if len(each[2]) > LONGEST] == []
