"""The examples that a user reads are programs that run: docstrings by doctest, README's blocks."""

from __future__ import annotations

import doctest
import importlib
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

ROOT = Path(__file__).parent.parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```python\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)


@pytest.fixture(autouse=True)
def _patient() -> Iterator[None]:
    """Hypothesis within the examples does not mind a busy machine, and leaves nothing behind."""
    before = settings.get_current_profile_name()
    settings.register_profile("busy", suppress_health_check=list(HealthCheck), deadline=None, database=None)
    settings.load_profile("busy")
    yield
    settings.load_profile(before)


@pytest.mark.parametrize(
    ("module", "least"), [("ballgauge", 3), ("ballgauge._client", 8), ("ballgauge.strategies", 6)]
)
def test_the_examples_of_the_documentation_run(module: str, least: int) -> None:
    """Against what they say they print."""
    done = doctest.testmod(importlib.import_module(module), raise_on_error=False)
    assert done.failed == 0
    assert done.attempted >= least


def test_readme_has_python() -> None:
    """Against an empty list, which would test nothing."""
    assert BLOCKS


@pytest.mark.parametrize("number", range(len(BLOCKS)))
def test_the_programs_of_readme_run(number: int) -> None:
    """As they stand."""
    exec(compile(BLOCKS[number], f"README.md block {number}", "exec"), {"__name__": "readme"})


def test_the_first_command_prints_what_readme_says() -> None:
    """Against the block; the line above it installs, which tests/sdk/test_release.py does."""
    found = re.search(r"\.venv/bin/(ballgauge check \S+)\n```", README)
    assert found
    command = [sys.executable, "-m", *found[1].split()]
    environment = os.environ | {"COLUMNS": "200"}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    told = README.split("## What it prints")[1].split("```\n")[1]
    assert doctest.OutputChecker().check_output(told, done.stdout, doctest.ELLIPSIS), done.stdout
