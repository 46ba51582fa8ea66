"""The SDK and the command are light: what they do not need is not imported."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from importlib.resources import files
from typing import Any

import pytest

TWICE, FIVE_TIMES = 0.5, 0.2
SCRIPT = """
import json, sys, time
before = time.perf_counter()
import {name}
took = time.perf_counter() - before
print(json.dumps({{"took": took, "modules": sorted({{name.partition(".")[0] for name in sys.modules}})}}))
"""
HEAVY = {
    "numpy",
    "pint",
    "flask",
    "numba",
    "scipy",
    "marshmallow",
    "click",
    "rich",
    "granian",
    "ballgauge_service",
}


def imported(name: str) -> Any:
    """How long a fresh interpreter takes to import a package [s], and all it then holds."""
    command = [sys.executable, "-c", SCRIPT.format(name=name)]
    return json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def test_the_sdk_imports_without_the_engine() -> None:
    assert not HEAVY & set(imported("ballgauge")["modules"])


def test_the_sdk_takes_at_most_twice_the_import_of_requests(versus: Any) -> None:
    """requests is what it talks HTTP with, so a part of it; the least of a round's imports counts."""
    ratios = []
    for _ in range(5):
        taken = [[imported(name)["took"] for name in ("ballgauge", "requests")] for _ in range(2)]
        ours, theirs = (min(times) for times in zip(*taken, strict=True))
        ratios.append(theirs / ours)
    versus.hold("import of the SDK", "import ballgauge", versus.named("requests"), ratios, TWICE)


LOADED = """
import json, sys
from ballgauge._command import program
code = program.run(sys.argv[1:])
modules = sorted({name.partition(".")[0] for name in sys.modules})
print(json.dumps({"code": code, "modules": modules}), file=sys.stderr)
"""
NEVER = {"numba", "llvmlite", "scipy", "pyarrow", "plotly", "pint", "babel", "dask", "granian", "trimesh"}
EXAMPLES = files("ballgauge_schemas").joinpath("examples")
COMMANDS = {
    "check": ("check", str(EXAMPLES.joinpath("drilled.json"))),
    "check in other units": ("check", str(EXAMPLES.joinpath("as_made.json"))),
    "drill": ("drill", str(EXAMPLES.joinpath("drilling.json"))),
    "rules": ("rules",),
    "example": ("example",),
}


@pytest.mark.parametrize("arguments", COMMANDS.values(), ids=COMMANDS)
def test_the_command_imports_nothing_that_one_ball_does_not_need(arguments: tuple[str, ...]) -> None:
    done = subprocess.run([sys.executable, "-c", LOADED, *arguments], capture_output=True, text=True)
    told = json.loads(done.stderr.splitlines()[-1])
    assert told["code"] == 0, done.stderr
    assert not NEVER & set(told["modules"])


def cpu(*command: str) -> float:
    """Processor time of a program [s]; what it imports is compiled to bytecode before."""
    took = []
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    for _ in range(4):
        before = os.times()
        subprocess.run([sys.executable, *command], check=True, capture_output=True, env=environment)
        after = os.times()
        took.append(
            after.children_user + after.children_system - before.children_user - before.children_system
        )
    return min(took[1:])


def test_a_check_takes_at_most_five_times_the_time_of_an_import_of_requests(versus: Any) -> None:
    """The whole command, from its start to its table, against an import of the client that it stands on."""
    check = ("-m", "ballgauge", *COMMANDS["check"])
    ratios = [cpu("-c", "import requests") / cpu(*check) for _ in range(3)]
    versus.hold("a check by the command", "ballgauge check", versus.named("requests"), ratios, FIVE_TIMES)
