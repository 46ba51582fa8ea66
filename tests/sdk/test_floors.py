"""The client and the command with the oldest of what they may have; the other tests have the newest."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from .conftest import ROOT

Run = Callable[..., subprocess.CompletedProcess[str]]

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = PROJECT["optional-dependencies"]


def floors(*requirements: str) -> list[str]:
    """The lowest version of each requirement."""
    return [each.split(",")[0].replace(">=", "==") for each in requirements]


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory, installed: Path, server: str) -> Run:
    """Runs Python where there are the wheel, its floors and pytest, and nothing else of the project."""
    folder = tmp_path_factory.mktemp("floors")
    subprocess.run([sys.executable, "-m", "venv", folder], check=True)
    python = folder / "bin" / "python"
    wanted = floors(*PROJECT["dependencies"], *EXTRAS["async"], *EXTRAS["cli"])
    subprocess.run([python, "-m", "pip", "install", "-q", "pytest", *wanted], check=True)
    environment = {**os.environ, "PYTHONPATH": str(installed), "BALLGAUGE_TESTED": server}

    def run(*arguments: str | Path, given: str | None = None) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [python, *arguments],
            cwd=ROOT, env=environment, input=given, capture_output=True, text=True, check=False,
        )  # fmt: skip

    return run


def test_the_floors_are_what_is_tested(old: Run) -> None:
    told = json.loads(old("-m", "pip", "list", "--format", "json").stdout)
    found = {each["name"]: each["version"].split(".") for each in told}
    for each in floors(*PROJECT["dependencies"], *EXTRAS["async"], *EXTRAS["cli"]):
        name, floor = each.split("==")
        assert found[name][: len(floor.split("."))] == floor.split(".")
    assert not found.keys() & {"marshmallow", "numpy", "pint", "flask"}


def test_the_clients_pass_their_tests(old: Run) -> None:
    """All of them that need no engine in the process."""
    programs = ("tests/sdk/test_retries.py", "tests/sdk/test_failures.py", "tests/sdk/test_async.py")
    choice = "not embedded and not services_version"
    done = old("-m", "pytest", "-q", "-p", "no:cacheprovider", "-k", choice, *programs)
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr
    assert " passed" in done.stdout
    assert " skipped" not in done.stdout


def test_the_command_answers(old: Run, server: str, drilled: dict[str, Any]) -> None:
    drilled["ball"] |= {"hardness": 75, "roundness": 0.004, "circumference": 26.99, "friction": 0.2}
    for form in ("table", "json"):
        done = old(
            "-m", "ballgauge", "check", "--url", server, "--format", form, "-", given=json.dumps(drilled)
        )
        assert done.returncode in (0, 1), done.stdout + done.stderr
        assert "not_assessed" in done.stdout
    lot = ROOT / "schemas/ballgauge_schemas/example_lots/ostrel_tarn_48.csv"
    for arguments in (["rules", "--url", server], ["lot", "--url", server, str(lot)], ["--help"]):
        done = old("-m", "ballgauge", *arguments)
        assert done.stderr == "", done.stderr
        assert done.stdout
