"""Lint, types and the arrows of the house are part of the tests, as pyproject.toml sets them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


COMMANDS = [("ruff", "check"), ("ruff", "format", "--check"), ("mypy",), ("lint-imports", "--no-cache")]


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_clean(command: tuple[str, ...]) -> None:
    program = Path(sys.executable).with_name(command[0])
    done = subprocess.run([program, *command[1:]], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
