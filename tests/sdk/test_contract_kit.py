"""The contract's test kit: the real service passes it, each wrong one fails the test that is named for it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from .wrong_numbers import NEWER, WRONG_NUMBERS
from .wrong_services import WRONG

HERE = Path(__file__).parent


@pytest.fixture(scope="module")
def judged() -> dict[str, dict[str, list[str]]]:
    """What the kit's own command line says of every service, over sockets of the loopback."""
    program = HERE / "wrong_services.py"
    command = [sys.executable, "-m", f"tests.sdk.{program.stem}"]
    done = subprocess.run(command, cwd=HERE.parent.parent, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    found: dict[str, dict[str, list[str]]] = json.loads(done.stdout.splitlines()[-1])
    return found


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_service_fails(judged: Any, name: str) -> None:
    """Against a service with that one promise broken: every test named for it fails."""
    assert sorted(judged[name]["failed"]) == sorted(WRONG[name].caught_by)


@pytest.mark.parametrize("name", WRONG_NUMBERS)
def test_a_service_with_wrong_numbers_fails(judged: Any, name: str) -> None:
    """Against answers that load and are wrong: each of the 24 faults is seen by every test named for it."""
    assert sorted(judged[name]["failed"]) == sorted(WRONG_NUMBERS[name].caught_by)


def test_a_newer_service_passes(judged: Any) -> None:
    """Against a service of a later version, whose answers have members more."""
    assert judged["newer"]["failed"] == []
    assert sorted(judged["newer"]["passed"]) == sorted(NEWER.caught_by)


def test_the_real_service_passes_the_same_tests(judged: Any) -> None:
    """Against the same service with nothing broken: the failures above are the breaks'."""
    wrong = {**WRONG, **WRONG_NUMBERS}.values()
    assert set(judged["right"]["passed"]) == {test for each in wrong for test in each.caught_by}
    assert judged["right"]["failed"] == []


def test_without_an_address_the_embedded_engine_passes(tmp_path: Path) -> None:
    """Against the engine in a process of its own, by the command that the documentation gives."""
    command = ["-m", "pytest", "-q", "-p", "no:cacheprovider", "--pyargs", "ballgauge.contract"]
    costly = "not motion and not design and not lot"
    done = subprocess.run(
        [sys.executable, *command, "--ballgauge-examples", "5", "-k", costly],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    assert " passed" in done.stdout


def test_an_address_where_nobody_answers_fails(tmp_path: Path) -> None:
    """Against a port that nothing listens on: no service is not a good one."""
    command = ["-m", "pytest", "-q", "-p", "no:cacheprovider", "--pyargs", "ballgauge.contract.test_health"]
    done = subprocess.run(
        [sys.executable, *command, "--ballgauge-url", "http://127.0.0.1:9"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "3 failed" in done.stdout
