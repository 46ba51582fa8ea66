"""Types as others see them: mypy --strict on a program that uses the installed packages."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent
PROGRAM = Path(__file__).parent / "programs" / "consumer.py"
PACKAGES = ("ballgauge_schemas", "ballgauge", "ballgauge_service")


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of packages that holds the wheel's content, as pip would lay it down."""
    folder = tmp_path_factory.mktemp("installed")
    command = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation", "-w"]
    done = subprocess.run([*command, str(folder), str(ROOT)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "site-packages")
    return folder / "site-packages"


def test_every_package_of_the_wheel_says_that_it_is_typed(installed: Path) -> None:
    """PEP 561: a file `py.typed` in each package."""
    assert [name for name in PACKAGES if not (installed / name / "py.typed").is_file()] == []


def test_the_wheel_brings_its_documents_and_its_plugin(installed: Path) -> None:
    """Against what the documentation says is in it."""
    lot = "example_lots/ostrel_tarn_48.csv"
    for file in ("openapi.json", "CHANGELOG.md", "examples/drilled.json", lot):
        assert (installed / "ballgauge_schemas" / file).is_file(), file
    (told,) = installed.glob("ballgauge-*.dist-info/entry_points.txt")
    assert "[pytest11]\nballgauge = ballgauge.contract.plugin" in told.read_text()
    assert not list(installed.glob("tests*"))


@pytest.mark.parametrize("version", ["3.11", "3.12", "3.13"])
def test_a_program_that_uses_the_interface_is_strict(installed: Path, tmp_path: Path, version: str) -> None:
    """mypy --strict for each Python: the types promised are there, and wrong uses are errors."""
    done = subprocess.run(
        [
            sys.executable, "-m", "mypy", "--strict", "--config-file", os.devnull,
            "--python-version", version,
            "--cache-dir", str(tmp_path), "--follow-imports", "silent",
            str(PROGRAM),
        ],
        cwd=tmp_path,
        env={**os.environ, "MYPYPATH": str(installed)},
        capture_output=True,
        text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
